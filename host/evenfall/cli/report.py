"""evenfall plot, page: pictures and the sheet to hand over."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli._root import archive_option, echo, root, units_option, when
from evenfall.cli.compare import all_option, engine_option, standard_option

if TYPE_CHECKING:
    from evenfall.archive.archive import Archive
    from evenfall.output.page import About
    from evenfall.statistics.compare import Group


@root.command()
@click.argument("specs", nargs=-1, required=True, metavar="RUNS...")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="PNG or SVG file.")
@click.option("--set-speed", is_flag=True, help="Speed against set speed of one run instead.")
@click.option("--title", default="", help="A line above the picture.")
@engine_option
@standard_option
@all_option
@units_option
@archive_option
def plot(
    specs: tuple[str, ...],
    out: Path,
    set_speed: bool,
    title: str,
    engine: str | None,
    standard: str | None,
    everything: bool,
    units: str,
    archive_dir: Path,
) -> None:
    """Draw torque and power of up to six RUNS.

    7 is one run, 3,5-8 the mean of a group.
    """
    from evenfall.archive.archive import Archive
    from evenfall.cli._pulls import checked_target, group_of, pull_numbers, reduced
    from evenfall.errors import InputError
    from evenfall.output.plots import curve_of, group_curve, plot_curves, plot_set_speed
    from evenfall.output.text import UNIT_CHOICES

    target = checked_target(out, (".png", ".svg"))
    with Archive(archive_dir) as archive:
        if set_speed:
            numbers = [n for spec in specs for n in pull_numbers(archive, spec, engine)]
            if len(numbers) != 1:
                raise InputError(f"--set-speed draws one run, {len(numbers)} are named")
            plot_set_speed(archive.run(numbers[0]), target)
        else:
            curves = []
            for spec in specs:
                numbers = pull_numbers(archive, spec, engine)
                if len(numbers) == 1:
                    curves.append(
                        curve_of(reduced(archive, numbers[0], standard).reduction, _name(archive, numbers[0]))
                    )
                else:
                    curves.append(
                        group_curve(group_of(archive, spec, engine, standard=standard, everything=everything))
                    )
            plot_curves(curves, target, units=UNIT_CHOICES[units], title=title)
    echo(str(target))


@root.command()
@click.argument("specs", nargs=-1, required=True, metavar="RUNS [AFTER]")
@click.option("--band", metavar="LOW:HIGH", help="Before and after: speeds of the mean power, rpm.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="HTML file, else in the archive's folder 'pages'."
)
@click.option("--bench", default="", help="Name of the bench, for the heading.")
@click.option("--note", default="", help="A note for the sheet.")
@click.option("--invented", is_flag=True, help="Say on the sheet that the data are invented.")
@engine_option
@standard_option
@all_option
@units_option
@archive_option
def page(
    specs: tuple[str, ...],
    band: str | None,
    out: Path | None,
    bench: str,
    note: str,
    invented: bool,
    engine: str | None,
    standard: str | None,
    everything: bool,
    units: str,
    archive_dir: Path,
) -> None:
    """Write a report page to print or hand over.

    Of one run (7), of a group (3,5-8), or before and after (1-4 5-8).
    """
    from evenfall.archive.archive import Archive
    from evenfall.cli._pulls import checked_target

    target = checked_target(out, (".html",)) if out else None
    with Archive(archive_dir) as archive:
        path = write_page(
            archive, specs, target, engine, standard, units, bench, note, invented, band, everything
        )
    echo(str(path))


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
    from dataclasses import replace

    from evenfall.cli._pulls import engine_of, group_of, scatter_between_sessions, speed_band
    from evenfall.errors import InputError
    from evenfall.output import page as sheets
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.statistics.compare import compare

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
    about = replace(about_pulls(archive, groups, bench, note), invented=invented)
    chosen = UNIT_CHOICES[units]
    if len(groups) == 2:
        between = scatter_between_sessions(
            archive, engine_of(archive, [p.key for g in groups for p in g.runs])
        )
        asked = speed_band(band, "--band") if band else None
        compared = compare(groups[0], groups[1], between=between, band_rpm=asked)
        sheet = sheets.comparison_sheet(compared, about, chosen)
    elif groups[0].n == 1:
        sheet = sheets.run_sheet(groups[0].runs[0], about, chosen)
    else:
        sheet = sheets.group_sheet(groups[0], about, chosen)
    if target is None:
        folder = archive.folder / "pages"
        folder.mkdir(exist_ok=True)
        target = folder / f"{page_name(groups)}.html"
    return sheets.write(sheet, target)


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


def about_pulls(archive: Archive, groups: list[Group], bench: str, note: str) -> About:
    """Engine, change, dates and notes as the archive has them."""
    from evenfall.cli._pulls import engine_of
    from evenfall.output.page import About

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
    )


def _name(archive: Archive, number: int) -> str:
    row = archive.row(number)
    return f"run {number}" + (f", {row['build']}" if row["build"] else "")
