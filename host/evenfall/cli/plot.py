"""evenfall plot: torque and power of runs as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli._root import (
    all_option,
    archive_option,
    echo,
    engine_option,
    root,
    standard_option,
    units_option,
)

if TYPE_CHECKING:
    from evenfall.archive.archive import Archive


@root.command()
@click.argument("specs", nargs=-1, required=True, metavar="RUNS...")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="PNG or SVG file.")
@click.option("--set-speed", is_flag=True, help="Speed against set speed of one run instead.")
@click.option("--title", default="", help="A line above the picture, else engine and builds.")
@click.option("--from-zero", is_flag=True, help="Start the scales of torque and power at zero.")
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
    from_zero: bool,
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
    from evenfall.errors import InputError
    from evenfall.output.plots import Curve, curve_of, group_curve, plot_curves, plot_set_speed
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.workflow.run_groups import checked_target, group_of, picture_words, reduced, run_numbers

    target = checked_target(out, (".png", ".svg"))
    with Archive(archive_dir) as archive:
        if set_speed:
            numbers = [n for spec in specs for n in run_numbers(archive, spec, engine)]
            if len(numbers) != 1:
                raise InputError(f"--set-speed draws one run, {len(numbers)} are named")
            above, below = picture_words(archive, numbers, standard)
            plot_set_speed(archive.run(numbers[0]), target, title or above, below)
        else:
            curves: list[Curve] = []
            drawn: list[int] = []
            for spec in specs:
                numbers = run_numbers(archive, spec, engine)
                if len(numbers) == 1:
                    run = reduced(archive, numbers[0], standard)
                    curves.append(curve_of(run.reduction, _name(archive, numbers[0])))
                    drawn += numbers
                else:
                    found = group_of(archive, spec, engine, standard=standard, everything=everything)
                    curves.append(group_curve(found))
                    drawn += [p.key for p in found.runs]
            above, below = picture_words(archive, drawn, standard)
            plot_curves(curves, target, None, UNIT_CHOICES[units], title or above, below, from_zero)
    echo(str(target))


def _name(archive: Archive, number: int) -> str:
    row = archive.row(number)
    return f"run {number}" + (f", {row['build']}" if row["build"] else "")
