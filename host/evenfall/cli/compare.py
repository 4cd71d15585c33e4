"""evenfall compare: did the engine change."""

from __future__ import annotations

from dataclasses import replace
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
from evenfall.errors import InputError


@root.command()
@click.argument("before")
@click.argument("after")
@engine_option
@standard_option
@click.option(
    "--decide",
    default="1 %",
    show_default=True,
    help="Smallest gain of interest, to advise how many more runs are needed.",
)
@click.option(
    "--band",
    metavar="LOW:HIGH",
    help="Speeds of the mean power, rpm; else where both hold 90 % of their peak power.",
)
@click.option("--bench-scatter", help="This bench's scatter of one run (e.g. '0.4 %'), for single runs.")
@all_option
@plot_option
@units_option
@json_option
@archive_option
def compare(
    before: str,
    after: str,
    engine: str | None,
    standard: str | None,
    decide: str,
    band: str | None,
    bench_scatter: str | None,
    everything: bool,
    plot: Path | None,
    units: str,
    as_json: bool,
    archive_dir: Path,
) -> None:
    """Gain of AFTER over BEFORE, with a verdict.

    BEFORE and AFTER are lists of runs (3,5-8) or, with --engine, names of builds.
    """
    from rich.console import Console

    from evenfall.archive.archive import Archive
    from evenfall.output.plain import comparison_as_json
    from evenfall.output.text import UNIT_CHOICES, comparison_report
    from evenfall.statistics.compare import compare as compared
    from evenfall.units import typed
    from evenfall.workflow.run_groups import (
        checked_target,
        engine_of,
        group_of,
        picture_words,
        scatter_between_sessions,
        speed_band,
    )

    chosen = UNIT_CHOICES[units]
    target = checked_target(plot, (".png", ".svg")) if plot else None
    scatter = typed(bench_scatter, "ratio", "--bench-scatter") if bench_scatter else None
    asked = typed(decide, "ratio", "--decide")
    if not 0 < abs(asked) < 1:
        raise InputError(f"--decide {decide}: a gain to decide lies between 0 and 100 %, such as '1 %'")
    speeds = speed_band(band, "--band") if band else None
    with Archive(archive_dir) as archive:
        a = group_of(archive, before, engine, standard=standard, everything=everything)
        b = group_of(archive, after, engine, standard=standard, everything=everything)
        if a.label == b.label:
            a, b = replace(a, label="before"), replace(b, label="after")
        numbers = [p.key for g in (a, b) for p in g.runs]
        one = engine_of(archive, numbers)
        above, below = picture_words(archive, numbers, standard)
        between = scatter_between_sessions(archive, one)
        result = compared(a, b, asked, scatter, between, speeds)
    if as_json:
        print_json(comparison_as_json(result))
    else:
        Console().print(comparison_report(result, chosen))
    if target:
        from evenfall.output.plots import comparison_figure, save

        save(comparison_figure(result, chosen, above, below), target)
        echo(f"Plot: {target}", err=as_json)
