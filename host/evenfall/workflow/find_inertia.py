"""The inertia at the crank from runs of the archive at two sweep times, and where it is kept."""

from __future__ import annotations

from dataclasses import replace

from evenfall.archive.archive import Archive
from evenfall.errors import InputError
from evenfall.model import Setup
from evenfall.reduction.inertia import InertiaFit, find_inertia, run_bins
from evenfall.workflow.reduce_service import inputs_of


def inertia_of(archive: Archive, numbers: list[int]) -> InertiaFit:
    """The inertia from these runs.  Raises InputError where they cannot tell it."""
    bins = []
    for number in numbers:
        run = archive.run(number)
        calibration, setup, air, standard = inputs_of(archive, number, run)
        bins.append(run_bins(run, calibration, setup, air, standard))
    fit = find_inertia(bins)
    if fit.inertia_kg_m2 <= 0:
        raise InputError(f"{fit.notes[0]} Nothing is stored.")
    return fit


def keep_inertia(archive: Archive, fit: InertiaFit) -> str:
    """Keep it in a new record of the active set-up, active from now on; its name."""
    found = archive.active("setup")
    if not found:
        raise InputError("no set-up is active; add one with evenfall setup add NAME")
    base = archive.record(Setup, int(found[0]))
    label = str(archive.rows("SELECT label FROM records WHERE id = ?", int(found[0]))[0]["label"])
    made = replace(base, inertia_kg_m2=fit.inertia_kg_m2, inertia_u_kg_m2=fit.u_kg_m2)
    with archive.change():
        archive.activate("setup", archive.add_record(made, label))
    return label
