"""evenfall inertia: the inertia at the crank, from runs of two sweep times."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from evenfall.cli._root import archive_option, echo, json_option, print_json, root
from evenfall.errors import InputError, NotFoundError


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
) -> None:  # longer than 60 lines by its options alone
    """Find the inertia from runs of two sweep times.

    Runs of one engine at different sweep times; the inertia of all that turns, at the crank.
    """
    from evenfall.model import DEFAULT_STANDARD
    from evenfall.reduction.inertia import find_inertia, run_bins
    from evenfall.workflow.run_groups import the_run

    standard = standard or DEFAULT_STANDARD
    bins, last = [], None
    for name in _each(runs):
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
        echo(f"stored in set-up '{store}', active: new runs are filed under it")


def _each(names: tuple[str, ...]) -> list[str]:
    """Lists of runs taken apart; a run file stays as it is."""
    from evenfall.workflow.run_groups import listed

    taken = [listed(name) for name in names]
    return [str(one) for name, of in zip(names, taken, strict=True) for one in (of or (name,))]
