"""evenfall budget, health, inertia: one run looked at closely."""

from __future__ import annotations

from dataclasses import replace
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
from evenfall.errors import InputError, NotFoundError

if TYPE_CHECKING:
    from evenfall.model import Air, Calibration, Run, Setup


def the_run(name: str, archive_dir: Path) -> tuple[Run, Calibration, Setup, Air, str]:
    """A run of the archive by number, or a run file, with what it is reduced with."""
    from evenfall.archive.archive import Archive
    from evenfall.board import run_file
    from evenfall.model import DEFAULT_STANDARD
    from evenfall.reduction.air import air_from_run
    from evenfall.reduction.reduce import calibration_from_settings, setup_from_settings
    from evenfall.workflow.reduce_service import NO_AIR, inputs_of

    if name.isdigit():
        with Archive(archive_dir) as archive:
            run = archive.run(int(name))
            return (run, *inputs_of(archive, int(name), run))
    path = Path(name)
    if not path.is_file():
        raise NotFoundError(f"'{name}' is neither a run's number nor a run file")
    if path.stat().st_size > 64 << 20:
        raise InputError(f"{name} is larger than any run (64 MiB); it is no run file")
    run = run_file.decode_run(path.read_bytes())
    air = air_from_run(run)
    standard = DEFAULT_STANDARD if air else "none"
    return run, calibration_from_settings(run), setup_from_settings(run), air or NO_AIR, standard


@root.command()
@click.argument("run", metavar="RUN")
@click.option("--standard", help="Correct by another air standard.")
@air_options
@click.option("--bin", "bin_rpm", type=float, default=250.0, show_default=True, help="Bin width, rpm.")
@click.option("--bandwidth", type=float, default=8.0, show_default=True, help="Smoothing, -3 dB, Hz.")
@click.option("--mean", "over", metavar="LOW:HIGH", help="Mean torque and power between two speeds, rpm.")
@click.option("--draws", type=click.IntRange(20, 100_000), help="Check the budget by so many draws.")
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
    draws: int | None,
    archive_dir: Path,
    units: str,
    as_json: bool,
) -> None:
    """Show the uncertainty budget of RUN.

    RUN is a run's number or a run file. Nothing is stored.
    """
    import numpy as np

    from evenfall.model import DEFAULT_STANDARD
    from evenfall.output.text import UNIT_CHOICES, pull_report
    from evenfall.reduction import uncertainty
    from evenfall.reduction.air import describe
    from evenfall.reduction.reduce import mean_over, monte_carlo, reduce_run
    from evenfall.workflow.run_groups import speed_band

    raw, calibration, setup, air, filed = the_run(run, archive_dir)
    given = typed_air(pressure, temperature, humidity)
    air, standard = given or air, standard or (DEFAULT_STANDARD if given and filed == "none" else filed)
    result = reduce_run(raw, calibration, setup, air, standard, bin_rpm, bandwidth)
    u = UNIT_CHOICES[units]
    mean = None
    if over:
        mean = mean_over(result.bins, *speed_band(over, "--mean"))
    drawn = None
    if draws:
        progress(f"{draws} draws ...")
        drawn = monte_carlo(raw, calibration, setup, air, standard, bin_rpm, draws)
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
                "drawn": vars(drawn) if drawn else None,
                "notes": result.notes,
                "inputs": result.inputs,
            }
        )
        return
    from rich.console import Console

    Console().print(pull_report(result, u))
    echo(f"Air: {describe(air)}; factor {result.air_factor:.4f} ± {1.96 * result.air_factor_u:.4f}")
    if mean and over:
        torque, torque_half = float(u.torque(mean["torque_Nm"])), float(u.torque(1.96 * mean["torque_u_Nm"]))
        power, power_half = float(u.power(mean["power_W"])), float(u.power(1.96 * mean["power_u_W"]))
        echo(
            f"Mean over {over} rpm: {torque:.3f} ± {torque_half:.3f} {u.torque_name}, "
            f"{power:.3f} ± {power_half:.3f} {u.power_name}"
        )
    total, differs = uncertainty.combine({k: np.array(v) for k, v in result.budget.items()})
    rows = [
        [cause, f"{v * 100:.3f}" if v == v else "not known", _cancels(uncertainty.INDEPENDENT_SHARE[cause])]
        for cause, v in sorted(result.budget.items(), key=lambda kv: -kv[1] if kv[1] == kv[1] else -np.inf)
    ]
    rows.append(["all together", f"{float(total) * 100:.3f}", f"left over {float(differs) * 100:.3f} %"])
    echo("\nBudget at peak power, standard uncertainty (twice this is the 95 % interval):")
    print_table(["cause", "% of power", "before/after"], rows, {"% of power"})
    if drawn is not None:
        ratio = drawn.u_Nm / drawn.budget_u_Nm
        echo(
            f"Monte Carlo, {draws} trials: uncertainty {np.nanmean(ratio):.3f} of the budget's on average, "
            f"{np.nanmin(ratio):.3f} to {np.nanmax(ratio):.3f} over the bins."
        )


