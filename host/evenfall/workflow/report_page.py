"""The report page of runs that a person names: reduced, compared, written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from evenfall import details
from evenfall.archive.archive import Archive
from evenfall.errors import InputError
from evenfall.output import page as pages
from evenfall.output.page import About
from evenfall.output.text import UNIT_CHOICES
from evenfall.printable import when
from evenfall.statistics.compare import Group, compare
from evenfall.workflow.run_groups import engine_of, group_of, scatter_between_sessions, speed_band


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
    about = replace(about_runs(archive, groups, bench, note), invented=invented)
    chosen = UNIT_CHOICES[units]
    if len(groups) == 2:
        between = scatter_between_sessions(
            archive, engine_of(archive, [p.key for g in groups for p in g.runs])
        )
        asked = speed_band(band, "--band") if band else None
        compared = compare(groups[0], groups[1], between=between, band_rpm=asked)
        report = pages.comparison_page(compared, about, chosen)
    elif groups[0].n == 1:
        report = pages.run_page(groups[0].runs[0], about, chosen)
    else:
        report = pages.group_page(groups[0], about, chosen)
    if target is None:
        folder = archive.folder / "pages"
        folder.mkdir(exist_ok=True)
        target = folder / f"{page_name(groups)}.html"
    return pages.write(report, target)


def page_name(groups: list[Group]) -> str:
    """`runs-5-8-against-1-4`: all runs are in it, so that no page takes the place of another."""
    return "runs-" + "-against-".join(run_list([p.key for p in g.runs]) for g in reversed(groups))


def run_list(numbers: list[int]) -> str:
    """Numbers as a person would name them, fit for a file name: 3_5-8."""
    parts: list[list[int]] = []
    for n in sorted(numbers):
        if parts and n == parts[-1][-1] + 1:
            parts[-1].append(n)
        else:
            parts.append([n])
    return "_".join(str(p[0]) if len(p) == 1 else f"{p[0]}-{p[-1]}" for p in parts)


def about_runs(archive: Archive, groups: list[Group], bench: str, note: str) -> About:
    """Engine, change, dates and notes as the archive has them."""

    numbers = [p.key for g in groups for p in g.runs]
    rows = [archive.row(n) for n in numbers]
    last = archive.row(groups[-1].runs[-1].key)
    days = sorted({when(r["started_unix_s"])[:10] for r in rows})
    made = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
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


def _details(archive: Archive, groups: list[Group]) -> tuple[tuple[str, str], ...]:
    """What was noted of engine, builds and runs; where the groups differ, before and after."""
    sides = [[dict(details.lines(archive.details(p.key))) for p in g.runs] for g in groups]
    names = dict.fromkeys(what for side in sides for of in side for what in of)
    said = []
    for what in names:
        each = [
            ", ".join(dict.fromkeys(of[what] for of in side if what in of)) or "not noted" for side in sides
        ]
        said.append((what, each[0] if len(set(each)) == 1 else " → ".join(each)))
    return tuple(said)
