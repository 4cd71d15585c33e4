"""One run, from raw counts to corrected torque and power with their uncertainty.

    force    = (count - zero) / span                     at the cell
    brake    = force * arm                               N.m on the brake's shaft
    engine   = (brake + shaft loss) * ratio / efficiency + J dw/dt      N.m at the crank

`ratio` is brake speed per crank speed (engine teeth / brake teeth).  J is all
that turns, referred to the crank; under a falling speed dw/dt is negative: the
flywheels help to turn the brake, the brake reads more than the engine makes,
and the term takes it off again (Euler's law of rotation about a fixed axis).

A bin gives the mean of the engine's torque over the bin's whole width; its power is that torque
times the speed at the bin's centre.  A `Reduction` is a function of its inputs only: recomputed,
never edited.
"""

from __future__ import annotations

import functools
import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import scipy  # its parts load at their first use: listing runs does not wait for them

from evenfall.errors import DamageError, InputError
from evenfall.model import (
    AIR_UNKNOWN,
    DEFAULT_STANDARD,
    Air,
    Bins,
    Calibration,
    FloatArray,
    Peak,
    Reduction,
    Run,
    Setup,
)
from evenfall.reduction import align, peak, systematic, uncertainty, vibration
from evenfall.reduction.air import Correction, correction, site_warnings
from evenfall.reduction.bins import (
    MIN_SAMPLES,
    BinMeans,
    Filling,
    fill_bins,
    fit_bins,
    sample_scatter,
    turn_level,
)
from evenfall.units import RPM

VERSION = 8
ASSUMED_INERTIA_KG_M2 = (
    1e-3  # to see the throttle close where none is stored: low; common practice, no source
)
HOLD_S = 0.9  # of the hold and ramp entry before the sweep that is used
MAX_FILL_SHIFT = 0.03  # of its torque: a bin whose filling asks for a greater correction is not given,
MAX_FILL_SHIFT_U = 0.0025  # nor one whose correction scatters by more
PARTLY_FILLED = 0.85  # of a bin's width: less is said in a note
MIN_FILL_MENTIONED = (
    0.2  # of its width: a bin at an end of the run that was touched no further is not spoken of
)
MAX_SPREAD_RATIO = 4.0  # times the least spread of a run's zeros: more was not taken at rest
DRIVE_HALF_WIDTH = 0.015  # of an efficiency: a chain loses 1 to 4 % (common practice, no source)
SPAN_TC = 5e-5  # per kelvin: 0.05 % over 10 K, sheets of cheap bar cells (common practice, no source)
CELL_OFF_AIR_K = 5.0  # how far the cell itself may be from the air's temperature; common practice, no source
UNKNOWN_APART_K = 15.0  # between calibration and run, where either temperature is not known
BEYOND_LOAD = 1.02  # times the heaviest weight hung: more is said
SCATTER = ("noise", "bin scatter")  # causes that more samples make smaller
FROM_SETTINGS = "from the board's settings"  # the note of a calibration that no weights were hung for
MIN_SPREAD = 128  # counts; a zero that scatters less says nothing of how quiet the bench is
MAX_ZERO_SHARE = 0.05  # of the load limit, between a zero and the calibration's; common practice, no source
MAX_TEETH = 200
MAX_MAGNETS = 64
MAX_POWER_W = 75_000.0  # more than any engine of this class gives, three times over


@dataclass(frozen=True)
class Observed:
    """Engine torque on the even time grid of the sweep, nothing corrected for air."""

    aligned: align.Aligned
    edges: align.Edges
    brake_Nm: FloatArray  # (n,) of the brake, referred to the crank, drive losses put back
    engine_Nm: FloatArray  # (n,)
    fine_speed_rpm: FloatArray  # (m,) on aligned.fine's grid, not smoothed
    fine_terms: FloatArray  # (3, m) engine N.m, brake N.m, rate rad/s2, as above
    start_s: float
    end_s: float
    found_by: str
    zero_shift_N: float  # zero after less zero before; NaN when only one was taken
    zero_u_N: float
    noise_N: float  # amplifier noise at rest, standard deviation of one sample; NaN when unknown
    notes: list[str]
    aliased: vibration.AliasedVibration
    load_N: FloatArray  # (l,) on the cell, every sample, and the crank's speed at it, NaN outside the sweep
    load_speed_rpm: FloatArray


def calibration_from_settings(run: Run) -> Calibration:
    """The calibration the board itself held when it recorded the run."""
    s = run.settings
    sane = [z[1] for z in run.zeros if not align.clamped_codes(z[1])]
    try:
        return Calibration(
            zero_count=sane[-1] if sane else math.nan if run.zeros else 0.0,
            span_count_per_N=s["span"] / 1000.0,
            arm_m=s["arm_length"] / 1e6,
            made_unix_s=run.started_unix_s,
            note=FROM_SETTINGS,
        )
    except KeyError as missing:
        raise DamageError(
            f"run {run.run_id} does not hold the setting {missing}; give a calibration by hand"
        ) from None


def setup_from_settings(run: Run, **known: float | int | None) -> Setup:
    """The drive as the board's settings have it; `known` adds what the board does not hold (inertia...)."""
    s = run.settings
    base = Setup(
        engine_teeth=s.get("engine_teeth", 10),
        brake_teeth=s.get("brake_teeth", 10),
        magnets=s.get("magnets", 1),
    )
    return replace(base, **known)  # type: ignore[arg-type]


def check_inertia(setup: Setup) -> None:
    """Refuse an inertia that is typed with an uncertainty larger than itself."""
    if setup.inertia_u_kg_m2 > setup.inertia_kg_m2:
        raise InputError(
            f"an inertia of {setup.inertia_kg_m2:g} ± {setup.inertia_u_kg_m2:g} kg·m² is not known; give "
            "both, such as 0.0024 and 0.00005"
        )


