"""A reduced run with the circumstances that a comparison checks."""

from __future__ import annotations

from dataclasses import dataclass

from evenfall.model import Air, Calibration, Reduction, Setup

SWEEP_COMPARABLE_S = 1.0  # common practice, no source: sweeps within 1 s are still comparable
SWEEP_GOOD_S = 0.5  # common practice, no source


@dataclass(frozen=True)
class ReducedRun:
    """One reduced run with the circumstances that a comparison has to check."""

    reduction: Reduction
    calibration: Calibration | None = None
    setup: Setup | None = None
    air: Air | None = None
    started_unix_s: int = 0
    number: int | None = None  # in the archive; else the board's run number serves
    session: int | None = None  # as filed; None: told from the times
    label: str = ""

    @property
    def key(self) -> int:
        return self.reduction.run_id if self.number is None else self.number

    @property
    def name(self) -> str:
        return self.label or f"run {self.key}"
