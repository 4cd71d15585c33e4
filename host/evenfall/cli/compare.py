"""evenfall compare, repeat, chart: did the engine change, do runs agree, is the bench the same."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli._root import (
    archive_option,
    complete,
    echo,
    json_option,
    print_json,
    print_table,
    root,
    units_option,
)
from evenfall.errors import InputError

if TYPE_CHECKING:
    pass

engine_option = click.option(
    "--engine", shell_complete=complete("engine"), help="Engine whose builds are named."
)
standard_option = click.option("--standard", help="Air standard for all these runs, else as filed.")
EXIT_ALARM = 8  # the newest session breaks a rule of the control chart
all_option = click.option(
    "--all", "everything", is_flag=True, help="Count excluded, poor, aborted and warm-up runs too."
)
plot_option = click.option("--plot", type=click.Path(path_type=Path), help="Draw to this PNG or SVG file.")


@root.command()
@click.argument("before")
@click.argument("after")
@engine_option
@standard_option
@click.option(
    "--decide", default="1 %", show_default=True, help="The gain that advice on more runs is about."
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
    from evenfall.output.plots import comparison_figure, save
    from evenfall.output.text import UNIT_CHOICES, comparison_report
    from evenfall.statistics.compare import compare as compared
    from evenfall.units import typed
    from evenfall.workflow.run_groups import (
        checked_target,
        engine_of,
        group_of,
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
        one = engine_of(archive, [p.key for g in (a, b) for p in g.runs])
        between = scatter_between_sessions(archive, one)
        result = compared(a, b, asked, scatter, between, speeds)
    if as_json:
        print_json(comparison_as_json(result))
    else:
        Console().print(comparison_report(result, chosen))
    if target:
        save(comparison_figure(result, chosen), target)
        echo(f"Plot: {target}", err=as_json)


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
    from evenfall.output.plots import group_curve, plot_curves
    from evenfall.output.text import UNIT_CHOICES, group_report
    from evenfall.workflow.run_groups import checked_target, group_of

    chosen = UNIT_CHOICES[units]
    target = checked_target(plot, (".png", ".svg")) if plot else None
    with Archive(archive_dir) as archive:
        g = group_of(archive, runs, engine, standard=standard, everything=everything)
    if as_json:
        print_json(group_as_json(g))
    else:
        Console().print(group_report(g, chosen))
    if target:
        plot_curves([group_curve(g)], target, units=chosen)
        echo(f"Plot: {target}", err=as_json)


@root.command()
@click.argument("engine", shell_complete=complete("engine"))
@click.argument("build", required=False, shell_complete=complete("build"))
@click.option("--baseline", type=int, help="First sessions that fix the lines, else all but the newest.")
@all_option
@plot_option
@units_option
@json_option
@archive_option
def chart(
    engine: str,
    build: str | None,
    baseline: int | None,
    everything: bool,
    plot: Path | None,
    units: str,
    as_json: bool,
    archive_dir: Path,
) -> None:
    """Control chart of a reference ENGINE.

    Each session against the sessions before. Exit code 8 when the newest session breaks a rule.
    """
    from evenfall.archive.archive import Archive
    from evenfall.output.plots import control_figure, save
    from evenfall.output.text import UNIT_CHOICES, chart_lines
    from evenfall.statistics.control_chart import RULES, control_chart
    from evenfall.workflow.run_groups import checked_target, reference_sessions

    chosen = UNIT_CHOICES[units]
    target = checked_target(plot, (".png", ".svg")) if plot else None
    with Archive(archive_dir) as archive:
        sessions, left_out = reference_sessions(archive, engine, build, everything)
        result = control_chart(sessions, baseline)
    if as_json:
        print_json(
            {
                "centre_W": result.centre_W,
                "sigma_W": result.sigma_W,
                "limits_W": result.limits_W,
                "baseline": result.baseline,
                "sessions": [
                    {"label": s.label, "mean_W": m, "runs": len(s.peak_power_W)}
                    for s, m in zip(result.sessions, result.mean_W, strict=True)
                ],
                "alarms": [asdict(a) for a in result.alarms],
                "rules": RULES,
                "s_r_W": result.precision.s_r if result.precision else None,
                "s_R_W": result.precision.s_R if result.precision else None,
                "week_pairs": result.week_pairs,
                "week_limit": result.week_limit_relative,
                "today": result.today_sentence,
                "left_out": left_out,
            }
        )
    else:
        print_table(
            ["session", "runs", f"peak power, {chosen.power_name}", "sigma"],
            [
                [s.label, len(s.peak_power_W), f"{float(chosen.power(m)):.3f}",
                 f"{z:+.1f}" if result.sigma_W else "–"]
                for s, m, z in zip(result.sessions, result.mean_W, result.z, strict=True)
            ],
            {"runs", f"peak power, {chosen.power_name}", "sigma"},
        )  # fmt: skip
        for line in [*chart_lines(result, chosen), *([left_out] if left_out else [])]:
            echo(line)
    if target:
        figure = control_figure(
            chosen.power(result.mean_W),
            float(chosen.power(result.centre_W)),
            (float(chosen.power(result.limits_W[0])), float(chosen.power(result.limits_W[1]))),
            [a.index for a in result.alarms],
            [s.label for s in result.sessions],
            f"peak power of {engine}, {chosen.power_name}",
        )
        save(figure, target)
        echo(f"Plot: {target}", err=as_json)
    if any(alarm.index == len(result.sessions) - 1 for alarm in result.alarms):
        raise SystemExit(EXIT_ALARM)