def check_inputs(run: Run, calibration: Calibration, setup: Setup) -> None:
    """Refuse a calibration or set-up that would give a silent wrong number; InputError says what to do."""
    c = calibration
    for value, what in (
        (c.zero_count if not run.zeros else 0.0, "the zero"),
        (c.span_count_per_N, "the span"),
        (c.arm_m, "the arm"),
        (setup.inertia_kg_m2, "the inertia"),
        (setup.drive_efficiency, "the drive efficiency"),
    ):
        if not math.isfinite(value):
            raise InputError(f"{what} is not a number ({value}); calibrate again or type it")
    if c.span_count_per_N == 0:
        raise InputError("the span is 0 counts per newton; hang a known weight and calibrate the load cell")
    check_arm(c.arm_m)
    for teeth, what in ((setup.engine_teeth, "engine"), (setup.brake_teeth, "brake")):
        if not 1 <= teeth <= MAX_TEETH:
            raise InputError(
                f"the {what} sprocket has {teeth} teeth, which is outside 1 to {MAX_TEETH}; "
                "count them and type the number"
            )
    if not 1 <= setup.magnets <= MAX_MAGNETS:
        raise InputError(
            f"the pickup has {setup.magnets} magnets per turn, which is outside 1 to {MAX_MAGNETS}; "
            "count them and type the number"
        )
    if not 0.5 <= setup.drive_efficiency <= 1:
        raise InputError(
            f"a drive efficiency of {setup.drive_efficiency:g} is outside 0.5 to 1; "
            "a chain in order loses 1 to 4 %, so type for instance 98 %"
        )
    if setup.drive_efficiency_u is not None and not 0 <= setup.drive_efficiency_u <= 0.2:
        raise InputError(
            f"an uncertainty of the drive efficiency of {setup.drive_efficiency_u:g} is outside 0 to 0.2; "
            "type for instance 1 %"
        )
    if not 0 <= setup.inertia_kg_m2 < 1:
        raise InputError(
            f"an inertia of {setup.inertia_kg_m2:g} kg.m2 is outside 0 to 1; "
            "small engines with a small brake have 0.001 to 0.01"
        )
    if setup.height_m is not None and not -500 <= setup.height_m <= 5000:
        raise InputError(
            f"a place at {setup.height_m:g} m is outside -500 to 5000 m; type its height with its unit"
        )
    if setup.arm_changed_unix_s and c.made_unix_s < setup.arm_changed_unix_s:
        raise InputError(
            "the calibration is older than the last change of the arm or load cell; "
            "hang the weights again before reducing runs made since"
        )


def teeth_differ(run: Run, setup: Setup) -> list[str]:
    """A sentence when the board counted with another ratio of teeth than the set-up does."""
    board = [run.settings.get(name, 0) for name in ("engine_teeth", "brake_teeth")]
    if not all(board) or board[0] * setup.brake_teeth == board[1] * setup.engine_teeth:
        return []
    return [
        f"The board was set to {board[0]}:{board[1]} teeth, the set-up says {setup.engine_teeth}:"
        f"{setup.brake_teeth}: speed, torque and power are wrong if the set-up is. Count the teeth, then set "
        "both: evenfall board set engine_teeth=N brake_teeth=N, evenfall setup add NAME."
    ]


def failure(peak_power_W: float, peak_torque_Nm: float) -> str:
    """Why these peaks are no measurement; empty when they may be one."""
    hint = "check the zero, the span's sign, the cell's cable and the water"
    if not (math.isfinite(peak_power_W) and math.isfinite(peak_torque_Nm)):
        return "no bin of speed holds enough data"
    if peak_power_W <= 0 or peak_torque_Nm <= 0:
        return f"the highest power is {peak_power_W / 1000:.2f} kW, which no engine gives under load; {hint}"
    if peak_power_W > MAX_POWER_W:
        return f"{peak_power_W / 1000:.0f} kW is more than any engine of this class gives; {hint}"
    return ""


def check_arm(arm_m: float) -> None:
    """An arm that no small brake has is most often inches or millimetres typed as metres."""
    if not math.isfinite(arm_m):
        raise InputError(
            f"the arm is not a number ({arm_m}); measure it from the shaft's centre to the cell's axis"
        )
    if not 0.02 <= arm_m <= 2:
        hint = ""
        if 50 <= arm_m <= 2000:
            hint = f"; {arm_m:g} looks like millimetres ({arm_m / 1000:g} m)"
        elif 2 < arm_m < 50:
            hint = f"; {arm_m:g} looks like inches ({arm_m * 0.0254:.4f} m)"
        raise InputError(f"an arm of {arm_m:g} m is outside 0.02 to 2 m{hint}; type it with its unit")


