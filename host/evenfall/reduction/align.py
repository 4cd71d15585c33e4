"""From raw times and counts to torque and speed of the same instant.

Pure functions on arrays, SI.  Every load sample and every Hall edge carries its
own time; nothing here assumes a sample rate.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy  # its parts load at their first use: listing runs does not wait for them
from evenfall_wire import codes

from evenfall.errors import DamageError
from evenfall.model import FloatArray, IntArray, Run, Setup

_SWEEP = codes.STATES.index("sweep")
_IN_SWEEP = 1 << codes.TRACE_BITS.index("in_sweep")


FILTER_PERIODS = 4.0  # conversions the amplifier needs to settle (data sheets of the class)
# A filter that settles in four periods is taken as four boxcars of one period each; one boxcar of
# two periods has the same variance, so speed averaged over that sees what the load saw.
WINDOW_PERIODS = 2.0
BANDWIDTH_HZ = 8.0  # of the zero-phase smoothing, -3 dB
MIN_INTERVAL_RATIO = 0.6  # of the expected interval: below it an edge is extra
MAX_INTERVAL_RATIO = 1.5  # of the expected interval: above it edges are missed
SILENT_S = 0.15  # no edge for so long: speed unknown, not "edges missed"
MAX_RUN_S = 300.0  # longer than any setting of the board lets a run be
MAX_CONVERSIONS = 100_000  # the fastest amplifier over the longest run; grids are as long as that
MAX_PASSES = 1_000_000  # of a magnet in one run: 3,000 a second for its whole length
FINE = 8  # steps of the fine grid per conversion
SPEED_MEAN_S = 0.0125  # speed on the fine grid: one turn's mean, averaged over this
RUN_OUT_S = 0.5  # past the sweep's marked end, used while the throttle stays open, see `throttle_open_until`
CLOSING_SEARCH_S = -0.3  # of that end, a closing throttle is looked for, in means over
CLOSING_MEAN_S = 0.06
CLOSING_SIGMAS = 6.0  # so many of their standard deviations below the sweep's torque is no scatter,
MIN_CLOSING_SHARE = 0.08  # and so much of that torque is no bend of its curve
CLOSING_FIT_S = 2.0  # of the sweep say what its torque and its scatter are
SPIKE_SIGMAS = 10.0  # a lone load sample so far from its neighbours is not torque


@dataclass(frozen=True)
class Edges:
    """Hall edges after repair: edge k happened at `time_s[k]`, `index[k]` magnet passes from the first."""

    time_s: FloatArray  # (m,)
    index: IntArray  # (m,) not consecutive where edges were missed
    missed: int
    extra: int
    silent: list[tuple[float, float]]  # (from, to) seconds without any edge


@dataclass(frozen=True)
class Fine:
    """Force, speed and rate on a fine even grid, not smoothed: what bins are summed from.

    `rate` is the exact difference of a speed that is known half a step before and after each
    place, so that its sum over any stretch is the change of speed over that stretch.
    """

    time_s: FloatArray  # (n,)
    speed_rad_s: FloatArray  # (n,) crank; NaN where the pickup was silent
    rate_rad_s2: FloatArray  # (n,) crank
    force_N: FloatArray  # (n,) at the load cell

    def cut(self, use: slice) -> Fine:
        """A stretch of it."""
        return Fine(self.time_s[use], self.speed_rad_s[use], self.rate_rad_s2[use], self.force_N[use])


@dataclass(frozen=True)
class Aligned:
    """Brake torque and speed on one even time grid, both seen through the same smoothing."""

    time_s: FloatArray  # (n,)
    speed_rad_s: FloatArray  # (n,) crank
    rate_rad_s2: FloatArray  # (n,) crank, derivative of speed_rad_s
    force_N: FloatArray  # (n,) at the load cell
    period_s: float  # of the amplifier, measured
    delay_s: float  # taken off the load samples' times
    spikes: int
    clamped: int
    gaps: int  # conversions that never arrived
    fine: Fine


def repair_edges(time_s: FloatArray) -> Edges:
    """Drop extra edges and count missed ones.

    Args:
        time_s: (m,) times of the accepted edges, rising.

    An interval is judged by the running median of its neighbours: below
    `MIN_INTERVAL_RATIO` of it one of the two edges is extra (the one that fits the rhythm
    stays), above `MAX_INTERVAL_RATIO` the nearest whole number of intervals passed.  No
    edge is invented: a missed one leaves a step in `index`.
    """
    t = np.asarray(time_s, float)
    if t.size < 12:
        return Edges(t, np.arange(t.size), 0, 0, [])
    gap = np.diff(t)
    if _even(gap):
        return Edges(t, np.arange(t.size), 0, 0, [])
    expected = scipy.ndimage.median_filter(gap, 11, mode="nearest")
    keep = [0]
    index = [0]
    silent = []
    missed = extra = 0
    k = 1
    period = float(expected[0])
    while k < t.size:
        since = t[k] - t[keep[-1]]
        period = float(expected[min(k - 1, expected.size - 1)])
        if since >= SILENT_S:
            silent.append((float(t[keep[-1]]), float(t[k])))
            passes = max(1, round(since / period))
        elif since < MIN_INTERVAL_RATIO * period or (
            k + 1 < t.size
            and t[k + 1] - t[k] < MIN_INTERVAL_RATIO * period
            and abs(t[k + 1] - t[keep[-1]] - period) < abs(since - period)
        ):
            extra += 1
            k += 1
            continue
        else:
            passes = max(1, round(since / period)) if since > MAX_INTERVAL_RATIO * period else 1
            missed += passes - 1
        keep.append(k)
        index.append(index[-1] + passes)
        k += 1
    if index[-1] > MAX_PASSES:
        raise DamageError(
            f"the speed edges lie so close that {index[-1]} of them would have passed, which no pickup sees; "
            "the file is damaged, or the pickup's line picks up noise"
        )
    return Edges(t[keep], np.array(index, np.int64), missed, extra, silent)


def _even(gap: FloatArray) -> bool:
    """Whether every interval is near the median of the eleven around it, and none is silence.

    That median lies between the least and the greatest of two neighbouring stretches of ten: where these are
    near each other, it need not be worked out.
    """
    low, high = _two_stretches(gap)
    if high.max(initial=0.0) >= SILENT_S:
        return False
    wide = (low * MAX_INTERVAL_RATIO < high).nonzero()[0]
    if not wide.size:
        return low.size > 0
    at = np.arange(max(0, 10 * int(wide[0]) - 10), min(gap.size, 10 * int(wide[-1]) + 30))
    ratio = gap[at] / np.maximum(_medians_at(gap, at, 11), 1e-9)
    return bool(ratio.min() >= MIN_INTERVAL_RATIO and ratio.max() <= MAX_INTERVAL_RATIO)


def _two_stretches(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(least, greatest) of (n,) values over every two neighbouring stretches of ten, n > 10 for any at all.

    A window of eleven or fewer lies within two such stretches.
    """
    begins = np.arange(0, values.size, 10)
    low, high = np.minimum.reduceat(values, begins), np.maximum.reduceat(values, begins)
    return np.minimum(low[1:], low[:-1]), np.maximum(high[1:], high[:-1])


