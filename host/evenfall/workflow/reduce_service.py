"""From a run in the archive to its figures: loads what it is corrected with, reduces, keeps the result.

The reduction itself is a pure function of what is loaded here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenfall.archive.archive import Archive
from evenfall.errors import DamageError
from evenfall.model import AIR_UNKNOWN, Air, Calibration, Reduction, Run, Setup
from evenfall.reduction.air import air_from_run
from evenfall.reduction.reduce import calibration_from_settings, reduce_run, setup_from_settings

NO_AIR = Air(101325.0, 298.15, 0.0, 1000.0, 10.0, 0.5, AIR_UNKNOWN)


def inputs_of(archive: Archive, number: int, run: Run | None = None) -> tuple[Calibration, Setup, Air, str]:
    """Calibration, set-up, air and standard a run is reduced with.

    What is not filed comes from the board: its settings, its barometer.
    Without any air reading the standard is 'none': no guess is corrected with.
    """
    calibration, setup, air, standard = archive.filed(number)
    run = run or archive.run(number)
    air = air or air_from_run(run)
    return (
        calibration or calibration_from_settings(run),
        setup or setup_from_settings(run),
        air or NO_AIR,
        standard if air else "none",
    )


def reduce_kept(
    archive: Archive,
    number: int,
    standard: str | None = None,
    bin_rpm: float = 250.0,
    run: Run | None = None,
) -> tuple[Reduction, bool]:
    """(figures of a run from its raw frames, whether by the standard it is filed under); keeps nothing."""
    run = run or archive.run(number)
    calibration, setup, air, filed = inputs_of(archive, number, run)
    try:
        result = reduce_run(run, calibration, setup, air, standard or filed, bin_rpm)
    except (ArithmeticError, ValueError, LookupError, MemoryError, np.linalg.LinAlgError) as error:
        # frames whose CRC holds and whose numbers no bench can give: not written by a board
        raise DamageError(
            f"run {number} cannot be reduced: its samples contradict each other ({error}); it is kept"
        ) from None
    if air is NO_AIR:
        result = replace(
            result,
            notes=[*result.notes, "No air reading: values are as read. Give one with evenfall air set."],
        )
    return result, standard is None or standard == filed


def reduce_stored(
    archive: Archive,
    number: int,
    standard: str | None = None,
    bin_rpm: float = 250.0,
    run: Run | None = None,
) -> Reduction:
    """Reduce a run from its raw frames and keep the result beside older ones.

    In an archive that can only be read the result is given and not kept.
    """
    result, current = reduce_kept(archive, number, standard, bin_rpm, run)
    if not archive.read_only:
        archive.store_reduction(number, result, bin_rpm, current=current)
    return result