def observe(
    run: Run, calibration: Calibration, setup: Setup, bandwidth_Hz: float = align.BANDWIDTH_HZ
) -> Observed:
    """Counts and edges to engine torque against time; see the module's text."""
    check_inputs(run, calibration, setup)
    align.check_extent(run)
    notes: list[str] = list(run.damage)
    edges = align.repair_edges(run.edge_time_s)
    start, end, found_by = align.find_sweep(run, setup, edges)
    zeros, unfit = usable_zeros(run, calibration)
    zero, shift, zero_u, noise = _zero(run, calibration, zeros, start, end)
    force = (run.load_count - zero) / calibration.span_count_per_N
    # held at full throttle, the engine gives the same torque at the top: it fills the first bin
    hold = 0.0 if found_by == "data" else min(HOLD_S, run.settings.get("steady_time", 0) / 1000)
    with_run_out = found_by != "data"
    a = align.align(run, setup, force, start, end, bandwidth_Hz, edges, hold, with_run_out)
    lever = calibration.arm_m * setup.engine_teeth / setup.brake_teeth / setup.drive_efficiency
    brake = a.force_N * lever + _shaft_loss(setup, a.speed_rad_s)
    engine = brake + setup.inertia_kg_m2 * a.rate_rad_s2
    fine = a.fine
    terms = np.empty((3, fine.time_s.size))
    np.multiply(fine.force_N, lever, out=terms[1])
    terms[1] += _shaft_loss(setup, fine.speed_rad_s)
    terms[2] = fine.rate_rad_s2
    np.multiply(fine.rate_rad_s2, setup.inertia_kg_m2, out=terms[0])
    terms[0] += terms[1]
    if with_run_out:
        # a closing throttle shows in the brake's torque or in the rate, whichever comes first
        engine_fine = terms[0] if setup.inertia_kg_m2 > 0 else terms[1] + ASSUMED_INERTIA_KG_M2 * terms[2]
        until = align.throttle_open_until(fine.time_s, fine.speed_rad_s, engine_fine, end)
        used = slice(0, int(fine.time_s.searchsorted(until, side="right")))
        a, terms = replace(a, fine=fine.cut(used)), terms[:, used]

    seen_late = run.load_time_s - a.delay_s
    aliased = vibration.find_aliases(
        seen_late, force, *align.shaft_angle(edges, setup.magnets), setup, start, end
    )
    notes += ["The sweep was found from the speed itself: the board had not marked one."] * (
        found_by == "data"
    )
    notes += vibration.notes(aliased)
    notes += _signal_notes(a, edges, start, end, shift)
    notes += unfit
    notes += _set_up_notes(run, setup, a, brake)
    return Observed(
        a, edges, brake, engine, a.fine.speed_rad_s / RPM, terms, start, end, found_by, shift, zero_u, noise,
        notes, aliased, force, np.interp(seen_late, a.fine.time_s, a.fine.speed_rad_s / RPM, np.nan, np.nan),
    )  # fmt: skip


def _signal_notes(a: align.Aligned, edges: align.Edges, start: float, end: float, shift: float) -> list[str]:
    """What was repaired, left out or lost of pulses and load samples; how far the zero moved."""
    notes = []
    if edges.missed or edges.extra:
        notes.append(f"Speed pickup: {edges.missed} missed and {edges.extra} extra pulses were repaired.")
    silent = sum(max(0.0, min(b, end) - max(a0, start)) for a0, b in edges.silent)
    if silent > 0:
        notes.append(f"The speed pickup was silent for {silent:.2f} s of the sweep; those bins are empty.")
    if a.spikes:
        notes.append(f"{a.spikes} lone load samples far from their neighbours were left out.")
    if a.clamped:
        notes.append(f"{a.clamped} load samples stood at the amplifier's end of range and were left out.")
    if a.gaps:
        notes.append(f"{a.gaps} load samples never arrived; the gaps are bridged by straight lines.")
    limit = 0.005 * float(np.max(np.abs(a.force_N))) if a.force_N.size else 0.0
    if abs(shift) > limit:
        notes.append(
            f"The zero moved by {shift:+.2f} N between before and after the run "
            f"({abs(shift) / max(float(np.max(np.abs(a.force_N))), 1e-9) * 100:.1f} % of the largest load): "
            "look at the hoses and the cell's mounting."
        )
    return notes


def _set_up_notes(run: Run, setup: Setup, a: align.Aligned, brake: FloatArray) -> list[str]:
    """What is unlikely or unknown of the drive and the cell's sense; what the board said of the run."""
    notes = teeth_differ(run, setup)
    if any(name == "small_record" for _, name, _ in run.events):
        notes.append(
            "Recorded small, because the board's flash was short of room: load and speed of the sweep are "
            "whole, so figures and intervals are those of a whole record; the controller's trace is not kept."
        )
    if setup.inertia_kg_m2 == 0:
        share = float(np.median(-a.rate_rad_s2) * 1e-3)
        notes.append(
            "No inertia is stored for this set-up, so it was not removed: torque reads too high by "
            f"{share:.3f} N·m for each 0.001 kg·m². Find it with two runs at different rates."
        )
    if float(np.mean(brake)) < 0:
        notes.append(
            "The brake torque is negative: the span has the wrong sign or the cell is mounted backwards."
        )
    if run.verdict and run.verdict.get("verdict") in ("poor", "aborted"):
        notes.append(
            f"The board judged this run {run.verdict['verdict']} "
            f"({str(run.verdict.get('reason', 'none')).replace('_', ' ')})."
        )
    return notes


def _shaft_loss(setup: Setup, speed_rad_s: FloatArray) -> FloatArray | float:
    """Drag that the cell does not feel, referred to the crank, N.m, at crank speeds."""
    constant, linear, square = setup.shaft_loss_Nm, setup.shaft_loss_Nm_s, setup.shaft_loss_Nm_s2
    if constant == linear == square == 0:
        return 0.0
    ratio = setup.engine_teeth / setup.brake_teeth
    w = speed_rad_s * ratio
    return np.asarray((constant + linear * w + square * w**2) * ratio / setup.drive_efficiency)


def _zero(
    run: Run,
    calibration: Calibration,
    zeros: list[tuple[float, float, float, int]],
    start: float,
    end: float,
) -> tuple[FloatArray, float, float, float]:
    """(zero at each load sample, shift N, standard uncertainty N, sample noise N).

    With a zero before and one after the run the zero is taken to move along a
    straight line between them; half of what it moved, as a rectangular
    distribution, stays as uncertainty (JCGM 100 clause 4.3.7).  Else the calibration's
    own allowance for wandering stands.
    """
    span = abs(calibration.span_count_per_N)
    before = [z for z in zeros if z[0] <= start]
    after = [z for z in zeros if z[0] >= end]
    noise = math.nan
    if zeros and zeros[0][3] > 3:
        noise = zeros[0][2] / _usual_range(zeros[0][3]) / span
    if before and after:
        (t0, z0, _, n0), (t1, z1, _, n1) = before[-1], after[0]
        zero = np.interp(run.load_time_s, [t0, t1], [z0, z1])
        shift = (z1 - z0) / calibration.span_count_per_N
        still = 0.0 if math.isnan(noise) else noise * math.sqrt(1 / max(n0, 1) + 1 / max(n1, 1)) / 2
        return zero, shift, math.hypot(abs(shift) / 2 / math.sqrt(3), still), noise
    value = (before or zeros or [(0.0, calibration.zero_count, 0.0, 0)])[-1][1]
    return np.full(run.load_time_s.size, float(value)), math.nan, calibration.zero_u_N, noise


