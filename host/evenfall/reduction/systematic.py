"""What a load cell reads wrong in the same way all through a run: how far, measured or as a prior.

Each effect has a measurement that shrinks it.  Until that was made, a prior stands in the budget: a limit on
both sides of nothing, taken as a triangular distribution, since little is likelier than much (JCGM 100 clause
4.3.9).  The limits are common practice, no source.

| effect | prior | measurement |
|---|---|---|
| friction of the housing | `FRICTION` of the largest load | weights up and down (`calibrate span`) |
| push of hoses and jet with the water on | `JET` of the largest load | water off and on (`calibrate hose`) |
| vibration that the cell rectifies | `RECTIFIED` of the load | engine off and running (`calibrate shake`) |
| lag of cell and mounting | `LAG_S` | runs of two sweep times (`inertia --store`) |

What vibration does at one speed only (a resonance of the mounting) no such measurement finds; there the
load scatters more from sample to sample than elsewhere in the run, and `RECTIFIED_OF_SHAKING` of what it
scatters more stays as uncertainty.
"""

from __future__ import annotations

import math

import numpy as np

from evenfall.model import Calibration, FloatArray, Setup
from evenfall.reduction.align import median

FRICTION = 0.005
JET = 0.015
RECTIFIED = 0.010
LAG_S = 0.010
RECTIFIED_OF_SHAKING = 0.3  # of the standard deviation; common practice, no source
SHAKING = 4.0  # times the run's typical variance from sample to sample: less is scatter
NOT_TRUSTED = 0.05  # of the load, standard deviation: beyond it the mean is not believed
MIN_SAMPLES = 12  # in a bin
TRIANGULAR = math.sqrt(6.0)


def friction_u_N(calibration: Calibration, most_N: float) -> float:
    """Of the housing's bearings; where weights were read up and down it is the calibration's hysteresis."""
    return 0.0 if calibration.hysteresis_u_N > 0 else FRICTION * most_N / TRIANGULAR


def jet_u_N(calibration: Calibration, most_N: float) -> float:
    """Of hoses and jet while they were not measured."""
    return 0.0 if calibration.hose_u_N is not None else JET * most_N / TRIANGULAR


def rectified_u_N(calibration: Calibration, force_N: FloatArray, shaking_N: FloatArray) -> FloatArray:
    """(b,) of vibration that becomes a mean.

    Args:
        force_N: (b,) load on the cell.
        shaking_N: (b,) of `shaking`.
    """
    everywhere = calibration.shake_u_N
    level = np.abs(force_N) * (RECTIFIED / TRIANGULAR) if everywhere is None else everywhere
    return np.hypot(level, RECTIFIED_OF_SHAKING * shaking_N)


def lag_u_s(setup: Setup) -> float:
    """Of how much later than the amplifier's filter says the load is seen."""
    return LAG_S / TRIANGULAR if setup.cell_lag_u_s is None else setup.cell_lag_u_s


def shaking(force_N: FloatArray, speed_rpm: FloatArray, centre_rpm: FloatArray) -> FloatArray:
    """(b,) standard deviation by which the load scatters more, from sample to sample, than elsewhere.

    From second differences, in which the torque's course hardly shows; they have six times the variance of
    a sample (1 + 4 + 1).

    Args:
        force_N, speed_rpm: (n,) of the load samples in the order of time; NaN where the speed is not known.
    """
    more = np.zeros(centre_rpm.size)
    if force_N.size < 5 * MIN_SAMPLES or centre_rpm.size < 5:
        return more
    width = float((centre_rpm[1:] - centre_rpm[:-1]).min())
    square = (force_N[2:] - 2 * force_N[1:-1] + force_N[:-2]) ** 2 / 6
    bin_index = np.rint((speed_rpm[1:-1] - centre_rpm[0]) / width)
    inside = (bin_index >= 0) & (bin_index < more.size)  # not true of NaN
    at = bin_index[inside].astype(np.int64)
    many = np.bincount(at, minlength=more.size)
    mean = np.bincount(at, square[inside], more.size) / np.maximum(many, 1)
    enough = many >= MIN_SAMPLES
    if np.count_nonzero(enough) < 5:
        return more
    typical = median(mean[enough])
    return np.where(enough & (mean > SHAKING * typical), np.sqrt(np.maximum(mean - typical, 0.0)), more)


def shaking_note(shaking_N: FloatArray, force_N: FloatArray, centre_rpm: FloatArray) -> list[str]:
    """A sentence where the load shakes so much that its mean is not believed."""
    with np.errstate(invalid="ignore"):
        share = shaking_N / np.maximum(np.abs(force_N), 1e-9)
        bad = (share > NOT_TRUSTED).nonzero()[0]
    if not bad.size:
        return []
    speeds = ", ".join(f"{v:,.0f}" for v in centre_rpm[bad[:5]]) + (", …" if bad.size > 5 else "")
    return [
        f"The load shakes by {float(np.max(share[bad])) * 100:.0f} % at {speeds} rpm, far more than "
        "elsewhere: do not trust the torque there, vibration can become a steady error; "
        "damp the cell's mounting."
    ]


def unmeasured_note(calibration: Calibration, setup: Setup) -> list[str]:
    """What nobody measured: what a prior stands in for, and what the interval does not hold at all."""
    causes = (
        (calibration.hysteresis_u_N <= 0, "friction of the housing", "weights up and down, calibrate span"),
        (calibration.hose_u_N is None, "what hoses and jet push with the water on", "calibrate hose"),
        (calibration.shake_u_N is None, "what vibration adds", "calibrate shake"),
        (setup.cell_lag_u_s is None, "lag of the cell", "runs of two sweep times, inertia --store"),
    )
    priors = "; ".join(f"{what} ({how})" for missing, what, how in causes if missing)
    notes = [f"Never measured, a wide allowance stands in the interval: {priors}."] if priors else []
    if setup.shaft_loss_u_Nm is None:
        notes.append("Never measured, so not in the interval: drag outside the housing (evenfall drag).")
    return notes
