"""The inertia of all that turns, from runs of one engine at different rates.

At one speed the engine makes the same torque c in every run, so

    f_p (brake_p + J rate_p) = c (1 + s_p) + z_p

for run p, air factor f_p, rate dw/dt.  Averaged over the common speeds this is a straight line over the
runs, its slope -J; s_p (how the engine itself varies from run to run) and z_p (the zero) enter by what is
known of them, and by how far the runs lie off the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy  # its parts load at their first use

from evenfall.errors import InputError
from evenfall.model import Air, Calibration, FloatArray, Run, Setup
from evenfall.reduction import bins, reduce, systematic, uncertainty
from evenfall.reduction.air import correction
from evenfall.units import RPM

ENGINE_SCATTER = 0.003  # relative, standard, run to run; common practice, no source
PRIOR_DOF = 3.0  # degrees of freedom given to what is known beforehand of zero and engine
BEST_SWEEPS_S = (5.0, 20.0)  # s, the shortest and longest the board's settings take
LINE_DEGREE = 3  # of the sweep's line: speed over time
MIN_RATE_RATIO = 1.3  # of the rates; below it the runs hardly differ


@dataclass(frozen=True)
class RunBins:
    """What one run tells of the inertia."""

    run_id: int
    speed_rpm: FloatArray  # (b,)
    brake_Nm: FloatArray  # (b,) referred to the crank, NaN where empty
    brake_u_Nm: FloatArray  # (b,) scatter of the bin
    rate_rad_s2: FloatArray  # (b,) crank
    air_factor: float
    zero_u_Nm: float
    span_u_rel: float
    at_speed_Nm: (
        FloatArray  # (b,) engine torque but for the inertia, and the rate, in bins of the speed itself
    )
    at_speed_rad_s2: FloatArray


@dataclass(frozen=True)
class InertiaFit:
    """Inertia referred to the crank, kg m2, with its standard uncertainty."""

    inertia_kg_m2: float
    u_kg_m2: float
    rates_rpm_s: list[float]  # mean of each run
    run_ids: list[int]
    speed_rpm: FloatArray  # (b,)
    engine_Nm: FloatArray  # (b,) common curve, at the reference day
    residual_Nm: FloatArray  # (p, b)
    chi2_per_dof: float
    notes: list[str]
    cell_lag_s: float  # the load is seen so much later than was taken off, as far as the runs can tell
    cell_lag_u_s: float


def run_bins(
    run: Run,
    calibration: Calibration,
    setup: Setup,
    air: Air,
    standard: str = reduce.DEFAULT_STANDARD,
    bin_rpm: float = 250.0,
) -> RunBins:
    """Brake torque and rate of one run in bins; any inertia in `setup` is left out.

    The bins are those of the sweep's line, a cubic of speed over time: a strong turn keeps the shaft longer
    at its speed, so bins of the speed itself would hold more of the strong turns, the slower the sweep (time
    as an instrument, see `_slope_of_means`).
    """
    as_run = reduce.observe(run, calibration, setup)
    seen = _along_the_line(as_run)
    a = seen.aligned
    means, _ = reduce.bin_means(seen, bin_rpm)
    at_speed, _ = reduce.bin_means(as_run, bin_rpm)
    same = np.rint((means.centre - at_speed.centre[0]) / bin_rpm).astype(np.int64)
    there = (same >= 0) & (same < at_speed.centre.size)
    by_speed = np.where(there, at_speed.value[1:, np.where(there, same, 0)], np.nan)
    # the brake's torque wobbles with the rate; what remains of both is the scatter that counts
    off = a.rate_rad_s2 - a.rate_rad_s2.mean()
    damping = float(off @ seen.brake_Nm / max(float(off @ off), 1e-9))
    _, brake, rate = seen.fine_terms
    scatter = bins.sample_scatter(seen.fine_speed_rpm, brake - min(damping, 0.0) * rate, bin_rpm)
    lever = calibration.arm_m * setup.engine_teeth / setup.brake_teeth / setup.drive_efficiency
    return RunBins(
        run.run_id,
        means.centre,
        means.value[1],
        scatter * np.sqrt(means.leverage),
        means.value[2],
        correction(air, standard).factor,
        seen.zero_u_N * lever,
        math.hypot(calibration.span_u_rel, calibration.arm_u_m / calibration.arm_m),
        *by_speed,
    )


def _along_the_line(seen: reduce.Observed) -> reduce.Observed:
    """The sweep alone, each place at the speed of the sweep's line."""
    fine = seen.aligned.fine
    part = slice(*np.searchsorted(fine.time_s, (seen.start_s, seen.end_s)).tolist())
    fine = fine.cut(part)
    known = np.isfinite(fine.speed_rad_s)
    if np.count_nonzero(known) < LINE_DEGREE + 2:
        return seen
    line = np.polynomial.Polynomial.fit(fine.time_s[known], fine.speed_rad_s[known] / RPM, LINE_DEGREE)
    speed_rpm = np.where(known, line(fine.time_s), np.nan)
    return replace(
        seen,
        aligned=replace(seen.aligned, fine=fine),
        fine_speed_rpm=speed_rpm,
        fine_terms=seen.fine_terms[:, part],
    )


