"""What runs tell of the drive: the inertia from two sweep times, drag from a coast-down; kept in a set-up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from evenfall.archive.archive import Archive
from evenfall.errors import InputError, NotFoundError
from evenfall.model import DEFAULT_STANDARD, Setup
from evenfall.reduction.coast_down import CoastDown, coast_down, with_loss
from evenfall.reduction.inertia import InertiaFit, find_inertia, run_bins
from evenfall.reduction.uncertainty import COVERAGE
from evenfall.workflow.run_groups import listed, the_run


def inertia_of(
    names: Sequence[str], folder: Path, standard: str | None = None, scatter: float = 0.003
) -> tuple[InertiaFit, Setup]:
    """(inertia at the crank, the set-up these runs have) of runs of one engine at different sweep times.

    `names`: lists of runs of the archive in `folder` (`3,5-8`), or run files; `scatter`: how far the engine
    itself varies from run to run, relative.  InputError when the runs cannot tell.
    """
    bins, last = [], None
    for name in _each(names):
        raw, calibration, setup, air, filed = the_run(name, folder)
        used = "none" if filed == "none" else standard or DEFAULT_STANDARD
        bins.append(run_bins(raw, calibration, setup, air, used))
        if last is not None and (setup.engine_teeth, setup.brake_teeth) != (
            last.engine_teeth,
            last.brake_teeth,
        ):
            raise InputError("the runs have different sprockets; the inertia at the crank is not the same")
        last = setup
    fit = find_inertia(bins, scatter)
    assert last is not None
    return fit, last


def keep_inertia(folder: Path, label: str, fit: InertiaFit, of_runs: Setup, new: bool) -> None:
    """Keep it in the set-up `label`, made from that of the runs when `new`; new runs are filed under it."""
    if fit.inertia_kg_m2 <= 0:
        raise InputError(f"{fit.notes[0]} Nothing is stored.")
    with Archive(folder) as archive, archive.change():
        try:
            base = archive.record(Setup, archive.record_named(Setup, label))
        except NotFoundError:
            if not new:
                raise InputError(
                    f"there is no set-up '{label}'",
                    "; look at evenfall setup list. --new makes it, from the set-up of these runs",
                ) from None
            base = of_runs
        made = replace(
            base,
            inertia_kg_m2=fit.inertia_kg_m2,
            inertia_u_kg_m2=fit.u_kg_m2,
            cell_lag_s=of_runs.cell_lag_s + fit.cell_lag_s,
            cell_lag_u_s=fit.cell_lag_u_s,
        )
        archive.activate("setup", archive.add_record(made, label))


def inertia_sentence(fit: InertiaFit) -> str:
    """What was found, in one line."""
    rates = ", ".join(f"{r:.0f}" for r in fit.rates_rpm_s)
    return (
        f"Inertia at the crank {fit.inertia_kg_m2 * 1e3:.3f} ± {1.96 * fit.u_kg_m2 * 1e3:.3f} g·m² "
        f"(95 %), from {len(fit.run_ids)} runs at {rates} rpm/s over {len(fit.speed_rpm)} bins; "
        f"the load is seen {fit.cell_lag_s * 1e3:+.1f} ± {1.96 * fit.cell_lag_u_s * 1e3:.1f} ms late"
    )


def drag_of(name: str, folder: Path, inertia_kg_m2: float, inertia_u_kg_m2: float) -> CoastDown:
    """Drag that the cell does not feel, from a coast-down; inertia on the brake's shaft."""
    raw, calibration, setup, _, _ = the_run(name, folder)
    return coast_down(raw, calibration, setup, inertia_kg_m2, inertia_u_kg_m2)


def keep_drag(folder: Path, label: str, found: CoastDown) -> None:
    """Keep it in the set-up `label`; new runs are filed under it.

    Raises InputError for a loss that is below zero at every speed: that is no coast-down of a free shaft.
    """
    if (found.loss_Nm < -COVERAGE * found.loss_u_Nm).all():
        raise InputError(
            "nothing was stored: at every speed the cell feels more drag than slows the shaft down. Look at "
            "the inertia (of all that coasts, on the brake's shaft), at the zero, and whether something "
            "drove the shaft"
        )
    with Archive(folder) as archive, archive.change():
        try:
            base = archive.record(Setup, archive.record_named(Setup, label))
        except NotFoundError:
            raise NotFoundError(f"there is no set-up '{label}'", "; look at evenfall setup list") from None
        archive.activate("setup", archive.add_record(with_loss(base, found), label))


def drag_sentence(found: CoastDown) -> str:
    """What it rests on, in one line."""
    return f"From {found.turns} turns in {found.to_s - found.from_s:.1f} s; ± is the 95 % interval"


def _each(names: Sequence[str]) -> list[str]:
    """Lists of runs taken apart; a run file stays as it is."""
    taken = [listed(name) for name in names]
    return [str(one) for name, of in zip(names, taken, strict=True) for one in (of or (name,))]
