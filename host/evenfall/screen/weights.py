"""Hung weights, one by one: each reading is checked as it comes, kept at once, and can be taken back."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from evenfall.archive.archive import write_whole
from evenfall.board.link import Link
from evenfall.errors import BoardError, DamageError, InputError
from evenfall.reduction.align import clamped_codes
from evenfall.reduction.calibration import BUOYANCY, SpanFit, fit_span
from evenfall.reduction.gravity import gravity_or_standard

READINGS, PAUSE_S = 20, 0.1  # two seconds: longer than a hanging weight swings
UNSETTLED = 0.002  # spread of the halves of a reading, of the largest load hung; common practice, no source
OUT_OF_LINE = 0.02  # of the largest load; common practice, no source
MAX_WEIGHTS = 60
FILE = "hung-weights.json"  # beside the archive, until the calibration is kept


@dataclass(frozen=True)
class Load:
    """What the cell read over two seconds."""

    count: float  # mean
    drift: float  # second half less the first
    noise: float  # standard deviation of single readings


def read_load(line: Link) -> Load:
    """The load cell for two seconds; BoardError when it does not answer or stands at its end."""
    seen: list[float] = []
    for _ in range(READINGS):
        status = line.status()
        if "load_ok" not in status["flags"]:
            raise BoardError("the load cell does not answer; check its plug and its four wires")
        seen.append(float(status["load_count"]))
        time.sleep(PAUSE_S)
    counts = np.array(seen)
    if clamped_codes(counts).any():
        raise BoardError("the load cell reads its end value: take weight off, or check for a broken wire")
    half = len(counts) // 2
    return Load(
        float(np.median(counts)), float(counts[half:].mean() - counts[:half].mean()), float(counts.std())
    )


class Weights:
    """The weights hung so far, in a file of the archive's folder."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE

    def rows(self) -> list[dict[str, Any]]:
        """Each with mass_kg, count, remarks; oldest first."""
        if not self.path.exists():
            return []
        try:
            rows = json.loads(self.path.read_text(encoding="utf-8"))
            assert isinstance(rows, list)
            return [
                {"mass_kg": float(r["mass_kg"]), "count": float(r["count"]), "remarks": list(r["remarks"])}
                for r in rows
            ]
        except (ValueError, KeyError, TypeError, AssertionError, OSError) as error:
            raise DamageError(
                f"{self.path} cannot be read ({error}); remove it and hang the weights anew"
            ) from None

    def add(self, mass_kg: float, load: Load) -> list[str]:
        """Keep a reading; what is to remark about it."""
        rows = self.rows()
        if len(rows) >= MAX_WEIGHTS:
            raise InputError(f"{MAX_WEIGHTS} readings are enough: keep the calibration, or start anew")
        remarks = remarks_on(rows, mass_kg, load)
        self._write([*rows, {"mass_kg": mass_kg, "count": load.count, "remarks": remarks}])
        return remarks

    def undo(self) -> None:
        """Take the last reading back."""
        rows = self.rows()
        if not rows:
            raise InputError("no weight was hung yet")
        self._write(rows[:-1])

    def clear(self) -> None:
        """Start anew."""
        self.path.unlink(missing_ok=True)

    def fit(self, mass_u_rel: float = 0.001, latitude: float | None = None) -> SpanFit:
        """The line through the weights, as `evenfall calibrate span` fits it."""
        rows = self.rows()
        gravity, gravity_u = gravity_or_standard(latitude, None)
        return fit_span(
            np.array([r["mass_kg"] for r in rows]),
            np.array([r["count"] for r in rows]),
            gravity=gravity,
            gravity_u=gravity_u,
            mass_u_rel=mass_u_rel,
            buoyancy=BUOYANCY,
        )

    def _write(self, rows: list[dict[str, Any]]) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(self.path, json.dumps(rows).encode())


def remarks_on(rows: list[dict[str, Any]], mass_kg: float, load: Load) -> list[str]:
    """What a person should know of this reading before the weight is taken off."""
    said = []
    loads = sorted({r["mass_kg"] for r in rows})
    if len(loads) >= 2:
        mass = np.array([r["mass_kg"] for r in rows])
        count = np.array([r["count"] for r in rows])
        slope, zero = np.polyfit(mass, count, 1)
        full = abs(slope) * max(float(mass.max()), mass_kg)
        if full and abs(load.drift) > UNSETTLED * full:
            said.append("the reading still moved: let the weight hang still, take this one back, read again")
        off = load.count - (zero + slope * mass_kg)
        if full and abs(off) > OUT_OF_LINE * full:
            said.append(
                f"it lies {100 * off / full:+.1f} % of the largest load off the line of the others: "
                "is this the mass that hangs? Does anything touch the arm?"
            )
    elif len(loads) == 1 and mass_kg not in loads:
        moved = abs(load.count - rows[-1]["count"])
        if moved < 50 * max(load.noise, 1.0):
            said.append("the reading hardly moved: does the weight hang on the arm, is the cell connected?")
    return said