def usable_zeros(
    run: Run, calibration: Calibration
) -> tuple[list[tuple[float, float, float, int]], list[str]]:
    """(zeros that may be used, sentences for those that may not).

    An end code of the amplifier is an overload or a broken wire.  A zero that scatters far more than the
    quietest, or lies far from one that agrees with the calibration's own, was not taken at rest.

    Raises DamageError when every zero stood at an end code and the calibration holds none of its own.
    """
    time_s, count, spread, _ = range(4)
    sane = [z for z in run.zeros if not align.clamped_codes(z[count])]
    said = []
    if len(sane) < len(run.zeros):
        said.append(
            "A zero was left out: the load cell stood at its end of range when it was taken "
            "(overload, or a broken wire)."
        )
        if not sane and not math.isfinite(calibration.zero_count):
            raise DamageError(
                f"run {run.run_id} holds no zero: the load cell stood at its end of range (overload, or a "
                "broken wire) whenever one was taken; give a calibration made with hung weights"
            )
    quiet = [z for z in sane if z[spread] <= MAX_SPREAD_RATIO * max(min(o[spread] for o in sane), MIN_SPREAD)]
    if len(quiet) < len(sane):
        said.append("A zero was left out: the load was not at rest when it was taken.")
    limit = MAX_ZERO_SHARE * run.settings.get("load_limit", 0) * abs(calibration.span_count_per_N)
    far = [z for z in quiet if abs(z[count] - calibration.zero_count) > limit > 0]
    if far and calibration.made_unix_s and calibration.note != FROM_SETTINGS:
        off = max((z[count] - calibration.zero_count for z in far), key=abs) / calibration.span_count_per_N
        if len(far) < len(quiet):
            quiet = [z for z in quiet if z not in far]
            said.append(
                f"A zero {off:+.1f} N from the calibration's was left out; another one agrees with it."
            )
        else:
            said.append(
                f"The zero lies {off:+.1f} N from the calibration's: something hung on the arm, or the cell "
                "has changed. Take the zero again with nothing on the arm; if it stays, calibrate again."
            )
    return sorted(quiet, key=lambda z: z[time_s]), said


@functools.lru_cache(maxsize=64)
def _usual_range(n: int) -> float:
    """Expected highest less lowest of n normal readings, in standard deviations (Blom 1958)."""
    return float(2 * scipy.special.ndtri((n - 0.375) / (n + 0.25)))