def _medians_at(values: FloatArray, at: IntArray, width: int) -> FloatArray:
    """Medians of the `width` values (odd) about each place of `at`; beyond an end its last value stands."""
    if at.size > 500:  # then the time that SciPy takes to begin is the less
        return np.asarray(scipy.ndimage.median_filter(values, width, mode="nearest")[at])
    half = width // 2
    near = at[..., None] + np.arange(-half, half + 1)
    np.minimum(np.maximum(near, 0, out=near), values.size - 1, out=near)
    around = values[near]
    around.sort(axis=-1)
    return np.asarray(around[..., half])


def median(values: FloatArray | IntArray) -> float:
    """Median of (n,) finite values, n > 0; a tenth of the time that numpy's takes for arrays this short.

    Two places are asked for even where one would do: numpy then takes a way that is three times as quick.
    """
    half = values.size // 2
    sorted_so_far = values.copy()
    sorted_so_far.partition((max(half - 1, 0), half))
    high = float(sorted_so_far[half])
    return high if values.size % 2 else (float(sorted_so_far[half - 1]) + high) / 2


def check_extent(run: Run) -> None:
    """DamageError when a run's times ask for more than any bench gives, before memory is taken for it."""
    for times, what in ((run.load_time_s, "load samples"), (run.edge_time_s, "speed edges")):
        if times.size and not (-MAX_RUN_S < times.min() and times.max() < MAX_RUN_S):
            raise DamageError(
                f"run {run.run_id}: its {what} lie up to {float(np.abs(times).max()):.0f} s from its start; "
                f"no run is longer than {MAX_RUN_S:.0f} s, so the file is damaged"
            )
    if run.load_time_s.size > 1:
        step = run.load_time_s[1:] - run.load_time_s[:-1]
        length = run.load_time_s.max() - run.load_time_s.min()
        if 2 * np.count_nonzero(step * MAX_CONVERSIONS < length) < step.size:
            return  # the median is longer than that, too
        period = median(step)
        if period > 0 and length / period > MAX_CONVERSIONS:
            raise DamageError(
                f"run {run.run_id}: its load samples come {1 / period:.3g} times a second, which no "
                "amplifier does; the file is damaged"
            )


