"""What is wrong with the bench, told from one run's raw signals.

Each check has a name, a measured value, a stated threshold and the arrays that
show it.  The thresholds are common practice, no source, set so that a bench in
order triggers none of them (tests: false alarms at most 1 %).

What cannot be seen: a chain's tooth frequency.  It is a whole number of times
per brake turn, so pulses from magnets on that shaft meet the same tooth place
every turn, and at 1 to 3 kHz it is far above what the load amplifier passes.
What can be seen is the chain's own passage, a fraction of a turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import scipy  # its parts load at their first use: listing runs does not wait for them
from evenfall_wire import codes

from evenfall.errors import InputError
from evenfall.model import Calibration, FloatArray, IntArray, Run, Setup
from evenfall.reduction import align, reduce, water
from evenfall.reduction.bins import turn_level
from evenfall.units import RPM

NOISE_LIMIT = 0.006  # scatter of one load sample in the usual bin of speed, of the largest load
SPIKE_LIMIT = 3  # lone samples in a run
RESONANCE_LIMIT = 0.008  # scatter of one load sample in the worst bin, of the largest load
RESONANCE_RATIO = 4.0  # of that bin over the usual bin
STEP_LIMIT = 0.025  # sudden lasting change of load, of the largest load
STEP_SIGMAS = 9.0
PULSE_LIMIT = 0.002  # share of pulses missed or extra
CHAIN_LIMIT = 0.0003  # speed ripple of one order, relative amplitude
CHAIN_SIGMAS = 8.0  # of that line over the floor around it
SLIP_RATIO = 0.8  # of the inertia above that takes part below
SLIP_SIGMAS = 4.5  # of the difference of the two
SLIP_CLEAR = 8.0  # sigmas of the inertia above: else the load does not wobble enough to tell
TRANSMITTED_RATIO = 0.3  # of the engine's own scatter above that the brake's shaft still feels below, power
TRANSMITTED_P_VALUE = 1e-4  # of less by chance
TRANSMITTED_BAND_HZ = (8.0, 25.0)  # faster than a valve, slower than what the pickup's jitter hides
TRANSMITTED_DOF = 1.4  # degrees of freedom per Hz of that band and second; from runs without slip
HOLD_LIMIT = 0.015  # how far the speed may wander in the hold before the ramp
FLAT_TOP = 0.985  # of the largest load: above it the top may be cut off
FLAT_NOISE = 2.0  # times the noise at rest: a reading that moves no more than that stands still
FLAT_STILL = 0.00015  # of the largest load: the same where the noise at rest is not known or less
FLAT_SAMPLES = 24  # for so long
STUCK_SAMPLES = 6  # equal codes in a row that no live cell gives


@dataclass(frozen=True)
class FindingCurve:
    """A curve that shows a finding."""

    x: FloatArray
    y: FloatArray
    x_name: str
    y_name: str
    limit: float = math.nan  # a level to draw
    marks: FloatArray = field(default_factory=lambda: np.zeros(0))  # places on x


@dataclass(frozen=True)
class Finding:
    """The answer of one check."""

    name: str
    found: bool
    value: float  # NaN: could not be judged
    threshold: float
    unit: str
    sentence: str
    curve: FindingCurve | None = None


@dataclass(frozen=True)
class _Signals:
    """What the checks share."""

    run: Run
    calibration: Calibration
    setup: Setup
    seen: reduce.Observed
    top_N: float  # largest smoothed load in the sweep
    grid_s: FloatArray  # (n,) of the sweep's samples, spikes and clamped codes left out
    load_N: FloatArray  # (n,) as read
    residual_N: FloatArray  # (n,) less its own smooth run
    residual_rpm: FloatArray
    spikes: int


def diagnose(
    run: Run,
    calibration: Calibration,
    setup: Setup,
    *,
    flow_kg_s: float | None = None,
    tank_kg: float | None = None,
    chain_links: int | None = None,
) -> list[Finding]:
    """All checks on one run, in a fixed order; raises what `reduce.observe` raises."""
    for value, what in ((flow_kg_s, "water flow"), (tank_kg, "water in the tank")):
        if value is not None and not value > 0:
            raise InputError(f"the {what} is {value:g}; it must be above zero, or left out")
    s = _signals(run, calibration, setup)
    chain = rough_chain(s.seen.edges, s.setup, s.seen.start_s, s.seen.end_s, chain_links)
    connector = _connector(s)
    slip = _slip(s, connector.found)
    if slip.found and connector.found:
        connector = _below_slip(s, connector, slip)
    return [
        _noise(s, chain.found),
        _resonance(s),
        _clamp(s),
        connector,
        _pulses(s),
        chain,
        slip,
        _heating(s, flow_kg_s, tank_kg),
        _hold(s),
        _plausible(s),
    ]


def _signals(run: Run, calibration: Calibration, setup: Setup) -> _Signals:
    seen = reduce.observe(run, calibration, setup)
    a = seen.aligned
    zero = run.zeros[-1][1] if run.zeros else calibration.zero_count
    force = np.asarray((run.load_count - zero) / calibration.span_count_per_N, np.float64)
    at = run.load_time_s - a.delay_s
    spikes = align.isolated_spikes(force)
    ends = align.clamped_codes(run.load_count)
    use = (at >= a.time_s[0]) & (at <= a.time_s[-1]) & ~spikes & ~ends
    smooth = np.interp(at[use], a.time_s, a.force_N)
    known = np.isfinite(a.speed_rad_s)
    rpm = np.asarray(np.interp(at[use], a.time_s[known], a.speed_rad_s[known]) / RPM, np.float64)
    top = max(float(np.max(np.abs(a.force_N))), 1e-9)
    return _Signals(
        run, calibration, setup, seen, top, at[use], force[use], force[use] - smooth, rpm, int(spikes.sum())
    )


def _noise(s: _Signals, chain_is_rough: bool) -> Finding:
    """Scatter of the load everywhere in the run, and lone samples that no load makes.

    A rough chain shakes the load at every speed too; then only lone samples count.
    """
    fs = 1 / s.seen.aligned.period_s
    _, per_bin = _scatter_by_speed(s)
    floor = float(np.nanmedian(per_bin)) if np.isfinite(per_bin).any() else math.nan
    limit = NOISE_LIMIT * s.top_N
    found = (floor > limit and not chain_is_rough) or s.spikes > SPIKE_LIMIT
    scatters = f"scatters by {floor:.3f} N a sample" if math.isfinite(floor) else "is too short to judge"
    sentence = f"Load signal {scatters}, {s.spikes} lone spikes."
    if found:
        sentence += (
            " Electrical noise: earth the cable's shield at one end, keep it away from the ignition, "
            "use a resistor plug."
        )
    f, p = scipy.signal.welch(s.residual_N, fs, nperseg=min(128, s.residual_N.size))
    show = FindingCurve(f, np.sqrt(p), "frequency, Hz", "load, N/√Hz", limit / math.sqrt(fs / 2))
    return Finding("electrical noise", found, floor, limit, "N", sentence, show)


def _scatter_by_speed(s: _Signals, width: float = 250.0) -> tuple[FloatArray, FloatArray]:
    """(speeds, robust deviation of the load from its smooth curve there); one jump does not move it."""
    k = np.rint(s.residual_rpm / width).astype(int)
    bins = np.unique(k)
    spread = [_mad(s.residual_N[k == b]) if (k == b).sum() > 7 else np.nan for b in bins]
    return bins * width, np.array(spread, np.float64)


def _resonance(s: _Signals) -> Finding:
    """Scatter of the load that is large in one band of speed and small elsewhere."""
    name = "vibration resonance"
    speed, spread = _scatter_by_speed(s)
    if not np.isfinite(spread).any():
        return Finding(name, False, math.nan, RESONANCE_LIMIT * 100, "%", "Too few load samples to judge.")
    usual = float(np.nanmedian(spread))
    top = int(np.nanargmax(spread))
    share = float(spread[top] / s.top_N)
    limit = max(RESONANCE_LIMIT * s.top_N, RESONANCE_RATIO * usual)
    found = bool(spread[top] > limit)
    sentence = (
        f"Largest scatter of the load about its mean curve is {share * 100:.2f} % near {speed[top]:.0f} rpm."
    )
    if found:
        sentence += (
            " The brake shakes on its mounts there: change the rubber's stiffness or add mass, "
            "and do not trust torque close to that speed."
        )
    show = FindingCurve(speed, spread, "speed, rpm", "scatter of the load, N", limit)
    return Finding(name, found, share * 100, limit / s.top_N * 100, "%", sentence, show)


def _clamp(s: _Signals) -> Finding:
    """Codes at the amplifier's end of range, a code that stands still, or a load with its top cut off.

    Against a stop neither the engine's scatter nor the curve itself reaches the cell: the
    reading lies at its highest and moves by no more than the amplifier's noise at rest.  A calm
    engine with a flat curve still moves it more.  A soft stop that gives way is not seen.
    """
    count = s.run.load_count
    at_end = int(align.clamped_codes(count).sum())
    inside = (s.run.load_time_s >= s.seen.start_s) & (s.run.load_time_s <= s.seen.end_s)
    labels, n = scipy.ndimage.label(np.diff(count[inside]) == 0)
    longest = int(np.bincount(labels.ravel())[1:].max() + 1) if n else 0
    mean = scipy.ndimage.uniform_filter1d(s.load_N, FLAT_SAMPLES, mode="nearest")
    moves = scipy.ndimage.uniform_filter1d(
        (s.load_N - mean[mean.size // 2]) ** 2, FLAT_SAMPLES, mode="nearest"
    )
    moves = np.sqrt(np.maximum(moves - (mean - mean[mean.size // 2]) ** 2, 0))
    still = max(FLAT_NOISE * np.nan_to_num(s.seen.noise_N), FLAT_STILL * s.top_N)
    flat = (mean > FLAT_TOP * s.top_N) & (moves < still)
    labels, n = scipy.ndimage.label(flat)
    cut = int(np.bincount(labels.ravel())[1:].max()) if n else 0
    found = at_end > 0 or longest >= STUCK_SAMPLES or cut >= FLAT_SAMPLES
    sentence = f"{at_end} samples at the amplifier's end of range, longest standing code {longest} samples."
    if at_end:
        sentence += " The cell is overloaded or a wire is off: use a longer arm, a larger cell or less gain."
    elif found:
        sentence += " The reading stands still under load: the cell touches a stop, or the amplifier hangs."
    worst = float(max(at_end, longest, cut))
    show = FindingCurve(s.run.load_time_s, count.astype(float), "time, s", "code", float(codes.CLAMP_HIGH))
    return Finding("clamp", found, worst, float(STUCK_SAMPLES), "samples", sentence, show)


def _connector(s: _Signals) -> Finding:
    """Sudden lasting changes of load that the engine cannot make.

    Median of seven samples after less that of seven before, four conversions apart
    (the amplifier's own spread), against the same figure's usual scatter.
    Half a second at each end is left out: there the ramp itself begins and ends.
    """
    a = s.seen.aligned
    # the load less what the flywheels put in, so that speed wobble is no step
    lever = s.calibration.arm_m * s.setup.engine_teeth / s.setup.brake_teeth / s.setup.drive_efficiency
    at = s.grid_s
    rate = np.interp(at, a.time_s, np.nan_to_num(a.rate_rad_s2))
    raw = s.load_N + s.setup.inertia_kg_m2 * rate / lever
    m, gap = 7, 4
    if raw.size < 60:
        return Finding("loose connector", False, math.nan, STEP_LIMIT * 100, "%", "Too short to judge.")
    level = scipy.ndimage.median_filter(raw, m, mode="nearest")[m // 2 : -(m // 2)]
    step = level[m + gap :] - level[: -(m + gap)]
    when = at[m + gap // 2 :][: step.size]
    slow = scipy.ndimage.median_filter(step, 41, mode="nearest")
    sharp = step - slow
    use = (when > s.seen.start_s + 0.5) & (when < s.seen.end_s - 0.5)
    spread = max(_mad(sharp[use]) if use.any() else 0.0, 1e-9)
    limit = max(STEP_LIMIT * s.top_N, STEP_SIGMAS * spread)
    size = np.where(use, np.abs(sharp), 0.0)
    labels, n = scipy.ndimage.label(size > limit)
    marks = np.array([when[p[0]][np.argmax(size[p[0]])] for p in scipy.ndimage.find_objects(labels)], float)
    value = float(size.max() / s.top_N * 100)
    found = n > 0
    sentence = f"Largest sudden change of load {value:.2f} %."
    if found:
        sentence += (
            f" {n} steps that no engine makes: a loose plug, a broken wire or a cell that shifts; "
            "wiggle the cable while watching the reading."
        )
    show = FindingCurve(when, sharp, "time, s", "sudden change of load, N", limit, marks)
    return Finding("loose connector", found, value, limit / s.top_N * 100, "%", sentence, show)


def _below_slip(s: _Signals, connector: Finding, slip: Finding) -> Finding:
    """Steps of the load under the speed where the clutch lets go are the clutch's, not the plug's."""
    assert connector.curve and slip.curve
    a = s.seen.aligned
    known = np.isfinite(a.speed_rad_s)
    rpm = np.interp(connector.curve.marks, a.time_s[known], a.speed_rad_s[known]) / RPM
    if (rpm > 1.25 * float(slip.curve.marks[0])).any():
        return connector
    return replace(
        connector, found=False, sentence="The load jumps only where the clutch slips: that comes first."
    )


def _pulses(s: _Signals) -> Finding:
    e = s.seen.edges
    share = (e.missed + e.extra) / max(int(e.index[-1]) if e.index.size else 1, 1)
    silent = sum(b - a for a, b in e.silent if a < s.seen.end_s and b > s.seen.start_s)
    found = share > PULSE_LIMIT or silent > 0
    sentence = f"{e.missed} missed and {e.extra} extra pulses of {int(e.index[-1]) if e.index.size else 0}."
    if found:
        sentence += " Set the pickup's gap, check magnet and bracket, keep its cable from the ignition."
    raw = s.run.edge_time_s
    show = FindingCurve(raw[1:], np.diff(raw) * 1000, "time, s", "time between pulses, ms")
    return Finding("pulses missed", found, share * 100, PULSE_LIMIT * 100, "%", sentence, show)


def rough_chain(
    edges: align.Edges, setup: Setup, start_s: float, end_s: float, chain_links: int | None = None
) -> Finding:
    """Speed ripple locked to the chain: a line in the order spectrum of the pulse intervals.

    Pulses come at even angles, so their spectrum is in cycles per brake turn
    already (order analysis without resampling).  The chain passes once in
    links / brake teeth turns; without `chain_links` the strongest line between
    0.05 and 0.45 per turn is judged.
    """
    magnets = setup.magnets
    time, angle = align.shaft_angle(edges, magnets)
    use = (time >= start_s) & (time <= end_s)
    name, unit = "rough chain", "% of speed"
    nothing = Finding(name, False, math.nan, CHAIN_LIMIT * 100, unit, "Too few pulses to judge the chain.")
    if use.sum() < 300:
        return nothing
    turns = angle[use] / (2 * np.pi)
    even = np.arange(math.ceil(turns[0] * magnets), math.floor(turns[-1] * magnets)) / magnets
    at = np.interp(even, turns, time[use])
    speed = 1 / np.diff(at)
    relative = speed / scipy.signal.savgol_filter(speed, 2 * (25 * magnets // 2) + 1, 2) - 1
    relative[np.abs(relative) > 8 * max(_mad(relative), 1e-9)] = 0.0
    n = relative.size
    window = np.hanning(n)
    # four times finer than the data: a line between two places keeps its height
    amplitude = np.abs(np.fft.rfft(relative * window, 4 * n)) * 2 / window.sum()
    order = np.fft.rfftfreq(4 * n, 1 / magnets)
    rayleigh = math.sqrt(math.log(4))  # median over sigma
    floor = scipy.ndimage.median_filter(amplitude, 241, mode="nearest") / rayleigh
    # a mean over one interval shows sinc(order / magnets) of a ripple
    loss = np.maximum(np.abs(np.sinc(order / magnets)), 1e-3)
    chain = (order >= 0.05) & (order <= 0.45)
    if chain_links:
        near = [np.abs(order - _aliased(k * setup.brake_teeth / chain_links, magnets)) for k in (1, 2)]
        chain = np.minimum(*near) <= max(0.01, 3 * magnets / n)
    for k in (1, 2, 3):  # the engine's own turns, aliased, are no fault of the chain
        crank = _aliased(k * setup.brake_teeth / setup.engine_teeth, magnets)
        if crank > 0.02:
            chain &= np.abs(order - crank) > 0.008
    chain &= order > 0.02
    if not chain.any():
        return nothing
    k = int(np.argmax(np.where(chain, amplitude / loss, 0)))
    size, where, around = float(amplitude[k] / loss[k]), float(order[k]), float(floor[k] / loss[k])
    found = size > CHAIN_LIMIT and size > CHAIN_SIGMAS * around
    sentence = f"Largest speed ripple {size * 100:.3f} % at {where:.3f} per brake turn."
    if found:
        sentence += (
            " The chain runs rough: check wear (length over ten links), tension, alignment and sprockets."
        )
    show = FindingCurve(
        np.asarray(order, np.float64),
        np.asarray(amplitude / loss * 100, np.float64),
        "cycles per brake turn",
        "speed ripple, %",
        CHAIN_LIMIT * 100,
        np.array([where]),
    )
    return Finding(name, found, size * 100, CHAIN_LIMIT * 100, unit, sentence, show)


def _aliased(order: float, magnets: int) -> float:
    """Where an order appears when sampled `magnets` times a turn."""
    rest = order % magnets
    return min(rest, magnets - rest)


def _slip(s: _Signals, load_jumps: bool = False) -> Finding:
    """The clutch lets go: below some speed the engine and the brake no longer turn as one.

    One pickup on the brake's shaft never shows the engine's own speed, so slip is seen only by
    what the brake no longer feels.  Two signs, either is enough:

    `_scatter_transmitted`: the engine's scatter from turn to turn does not pass a slipping clutch, which
    carries what its shoes carry.  Needs an engine that scatters more than the pickup does.

    `_inertia_share`: while the clutch holds, the speed answers the brake's torque through the
    inertia of engine and brake together, afterwards through the brake's alone.  Needs a load
    that wobbles by itself; a calm run says little.

    Not seen: slip over less than about 5 % of the run, slip all the way down, a clutch that
    grabs and lets go in turns (its own unevenness stands in for the engine's).
    """
    felt = _scatter_transmitted(s)  # of the speed alone: a load that jumps does not disturb it
    if felt is None or not felt.found:
        by_inertia = _inertia_share(s, load_jumps)
        if felt is None or by_inertia.found:
            return by_inertia
    return felt


def _slips_below(rpm: float) -> str:
    return (
        f" The clutch slips below about {rpm:.0f} rpm: see to its shoes or end the sweep higher; "
        "there the speed is the brake's, not the engine's."
    )


def _scatter_transmitted(s: _Signals) -> Finding | None:
    """Scatter of the rate between 8 and 25 Hz, low end against the speeds just above.

    Of the engine's torque, that is: the brake's own is smooth, fill and speed cannot jump.
    Scaled as `bins.turn_level`.  What the pickup's jitter adds is found by shaking the edges
    once more by as much, and taken off.  Compared at every split by the F distribution.  None
    when the run is short or the engine scatters less than the jitter hides.
    """
    # longer than 60 lines: one estimate, every step of which is about the same samples
    seen, setup = s.seen, s.setup
    fine = seen.aligned.fine
    step = float(fine.time_s[1] - fine.time_s[0])
    time, angle = align.shaft_angle(seen.edges, setup.magnets)
    inside = (time >= seen.start_s) & (time <= seen.end_s)
    jitter = edge_jitter(time[inside], seen.edges.index[inside], setup.magnets)
    with_jitter = np.maximum.accumulate(time + np.random.default_rng(0).normal(0.0, jitter, time.size))
    at, speed = align.turn_speed(with_jitter, angle)
    again = align.fine_grid(
        fine.time_s[0] - step / 2,
        fine.time_s[-1] + step / 2,
        step,
        (fine.time_s, fine.force_N),
        (at, speed * setup.brake_teeth / setup.engine_teeth),
    )
    known = np.isfinite(fine.speed_rad_s)
    both = np.stack((np.where(known, fine.rate_rad_s2, 0.0), again.rate_rad_s2 - fine.rate_rad_s2))
    low_Hz, high_Hz = TRANSMITTED_BAND_HZ
    band = align.smooth(both, step, high_Hz) - align.smooth(both, step, low_Hz)
    use = known & (fine.time_s > seen.start_s + 0.1) & (fine.time_s < seen.end_s - 0.1)
    n = int(use.sum())
    if n * step < 4:
        return None
    order = np.argsort(fine.speed_rad_s[use])
    w = fine.speed_rad_s[use][order]
    level = turn_level(fine.speed_rad_s, align.smooth(seen.fine_terms[0], step, 1.0))[use][order]
    power, hidden = (band[:, use][:, order] / level) ** 2
    sums = np.concatenate((np.zeros((2, 1)), np.cumsum((power, hidden), axis=1)), axis=1)
    k = np.arange(n // 20, 3 * n // 4)
    top = np.minimum(k + np.maximum(k, n // 5), n)
    low, low_hidden = sums[:, k] / k
    high, high_hidden = (sums[:, top] - sums[:, k]) / (top - k)
    engine = high - high_hidden
    can = engine > high_hidden
    if can.mean() < 0.5:
        return None
    free = TRANSMITTED_DOF * (high_Hz - low_Hz) * step
    share = np.maximum(low - low_hidden, 0) / np.maximum(engine, 1e-30)
    chance = scipy.stats.f.cdf(low / np.maximum(engine + low_hidden, 1e-30), free * k, free * (top - k))
    chance = np.where(can & (share < TRANSMITTED_RATIO), chance, 1.0)
    best = int(np.argmin(chance)) if chance.min() < 1 else int(np.argmin(np.where(can, share, np.inf)))
    found = bool(chance[best] < TRANSMITTED_P_VALUE)
    rpm = float(w[k[best]] / RPM)
    sentence = f"At the low end {min(float(share[best]), 1.0):.2f} of the engine's own scatter is felt."
    if found:
        sentence += _slips_below(rpm)
    windows = np.arange(0, n - n // 12 + 1, max(1, n // 12))
    many = np.diff(np.append(windows, n))
    seen_power = np.add.reduceat(power - hidden, windows) / many
    show = FindingCurve(
        np.add.reduceat(w, windows) / many / RPM,
        np.sqrt(np.maximum(seen_power, 0.0)),
        "speed, rpm",
        "scatter of the rate, scaled by torque and turns, rad/s²",
        marks=np.array([rpm]),
    )
    return Finding(
        "clutch slip", found, float(share[best]), TRANSMITTED_RATIO, "of the scatter above", sentence, show
    )


def edge_jitter(time_s: FloatArray, index: IntArray, magnets: int = 1) -> float:
    """Standard deviation of the single edge's time, s, apart from what the speed itself does.

    Third differences of the times of one magnet.  Jitter of independent edges gives them the
    autocovariance (20, -15, 6, -1) at lags 0 to 3 (binomial weights); a speed that gets a new push
    every turn, its mean over a turn being seen, (1, -1/3, -1/6, 0).  Both are fitted.
    """
    one = index % magnets == 0
    t, place = time_s[one], index[one] // magnets
    if t.size < 40:
        return 0.0
    x = np.diff(t, 3)
    whole = place[3:] - place[:-3] == 3
    x = np.where(whole, x, 0.0)
    limit = 8 * max(_mad(x[whole]) if whole.any() else 0.0, 1e-9)
    x = np.clip(x, -limit, limit)
    seen = [
        float(x[: x.size - k] @ x[k:]) / max(int((whole[: x.size - k] & whole[k:]).sum()), 1)
        for k in range(4)
    ]
    shapes = np.array([[20.0, 1.0], [-15.0, -1 / 3], [6.0, -1 / 6], [-1.0, 0.0]])
    return math.sqrt(max(float(np.linalg.lstsq(shapes, np.array(seen), rcond=None)[0][0]), 0.0))


def _inertia_share(s: _Signals, load_jumps: bool) -> Finding:
    """The slope of rate on torque, below and above every split of the lower half of the run."""
    a = s.seen.aligned
    name, unit = "clutch slip", "of the inertia above"
    ok = np.isfinite(a.speed_rad_s)
    w, rate, torque = a.speed_rad_s[ok], a.rate_rad_s2[ok], s.seen.brake_Nm[ok]
    n = w.size
    wide = 2 * (round(0.5 / a.period_s)) + 1
    if n < 4 * wide or load_jumps:
        why = "The load jumps" if load_jumps else "The run is too short"
        return Finding(name, False, math.nan, SLIP_RATIO, unit, f"{why}: the clutch cannot be judged.")
    r = rate - scipy.signal.savgol_filter(rate, wide, 2)
    q = torque - scipy.signal.savgol_filter(torque, wide, 2)
    order = np.argsort(w)
    w, r, q = w[order], r[order], q[order]
    sqq, sqr, srr = np.cumsum(q * q), np.cumsum(q * r), np.cumsum(r * r)
    split = np.arange(n // 10, n // 2)

    def line(qq: FloatArray, qr: FloatArray, rr: FloatArray, m: IntArray) -> tuple[FloatArray, FloatArray]:
        """(slope, its variance) of m samples; smoothing leaves about one in six independent."""
        slope = qr / np.maximum(qq, 1e-30)
        return slope, np.maximum(rr - slope * qr, 0) / np.maximum(m / 6 - 1, 1) / np.maximum(qq, 1e-30)

    low, low_var = line(sqq[split], sqr[split], srr[split], split + 1)
    high, high_var = line(sqq[-1] - sqq[split], sqr[-1] - sqr[split], srr[-1] - srr[split], n - split - 1)
    sigmas = (high - low) / np.sqrt(low_var + high_var + 1e-30)
    k = int(np.argmax(sigmas))
    ratio = float(high[k] / low[k]) if low[k] < 0 and high[k] < 0 else 1.0
    clear = -high[k] / math.sqrt(high_var[k] + 1e-30)  # of the upper part's own inertia
    found = bool(sigmas[k] > SLIP_SIGMAS and clear > SLIP_CLEAR and 0 < ratio < SLIP_RATIO)
    at = float(w[split[k]] / RPM)
    sentence = f"At the low end {min(ratio, 1.0):.2f} of the inertia above takes part."
    if found:
        sentence += _slips_below(at)
    # inertia in windows of a second, low to high speed, for the eye
    m = n // max(1, round(n * a.period_s))
    edges = np.arange(0, n - m + 1, m)
    qq, qr = np.add.reduceat(q * q, edges), np.add.reduceat(q * r, edges)
    here = np.asarray(-qq / np.where(qr < 0, qr, np.nan) * 1e3, np.float64)
    middle = np.asarray(np.add.reduceat(w, edges) / np.diff(np.append(edges, n)) / RPM, np.float64)
    show = FindingCurve(middle, here, "speed, rpm", "inertia that takes part, g·m²", marks=np.array([at]))
    return Finding(name, found, ratio, SLIP_RATIO, unit, sentence, show)


def _heating(s: _Signals, flow_kg_s: float | None, tank_kg: float | None) -> Finding:
    a = s.seen.aligned
    name, limit = "water heating", water.RISE_LIMIT_K
    power = s.seen.brake_Nm * np.nan_to_num(a.speed_rad_s)
    energy = water.brake_energy_J(a.time_s, power)
    sentence = f"The brake put {energy / 1000:.0f} kJ into its water."
    if flow_kg_s is None and tank_kg is None:
        return Finding(
            name, False, math.nan, limit, "K", sentence + " Give flow or tank to judge the warming."
        )
    parts = []
    rise = np.zeros_like(power)
    worst = 0.0
    if flow_kg_s is not None:
        rise = water.flow_rise_K(power, flow_kg_s)
        worst = float(rise.max())
        parts.append(f"it leaves up to {worst:.0f} K warmer at this flow")
    if tank_kg is not None:
        once = water.tank_rise_K(energy, tank_kg)
        worst = max(worst, once)
        parts.append(f"the tank warms {once:.1f} K a run and takes {water.runs_in_tank(energy, tank_kg):.0f}")
    found = worst > limit
    sentence += " " + "; ".join(parts).capitalize() + "."
    if found:
        sentence += (
            " Give it more water: hot water scalds, turns to steam in the brake and makes the load wander."
        )
    show = FindingCurve(a.time_s, rise, "time, s", "rise of the water, K", limit)
    return Finding(name, found, worst, limit, "K", sentence, show)


def _hold(s: _Signals) -> Finding:
    """Speed in the last half second of the hold before the ramp."""
    name, limit, unit = "start speed not held", HOLD_LIMIT * 100, "%"
    e = s.seen.edges
    time, angle = align.shaft_angle(e, s.setup.magnets)
    start = s.seen.start_s
    at = np.arange(start - 0.6, start - 0.05, 0.02)
    if s.seen.found_by == "data" or time.size < 12 or at[0] - 0.05 < time[0]:
        return Finding(name, False, math.nan, limit, unit, "The hold before the sweep was not recorded.")
    rpm = align.mean_speed(at, time, angle, 0.1) / RPM * s.setup.brake_teeth / s.setup.engine_teeth
    if not np.isfinite(rpm).all():
        return Finding(name, False, math.nan, limit, unit, "The speed is not known before the sweep.")
    wander = float(np.ptp(rpm) / rpm.mean())
    told = (s.run.verdict or {}).get("reason") == "top_speed_not_held"
    found = wander > HOLD_LIMIT or told
    sentence = f"The speed changed by {wander * 100:.2f} % in the last half second before the ramp."
    if found:
        sentence += (
            " The engine was not steady at its top: hold it longer, warm it, or lower the start speed."
        )
    show = FindingCurve(at, rpm, "time, s", "speed, rpm", marks=np.array([start]))
    return Finding(name, found, wander * 100, limit, unit, sentence, show)


def _plausible(s: _Signals) -> Finding:
    """Zeros that were no zeros, and a mean torque that no brake takes from a running engine."""
    torque = float(np.mean(s.seen.brake_Nm))
    unfit = reduce.usable_zeros(s.run, s.calibration)[1]
    said = [*unfit, *reduce.teeth_differ(s.run, s.setup)]
    if torque <= 0:
        said.append(
            f"The mean torque of the brake is {torque:.2f} N·m. A running engine gives a positive one: "
            "look at the zero, the sign of the span and the cell's cable."
        )
    sentence = " ".join(said) or f"Zero and mean torque ({torque:.2f} N·m) are plausible."
    return Finding("zero and direction", bool(said), torque, 0.0, "N.m", sentence)


def _mad(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values)))) if values.size else 0.0
