"""The report page of runs that a person names: reduced, compared, written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from evenfall import details
from evenfall.archive.archive import Archive
from evenfall.errors import InputError
from evenfall.output import page as pages
from evenfall.output.page import About
from evenfall.output.text import UNIT_CHOICES, Units, engine_lines
from evenfall.printable import when
from evenfall.statistics.compare import compare
from evenfall.statistics.groups import Group
from evenfall.workflow.run_groups import (
    engine_of,
    group_of,
    scatter_between_sessions,
    span_of_dates,
    spans,
    speed_band,
)


def write_page(
    archive: Archive,
    specs: tuple[str, ...],
    target: Path | None,
    engine: str | None = None,
    standard: str | None = None,
    units: str = "us",
    bench: str = "",
    note: str = "",
    invented: bool = False,
    band: str | None = None,
    everything: bool = False,
) -> Path:
    """Reduce, compare, write the page; return its path."""
    if len(specs) > 2:
        raise InputError(
            "a page shows one group of runs, or a group before and one after; write 3,5-8 for a group"
        )
    alone = len(specs) == 1 and specs[0].strip().isdigit()  # one run is shown whatever became of it
    groups = [
        group_of(archive, spec, engine, standard=standard, everything=everything or alone) for spec in specs
    ]
    if len(groups) == 2 and groups[0].label == groups[1].label:
        groups = [replace(g, label=label) for g, label in zip(groups, ("before", "after"), strict=True)]
    about = about_runs(archive, groups, bench, note)
    about = replace(about, invented=invented or details.INVENTED in _remarks(archive, about.engine))
    chosen = UNIT_CHOICES[units]
    if len(groups) == 1 and groups[0].n == 1:
        about = replace(about, details=(*about.details, *_engine(archive, groups[0], chosen)))
    if len(groups) == 2:
        between = scatter_between_sessions(
            archive, engine_of(archive, [p.key for g in groups for p in g.runs])
        )
        asked = speed_band(band, "--band") if band else None
        compared = compare(groups[0], groups[1], between=between, band_rpm=asked)
        report = pages.comparison_page(compared, about, chosen)
    elif groups[0].n == 1:
        build = archive.row(groups[0].runs[0].key)["build"]
        about = replace(about, engine=", ".join(w for w in (about.engine, build) if w))
        report = pages.run_page(groups[0].runs[0], about, chosen)
    else:
        report = pages.group_page(groups[0], about, chosen)
    if target is None:
        folder = archive.folder / "pages"
        folder.mkdir(exist_ok=True)
        target = folder / f"{page_name(groups)}.html"
    return pages.write(report, target)


def _remarks(archive: Archive, engine: str) -> list[str]:
    return [e["remark"] for e in archive.engines(retired=True) if e["name"] == engine]


def page_name(groups: list[Group]) -> str:
    """`runs-5-8-against-1-4`: all runs are in it, so that no page takes the place of another."""
    return "runs-" + "-against-".join(spans([p.key for p in g.runs]) for g in reversed(groups))


def about_runs(archive: Archive, groups: list[Group], bench: str, note: str) -> About:
    """Engine, change, dates and notes as the archive has them."""

    numbers = [p.key for g in groups for p in g.runs]
    rows = [archive.row(n) for n in numbers]
    last = archive.row(groups[-1].runs[-1].key)
    first, last_one = (when(pick(r["started_unix_s"] for r in rows)) for pick in (min, max))
    same_day = first[:10] == last_one[:10]
    made = first if first == last_one else f"{first} to {last_one[11:] if same_day else last_one}"
    if any(r["clock"] == "unknown" for r in rows):
        made = span_of_dates(rows)
    if last["changed_by"]:
        made += f", {last['changed_by']}"
    notes = [note] if note else []
    notes += [f"Run {n}: {entry['text']}" for n in numbers for entry in archive.notes(n)]
    return About(
        engine=engine_of(archive, numbers) or "engine not named",
        change=last["changed"] or "",
        made=made,
        bench=bench,
        note="\n".join(notes),
        details=_details(archive, groups),
    )


def _engine(archive: Archive, one: Group, units: Units) -> tuple[tuple[str, str], ...]:
    """What the engine's size makes of the peaks of a single run."""
    run = one.runs[0]
    size = archive.engine_size(run.key)
    return tuple(
        ("for its size", line)
        for line in engine_lines(run.reduction, size, units)
        if not line.startswith("Mean power")
    )


def _size(archive: Archive, run: int) -> dict[str, str]:
    displacement_m3 = archive.engine_size(run).displacement_m3
    return {"Displacement": f"{displacement_m3 * 1e6:.1f} cm³"} if displacement_m3 > 0 else {}


def _details(archive: Archive, groups: list[Group]) -> tuple[tuple[str, str], ...]:
    """What was noted of engine, builds and runs; where the groups differ, before and after."""
    sides = [[{**_size(archive, p.key), **dict(details.lines(archive.details(p.key)))} for p in g.runs]
             for g in groups]  # fmt: skip
    names = dict.fromkeys(what for side in sides for of in side for what in of)
    said = []
    for what in names:
        each = [
            ", ".join(dict.fromkeys(of[what] for of in side if what in of)) or "not noted" for side in sides
        ]
        said.append((what[:1].lower() + what[1:], each[0] if len(set(each)) == 1 else " → ".join(each)))
    return tuple(said)