def shaft_angle(edges: Edges, magnets: int) -> tuple[FloatArray, FloatArray]:
    """(times, brake-shaft angle in rad) of the edges, magnets' uneven places taken out.

    With several magnets the place of each on the wheel is found from the run
    itself: the mean angle at which it passes between two passes of magnet 0.
    """
    turns = edges.index / magnets
    if magnets > 1 and edges.time_s.size > 4 * magnets:
        which = edges.index % magnets
        zero = which == 0
        if zero.sum() > 2:
            between = np.interp(edges.time_s, edges.time_s[zero], turns[zero], left=np.nan, right=np.nan)
            off = between - turns
            for magnet in range(1, magnets):
                turns[which == magnet] += (
                    np.nanmedian(off[which == magnet]) if (which == magnet).any() else 0.0
                )
    return edges.time_s, turns * 2 * np.pi


def mean_speed(
    at_s: FloatArray, edge_time_s: FloatArray, angle_rad: FloatArray, window_s: float
) -> FloatArray:
    """Mean speed in rad/s over a window centred on each of `at_s`; NaN where the edges do not reach."""
    half = window_s / 2
    ends = np.interp(
        np.concatenate((at_s + half, at_s - half)), edge_time_s, angle_rad, left=np.nan, right=np.nan
    )
    n = at_s.size
    result: FloatArray = (ends[:n] - ends[n:]) / window_s
    return result