def fill_notes(means: BinMeans, bin_rpm: float) -> list[str]:
    """Sentences for bins that are not given, and why, and for those filled in part only."""
    missing, part = [], []
    unlike = ~(np.isfinite(means.value[0]) & (means.high - means.low >= PARTLY_FILLED * bin_rpm))
    columns = (means.centre, means.value[0], means.count // align.FINE, means.low, means.high)
    for centre, value, samples, low, high in zip(*(c[unlike].tolist() for c in columns), strict=True):
        if math.isfinite(value):
            if high - low < PARTLY_FILLED * bin_rpm:
                part.append(f"{centre:.0f} rpm ({low:.0f} to {high:.0f})")
        elif 0 < high - low < MIN_FILL_MENTIONED * bin_rpm and centre in means.centre[[0, -1]]:
            continue
        elif samples < MIN_SAMPLES:
            missing.append(f"{centre:.0f} rpm ({samples} load samples)")
        elif high - low < PARTLY_FILLED * bin_rpm:
            missing.append(f"{centre:.0f} rpm (swept from {low:.0f} to {high:.0f} only)")
        else:
            missing.append(f"{centre:.0f} rpm (unevenly filled)")
    notes = []
    if part:
        notes.append(
            f"Filled in part only: {', '.join(part)}; "
            "brought to the mean of a whole bin, with a wider interval."
        )
    if missing:
        notes.append(f"Not given, for too little data: {', '.join(missing)}.")
    return notes


def scatter_by_bin(seen: Observed, means: BinMeans, bin_rpm: float, filled: Filling) -> FloatArray:
    """(b,) standard deviation in N.m of one independent fine sample of engine torque, bin by bin."""
    level = turn_level(means.centre, means.value[0])
    known = np.isfinite(level)
    at = np.interp(seen.fine_speed_rpm, means.centre[known], level[known])
    return sample_scatter(seen.fine_speed_rpm, seen.fine_terms[0], bin_rpm, at, filled) * level


def bins_for_peaks(seen: Observed, means: BinMeans, scatter: FloatArray) -> peak.TorqueBins | None:
    """What the peaks are looked for in; None where no bin is given.

    Args:
        scatter: (b,) of one independent fine sample, N.m.
    """
    torque = means.value[0]
    if not np.isfinite(torque).any():
        return None
    level = peak.noise_level(means.centre, torque)
    known = np.isfinite(level)
    per_slice = int(align.median(means.count[known])) // peak.SLICES_PER_BIN
    at_sample = np.interp(seen.fine_speed_rpm, means.centre[known], level[known])
    own, dof = peak.short_time_scatter(seen.fine_terms[0], at_sample, per_slice)
    if not math.isfinite(own):
        own, dof = float(np.nanmedian(scatter / level)), 5.0
    return peak.TorqueBins(means.centre, torque, level * np.sqrt(means.leverage), own, dof)


def judge_peaks(
    tops: tuple[peak.Top, peak.Top] | None, means: BinMeans, u_shared: FloatArray, u_all: FloatArray
) -> tuple[Peak, Peak, dict[str, float]]:
    """(torque N.m, power W, relative uncertainties at peak power) of the observed curve; see peak.py.

    No peak stands below the interval of the highest bin; where that lifts it, the lift counts as uncertainty.

    Args:
        tops: of torque and of power; None where too few bins are given.
        u_shared, u_all: (b,) standard uncertainty of the torque without scatter, and with all causes.
    """
    torque, omega = means.value[0], means.centre * RPM
    given = np.isfinite(torque).nonzero()[0]
    if not given.size:
        return Peak(math.nan, math.nan, math.nan), Peak(math.nan, math.nan, math.nan), {}
    found, parts = [], {}
    for i, size in enumerate((np.ones_like(omega), omega)):
        high = int(given[(torque[given] * size[given]).argmax()])
        value, half = float(torque[high] * size[high]), uncertainty.COVERAGE * float(u_all[high] * size[high])
        if tops is None:
            found.append(Peak(value, half, float(means.centre[high])))
            continue
        top = tops[i]
        lift = max(0.0, value - half - top.value)
        shared = float(np.interp(top.speed_rpm, means.centre[given], (u_shared * size)[given]))
        u_selection = math.hypot(top.u_selection, lift)
        u = math.hypot(shared, top.u_scatter, top.u_fit, u_selection)
        found.append(Peak(top.value + lift, uncertainty.COVERAGE * u, top.speed_rpm))
        parts = {
            "bin scatter": top.u_scatter / abs(found[-1].value),
            "lack of fit": top.u_fit / abs(found[-1].value),
            "selection": u_selection / abs(found[-1].value),
        }
    return found[0], found[1], parts


def mean_over(bins: Bins, low_rpm: float, high_rpm: float) -> dict[str, float]:
    """Area under the curves from `low_rpm` to `high_rpm`, divided by the range.

    Trapezoids between bins, ends interpolated.  Returns mean torque (N.m) and
    power (W) with standard uncertainties, every bin's uncertainty taken as shared
    (an upper limit).  Raises InputError when the run does not cover the range.
    """
    ok = np.isfinite(bins.torque_Nm)
    speed = bins.speed_rpm[ok]
    if speed.size < 2 or low_rpm >= high_rpm or low_rpm < speed[0] or high_rpm > speed[-1]:
        span = f"{speed[0]:.0f} to {speed[-1]:.0f} rpm" if speed.size else "nothing"
        raise InputError(f"the run covers {span}; it cannot be summed from {low_rpm:g} to {high_rpm:g} rpm")
    grid = np.unique(np.concatenate(([low_rpm, high_rpm], speed[(speed > low_rpm) & (speed < high_rpm)])))
    out = {}
    for name in (
        "torque_Nm",
        "torque_u_Nm",
        "torque_u_independent_Nm",
        "power_W",
        "power_u_W",
        "power_u_independent_W",
    ):
        values = np.interp(grid, speed, getattr(bins, name)[ok])
        out[name] = float(np.trapezoid(values, grid) / (high_rpm - low_rpm))
    return out


@dataclass(frozen=True)
class Prepared:
    """A run up to its bins: what is left are its peaks, which runs of one set-up may share the work of.

    It holds no samples: many may wait for their peaks without driving each other out of the caches.
    """

    run_id: int
    day: Correction
    means: BinMeans
    causes: dict[str, FloatArray]  # of `bin_causes`
    for_peaks: peak.TorqueBins | None
    time_s: FloatArray  # (n,) even grid of the curves
    speed_rpm: FloatArray  # (n,)
    torque_Nm: FloatArray  # (n,)
    sweep_time_s: float
    notes: list[str]
    inputs: dict[str, str]  # hashes
    air: Air


def reduce_run(
    run: Run,
    calibration: Calibration,
    setup: Setup,
    air: Air,
    standard: str = DEFAULT_STANDARD,
    bin_rpm: float = 250.0,
    bandwidth_Hz: float = align.BANDWIDTH_HZ,
) -> Reduction:
    """Reduce one run.

    Args:
        standard: a preset of `air.STANDARDS`, by key or title.
        bin_rpm: width of the bins, crank rpm; centres are whole multiples of it.
        bandwidth_Hz: -3 dB bandwidth of the zero-phase smoothing.

    Raises InputError (settings, air, units) or DamageError (raw data), one sentence each.
    """
    return finish([prepare(run, calibration, setup, air, standard, bin_rpm, bandwidth_Hz)])[0]


def prepare(
    run: Run,
    calibration: Calibration,
    setup: Setup,
    air: Air,
    standard: str = DEFAULT_STANDARD,
    bin_rpm: float = 250.0,
    bandwidth_Hz: float = align.BANDWIDTH_HZ,
) -> Prepared:
    """The first part of `reduce_run`, with its arguments and errors."""
    if not (math.isfinite(bin_rpm) and 25 <= bin_rpm <= 2000):
        raise InputError(f"bins of {bin_rpm:g} rpm are outside 25 to 2000 rpm")
    if not (math.isfinite(bandwidth_Hz) and 0.5 <= bandwidth_Hz <= 40):
        raise InputError(f"a smoothing bandwidth of {bandwidth_Hz:g} Hz is outside 0.5 to 40 Hz")
    day = correction(air, standard)
    seen = observe(run, calibration, setup, bandwidth_Hz)
    if not np.isfinite(seen.fine_speed_rpm).any():
        raise DamageError(f"run {run.run_id}: no speed is known anywhere in the sweep; check the pickup")
    means, scatter = bin_means(seen, bin_rpm)
    shaken = shaking_of(seen, means, calibration, setup)
    causes = bin_causes(calibration, setup, day, air, seen, means, scatter, shaken)
    notes = [*seen.notes, *fill_notes(means, bin_rpm)]
    notes += _day_notes(run, air, setup, day, standard)
    notes += [drive_note(setup), *systematic.unmeasured_note(calibration, setup)]
    notes += load_note(seen, calibration)
    notes += systematic.shaking_note(*shaken, means.centre)
    a = seen.aligned
    return Prepared(
        run_id=run.run_id,
        day=day,
        means=means,
        causes=causes,
        for_peaks=bins_for_peaks(seen, means, scatter),
        time_s=a.time_s,
        speed_rpm=a.speed_rad_s / RPM,
        torque_Nm=seen.engine_Nm * day.factor,
        sweep_time_s=seen.end_s - seen.start_s,
        notes=notes,
        inputs=_hashes(run, calibration, setup, air),
        air=air,
    )


def finish(runs: Sequence[Prepared]) -> list[Reduction]:
    """The second part: peaks, all of them at once, and what is said of the runs."""
    asked = [p.for_peaks for p in runs]
    found = iter(peak.torque_and_power_peaks([bins for bins in asked if bins is not None]))
    return [_reduction(p, None if bins is None else next(found)) for p, bins in zip(runs, asked, strict=True)]


def _reduction(p: Prepared, tops: tuple[peak.Top, peak.Top] | None) -> Reduction:
    means, f = p.means, p.day.factor
    engine = means.value[0]
    u_all, u_independent, u_shared = uncertainty.combine(p.causes, SCATTER)
    bins = _corrected(means, engine, u_all, u_independent, f)
    torque_top, power_top, at_peak = judge_peaks(tops, means, u_shared, u_all)
    peak_torque, peak_power = (
        Peak(top.value * f, top.half_width * f, top.speed_rpm) for top in (torque_top, power_top)
    )
    failed = failure(peak_power.value, peak_torque.value)
    return Reduction(
        run_id=p.run_id,
        standard=p.day.standard.title,
        air_factor=f,
        air_factor_u=p.day.u,
        air_factor_in_range=p.day.in_range,
        bins=bins,
        peak_torque_Nm=peak_torque,
        peak_power_W=peak_power,
        time_s=p.time_s,
        speed_rpm=p.speed_rpm,
        torque_Nm=p.torque_Nm,
        sweep_time_s=p.sweep_time_s,
        budget=_budget_at_peak(bins, engine, p.causes, at_peak),
        notes=([f"This run failed as a measurement: {failed}."] if failed else []) + p.notes,
        inputs=p.inputs,
        version=VERSION,
        failed=failed,
    )


def _day_notes(run: Run, air: Air, setup: Setup, day: Correction, standard: str) -> list[str]:
    """What is remarkable of the air, its factor and its source."""
    notes = [
        sentence[0].upper() + sentence[1:] + "; the factor is shown all the same." for sentence in day.outside
    ]
    notes += site_warnings(run, air, setup.height_m)
    notes += air_note(air, day, standard)
    return notes


def _corrected(
    means: BinMeans, engine: FloatArray, u_all: FloatArray, u_independent: FloatArray, factor: float
) -> Bins:
    """Torque and power of the bins, brought to the reference air."""
    omega = means.centre * RPM
    return Bins(
        speed_rpm=means.centre,
        torque_Nm=engine * factor,
        torque_u_Nm=u_all * factor,
        torque_u_independent_Nm=u_independent * factor,
        power_W=engine * omega * factor,
        power_u_W=u_all * omega * factor,
        power_u_independent_W=u_independent * omega * factor,
        torque_observed_Nm=engine,
        power_observed_W=engine * omega,
        count=means.count // align.FINE,
    )


def _budget_at_peak(
    bins: Bins, engine: FloatArray, causes: dict[str, FloatArray], at_peak: dict[str, float]
) -> dict[str, float]:
    """Cause -> relative standard uncertainty at peak power."""
    given = np.isfinite(bins.power_W).nonzero()[0]
    if not given.size:
        return {}
    top = int(given[bins.power_W[given].argmax()])
    size = abs(float(engine[top]))
    budget = {name: float(u[top]) / size for name, u in causes.items()}
    if at_peak:  # the noise of the cell is part of the scatter
        less = at_peak["bin scatter"] / math.hypot(*(budget[name] for name in SCATTER))
        budget |= {name: budget[name] * less for name in SCATTER}
        budget |= {name: at_peak[name] for name in ("lack of fit", "selection")}
    return budget


def bin_causes(
    calibration: Calibration,
    setup: Setup,
    day: Correction,
    air: Air,
    seen: Observed,
    means: BinMeans,
    scatter: FloatArray,
    shaken: tuple[FloatArray, FloatArray],
) -> dict[str, FloatArray]:
    """Standard uncertainty of the observed engine torque per bin, N.m, by cause.

    `scatter` is that of one independent sample, N.m, (b,); see `scatter_by_bin`.  `shaken`: of `shaking_of`.
    """
    engine, brake, rate = means.value
    lever = calibration.arm_m * setup.engine_teeth / setup.brake_teeth / setup.drive_efficiency
    scatter_u = scatter * np.sqrt(means.leverage)
    # the filter's four conversions share their noise: a mean of n holds n / 2.1 independent ones
    noise_u = np.zeros_like(engine)
    if math.isfinite(seen.noise_N):
        noise_u = np.minimum(seen.noise_N * lever * np.sqrt(means.leverage * 2.1 * align.FINE), scatter_u)
    slope = np.zeros_like(engine)
    if engine.size > 2:
        slope = align.rate(engine, (means.centre[-1] - means.centre[0]) * RPM / (engine.size - 1))
    known = np.isfinite(slope)
    if known.any() and not known.all():
        slope = np.where(known, slope, np.interp(means.centre, means.centre[known], slope[known]))
    most = float(np.max(np.abs(seen.aligned.force_N), initial=0.0))
    shaking_N, force_N = shaken
    flat = np.ones_like(engine)
    return {
        "span": np.abs(brake) * (calibration.span_u_rel or math.nan),
        "span temperature": np.abs(brake) * span_temperature_u(calibration, air),
        "arm": np.abs(brake) * (calibration.arm_u_m / calibration.arm_m),
        "linearity": calibration.linearity_u_N * lever * _beyond(brake / lever, calibration.max_load_N),
        "hysteresis": flat * (calibration.hysteresis_u_N * lever),
        "hose": flat * ((calibration.hose_u_N or 0.0) * lever),
        "friction": flat * (systematic.friction_u_N(calibration, most) * lever),
        "jet": flat * (systematic.jet_u_N(calibration, most) * lever),
        "rectified vibration": systematic.rectified_u_N(calibration, force_N, shaking_N) * lever,
        "drive loss": np.abs(brake) * (drive_u(setup) / setup.drive_efficiency),
        "shaft loss": flat * ((setup.shaft_loss_u_Nm or 0.0) * lever / calibration.arm_m),
        "zero": flat * (seen.zero_u_N * lever),
        "noise": noise_u,
        "bin scatter": np.sqrt(np.maximum(scatter_u**2 - noise_u**2, 0)),
        "vibration": lever * vibration.in_bins(seen.aliased, means.centre),
        "alignment": np.abs(slope * rate) * setup.load_delay_u_s,
        "cell lag": np.abs(slope * rate) * systematic.lag_u_s(setup),
        "inertia": np.abs(rate) * (setup.inertia_u_kg_m2 or math.nan),
        "air": np.abs(engine) * (day.u / day.factor),
    }


def shaking_of(
    seen: Observed, means: BinMeans, calibration: Calibration, setup: Setup
) -> tuple[FloatArray, FloatArray]:
    """((b,) how much more the load shakes in a bin than elsewhere, (b,) the load there), N on the cell."""
    lever = calibration.arm_m * setup.engine_teeth / setup.brake_teeth / setup.drive_efficiency
    return systematic.shaking(seen.load_N, seen.load_speed_rpm, means.centre), means.value[1] / lever


def drive_u(setup: Setup) -> float:
    """Standard uncertainty of the drive's efficiency.

    Stated, else a prior where a loss is put back at all: rectangular, of half-width `DRIVE_HALF_WIDTH`
    (JCGM 100 clause 4.3.7).  At an efficiency of 1 the result is the torque at the brake and holds the loss.
    """
    if setup.drive_efficiency_u is not None:
        return setup.drive_efficiency_u
    return 0.0 if setup.drive_efficiency == 1 else DRIVE_HALF_WIDTH / math.sqrt(3)


def span_temperature_u(calibration: Calibration, air: Air) -> float:
    """Standard uncertainty of the span, relative, because the cell is not as warm as when weights were hung.

    The maker's limit per kelvin (rectangular, JCGM 100 clause 4.3.7), or `SPAN_TC`, times how far the air
    of the run is from that of the calibration and the cell from the air, `CELL_OFF_AIR_K`.
    """
    limit = SPAN_TC if calibration.span_tc_per_K is None else calibration.span_tc_per_K
    known = calibration.temperature_K
    apart = UNKNOWN_APART_K if known is None or air.source == AIR_UNKNOWN else air.temperature_K - known
    return limit / math.sqrt(3) * math.hypot(apart, CELL_OFF_AIR_K)


def air_note(air: Air, day: Correction, standard: str) -> list[str]:
    """Where the air was read, and what a warm sensor would do; nothing where nothing is corrected."""
    warm = correction(replace(air, temperature_K=air.temperature_K + 3.0), standard)
    more = (warm.factor / day.factor - 1) * 100
    if air.source == AIR_UNKNOWN or abs(more) < 0.05:
        return []
    where = air.where or ("by the board's sensor" if air.source == "board" else "place not said")
    return [
        f"Air read: {where}. What counts is the air the engine draws: a sensor 3 K too warm adds "
        f"{more:.1f} % to power."
    ]


def drive_note(setup: Setup) -> str:
    """What the numbers say of the drive's loss."""
    if setup.drive_efficiency == 1 and setup.drive_efficiency_u is None:
        return (
            "Torque and power are those at the brake, drive loss not removed: none is set for this set-up "
            "(a chain in order loses 1 to 4 %, common practice, no source)."
        )
    known = "" if setup.drive_efficiency_u is not None else " (assumed, no uncertainty stated)"
    return (
        f"Drive efficiency is taken as {setup.drive_efficiency:g} ± "
        f"{uncertainty.COVERAGE * drive_u(setup):.3f}{known}."
    )


def _beyond(force_N: FloatArray, max_load_N: float) -> FloatArray:
    """1 within the loads that were hung; beyond them nonlinearity is taken to grow as the load squared."""
    if max_load_N <= 0:
        return np.ones_like(force_N)
    return np.asarray(np.maximum(np.abs(force_N) / max_load_N, 1.0) ** 2)


def load_note(seen: Observed, calibration: Calibration) -> list[str]:
    """Said when the run loaded the cell beyond the heaviest weight hung."""
    most = float(np.max(np.abs(seen.aligned.force_N), initial=0.0))
    if calibration.max_load_N <= 0 or most <= BEYOND_LOAD * calibration.max_load_N:
        return []
    return [
        f"The load on the cell reached {most:.0f} N, the heaviest weight hung gave "
        f"{calibration.max_load_N:.0f} N: beyond it the interval is wider; "
        "hang more weight at the next calibration."
    ]


@dataclass(frozen=True)
class MonteCarloBins:
    """Bins of one run by drawing from every input's distribution, beside the budget."""

    speed_rpm: FloatArray  # (b,)
    torque_Nm: FloatArray  # (b,) mean of the trials, corrected
    u_Nm: FloatArray  # (b,) their standard deviation
    low_Nm: FloatArray  # (b,) 95 % interval
    high_Nm: FloatArray
    budget_u_Nm: FloatArray  # (b,) of `reduce_run`, for comparison


def monte_carlo(
    run: Run,
    calibration: Calibration,
    setup: Setup,
    air: Air,
    standard: str = DEFAULT_STANDARD,
    bin_rpm: float = 250.0,
    trials: int = 400,
    seed: int = 0,
) -> MonteCarloBins:
    """Check the budget of one run by drawing (JCGM 101 clause 7).

    Each draw reduces the raw run afresh with its own span, arm, zero, delay,
    inertia and air, and adds the scatter of the bins; nothing is linearised
    but that scatter.  Takes about `trials` times as long as one reduction.
    """
    # longer than 60 lines: the of_trial model stands beside the inputs that it closes over
    if not 20 <= trials <= 100000:
        raise InputError(f"{trials} Monte Carlo trials are outside 20 to 100000")
    plain = reduce_run(run, calibration, setup, air, standard, bin_rpm)
    seen = observe(run, calibration, setup)
    means, scatter = bin_means(seen, bin_rpm)
    shaken = shaking_of(seen, means, calibration, setup)
    causes = bin_causes(calibration, setup, correction(air, standard), air, seen, means, scatter, shaken)
    rng = np.random.default_rng(seed)

    most = float(np.max(np.abs(seen.aligned.force_N), initial=0.0))
    rectified = systematic.RECTIFIED / systematic.TRIANGULAR if calibration.shake_u_N is None else 0.0
    span_u = math.hypot(calibration.span_u_rel, span_temperature_u(calibration, air), rectified)
    late_u = math.hypot(setup.load_delay_u_s, systematic.lag_u_s(setup))
    delay = seen.aligned.delay_s - setup.cell_lag_s

    def one(span: float, arm: float, drive: float, zero: float, late: float, inertia: float, loss: float,
            p: float, t: float, h: float, own: float) -> FloatArray:  # fmt: skip
        c = replace(
            calibration,
            span_count_per_N=calibration.span_count_per_N * (1 + span_u * span),
            arm_m=calibration.arm_m + calibration.arm_u_m * arm,
        )
        s = replace(
            setup,
            load_delay_s=delay + late_u * late,
            inertia_kg_m2=setup.inertia_kg_m2 + setup.inertia_u_kg_m2 * inertia,
            drive_efficiency=min(1.0, setup.drive_efficiency + drive_u(setup) * drive),
            shaft_loss_Nm=setup.shaft_loss_Nm + (setup.shaft_loss_u_Nm or 0.0) * loss,
        )
        day = replace(
            air,
            pressure_Pa=air.pressure_Pa + air.pressure_u_Pa * p,
            temperature_K=air.temperature_K + air.temperature_u_K * t,
            relative_humidity=min(1.0, max(0.0, air.relative_humidity + air.humidity_u * h)),
        )
        steady_N = math.hypot(
            seen.zero_u_N, calibration.linearity_u_N, calibration.hysteresis_u_N, calibration.hose_u_N or 0.0,
            calibration.shake_u_N or 0.0, systematic.friction_u_N(calibration, most),
            systematic.jet_u_N(calibration, most),
        )  # fmt: skip
        off = np.int64(np.rint(steady_N * c.span_count_per_N * zero))
        shifted = replace(run, load_count=run.load_count + off)
        of_trial, _ = bin_means(observe(shifted, c, s), bin_rpm)
        there = np.isfinite(of_trial.value[0])
        at = np.interp(means.centre, of_trial.centre[there], of_trial.value[0][there])
        noise = np.random.default_rng(int(own)).normal(size=at.size) * np.hypot(
            causes["noise"], causes["bin scatter"]
        )
        return (at + noise) * correction(day, standard).factor

    columns = [rng.normal(size=trials) for _ in range(10)] + [rng.integers(0, 2**31, trials).astype(float)]
    results = np.array(uncertainty.propagate_distributions(one, columns))
    results[:, ~np.isfinite(means.value[0])] = np.nan
    mean, u, low, high = results
    return MonteCarloBins(means.centre, mean, u, low, high, plain.bins.torque_u_Nm)


def bin_means(seen: Observed, bin_rpm: float) -> tuple[BinMeans, FloatArray]:
    """Bins of the rows of `seen.fine_terms`, and the scatter in N.m of one sample of each, (b,).

    One whose mean its filling moves too far, or by an amount that is not known well, is not given.
    """
    filled = fill_bins(seen.fine_speed_rpm, bin_rpm)
    means = fit_bins(filled, seen.fine_terms, bin_rpm, MIN_SAMPLES * align.FINE)
    # what the sweep ran on past its slow end fills the last bin asked for; it opens no further one
    asked = np.interp((seen.start_s, seen.end_s), seen.aligned.time_s, seen.aligned.speed_rad_s / RPM)
    wanted = means.centre > asked.min() - bin_rpm / 4
    if not wanted.all():
        means = BinMeans(**{f.name: getattr(means, f.name)[..., wanted] for f in fields(means)})
    scatter = scatter_by_bin(seen, means, bin_rpm, filled)
    size = np.abs(means.value[0])
    with np.errstate(invalid="ignore"):
        far = np.abs(means.fill_shift[0]) > MAX_FILL_SHIFT * size
        far |= scatter * np.sqrt(means.fill_shift_variance) > MAX_FILL_SHIFT_U * size
    given = replace(
        means, value=np.where(far, np.nan, means.value), leverage=np.where(far, np.nan, means.leverage)
    )
    return given, scatter


def _hashes(run: Run, calibration: Calibration, setup: Setup, air: Air) -> dict[str, str]:
    raw = hashlib.sha256()
    for array in (run.load_time_s, run.load_count, run.edge_time_s):
        raw.update(np.ascontiguousarray(array).data)
    raw.update(repr((run.settings, run.zeros, run.events, run.verdict)).encode())
    return {
        "run": raw.hexdigest(),
        "calibration": _sha(calibration),
        "setup": _sha(setup),
        "air": _sha(air),
    }


def _sha(record: Calibration | Setup | Air) -> str:
    return hashlib.sha256(repr(record).encode()).hexdigest()