def find_inertia(runs: list[RunBins], engine_scatter: float = ENGINE_SCATTER) -> InertiaFit:
    """Fit the inertia to two or more runs at different rates.

    Raises InputError when there are fewer than two runs, no common speeds, or
    rates too alike to tell.
    """
    if len(runs) < 2:
        raise InputError(
            "an inertia needs at least two runs of one engine at different rates, e.g. 6 s and 15 s"
        )
    common = sorted(
        set.intersection(*[set(p.speed_rpm[np.isfinite(p.brake_Nm)].round(3).tolist()) for p in runs])
    )
    if len(common) < 3:
        raise InputError(f"the runs share {len(common)} bins of speed; sweep them over the same range")
    grid = np.array(common)
    rows = [np.searchsorted(p.speed_rpm.round(3), grid) for p in runs]
    brake = np.array([p.brake_Nm[r] for p, r in zip(runs, rows, strict=True)])
    rate = np.array([p.rate_rad_s2[r] for p, r in zip(runs, rows, strict=True)])
    u = np.array([p.brake_u_Nm[r] for p, r in zip(runs, rows, strict=True)])
    f = np.array([p.air_factor for p in runs])[:, None]
    mean_rate = rate.mean(axis=1) / RPM
    size = np.abs(mean_rate)
    same_way = (mean_rate > 0).all() or (mean_rate < 0).all()
    if same_way and size.max() < MIN_RATE_RATIO * size.min():
        raise InputError(
            f"the runs' rates ({', '.join(f'{r:.0f}' for r in mean_rate)} rpm/s) are too alike; "
            f"make one at least {MIN_RATE_RATIO:g} times as fast, e.g. sweeps of 6 s and 15 s"
        )
    y, r = f * brake, f * rate
    typical = np.nanmean(np.where(np.isfinite(u), u, np.nan)) if np.isfinite(u).any() else 0.01
    u = np.maximum(np.where(np.isfinite(u), u, typical), 1e-6) * f
    zero_Nm = np.array([p.zero_u_Nm for p in runs]) * f[:, 0]
    J, u_J, chi2 = _slope_of_means(y, r, u, zero_Nm, engine_scatter)
    at_speed = np.array([p.at_speed_Nm[q] for p, q in zip(runs, rows, strict=True)])
    fall = np.array([p.at_speed_rad_s2[q] for p, q in zip(runs, rows, strict=True)])
    both = np.isfinite(at_speed).all(axis=0)
    lag, lag_u = _lag(f * (at_speed + J * fall)[:, both], f * fall[:, both], u[:, both], grid[both] * RPM)
    bend = np.gradient(bins.smooth_curve((y + J * r).mean(axis=0)), grid * RPM)
    y = y + lag * r * bend  # what a late load hides of a sloping curve
    J, u_J, chi2 = _slope_of_means(y, r, u, zero_Nm, engine_scatter)
    u_J = math.hypot(u_J, lag_u * float(np.mean(bend)))
    u_J = math.hypot(u_J, J * max(p.span_u_rel for p in runs))
    engine = (y + J * r).mean(axis=0)
    return InertiaFit(
        J,
        u_J,
        mean_rate.tolist(),
        [p.run_id for p in runs],
        grid,
        engine,
        y + J * r - engine,
        chi2,
        _advice(J, u_J, chi2, size, float(grid[-1] - grid[0])),
        lag,
        lag_u,
    )


def _slope_of_means(
    y: FloatArray, r: FloatArray, u: FloatArray, zero_Nm: FloatArray, engine_scatter: float
) -> tuple[float, float, float]:
    """(J, its standard uncertainty, chi squared per degree of freedom) from (p, b) torques and rates.

    A strong turn of the engine speeds the shaft up before the brake answers, so torque and rate of one bin
    err together, and a slope over bins comes out too flat (errors in variables).  The mean of a whole run
    hardly has that error: its rate is set by where and when the sweep began and ended.  So the slope is
    taken over the runs' means (grouping as an instrument: A. Wald, Annals of Mathematical Statistics 11,
    1940; J. Durbin, Review of the ISI 22, 1954).
    """
    P, B = y.shape
    weight = 1 / np.mean(u**2, axis=0)
    weight /= weight.sum()
    level, rate = y @ weight, r @ weight
    centre = float(weight @ y.mean(axis=0))
    known = 1 / np.mean(1 / r, axis=1)

    def slope(own: FloatArray) -> tuple[float, FloatArray]:
        share = (known - float((known / own).sum() / (1 / own).sum())) / own
        share /= float(share @ rate)
        return -float(share @ level), share

    J, _ = slope(np.ones(P))
    for _ in range(3):
        # the bins' own scatter about the common curve says what the turns leave in a bin
        left = y + J * r
        left = left - left.mean(axis=0)
        left = left - (left @ weight)[:, None]
        chi2 = float((left**2 / u**2).sum()) / ((P - 1) * (B - 1))
        noise = chi2 * (u**2 @ weight**2)
        own = noise + zero_Nm**2 + (engine_scatter * centre) ** 2
        J, share = slope(own)
    off = level + J * rate
    off = off - (off / own).sum() / (1 / own).sum()
    between = float((off**2 / own).sum())
    # what is known of zero and engine counts like a few runs' worth; the runs' own agreement is the rest
    size = (PRIOR_DOF + between) / (PRIOR_DOF + P - 2)
    return J, math.sqrt(float(share**2 @ own) * size) * _widened(P), max(chi2, between / max(P - 2, 1))