def turn_speed(edge_time_s: FloatArray, angle_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(times, speeds in rad/s): the mean over the whole turn that begins at each edge, at its middle.

    A whole turn, because torque and speed swing within each: with several magnets a shorter
    interval would show that swing.
    """
    whole = angle_rad <= angle_rad[-1] - 2 * np.pi
    begin = edge_time_s[whole]
    end = np.interp(angle_rad[whole] + 2 * np.pi, angle_rad, edge_time_s)
    return (begin + end) / 2, 2 * np.pi / (end - begin)


def throttle_open_until(time_s: FloatArray, speed: FloatArray, torque: FloatArray, end_s: float) -> float:
    """Until when the throttle was surely open, about the sweep's marked end.

    Args:
        time_s: (n,) of the fine grid, even.
        speed: (n,) in any unit, NaN where it is not known.
        torque: (n,) of the engine, in any unit.
        end_s: marked end of the sweep.

    `CLOSING_FIT_S` of the sweep say how torque goes with speed (a straight line) and how far means
    over `CLOSING_MEAN_S` scatter about it.  The first that falls short by more shows the throttle
    closing; the length of one mean before that it was still open, even under a slow hand.
    """
    step = float(time_s[1] - time_s[0])
    half = max(1, round(CLOSING_MEAN_S / step / 2))
    sure = end_s + CLOSING_SEARCH_S
    late = slice(max(0, int(time_s.searchsorted(sure - CLOSING_FIT_S)) - half), None)
    time_s, speed, torque = time_s[late], speed[late], torque[late]
    if time_s.size < 4 * half:
        return end_s
    at = time_s[half:-half]
    over, mean = running_mean(speed, 2 * half + 1), running_mean(torque, 2 * half + 1)
    use = np.isfinite(over) & (at > sure - CLOSING_FIT_S) & (at < sure)
    if use.sum() < 10 * half:
        return end_s
    x, y = over[use], mean[use]
    x_mean, y_mean = float(x.sum()) / x.size, float(y.sum()) / y.size
    away = x - x_mean
    steep = float(away @ (y - y_mean)) / max(float(away @ away), 1e-300)  # least squares
    short = y_mean + steep * (over - x_mean) - mean
    scatter = short[use]
    scatter -= scatter.sum() / scatter.size
    sigma = math.sqrt(float(scatter @ scatter) / scatter.size)
    limit = max(CLOSING_SIGMAS * sigma, MIN_CLOSING_SHARE * abs(y_mean))
    closing = (~(short <= limit) & (at >= sure)).nonzero()[0]
    return float(at[closing[0]] if closing.size else time_s[-1]) - CLOSING_MEAN_S


def running_mean(values: FloatArray, width: int) -> FloatArray:
    """(n - width + 1,) means of (n,) values over `width` neighbours; NaN where one of them is."""
    if not np.isfinite(values).all():
        return np.convolve(values, np.full(width, 1 / width), "valid")
    sums = np.empty(values.size + 1)
    sums[0] = 0.0
    np.cumsum(values, out=sums[1:])
    return np.asarray((sums[width:] - sums[:-width]) / width)


def fine_grid(
    first_s: float,
    last_s: float,
    step_s: float,
    load: tuple[FloatArray, FloatArray],
    turns: tuple[FloatArray, FloatArray],
) -> Fine:
    """Force and speed every `step_s` from `first_s` to `last_s`.

    Args:
        load: (time_s, force_N) of the samples, delay taken off.
        turns: (time_s, rad/s) at the crank, one value a turn.

    The brake's torque is smooth between two samples (fill and speed cannot jump), so straight
    lines serve it; what the engine scatters from turn to turn shows in the speed alone.
    """
    n = max(2, round((last_s - first_s) / step_s))
    step = (last_s - first_s) / n
    around = max(1, round(SPEED_MEAN_S / step / 2))
    places = first_s + step * np.arange(-around, n + 1 + around)
    speed = np.interp(places, *turns)
    sums = np.empty(speed.size)
    sums[0] = 0.0
    between = speed[1:] + speed[:-1]
    between /= 2
    np.cumsum(between, out=sums[1:])
    mean = (sums[2 * around :] - sums[: -2 * around]) / (2 * around)  # (n + 1,) at the steps' ends
    at = np.asarray(first_s + step * (np.arange(n) + 0.5), np.float64)
    rate = np.asarray((mean[1:] - mean[:-1]) / step, np.float64)
    return Fine(at, (mean[1:] + mean[:-1]) / 2, rate, np.interp(at, *load))


def smooth(values: FloatArray, period_s: float, bandwidth_Hz: float = BANDWIDTH_HZ) -> FloatArray:
    """Zero-phase low pass along the last axis, -3 dB at `bandwidth_Hz`.

    A running least-squares parabola (Savitzky and Golay 1964): symmetric, so no
    delay; exact for anything up to a cubic, so a peak keeps its height; at the
    ends the last parabola is used, so nothing beyond the data is invented.
    """
    half = _half_width(round(bandwidth_Hz * period_s, 4))
    half = min(half, (values.shape[-1] - 1) // 2)
    if half < 2:
        return values
    window = 2 * half + 1
    through = _parabolas(half)
    rows = [
        np.concatenate(
            (
                through[:half] @ row[:window],
                np.correlate(row, through[half], "valid"),
                through[half + 1 :] @ row[-window:],
            )
        )
        for row in values.reshape(-1, values.shape[-1])
    ]
    return np.asarray(rows).reshape(values.shape)


@functools.lru_cache(maxsize=256)
def _parabolas(half: int) -> FloatArray:
    """(2 half + 1, 2 half + 1): row i times a window gives its least-squares parabola at place i.

    The middle row is what scipy.signal.savgol_coeffs gives; scipy works the ends
    out anew on each call, which took a third of a reduction.
    """
    powers = np.vander(np.linspace(-1.0, 1.0, 2 * half + 1), 3)
    result: FloatArray = powers @ np.linalg.pinv(powers)
    return result


@functools.lru_cache(maxsize=4096)
def _half_width(corner: float) -> int:
    """Samples each side so that the filter's gain is nearest to -3 dB at `corner` cycles per sample."""
    best, miss = 0, 1.0
    for half in range(2, 200):
        k = np.arange(-half, half + 1)
        gain = float(scipy.signal.savgol_coeffs(2 * half + 1, 2) @ np.cos(2 * np.pi * corner * k))
        if abs(gain - 0.5**0.5) < miss:
            best, miss = half, abs(gain - 0.5**0.5)
        if gain < 0.5:
            break
    return best


def _measured_period(run: Run) -> float:
    """The amplifier's period, s; DamageError where there is too little to align."""
    t = run.load_time_s
    if t.size < 20:
        raise DamageError(
            f"run {run.run_id} holds {t.size} load samples: too few; check the load cell's wiring"
        )
    if run.edge_time_s.size < 12:
        raise DamageError(
            f"run {run.run_id} holds {run.edge_time_s.size} speed edges: too few; look at the pickup's gap"
        )
    period = median(t[1:] - t[:-1])
    if not period > 0:
        raise DamageError(f"run {run.run_id}: the load samples' times do not rise; the run file is damaged")
    return float(period)


def align(
    run: Run,
    setup: Setup,
    force_N: FloatArray,
    start_s: float,
    end_s: float,
    bandwidth_Hz: float = BANDWIDTH_HZ,
    edges: Edges | None = None,
    hold_s: float = 0.0,
    with_run_out: bool = False,
) -> Aligned:
    """Pair force with speed over [start_s, end_s].

    Args:
        force_N: (n,) force at each of `run.load_time_s`.
        hold_s: how much of the hold before the sweep the fine grid takes in.
        with_run_out: the fine grid goes on to `RUN_OUT_S` past the end;
            `throttle_open_until` says how much of it serves.

    The amplifier's answer at data-ready describes the time one filter delay
    earlier, so that delay is taken off each sample's own time.  Speed is the
    mean over a window as wide as the amplifier's, then both go through the same
    zero-phase smoothing: torque, speed and its derivative stay consistent even
    where speed wobbles.  `setup.load_delay_s` None means half the settling
    time: two measured conversion periods.

    Raises DamageError, in one sentence, when there is nothing to align.
    """
    # longer than 60 lines: one chain of steps, each of which needs grid, period and edges of those before
    t = run.load_time_s
    step = t[1:] - t[:-1]
    period = _measured_period(run)
    delay = setup.cell_lag_s + (
        FILTER_PERIODS / 2 * period if setup.load_delay_s is None else setup.load_delay_s
    )
    window = WINDOW_PERIODS * period

    bad = clamped_codes(run.load_count)
    clamped = int(bad.sum())
    spike = isolated_spikes(force_N)
    bad |= spike
    good = ~bad
    at = t - delay

    edges = edges or repair_edges(run.edge_time_s)
    edge_time, angle = shaft_angle(edges, setup.magnets)
    # half a second of the hold before the ramp steadies the filter; what follows the end is another regime
    first = max(start_s - 0.5, at[0], edge_time[0] + window / 2)
    last = min(end_s - window / 2, at[-1], edge_time[-1] - window / 2)
    if last - first < 1.0:
        raise DamageError(f"run {run.run_id}: the sweep lasts under a second; nothing to reduce")
    # the mean period over the section keeps grid and samples in step: interpolation changes next to nothing
    inside = ((at >= first - 1e-9) & (at <= last + 1e-9)).nonzero()[0]
    if inside.size < 20:
        raise DamageError(
            f"run {run.run_id}: {inside.size} load samples in the sweep; check the load cell's wiring"
        )
    missing = step[inside[0] : inside[-1]]
    gaps = int((np.rint(missing / period) - 1).sum())
    whole = max(1, round((at[inside[-1]] - at[inside[0]]) / period))
    begin = float(at[inside[0]])
    period = (float(at[inside[-1]]) - begin) / whole
    grid = begin + period * np.arange(whole + 1)

    force = np.interp(grid, at[good], force_N[good])
    ratio = setup.brake_teeth / setup.engine_teeth  # crank turns per brake turn
    speed = mean_speed(grid, edge_time, angle, window) * ratio
    if not np.isfinite(speed).all():
        speed = np.interp(grid, grid[np.isfinite(speed)], speed[np.isfinite(speed)])
    # one filter for all three, so that force and inertia stay in balance even where the ramp begins and ends
    seen = smooth(np.array((force, speed, rate(speed, period))), period, bandwidth_Hz)
    turns = turn_speed(edge_time, angle)
    reach = SPEED_MEAN_S / 2 + period / FINE
    fine = fine_grid(
        max(start_s - hold_s, at[0], turns[0][0] + reach),
        min(end_s + RUN_OUT_S if with_run_out else end_s, at[-1], turns[0][-1] - reach),
        period / FINE,
        (at[good], force_N[good]),
        (turns[0], turns[1] * ratio),
    )
    for a, b in edges.silent:
        seen[1, (grid > a - window) & (grid < b + window)] = np.nan
        fine.speed_rad_s[(fine.time_s > a - window) & (fine.time_s < b + window)] = np.nan
    use = grid >= start_s
    return Aligned(
        grid[use],
        seen[1][use],
        seen[2][use],
        seen[0][use],
        period,
        delay,
        int(spike.sum()),
        clamped,
        gaps,
        fine,
    )


def rate(values: FloatArray, step: float) -> FloatArray:
    """(n,) central differences of (n,) values `step` apart, of its neighbour alone at an end."""
    out = np.empty_like(values)
    out[1:-1] = (values[2:] - values[:-2]) / (2 * step)
    out[0], out[-1] = (values[1] - values[0]) / step, (values[-1] - values[-2]) / step
    return out


def clamped_codes(count: Any) -> Any:
    """Mask of load codes (one, or an array) at either end of the amplifier's range: no measurement."""
    return (count <= codes.CLAMP_LOW) | (count >= codes.CLAMP_HIGH)


def isolated_spikes(values: FloatArray) -> np.ndarray:
    """Mask of samples that stand alone, far from what lies around them.

    The amplifier's own filter spreads a real jolt over several conversions, so
    a single sample far off between two calm ones on each side is a read-out
    error.  Far: `SPIKE_SIGMAS` robust deviations (MAD of second differences) from the
    running median, and half of that from the line between its neighbours;
    calm: within a fifth of that height of the running median.
    """
    mask = np.zeros(values.size, bool)
    if values.size < 9:
        return mask
    bend = np.empty(values.size)
    bend[0] = bend[-1] = np.inf  # an end's is not known
    bend[1:-1] = np.abs(values[1:-1] - (values[:-2] + values[2:]) / 2)
    limit = max(SPIKE_SIGMAS * 1.4826 * median(bend[1:-1]), 1e-9)
    if bend[1:-1].max() <= limit:
        return mask
    bent = (bend > limit / 2).nonzero()[0]
    near = bent[:, None] + np.arange(-2, 3)
    inside = (near >= 0) & (near < values.size)
    near = np.where(inside, near, bent[:, None])
    off = np.abs(values[near] - _medians_at(values, near, 9)) * inside
    height = off[:, 2].copy()
    off[:, 2] = 0.0
    mask[bent] = (height > limit) & (off.max(axis=1) < 0.2 * height)
    return mask


def find_sweep(run: Run, setup: Setup, edges: Edges | None = None) -> tuple[float, float, str]:
    """(start_s, end_s, where it was found) of the swept section.

    In this order: the verdict the board stored, its state events, its trace
    flags, and, for a run captured without any, the longest section in which
    the speed moves steadily one way at more than a quarter of its median rate.
    """
    last = float(run.load_time_s[-1]) if run.load_time_s.size else 0.0
    verdict = run.verdict or {}
    start, end = verdict.get("sweep_start_tick"), verdict.get("sweep_end_tick")
    if start is not None and end is not None and end - start > 1.0:
        return float(start), float(end), "verdict"
    begun = ended = None
    for time_s, name, value in run.events:
        if name != "state":
            continue
        if value == _SWEEP:
            begun, ended = time_s, None
        elif begun is not None and ended is None:
            ended = time_s
    if begun is not None and (ended or last) - begun > 1.0:
        return begun, ended if ended is not None else last, "events"
    if run.trace_flags.size:
        on = (run.trace_flags & _IN_SWEEP).nonzero()[0]
        if on.size and run.trace_time_s[on[-1]] - run.trace_time_s[on[0]] > 1.0:
            return float(run.trace_time_s[on[0]]), float(run.trace_time_s[on[-1]]), "trace"
    edges = edges or repair_edges(run.edge_time_s)
    edge_time, angle = shaft_angle(edges, setup.magnets)
    if edge_time.size < 12:
        raise DamageError(f"run {run.run_id} holds {edge_time.size} speed edges: no sweep can be found in it")
    step = 0.02
    grid = np.arange(edge_time[0] + 0.1, edge_time[-1] - 0.1, step)
    if grid.size < 60:
        raise DamageError(f"run {run.run_id} is shorter than a second: no sweep can be found in it")
    speed = smooth(mean_speed(grid, edge_time, angle, 0.1), step, 2.0)
    rate = np.gradient(speed, step)
    best = (0, 0)
    for sign in (-1.0, 1.0):
        going = sign * rate
        moving = going > 5.0  # rad/s2, about 50 rpm/s
        if not moving.any():
            continue
        moving = going > max(5.0, 0.25 * float(np.median(going[moving])))
        labels, _ = scipy.ndimage.label(scipy.ndimage.binary_closing(moving, iterations=8))
        for piece in scipy.ndimage.find_objects(labels):
            a, b = piece[0].start, piece[0].stop
            if b - a > best[1] - best[0]:
                best = (a, b)
    if (best[1] - best[0]) * step < 2.0:
        raise DamageError(
            f"run {run.run_id}: the speed never moves one way for two seconds; this is no sweep"
        )
    return float(grid[best[0]]), float(grid[best[1] - 1]), "data"
