"""evenfall repeat: do runs of one build agree."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import (
    all_option,
    archive_option,
    echo,
    engine_option,
    json_option,
    plot_option,
    print_json,
    root,
    standard_option,
    units_option,
)


@root.command()
@click.argument("runs")
@engine_option
@standard_option
@all_option
@plot_option
@units_option
@json_option
@archive_option
def repeat(
    runs: str,
    engine: str | None,
    standard: str | None,
    everything: bool,
    plot: Path | None,
    units: str,
    as_json: bool,
    archive_dir: Path,
) -> None:
    """Mean curve and repeatability of RUNS.

    RUNS: 3,5-8, or the name of a build with --engine.
    """
    from rich.console import Console

    from evenfall.archive.archive import Archive
    from evenfall.output.plain import group_as_json
    from evenfall.output.text import UNIT_CHOICES, group_report
    from evenfall.workflow.run_groups import checked_target, group_of, picture_words

    chosen = UNIT_CHOICES[units]
    target = checked_target(plot, (".png", ".svg")) if plot else None
    with Archive(archive_dir) as archive:
        g = group_of(archive, runs, engine, standard=standard, everything=everything)
        above, below = picture_words(archive, [p.key for p in g.runs], standard)
    if as_json:
        print_json(group_as_json(g))
    else:
        Console().print(group_report(g, chosen))
    if target:
        from evenfall.output.plots import group_curve, plot_curves

        plot_curves([group_curve(g)], target, None, chosen, above, below)
        echo(f"Plot: {target}", err=as_json)
