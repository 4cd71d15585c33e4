"""evenfall budget: how large the uncertainty of one run is, and what it comes from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenfall.cli._root import (
    air_options,
    archive_option,
    echo,
    json_option,
    print_json,
    print_table,
    progress,
    root,
    typed_air,
    units_option,
)

if TYPE_CHECKING:
    from evenfall.model import Air, Calibration, Reduction, Setup
    from evenfall.output.text import Units


class TrialsOption(click.Option):
    """--trials; --draws, its name until version 0.1, stays out of the help."""

    def get_help_record(self, ctx: click.Context) -> tuple[str, str] | None:
        """Its line in the help."""
        record = super().get_help_record(ctx)
        return record and (record[0].replace(", --draws", ""), record[1])


@root.command()
@click.argument("run", metavar="RUN")
@click.option("--standard", help="Correct by another air standard.")
@air_options
@click.option("--bin", "bin_rpm", type=float, default=250.0, show_default=True, help="Bin width, rpm.")
@click.option("--bandwidth", type=float, default=8.0, show_default=True, help="Smoothing, -3 dB, Hz.")
@click.option("--mean", "over", metavar="LOW:HIGH", help="Mean torque and power between two speeds, rpm.")
@click.option(
    "--trials",
    "--draws",
    "trials",
    cls=TrialsOption,
    type=click.IntRange(20, 100_000),
    help="Check the budget by so many Monte Carlo trials.",
)
@archive_option
@units_option
@json_option
def budget(
    run: str,
    standard: str | None,
    pressure: str | None,
    temperature: str | None,
    humidity: str | None,
    bin_rpm: float,
    bandwidth: float,
    over: str | None,
    trials: int | None,
    archive_dir: Path,
    units: str,
    as_json: bool,
) -> None:
    """Show the uncertainty budget of RUN.

    RUN is a run's number or a run file. Nothing is stored.
    """
    from evenfall.model import DEFAULT_STANDARD
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.reduction.reduce import mean_over, monte_carlo, reduce_run
    from evenfall.workflow.run_groups import speed_band, the_run

    raw, calibration, setup, air, filed = the_run(run, archive_dir)
    given = typed_air(pressure, temperature, humidity)
    air, standard = given or air, standard or (DEFAULT_STANDARD if given and filed == "none" else filed)
    result = reduce_run(raw, calibration, setup, air, standard, bin_rpm, bandwidth)
    mean = None
    if over:
        mean = mean_over(result.bins, *speed_band(over, "--mean"))
    spread = None
    if trials:
        progress(f"{trials} Monte Carlo trials ...")
        spread = monte_carlo(raw, calibration, setup, air, standard, bin_rpm, trials)
    if as_json:
        print_json(
            {
                "run": raw.run_id,
                "standard": result.standard,
                "air_factor": result.air_factor,
                "air_factor_u": result.air_factor_u,
                "bins": vars(result.bins),
                "peak_power_W": vars(result.peak_power_W),
                "peak_torque_Nm": vars(result.peak_torque_Nm),
                "sweep_time_s": result.sweep_time_s,
                "budget": result.budget,
                "mean": mean,
                "monte_carlo": vars(spread) if spread else None,
                "notes": result.notes,
                "inputs": result.inputs,
            }
        )
        return
    absent = _absent(calibration, setup)
    _print_budget(result, air, absent, mean, over, spread, trials, UNIT_CHOICES[units])


def _print_budget(
    result: Reduction,
    air: Air,
    absent: dict[str, str],
    mean: dict[str, float] | None,
    over: str | None,
    spread: Any,
    trials: int | None,
    u: Units,
) -> None:
    """The run's table, its air, a mean that was asked for, the causes, the trials' check."""
    import numpy as np
    from rich.console import Console

    from evenfall.output.text import run_report
    from evenfall.reduction import uncertainty
    from evenfall.reduction.air import describe

    Console().print(run_report(result, u))
    echo(f"Air: {describe(air)}; factor {result.air_factor:.4f} ± {1.96 * result.air_factor_u:.4f}")
    if mean and over:
        torque, torque_half = float(u.torque(mean["torque_Nm"])), float(u.torque(1.96 * mean["torque_u_Nm"]))
        power, power_half = float(u.power(mean["power_W"])), float(u.power(1.96 * mean["power_u_W"]))
        echo(
            f"Mean over {over} rpm: {torque:.3f} ± {torque_half:.3f} {u.torque_name}, "
            f"{power:.3f} ± {power_half:.3f} {u.power_name}"
        )
    total, differs, _ = uncertainty.combine({k: np.array(v) for k, v in result.budget.items()})
    rows = [
        [cause, _percent(v), absent.get(cause, "none found") if v == 0 else _cancels(cause)]
        for cause, v in sorted(result.budget.items(), key=lambda kv: -kv[1] if kv[1] == kv[1] else -np.inf)
    ]
    rows.append(["all together", _percent(float(total)), f"left over {_percent(float(differs))} %"])
    echo("\nBudget at peak power, standard uncertainty (twice this is the 95 % interval):")
    print_table(["cause", "% of power", "before/after"], rows, {"% of power"})
    if spread is not None:
        ratio = (spread.u_Nm / spread.budget_u_Nm)[np.isfinite(spread.u_Nm / spread.budget_u_Nm)]
        if ratio.size == 0:
            echo("Monte Carlo: no bin has a known uncertainty to check.")
            return
        echo(
            f"Monte Carlo, {trials} trials: uncertainty {np.mean(ratio):.3f} of the budget's on average, "
            f"{np.min(ratio):.3f} to {np.max(ratio):.3f} over the bins."
        )


def _percent(share: float) -> str:
    if share == 0:
        return "–"
    return f"{share * 100:.3f}" if share == share else "not known"


def _absent(calibration: Calibration, setup: Setup) -> dict[str, str]:
    """Why a cause has no share, where that does not mean that there is none of it."""
    said = {"linearity": "none stated", "hysteresis": "never measured: friction stands in"}
    if calibration.hose_u_N is None:
        said["hose"] = "never measured: an allowance stands in, with the jet"
    if calibration.hysteresis_u_N > 0:
        said["friction"] = "held in hysteresis"
    if setup.drive_efficiency == 1 and setup.drive_efficiency_u is None:
        said["drive loss"] = "not removed: torque and power are those at the brake"
    if setup.shaft_loss_u_Nm is None:
        said["shaft loss"] = "never measured: not in the interval (evenfall drag)"
    return said


def _cancels(cause: str) -> str:
    from evenfall.reduction.uncertainty import INDEPENDENT_SHARE

    share = INDEPENDENT_SHARE[cause]
    return "cancels" if share == 0 else "stays" if share == 1 else f"{share * 100:.0f} % of variance stays"
