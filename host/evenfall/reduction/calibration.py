"""The load cell against hung weights: zero, span, arm, and how they wander."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy  # its parts load at their first use: listing runs does not wait for them

from evenfall.errors import InputError
from evenfall.model import Calibration, FloatArray
from evenfall.reduction.align import clamped_codes
from evenfall.reduction.reduce import check_arm
from evenfall.reduction.uncertainty import propagate
from evenfall.units import GRAVITY

BUOYANCY = 1.2 / 7850.0  # density of air over that of iron (OIML D 28 takes 1.2 kg/m3; iron from memory)
TOLERANCE = 0.005  # of a check weight, before a warning; common practice, no source
LINEARITY_LIMIT = 0.002  # of the largest load; common practice, no source
HYSTERESIS_LIMIT = 0.003
HOSE_LIMIT = 0.002
OF_FULL_LOAD = ("linearity", "hysteresis")  # newtons at any load, not shares of the reading


MAX_LINEARITY = 0.03  # of the largest load: beyond it these are not the weights that were hung
MAX_SPAN_U = 0.03  # relative, standard: beyond it the line says nothing
MAX_HYSTERESIS = 0.05


@dataclass(frozen=True)
class SpanFit:
    """Straight line through hung weights: count = zero + span * force."""

    zero_count: float
    zero_u_count: float
    span_count_per_N: float
    span_u_rel: float  # standard, all causes below but linearity and hysteresis
    causes: dict[str, float]  # cause -> relative standard uncertainty; the last two as shares of full load
    force_N: FloatArray  # (n,) on the cell
    residual_N: FloatArray  # (n,) reading less weight
    up: np.ndarray  # (n,) bool: hung while loading
    linearity: float  # largest residual of the means per weight, of the largest load
    hysteresis: float  # largest up-down difference at one weight, of the largest load
    dof: int
    notes: list[str]


def _checked_weights(
    mass_kg: FloatArray, count: FloatArray, gravity: float, lever: float
) -> tuple[FloatArray, FloatArray]:
    """(masses, readings) as arrays; InputError for what cannot be fitted."""
    mass = np.asarray(mass_kg, float)
    y = np.asarray(count, float)
    if mass.shape != y.shape or mass.ndim != 1:
        raise InputError(
            f"{mass.size} weights and {y.size} readings were given; each weight needs one reading"
        )
    for values, what in ((mass, "weight"), (y, "reading")):
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            raise InputError(f"{what} {bad[0] + 1} is not a number; read it again and type it")
    if (mass < 0).any():
        raise InputError(f"weight {int(np.argmax(mass < 0)) + 1} is negative; type the mass that was hung")
    if np.unique(mass).size < 2:
        raise InputError(
            "a span needs at least two different loads, for instance nothing and one known weight"
        )
    if clamped_codes(y).any():
        raise InputError(
            "a reading stands at the amplifier's end of range; use a smaller weight or a larger cell"
        )
    if not 9.7 < gravity < 9.9:
        raise InputError(f"a gravity of {gravity:g} m/s2 occurs nowhere; give the latitude instead")
    if not lever > 0:
        raise InputError(
            f"a lever of {lever:g} is not possible; give both distances from the shaft, in metres"
        )
    return mass, y


def _off_the_line(mass: FloatArray, up: np.ndarray, residual: FloatArray, full: float) -> tuple[float, float]:
    """(linearity, hysteresis) as shares of the largest load."""
    weights = np.unique(mass)
    means = np.array([residual[mass == m].mean() for m in weights])
    linearity = float(np.abs(means).max() / full) if weights.size > 2 else 0.0
    both = [
        residual[(mass == m) & up].mean() - residual[(mass == m) & ~up].mean()
        for m in _read_both_ways(mass, up)
    ]
    return linearity, float(np.abs(both).max() / full) if both else 0.0


def _read_both_ways(mass: FloatArray, up: np.ndarray) -> list[float]:
    """Weights that were read while loading and while unloading."""
    return [m for m in np.unique(mass) if (up & (mass == m)).any() and (~up & (mass == m)).any()]


def _remarks(mass: FloatArray, up: np.ndarray, linearity: float, hysteresis: float) -> list[str]:
    notes = []
    if np.unique(mass).size < 3:
        notes.append("Linearity is not known from fewer than three different loads.")
    if not _read_both_ways(mass, up):
        notes.append("Hysteresis is not known: read the same weights again while taking them off.")
    if linearity > LINEARITY_LIMIT:
        notes.append(
            f"The readings leave a straight line by {linearity * 100:.2f} % of the largest load "
            f"(usual limit {LINEARITY_LIMIT * 100:g} %): look for rubbing, a bent arm or a hose that pulls."
        )
    if hysteresis > HYSTERESIS_LIMIT:
        notes.append(
            f"Up and down differ by {hysteresis * 100:.2f} % of the largest load "
            f"(usual limit {HYSTERESIS_LIMIT * 100:g} %): look at bearings, seals and hoses."
        )
    return notes


def fit_span(
    mass_kg: FloatArray,
    count: FloatArray,
    *,
    up: np.ndarray | None = None,
    gravity: float = GRAVITY,
    gravity_u: float = 0.0,
    mass_u_rel: float = 0.001,
    lever: float = 1.0,
    lever_u_rel: float = 0.0,
    buoyancy: float = 0.0,
) -> SpanFit:  # longer than 60 lines by its text
    """Least squares over hung weights.

    Args:
        mass_kg: (n,) mass hung for each reading; 0 is a reading of the zero.
        count: (n,) mean count of each reading.
        up: (n,) True while loading, False while unloading; None: told from the order.
        mass_u_rel: relative standard uncertainty of the weights (they are all
            off together: shop weights are often nominal, weigh them).
        lever: distance of the hanger from the shaft / distance of the cell.

    Force on the cell = mass * (1 - buoyancy) * gravity * lever; `BUOYANCY` is that of iron weights in air.
    Standard uncertainty of the slope from the residuals by the usual formula (JCGM 100 annex H.3), widened by
    Student's t for few readings, plus weights, gravity and lever in root sum of squares.  Linearity and
    hysteresis (each rectangular) are shares of the full load, not of a reading: at a fifth of the load they
    weigh five times as much.  `make_calibration` keeps them in newtons.  Raises InputError for what cannot be
    fitted.
    """
    mass, y = _checked_weights(mass_kg, count, gravity, lever)
    force = mass * (1 - buoyancy) * gravity * lever
    n = mass.size
    if up is None:
        up = np.arange(n) <= int(np.argmax(mass))
    line = scipy.stats.linregress(force, y)
    span, zero = float(line.slope), float(line.intercept)
    if span == 0 or abs(span) * force.max() < 100:
        raise InputError(
            f"the heaviest weight moved the reading by only {abs(span) * force.max():.0f} counts; "
            "the cell carries no load: look at the arm, the cell and its wiring"
        )
    residual = (y - zero) / span - force
    dof = n - 2
    notes = []
    if dof > 0:
        widen = scipy.stats.t.ppf(0.975, dof) / scipy.stats.norm.ppf(0.975) if dof < 30 else 1.0
        fit_u, zero_u = float(line.stderr / abs(span) * widen), float(line.intercept_stderr * widen)
    else:
        fit_u, zero_u = 0.0, 0.0
        notes.append("Two readings give a line but no check of it: hang at least three loads, up and down.")
    linearity, hysteresis = _off_the_line(mass, up, residual, float(force.max()))
    causes = {
        "fit": fit_u,
        "weights": mass_u_rel,
        "gravity": gravity_u / gravity,
        "lever": lever_u_rel,
        "linearity": linearity / math.sqrt(3),
        "hysteresis": hysteresis / 2 / math.sqrt(3),
    }
    notes += _remarks(mass, up, linearity, hysteresis)
    total = math.sqrt(sum(u * u for name, u in causes.items() if name not in OF_FULL_LOAD))
    return SpanFit(zero, zero_u, span, total, causes, force, residual, up, linearity, hysteresis, dof, notes)


@dataclass(frozen=True)
class HosePush:
    """What hoses, their pressure and the jet do to the cell: readings at one load, water on less off."""

    mass_kg: FloatArray  # (n,)
    push_N: FloatArray  # (n,) on the cell
    u_N: float  # standard uncertainty that every run gets from it
    notes: list[str]


def hose_push(
    calibration: Calibration, mass_kg: FloatArray, off_count: FloatArray, on_count: FloatArray
) -> HosePush:
    """Weights hung with the water off and with it on, the brake standing still.

    The zero of a run is taken with the water off, so whatever its pressure and flow push on the cell counts
    as torque.  In a run pressure and flow are others than here: the push is not taken off but stays as a
    rectangular distribution up to the largest one seen (JCGM 100 clause 4.3.7), plus the scatter of the
    pushes.  Raises InputError for readings that cannot be used.
    """
    found = _push(calibration, mass_kg, off_count, on_count)
    if found.push_N.size < 3 or np.unique(found.mass_kg).size < 2:
        found.notes.append(
            "Hang nothing, half and full load: a push that comes only under load is not found else."
        )
    if size := _beyond_limit(calibration, found, "N"):
        found.notes.append(
            f"The water pushes the cell by up to {size}: lead the hoses in square to the arm, slack, and "
            "let the outlet fall free of the housing."
        )
    return found


def shake_push(
    calibration: Calibration, mass_kg: FloatArray, still_count: FloatArray, running_count: FloatArray
) -> HosePush:
    """As `hose_push`, of the load with the engine still and with it running: what its vibration adds."""
    found = _push(calibration, mass_kg, still_count, running_count)
    if found.push_N.size < 2:
        found.notes.append("Read it at two speeds or more: vibration may come at one speed only.")
    if size := _beyond_limit(calibration, found, "N more"):
        found.notes.append(
            f"With the engine running the cell reads up to {size}: damp the cell's mounting, look for play."
        )
    return found


def _push(
    calibration: Calibration, mass_kg: FloatArray, off_count: FloatArray, on_count: FloatArray
) -> HosePush:
    mass, off, on = (np.asarray(v, float) for v in (mass_kg, off_count, on_count))
    if mass.size == 0 or not mass.size == off.size == on.size:
        raise InputError("each weight needs one reading with the water off and one with it on")
    if not (np.isfinite(mass) & np.isfinite(off) & np.isfinite(on)).all() or (mass < 0).any():
        raise InputError("a weight is negative or a reading is not a number; read it again and type it")
    if clamped_codes(off).any() or clamped_codes(on).any():
        raise InputError("a reading stands at the amplifier's end of range; use a smaller weight")
    push = (on - off) / calibration.span_count_per_N
    most, full = float(np.abs(push).max()), calibration.max_load_N
    if full > 0 and most > MAX_PUSH * full:
        raise InputError(
            f"the two readings of a weight differ by {most:.1f} N, as {most / GRAVITY:.2f} kg would: was it "
            "changed between them? Nothing was kept"
        )
    scatter = float(push.std(ddof=1)) if push.size > 1 else 0.0
    return HosePush(mass, push, math.hypot(float(np.abs(push).max()) / math.sqrt(3), scatter), [])


def _beyond_limit(calibration: Calibration, found: HosePush, unit: str) -> str:
    """The largest push in words, where it is more than usual; else empty."""
    full, most = calibration.max_load_N, float(np.abs(found.push_N).max())
    if not (full > 0 and most > HOSE_LIMIT * full):
        return ""
    share = f"{most / full * 100:.2f} % of the largest load hung"
    return f"{most:.2f} {unit}, {share} (usual limit {HOSE_LIMIT * 100:g} %)"


def implausible(fit: SpanFit) -> str:
    """Why this can hardly be a calibration; empty when it may be.  Limits: common practice, no source."""
    found = []
    if fit.linearity > MAX_LINEARITY:
        found.append(f"the readings leave a straight line by {fit.linearity * 100:.1f} % of the largest load")
    if fit.hysteresis > MAX_HYSTERESIS:
        found.append(f"up and down differ by {fit.hysteresis * 100:.1f} % of the largest load")
    if fit.span_u_rel > MAX_SPAN_U:
        found.append(f"the span is known to ± {fit.span_u_rel * 196:.3g} % only")
    return "; ".join(found)


def effective_arm(arm_m: float, angle_deg: float, arm_u_m: float, angle_u_deg: float) -> tuple[float, float]:
    """(arm that counts, its standard uncertainty) of an arm `angle_deg` off square to the cell's axis.

    Torque = force * arm * cos(angle).
    """
    check_arm(arm_m)
    if not abs(angle_deg) <= 30:
        raise InputError(
            f"an arm {angle_deg:g} degrees off square is no torque arm; set it within a few degrees"
        )
    angle, angle_u = math.radians(angle_deg), math.radians(angle_u_deg)
    got = propagate(lambda a, t: a * math.cos(t), [arm_m, angle], [arm_u_m, angle_u])
    # at square the slope vanishes and the curvature is all there is: u(cos) = u^2/sqrt(2)
    return got.value, math.hypot(got.u, arm_m * math.cos(angle) * angle_u**2 / math.sqrt(2))


MAX_ARM_U = 0.1  # of the arm
MAX_SPAN_TC = 0.001  # 1/K; cells have 1e-5 to 2e-4 (common practice, no source)
MAX_PUSH = 0.2  # of the heaviest weight hung: more is another weight, or none


def make_calibration(
    fit: SpanFit,
    arm_m: float,
    arm_u_m: float,
    made_unix_s: int,
    note: str = "",
    zero_u_N: float = 0.02,
    temperature_K: float | None = None,
    span_tc_per_K: float | None = None,
) -> Calibration:
    """The record that `reduce_run` takes."""
    check_arm(arm_m)
    if not 0 <= arm_u_m <= MAX_ARM_U * arm_m:
        raise InputError(
            f"an arm known to {1e3 * arm_u_m:g} mm of {1e3 * arm_m:g} mm gives no torque; measure it to a "
            "millimetre and type its standard uncertainty"
        )
    if temperature_K is not None and not 230 <= temperature_K <= 350:
        raise InputError(
            f"a cell at {temperature_K - 273.15:.0f} °C cannot be; type its temperature with its unit"
        )
    if span_tc_per_K is not None and not 0 <= span_tc_per_K <= MAX_SPAN_TC:
        raise InputError(
            f"a span that changes by {1e3 * span_tc_per_K:g} % over 10 K is no load cell's; its data sheet "
            "says 0.01 to 0.2 %"
        )
    return Calibration(
        zero_count=fit.zero_count,
        span_count_per_N=fit.span_count_per_N,
        span_u_rel=fit.span_u_rel,
        arm_m=arm_m,
        arm_u_m=arm_u_m,
        made_unix_s=made_unix_s,
        note=note,
        zero_u_N=max(zero_u_N, abs(fit.zero_u_count / fit.span_count_per_N)),
        linearity_u_N=fit.causes["linearity"] * float(fit.force_N.max()),
        hysteresis_u_N=fit.causes["hysteresis"] * float(fit.force_N.max()),
        max_load_N=float(fit.force_N.max()),
        temperature_K=temperature_K,
        span_tc_per_K=span_tc_per_K,
    )


@dataclass(frozen=True)
class CheckDrift:
    """Check-weight readings over time against the calibration."""

    time_s: FloatArray  # (n,) unix
    error_rel: FloatArray  # (n,) reading / expected - 1
    per_year: float  # slope of error_rel; 0 with fewer than three readings
    per_year_u: float
    notes: list[str]


MAX_CHECK_ERROR = 0.5  # beyond this the weight did not hang, or another one did


def check_reading(
    calibration: Calibration,
    reading: tuple[float, float, float],
    *,
    gravity: float = GRAVITY,
    lever: float = 1.0,
    buoyancy: float = 0.0,
) -> None:
    """Raises InputError for a reading of a check weight that a slip of hand or keyboard has made."""
    drift = check_drift(calibration, [reading], gravity=gravity, lever=lever, buoyancy=buoyancy)
    error = float(drift.error_rel[0])
    if abs(error) > MAX_CHECK_ERROR:
        raise InputError(
            f"the check weight of {reading[1]:g} kg reads as {reading[1] * (1 + error):.3g} kg: look whether "
            "it hung on the arm when it should, and whether its mass is right; nothing was logged"
        )


def check_drift(
    calibration: Calibration,
    readings: list[tuple[float, float, float]],
    *,
    gravity: float = GRAVITY,
    lever: float = 1.0,
    buoyancy: float = 0.0,
    tolerance: float = TOLERANCE,
) -> CheckDrift:
    """Judge a check-weight log.

    Args:
        readings: (unix_s, mass_kg, count above the zero of that day) in any order.

    Warns when the newest reading is beyond `tolerance`, and when the trend
    (least squares) is real at 95 % and leaves the tolerance within 90 days.
    """
    if not readings:
        raise InputError(
            "the check-weight log is empty; hang a check weight and log it",
            ": evenfall calibrate check '5 kg'",
        )
    rows = np.array(sorted(readings), float)
    if not np.isfinite(rows).all() or (rows[:, 1] <= 0).any():
        raise InputError("a check-weight reading needs a mass above zero and a reading that is a number")
    when, mass, count = rows.T
    error = count / (calibration.span_count_per_N * mass * (1 - buoyancy) * gravity * lever) - 1
    year = (when - when[-1]) / (365.25 * 86400)
    slope = slope_u = 0.0
    notes = []
    if len(rows) >= 3 and np.ptp(year) > 0:
        line = scipy.stats.linregress(year, error)
        slope, slope_u = float(line.slope), float(line.stderr)
        t = scipy.stats.t.ppf(0.975, len(rows) - 2)
        ahead = error[-1] + slope * 90 / 365.25
        if abs(slope) > t * slope_u and abs(ahead) > tolerance >= abs(error[-1]):
            notes.append(
                f"The check weight drifts by {slope * 100:+.2f} % a year and leaves {tolerance * 100:g} % "
                "within 90 days: calibrate soon."
            )
    if abs(error[-1]) > tolerance:
        notes.append(
            f"The check weight reads {error[-1] * 100:+.2f} % off, beyond {tolerance * 100:g} %: "
            "look at arm, hoses and hanger, then calibrate again before the next run."
        )
    return CheckDrift(when, error, slope, slope_u, notes)