def _cancels(share: float) -> str:
    return "cancels" if share == 0 else "stays" if share == 1 else f"{share * 100:.0f} % of variance stays"


@root.command()
@click.argument("run", metavar="RUN")
@click.option("--flow", help="Water through the brake, e.g. '6 L/min', to judge its warming.")
@click.option("--tank", help="Water in the tank, e.g. '20 kg'.")
@click.option("--links", type=click.IntRange(10, 1000), help="Links of the chain, to look at its own order.")
@click.option(
    "--plot", type=click.Path(path_type=Path, file_okay=False), help="Folder for the evidence, SVG."
)
@archive_option
@json_option
def health(
    run: str,
    flow: str | None,
    tank: str | None,
    links: int | None,
    plot: Path | None,
    archive_dir: Path,
    as_json: bool,
) -> None:
    """Look for faults of the bench in RUN.

    Exit code 1 when one is found.
    """
    from evenfall.reduction.diagnostics import diagnose
    from evenfall.units import typed

    raw, calibration, setup, _, _ = the_run(run, archive_dir)
    findings = diagnose(
        raw,
        calibration,
        setup,
        flow_kg_s=typed(flow, "flow", "--flow") if flow else None,
        tank_kg=typed(tank, "mass", "--tank") if tank else None,
        chain_links=links,
    )
    if plot:
        from evenfall.output.diagnostic_plots import finding_figure
        from evenfall.output.plots import save

        plot.mkdir(parents=True, exist_ok=True)
        for f in findings:
            save(finding_figure(f), plot / f"{f.name.replace(' ', '-')}.svg")
        progress(f"evidence in {plot}")
    if as_json:
        print_json([{k: v for k, v in vars(f).items() if k != "evidence"} for f in findings])
    else:
        for f in findings:
            unknown = f.value != f.value
            mark = "FOUND" if f.found else "  –  " if unknown else " ok  "
            echo(f"{mark}  {f.name}: {f.sentence}")
    if any(f.found for f in findings):
        click.get_current_context().exit(1)


@root.command()
@click.argument("runs", nargs=-1, metavar="RUN RUN...")
@click.option("--standard", help="Air standard between the runs, else the default one.")
@click.option(
    "--scatter", type=click.FloatRange(0, 10), default=0.3, show_default=True,
    help="How far the engine itself varies from run to run, %.",
)  # fmt: skip
@click.option("--store", metavar="SETUP", help="Keep the result in this set-up and use it for new runs.")
@click.option("--new", is_flag=True, help="Let --store make a set-up of that name.")
@archive_option
@json_option
def inertia(
    runs: tuple[str, ...],
    standard: str | None,
    scatter: float,
    store: str | None,
    new: bool,
    archive_dir: Path,
    as_json: bool,
) -> None:
    """Find the inertia from runs of two sweep times.

    Runs of one engine at different sweep times; the inertia of all that turns, at the crank.
    """
    from evenfall.model import DEFAULT_STANDARD
    from evenfall.reduction.inertia import find_inertia, run_bins

    standard = standard or DEFAULT_STANDARD
    bins, last = [], None
    for name in runs:
        raw, calibration, setup, air, filed = the_run(name, archive_dir)
        bins.append(run_bins(raw, calibration, setup, air, "none" if filed == "none" else standard))
        if last is not None and (setup.engine_teeth, setup.brake_teeth) != (
            last.engine_teeth,
            last.brake_teeth,
        ):
            raise InputError("the runs have different sprockets; the inertia at the crank is not the same")
        last = setup
    fit = find_inertia(bins, scatter / 100)
    if store:
        from evenfall.archive.archive import Archive
        from evenfall.model import Setup

        if fit.inertia_kg_m2 <= 0:
            raise InputError(f"{fit.notes[0]} Nothing is stored.")
        with Archive(archive_dir) as archive, archive.change():
            try:
                base = archive.record(Setup, archive.record_named(Setup, store))
            except NotFoundError:
                if not new:
                    raise InputError(
                        f"there is no set-up '{store}'; look at evenfall setup list. "
                        "--new makes it, from the set-up of these runs"
                    ) from None
                assert last
                base = last
            made = replace(base, inertia_kg_m2=fit.inertia_kg_m2, inertia_u_kg_m2=fit.u_kg_m2)
            archive.activate("setup", archive.add_record(made, store))
    if as_json:
        kept: dict[str, Any] = {k: v for k, v in vars(fit).items() if k != "residual_Nm"}
        print_json(kept)
        return
    rates = ", ".join(f"{r:.0f}" for r in fit.rates_rpm_s)
    echo(
        f"Inertia at the crank {fit.inertia_kg_m2 * 1e3:.3f} ± {1.96 * fit.u_kg_m2 * 1e3:.3f} g·m² "
        f"(95 %), from {len(bins)} runs at {rates} rpm/s over {len(fit.speed_rpm)} bins"
    )
    for note in fit.notes:
        echo(f"Note: {note}")
    if store:
        echo(f"stored in set-up '{store}', in force for new runs")