def _widened(runs: int) -> float:
    """What makes 1.96 standard uncertainties hold 95 % although their size is estimated from few runs.

    The size, squared, is (PRIOR_DOF + chi squared of k) / (PRIOR_DOF + k) with k = runs - 2.  Its variance
    2 k / (PRIOR_DOF + k)^2 is that of (PRIOR_DOF + k)^2 / k degrees of freedom (JCGM 100, G.4: Welch and
    Satterthwaite).
    """
    k = runs - 2
    if k == 0:
        return 1.0
    dof = (PRIOR_DOF + k) ** 2 / k
    return float(scipy.stats.t.ppf(0.975, dof) / scipy.stats.norm.ppf(0.975))


def _lag(engine: FloatArray, r: FloatArray, u: FloatArray, speed_rad_s: FloatArray) -> tuple[float, float]:
    """(lag of the load s, its standard uncertainty): what is known beforehand, and what two rates tell.

    A load that is seen late by a time h belongs to a speed r h away: a torque curve c then reads
    c - h r dc/dw.  So runs of unlike rates differ by -h (r1 - r2) dc/dw, whose course over the speeds no
    inertia and no scatter of whole runs (a constant, a share of c) has.  Least squares, with the prior
    `systematic.LAG_S` as one more observation of h = 0.

    Args:
        engine, r, u: (p, b) torque of the engine by each run, rate, scatter.
    """
    prior = systematic.LAG_S / systematic.TRIANGULAR
    P, B = engine.shape
    curve = bins.smooth_curve(engine.mean(axis=0))
    if B < 8:
        return 0.0, prior
    weight = 1 / np.sqrt(np.mean(u**2, axis=0))
    columns = [-r * np.gradient(curve, speed_rad_s)]
    for p in range(P - 1):
        for shape in (np.ones(B), curve):
            own = np.zeros((P, B))
            own[p] = shape
            columns.append(own)
    # the common curve is free in every bin: only what differs between the runs counts
    X = np.stack([((x - x.mean(axis=0)) * weight).ravel() for x in columns], axis=1)
    left = ((engine - engine.mean(axis=0)) * weight).ravel()
    nuisance = X[:, 1:] @ np.linalg.lstsq(X[:, 1:], np.stack((X[:, 0], left), axis=1), rcond=None)[0]
    x, e = X[:, 0] - nuisance[:, 0], left - nuisance[:, 1]
    free = max((P - 1) * (B - 2) - 1, 1)
    square = float(x @ x)
    if not square > 0:
        return 0.0, prior
    lag = float(x @ e) / square
    variance = float((e - lag * x) @ (e - lag * x)) / free / square
    share = prior**2 / (prior**2 + variance)
    return lag * share, math.sqrt(share * variance)


def _advice(J: float, u_J: float, chi2: float, size: FloatArray, range_rpm: float) -> list[str]:
    """What to say of the fit: too uncertain, negative, or runs that do not belong together."""
    notes = []
    if J <= 0:
        notes.append("The inertia came out negative: the runs do not belong to one engine in one state.")
    elif uncertainty.COVERAGE * u_J > 0.1 * J:
        best = range_rpm / BEST_SWEEPS_S[0] - range_rpm / BEST_SWEEPS_S[1]
        now = float(size.max() - size.min())
        notes.append(f"The inertia is known to {uncertainty.COVERAGE * u_J / J * 100:.0f} % only.")
        if best > 1.2 * now:
            notes.append(
                f"Sweeps of {BEST_SWEEPS_S[0]:g} s and {BEST_SWEEPS_S[1]:g} s, the widest pair the board "
                f"allows, would bring it to about {uncertainty.COVERAGE * u_J / J * 100 * now / best:.0f} %."
            )
        notes.append(
            "Add runs and alternate fast and slow: the uncertainty falls with the square root of them."
        )
    if chi2 > 3:
        notes.append(
            "The runs differ by more than their scatter explains: was the engine warm and the same in all?"
        )
    return notes
