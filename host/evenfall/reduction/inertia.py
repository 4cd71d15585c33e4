"""The inertia of all that turns, from pulls of one engine at different rates.

At one speed the engine makes the same torque c in every pull, so

    f_p (brake_p + J rate_p) = c (1 + s_p) + z_p

for pull p, air factor f_p, rate dw/dt.  One weighted least-squares fit over all
bins and pulls finds J and every c; s_p (how the engine itself varies from
pull to pull) and z_p (the zero) are held near 0 by what is known of them, so
the doubt of J counts them in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenfall.errors import InputError
from evenfall.model import Air, Calibration, FloatArray, Run, Setup
from evenfall.reduction import reduce, uncertainty
from evenfall.reduction.air import correction
from evenfall.units import RPM

ENGINE_SCATTER = 0.003  # relative, standard, pull to pull; common practice, no source
LEAST_RATIO = 1.3  # of the rates; below it the pulls hardly differ


@dataclass(frozen=True)
class PullBins:
    """What one pull tells of the inertia."""

    run_id: int
    speed_rpm: FloatArray  # (b,)
    brake_Nm: FloatArray  # (b,) referred to the crank, NaN where empty
    brake_u_Nm: FloatArray  # (b,) scatter of the bin
    rate_rad_s2: FloatArray  # (b,) crank
    air_factor: float
    zero_u_Nm: float
    span_u_rel: float


@dataclass(frozen=True)
class InertiaFit:
    """Inertia referred to the crank, kg m2, with its standard uncertainty."""

    inertia_kg_m2: float
    u_kg_m2: float
    rates_rpm_s: list[float]  # mean of each pull
    run_ids: list[int]
    speed_rpm: FloatArray  # (b,)
    engine_Nm: FloatArray  # (b,) common curve, at the reference day
    residual_Nm: FloatArray  # (p, b)
    chi2_per_dof: float
    notes: list[str]


def pull_bins(
    run: Run,
    calibration: Calibration,
    setup: Setup,
    air: Air,
    standard: str = reduce.DEFAULT_STANDARD,
    bin_rpm: float = 250.0,
) -> PullBins:
    """Brake torque and rate of one pull in bins; any inertia in `setup` is left out."""
    seen = reduce.observe(run, calibration, setup)
    a = seen.aligned
    lines, _ = reduce.bin_lines(seen, bin_rpm)
    # the brake's torque wobbles with the rate; what remains of both is the scatter that counts
    off = a.rate_rad_s2 - a.rate_rad_s2.mean()
    wobble = float(off @ seen.brake_Nm / max(float(off @ off), 1e-9))
    _, brake, rate = seen.fine_terms
    scatter = reduce.sample_scatter(seen.fine_speed_rpm, brake - min(wobble, 0.0) * rate, bin_rpm)
    lever = calibration.arm_m * setup.engine_teeth / setup.brake_teeth / setup.drive_efficiency
    return PullBins(
        run.run_id,
        lines.centre,
        lines.value[1],
        scatter * np.sqrt(lines.leverage),
        lines.value[2],
        correction(air, standard).factor,
        seen.zero_u_N * lever,
        math.hypot(calibration.span_u_rel, calibration.arm_u_m / calibration.arm_m),
    )


def find_inertia(pulls: list[PullBins], engine_scatter: float = ENGINE_SCATTER) -> InertiaFit:
    """Fit the inertia to two or more pulls at different rates.

    Raises InputError when there are fewer than two pulls, no common speeds, or
    rates too alike to tell.
    """
    if len(pulls) < 2:
        raise InputError(
            "an inertia needs at least two pulls of one engine at different rates, e.g. 6 s and 15 s"
        )
    common = sorted(
        set.intersection(*[set(p.speed_rpm[np.isfinite(p.brake_Nm)].round(3).tolist()) for p in pulls])
    )
    if len(common) < 3:
        raise InputError(f"the pulls share {len(common)} bins of speed; sweep them over the same range")
    grid = np.array(common)
    rows = [np.searchsorted(p.speed_rpm.round(3), grid) for p in pulls]
    brake = np.array([p.brake_Nm[r] for p, r in zip(pulls, rows, strict=True)])
    rate = np.array([p.rate_rad_s2[r] for p, r in zip(pulls, rows, strict=True)])
    u = np.array([p.brake_u_Nm[r] for p, r in zip(pulls, rows, strict=True)])
    f = np.array([p.air_factor for p in pulls])[:, None]
    mean_rate = rate.mean(axis=1) / RPM
    size = np.abs(mean_rate)
    same_way = (mean_rate > 0).all() or (mean_rate < 0).all()
    if same_way and size.max() < LEAST_RATIO * size.min():
        raise InputError(
            f"the pulls' rates ({', '.join(f'{r:.0f}' for r in mean_rate)} rpm/s) are too alike; "
            f"make one at least {LEAST_RATIO:g} times as fast, e.g. sweeps of 6 s and 15 s"
        )
    y, r = f * brake, f * rate
    P, B = y.shape
    typical = np.nanmean(np.where(np.isfinite(u), u, np.nan)) if np.isfinite(u).any() else 0.01
    u = np.maximum(np.where(np.isfinite(u), u, typical), 1e-6) * f
    # unknowns: c (B), J, s (P), z (P); y = c + c s + z - J r
    level = y.mean(axis=0)
    A = np.zeros((P * B + 2 * P, B + 1 + 2 * P))
    rhs = np.zeros(P * B + 2 * P)
    for p in range(P):
        at = slice(p * B, (p + 1) * B)
        A[at, :B] = np.diag(1 / u[p])
        A[at, B] = -r[p] / u[p]
        A[at, B + 1 + p] = level / u[p]
        A[at, B + 1 + P + p] = 1 / u[p]
        rhs[at] = y[p] / u[p]
        A[P * B + p, B + 1 + p] = 1 / max(engine_scatter, 1e-6)
        A[P * B + P + p, B + 1 + P + p] = 1 / max(pulls[p].zero_u_Nm, 1e-6)
    x, *_ = np.linalg.lstsq(A, rhs, rcond=None)
    covariance = np.linalg.pinv(A.T @ A)
    J = float(x[B])
    left = rhs - A @ x
    dof = (P - 1) * B - 1
    chi2 = float(left @ left / max(dof, 1))
    u_J = math.sqrt(covariance[B, B] * max(1.0, chi2))
    span_u = max(p.span_u_rel for p in pulls)
    u_J = math.hypot(u_J, J * span_u)
    notes = []
    if J <= 0:
        notes.append("The inertia came out negative: the pulls do not belong to one engine in one state.")
    elif uncertainty.COVERAGE * u_J > 0.2 * J:
        notes.append(
            f"The inertia is known to {uncertainty.COVERAGE * u_J / J * 100:.0f} % only: add pulls, "
            "alternate fast and slow, and spread their rates."
        )
    if chi2 > 3:
        notes.append(
            "The pulls differ by more than their scatter explains: was the engine warm and the same in all?"
        )
    residual = (left[: P * B].reshape(P, B)) * u
    return InertiaFit(
        J, u_J, mean_rate.tolist(), [p.run_id for p in pulls], grid, x[:B], residual, chi2, notes
    )
