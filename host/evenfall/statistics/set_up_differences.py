"""In what two groups are unlike besides the engine's change, and which errors they share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenfall.statistics.groups import Group
from evenfall.statistics.reduced_run import SWEEP_COMPARABLE_S, SWEEP_GOOD_S

UNKNOWN_SHARED = 0.03  # of a load cell and arm that nobody calibrated; common practice, no source
COUNTED = "the errors that both would have shared no longer cancel and are counted in full"
SET_UP_CHECKS = (
    ("torque arm", "calibration", "arm_m", "{:.4f} m"),
    ("span of the load cell", "calibration", "span_count_per_N", "{:.6g} counts/N"),
    ("engine sprocket", "setup", "engine_teeth", "{} teeth"),
    ("brake sprocket", "setup", "brake_teeth", "{} teeth"),
    ("inertia", "setup", "inertia_kg_m2", "{:.3g} kg·m²"),
    ("drive efficiency", "setup", "drive_efficiency", "{:.3f}"),
    ("load delay", "setup", "load_delay_s", "{:.4f} s"),
)


@dataclass(frozen=True)
class Difference:
    """A circumstance in which the two groups are unlike."""

    what: str
    sentence: str
    calibration_cancels: bool = True


def set_up_differences(before: Group, after: Group) -> list[Difference]:
    """In what the two groups are unlike besides the engine's change, one sentence each."""
    found: list[Difference] = []

    def unlike(what: str, a: set[str], b: set[str]) -> None:
        if a and b and (a != b or len(a) > 1):
            values = f"{' and '.join(sorted(a))} before, {' and '.join(sorted(b))} after"
            found.append(Difference(what, f"{what}: {values}; {COUNTED}", False))

    def seen(g: Group, read: str, of: str, text: str) -> set[str]:
        holders = [getattr(p, of) for p in g.runs]
        values = {getattr(h, read) for h in holders if h is not None}
        return {"not set" if v is None else text.format(v) for v in values}

    for what, of, attribute, text in SET_UP_CHECKS:
        unlike(what, seen(before, attribute, of, text), seen(after, attribute, of, text))
    a, b = (np.array([p.reduction.sweep_time_s for p in g.runs]) for g in (before, after))
    apart = float(max(a.max(), b.max()) - min(a.min(), b.min()))
    if apart > SWEEP_GOOD_S:
        word = "are hardly comparable" if apart > SWEEP_COMPARABLE_S else "are still comparable, with care"
        found.append(
            Difference(
                "sweep time",
                f"sweep time: {a.min():.2f} to {a.max():.2f} s before, "
                f"{b.min():.2f} to {b.max():.2f} s after; "
                f"sweeps {apart:.1f} s apart {word} (an error of the inertia no longer cancels)",
            )
        )
    factors = np.array([p.reduction.air_factor for g in (before, after) for p in g.runs])
    if np.ptp(factors) > 0.02:
        found.append(
            Difference(
                "air",
                f"air: the correction factor runs from {factors.min():.3f} to {factors.max():.3f}; an engine "
                "follows the factor only about, so compare on days that are more alike if you can",
            )
        )
    if not all(p.reduction.air_factor_in_range for g in (before, after) for p in g.runs):
        found.append(Difference("air", "air: at least one run lies outside the range of the air standard"))
    if not any(p.calibration for g in (before, after) for p in g.runs):
        hashes = [{p.reduction.inputs.get("calibration", "") for p in g.runs} - {""} for g in (before, after)]
        if hashes[0] and hashes[1] and (hashes[0] != hashes[1] or len(hashes[0]) > 1):
            found.append(
                Difference("calibration", f"calibration: another one before than after; {COUNTED}", False)
            )
    return found


def shared_relative(g: Group) -> float:
    """Relative standard uncertainty that all runs of the group share (calibration, arm), at peak power.

    Where nobody stated it, `UNKNOWN_SHARED` stands for it.
    """
    values = []
    for r in g.reductions:
        b = r.bins
        if np.isfinite(b.power_W).any():
            at = int(np.nanargmax(b.power_W))
            shared = b.power_u_W[at] ** 2 - b.power_u_independent_W[at] ** 2
            known = np.sqrt(max(0.0, shared)) / abs(b.power_W[at])
            values.append(known if np.isfinite(shared) else UNKNOWN_SHARED)
    return float(np.mean(values)) if values else 0.0
