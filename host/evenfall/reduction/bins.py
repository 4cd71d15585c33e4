"""Means of what happened at each speed, over whole bins, and how far single samples scatter."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import scipy  # its parts load at their first use: listing runs does not wait for them

from evenfall.errors import DamageError
from evenfall.model import FloatArray, IntArray
from evenfall.reduction import align

MIN_SAMPLES = 5  # samples that make a bin
MAX_BINS = 4000  # 100,000 rpm in the narrowest bins: a file that says more is not a run
CENTRE_TOLERANCE = 0.08  # of a bin: how far short of its centre the data may end


@dataclass(frozen=True)
class BinMeans:
    """The mean of every bin over its whole width."""

    centre: FloatArray  # (b,) same unit as the speeds given
    value: FloatArray  # (b,) NaN where the bin is not filled
    leverage: FloatArray  # (b,) variance of value per variance of one sample
    count: IntArray  # (b,)
    low: FloatArray  # (b,) where the bin's data begin, same unit; inf where it has none
    high: FloatArray  # (b,) where they end
    fill_shift_variance: FloatArray  # (b,) like leverage, of `fill_shift`
    fill_shift: FloatArray  # like value: what its uneven filling made necessary to add to the samples' mean


@dataclass(frozen=True)
class Weights:
    """What brings the means of samples to means over whole bins; for the g bins that stand."""

    near: IntArray  # (g, m) places of the bins around each
    by: FloatArray  # (g, m) weights of their means in what is added
    leverage: FloatArray  # (g,) variance of the mean over the whole bin, per variance of one sample
    shift_variance: FloatArray  # (g,) the same of what is added


@dataclass(frozen=True)
class Filling:
    """How the samples lie in the bins; what every mean over them needs."""

    known: np.ndarray | None  # (n,) mask of the samples whose speed is known; None: all
    stay: IntArray  # (s,) first sample of each stay in one bin
    at: IntArray  # (s,) its bin
    centre: FloatArray  # (b,) same unit as the speeds
    count: IntArray  # (b,)
    low: FloatArray  # (b,) of a bin's samples, from its centre; inf where it has none
    high: FloatArray  # (b,)
    off: FloatArray  # (b,) sum of the distances from the centre, and of their squares
    square: FloatArray  # (b,)
    width: float
    weights: dict[bytes, Weights]  # of the bins that stand, by their places: two fits may ask for the same

    def sums(self, values: FloatArray) -> FloatArray:
        """(b,) sum of the values (n,) of known samples in each bin."""
        return _sums(self.at, values, self.stay, self.centre.size)


def _sums(at: IntArray, values: FloatArray, stay: IntArray, bins: int) -> FloatArray:
    return np.asarray(np.bincount(at, np.add.reduceat(values, stay), bins), np.float64)


def fill_bins(speed: FloatArray, width: float) -> Filling:
    """Put samples into bins centred on whole multiples of `width`.

    Args:
        speed: (n,) in the order of time, NaN where it is not known.

    In that order the speed stays in one bin for a while: what is summed first is such a stay.
    """
    known = np.isfinite(speed)
    whole = bool(known.all())
    if not whole:
        speed = speed[known]
    place = np.rint(speed / width)
    stay = np.empty(speed.size, bool)
    stay[0] = True
    np.not_equal(place[1:], place[:-1], out=stay[1:])
    begins = stay.nonzero()[0]
    bins = place[begins].astype(np.int64)
    first = int(bins.min())
    n = int(bins.max()) - first + 1
    if n > MAX_BINS:
        raise DamageError(
            f"the speeds of this run spread over {n * width:.3g} rpm, which no engine does; check the pickup"
        )
    place *= -width
    place += speed  # from the centre
    at = bins - first
    length = np.empty(begins.size)
    length[:-1] = begins[1:] - begins[:-1]
    length[-1] = speed.size - begins[-1]
    many = np.bincount(at, length, n).astype(np.int64)
    low = np.full(n, np.inf)
    high = np.full(n, -np.inf)
    np.minimum.at(low, at, np.minimum.reduceat(place, begins))
    np.maximum.at(high, at, np.maximum.reduceat(place, begins))
    centre = np.asarray(np.arange(first, first + n) * width, np.float64)
    off = _sums(at, place, begins, n)
    place *= place
    square = _sums(at, place, begins, n)
    return Filling(None if whole else known, begins, at, centre, many, low, high, off, square, width, {})


def fit_bins(
    speed: FloatArray | Filling, values: FloatArray, width: float, min_samples: int = MIN_SAMPLES
) -> BinMeans:
    """Mean of the value over each bin's whole width, every speed counting alike; bins are centred on
    whole multiples of `width`.

    A bin is filled unevenly where the speed wobbles, and in part at the ends of a sweep.  The
    mean of its samples is brought to that of an evenly filled bin along a least-squares parabola
    through the bins around it; a slope from within the bin would double the scatter.  A mean, not
    the value at the centre: what lies between the two is the curve's bend within the bin, which
    no neighbour knows where the curve has a corner.  A bin stands when it holds `min_samples` samples,
    spans nearly half its width and reaches its own centre.  `values` is (n,) or (k, n); speeds that
    were put into bins before (`fill_bins`) need not be so again.
    """
    there = speed if isinstance(speed, Filling) else fill_bins(speed, width)
    rows = np.atleast_2d(values)
    if there.known is not None:
        rows = rows[:, there.known]
    good = (
        (there.count >= min_samples)
        & (there.low <= CENTRE_TOLERANCE * width)
        & (there.high >= -CENTRE_TOLERANCE * width)
        & (there.high - there.low >= (0.5 - CENTRE_TOLERANCE) * width)
    ).nonzero()[0]
    key = good.tobytes()
    w = there.weights.get(key) or there.weights.setdefault(key, _weights(there, good))
    filled = np.full((2 + 2 * len(rows), there.centre.size), np.nan)
    means = np.array([there.sums(row)[good] for row in rows]) / there.count[good]
    shift = np.einsum("gm,kgm->kg", w.by, means[:, w.near])
    filled[2::2, good], filled[3::2, good] = means + shift, shift
    filled[0, good], filled[1, good] = w.leverage, w.shift_variance
    value, fill_shift = filled[2::2], filled[3::2]
    if values.ndim == 1:
        value, fill_shift = value[0], fill_shift[0]
    low, high = there.centre + there.low, there.centre + there.high
    return BinMeans(there.centre, value, filled[0], there.count, low, high, filled[1], fill_shift)


def _weights(there: Filling, good: IntArray) -> Weights:
    count = there.count[good]
    off, square = there.off[good] / count, there.square[good] / count
    near, slope, bend = _parabolas(there.centre[good], off, square)
    by = -(off[:, None] * slope + (square - there.width**2 / 12)[:, None] * bend)
    each = 1 / count[near]
    own = by + (near == np.arange(good.size)[:, None])
    return Weights(near, by, _squared(own, each), _squared(by, each))


def _squared(rows: FloatArray, each: FloatArray) -> FloatArray:
    """(n,) sums of the squares of (n, m) times (n, m)."""
    return np.asarray(np.einsum("nm,nm,nm->n", rows, rows, each))


@functools.lru_cache(maxsize=64)
def _around(n: int) -> tuple[IntArray, IntArray, IntArray, FloatArray, FloatArray]:
    """Of n bins: first and last of those around each, (n, m) places, which of them count, how many."""
    m = min(n, 5)
    place = np.arange(n)
    first = np.maximum(0, np.minimum(place - 2, n - 4))
    end = np.minimum(n, np.maximum(place + 3, 4))
    near = np.minimum(first, n - m)[:, None] + np.arange(m)
    used = ((near >= first[:, None]) & (near < end[:, None])).astype(np.float64)
    return first, end - 1, near, used, used.sum(axis=1, keepdims=True)


def _parabolas(
    centre: FloatArray, off: FloatArray, square: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """(n, m) places of m bins around each, and their weights in its slope and half second derivative.

    Of a least-squares parabola through the bins up to two places away, four at an end; fewer
    bins, a lower degree.  `off` and `square`: each bin's mean distance and squared distance of its
    samples from its own centre, so that the samples may lie in any way.  Solved for all bins at
    once, the constant and then the straight line taken out of the square (Gram and Schmidt).
    """
    n = centre.size
    first, last, near, used, total = _around(n)
    m = near.shape[1]
    if n < 2:
        return near, np.zeros((n, m)), np.zeros((n, m))
    away = centre[near] - centre[:, None]
    size = (centre[last] - centre[first])[:, None]
    line = (away + off[near]) / size
    line = (line - _inner(line, used) / total) * used
    steep = line / _inner(line, line)
    if n < 3:
        return near, steep / size, np.zeros((n, m))
    curve = (away * (away + 2 * off[near]) + square[near]) / size**2
    curve = (curve - _inner(curve, used) / total) * used
    along = _inner(curve, steep)
    curve -= along * line
    bend = curve / _inner(curve, curve)
    return near, (steep - along * bend) / size, bend / size**2


def _inner(a: FloatArray, b: FloatArray) -> FloatArray:
    """(n, 1) sums of the products of (n, m) and (n, m)."""
    return np.asarray(np.einsum("nm,nm->n", a, b)[:, None])


def turn_level(speed_rpm: FloatArray, torque: FloatArray) -> FloatArray:
    """(b,) how large the scatter of one sample is at each bin, relative to its root mean square.

    An engine's work varies from turn to turn in proportion to itself, each turn on its own (the
    coefficient of variation of indicated work, J. B. Heywood, Internal Combustion Engine
    Fundamentals, 9.4.1, from memory); a second holds as many turns as the speed says.  So the
    variance of a mean over a given time goes as torque^2 / speed.  NaN stays NaN.
    """
    known = np.isfinite(torque)
    if not known.any():
        return np.ones_like(speed_rpm)
    size = np.abs(torque)
    level = np.maximum(size, 0.1 * float(size[known].max())) / np.sqrt(np.maximum(speed_rpm, 1.0))
    given = level[known]
    return level / max(math.sqrt(float(given @ given) / given.size), 1e-12)


def fourth_differences(values: FloatArray) -> FloatArray:
    """(n - 4,) of (n,): a curve that is smooth over five places drops out."""
    second = values[2:] - 2 * values[1:-1] + values[:-2]
    return np.asarray(second[2:] - 2 * second[1:-1] + second[:-2])


def sample_scatter(
    speed: FloatArray,
    values: FloatArray,
    width: float,
    level: FloatArray | None = None,
    filled: Filling | None = None,
) -> float:
    """Standard deviation that independent samples would need to make means of bins scatter as they do.

    Fourth differences of bin values, taken every half bin: a curve that is
    smooth over five bins drops out, scatter stays with 70 times its variance
    (1 + 16 + 36 + 16 + 1).  Working on means as long as a bin pays for the
    correlation between samples.  With under seven bins, the scatter about a
    cubic in speed stands in.

    Args:
        level: (n,) relative size of the scatter at each sample, see `turn_level`; None: even.
        filled: `speed` in bins of that width, where that is known already.

    The result stands for a normal distribution: a few differences know their own size
    poorly, which the factor sqrt(f / (f - 2)) pays for (JCGM 101 clause 6.4.9.4); of the
    differences, which overlap, about one in three counts as a degree of freedom f.
    """
    both = np.stack((values, np.ones_like(values) if level is None else level))
    found = []
    for shift in (0.0, width / 2):
        means = fit_bins(speed + shift if shift or filled is None else filled, both, width)
        stands = means.leverage[np.isfinite(means.leverage)]
        if stands.size < 5:
            continue
        whole = means.leverage < 1.5 * align.median(stands)
        mean = np.where(whole, means.value[0], np.nan)
        d = fourth_differences(mean)
        found.append(d**2 / (70 * means.leverage * means.value[1] ** 2)[2:-2])
    each = np.concatenate(found) if found else np.zeros(0)
    each = each[np.isfinite(each)]
    if each.size >= 5:
        free = max(each.size / 3, 3.0)
        return math.sqrt(float(each.sum()) / each.size * free / (free - 2))
    ok = np.isfinite(speed)
    speed, values = speed[ok], values[ok]
    x = (speed - speed.mean()) / max(float(np.ptp(speed)), 1e-9)
    powers = np.vander(x, 4)
    left = values - powers @ np.linalg.lstsq(powers, values, rcond=None)[0]
    return float(left.std() * 2)  # twice: neighbouring samples share most of their scatter


def smooth_curve(values: FloatArray) -> FloatArray:
    """(b,) values of neighbouring bins through a running parabola of five (Savitzky and Golay 1964)."""
    return np.asarray(scipy.signal.savgol_filter(values, 5, 2)) if values.size >= 5 else values
