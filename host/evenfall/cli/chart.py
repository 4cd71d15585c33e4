"""evenfall chart: is the bench the same as in the sessions before."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import (
    all_option,
    archive_option,
    complete,
    echo,
    json_option,
    plot_option,
    print_json,
    print_table,
    root,
    units_option,
)

EXIT_ALARM = 8  # the newest session breaks a rule of the control chart


@root.command()
@click.argument("engine", shell_complete=complete("engine"))
@click.argument("build", required=False, shell_complete=complete("build"))
@click.option(
    "--baseline", type=int, help="First sessions that fix centre and limits, else all but the newest."
)
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
    from evenfall.output.plain import chart_as_json
    from evenfall.output.text import UNIT_CHOICES, chart_lines
    from evenfall.statistics.control_chart import control_chart
    from evenfall.statistics.counting import ALL_OPTION
    from evenfall.workflow.run_groups import checked_target, reference_sessions

    chosen = UNIT_CHOICES[units]
    target = checked_target(plot, (".png", ".svg")) if plot else None
    with Archive(archive_dir) as archive:
        sessions, left_out = reference_sessions(archive, engine, build, everything)
        result = control_chart(sessions, baseline)
    if as_json:
        print_json({**chart_as_json(result), "left_out": left_out})
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
        for line in [*chart_lines(result, chosen), *([left_out + ALL_OPTION] if left_out else [])]:
            echo(line)
    if target:
        from evenfall.output.plots import control_figure, save

        figure = control_figure(
            chosen.power(result.mean_W),
            float(chosen.power(result.centre_W)),
            (float(chosen.power(result.limits_W[0])), float(chosen.power(result.limits_W[1]))),
            [a.index for a in result.alarms],
            [s.label for s in result.sessions],
            f"mean peak power, {chosen.power_name}",
            title=f"Control chart of {engine}" + (f": {build}" if build else ""),
            about=f"{len(result.sessions)} sessions, {result.sessions[0].label[:10]} to "
            f"{result.sessions[-1].label[:10]}; lines: limits of a new session",
        )
        save(figure, target)
        echo(f"Plot: {target}", err=as_json)
    if any(alarm.index == len(result.sessions) - 1 for alarm in result.alarms):
        raise SystemExit(EXIT_ALARM)
