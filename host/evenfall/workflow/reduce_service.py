"""From a run in the archive to its figures: loads what it is corrected with, reduces, keeps the result.

The reduction itself is a pure function of what is loaded here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from evenfall.archive.archive import Archive
from evenfall.errors import DamageError, EvenfallError
from evenfall.model import AIR_UNKNOWN, Air, Calibration, Reduction, Run, Setup
from evenfall.reduction.air import air_from_run
from evenfall.reduction.reduce import (
    Prepared,
    calibration_from_settings,
    finish,
    prepare,
    setup_from_settings,
)

NO_AIR = Air(101325.0, 298.15, 0.0, 1000.0, 10.0, 0.5, AIR_UNKNOWN)
CONTRADICTIONS = (ArithmeticError, ValueError, LookupError, MemoryError, np.linalg.LinAlgError)


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
    filed, prepared = _prepared(archive, number, standard, bin_rpm, run)
    with _contradictions_named(number):
        (result,) = finish([prepared])
    return _without_air(result, prepared), standard is None or standard == filed


def reduce_kept_together(
    archive: Archive, numbers: Sequence[int], bin_rpm: float = 250.0
) -> list[Reduction | EvenfallError]:
    """Figures of runs, or why one has none, by the standard each is filed under; keeps nothing.

    Runs of one set-up share what their peaks need: quicker than `reduce_kept` for each.
    """
    results: list[Reduction | EvenfallError] = []
    ready: dict[int, Prepared] = {}  # by the place among the results
    for number in numbers:
        try:
            ready[len(results)] = _prepared(archive, number, None, bin_rpm, None)[1]
            results.append(EvenfallError(""))
        except EvenfallError as error:
            results.append(error)
    try:
        for i, result in zip(ready, finish(list(ready.values())), strict=True):
            results[i] = _without_air(result, ready[i])
    except CONTRADICTIONS:  # in one of them: each by itself, so that it alone is named
        for i, prepared in ready.items():
            try:
                with _contradictions_named(numbers[i]):
                    results[i] = _without_air(finish([prepared])[0], prepared)
            except EvenfallError as error:
                results[i] = error
    return results


def _prepared(
    archive: Archive, number: int, standard: str | None, bin_rpm: float, run: Run | None
) -> tuple[str, Prepared]:
    """(the standard a run is filed under, the run up to its bins)."""
    run = run or archive.run(number)
    calibration, setup, air, filed = inputs_of(archive, number, run)
    with _contradictions_named(number):
        return filed, prepare(run, calibration, setup, air, standard or filed, bin_rpm)


@contextmanager
def _contradictions_named(number: int) -> Iterator[None]:
    """Frames whose CRC holds and whose numbers no bench can give: not written by a board."""
    try:
        yield
    except CONTRADICTIONS as error:
        raise DamageError(
            f"run {number} cannot be reduced: its samples contradict each other ({error}); it is kept"
        ) from None


def _without_air(result: Reduction, prepared: Prepared) -> Reduction:
    if prepared.air is not NO_AIR:
        return result
    return replace(
        result, notes=[*result.notes, "No air reading: values are as read. Give one with evenfall air set."]
    )


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
