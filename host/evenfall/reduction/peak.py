"""The maximum of a torque or power curve, from bins, with what its interval has to hold.

The highest bin is no peak: a bin is the mean over its width, so a narrow top is cut, and of many bins that
scatter the highest is too high.  Here the curve of engine torque is a Gaussian process about a straight line
(C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, 2.7, 4.2.1 and 5.4.1;
Matern covariance, nu = 7/2), and a bin is its mean over the bin's width.  How far the curve is smooth is not
chosen: length scale and amplitude are averaged over a grid by their restricted likelihood, the amount of
scatter integrated out (a scaled inverse chi-squared prior from the run's own short-time scatter).  Smoothing
cuts a peak a little; what is left over is smoothed again and added (twicing: J. W. Tukey, Exploratory Data
Analysis, 1977; W. Stuetzle and Y. Mittal, 1979).

Selection: where the peak lies is read from the bins with scatter added, how high it is from the bins with
the scatter of the same trial taken off.  For normal scatter the two are independent, so the height is not
the better for having been chosen (data fission: J. Leiner, B. Duan, L. Wasserman and A. Ramdas, J. Am.
Stat. Assoc. 2023).  The mean over many trials is the estimate.  Sources from memory.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from evenfall.model import FloatArray, IntArray
from evenfall.reduction.bins import fourth_differences
from evenfall.units import RPM

MIN_BINS = 5  # below them the highest bin is all there is
FINE = 4  # places per bin at which the curve is worked out; between them a parabola through three
LENGTHS = 7  # length scales tried, from MIN_LENGTH_BINS bins to MAX_LENGTH_RPM
MIN_LENGTH_BINS = 1.2
MAX_LENGTH_RPM = 5250.0
AMPLITUDES = 10.0 ** np.arange(-0.5, 4.01, 0.5)  # of the process, in typical scatters of a bin
NEGLIGIBLE = 0.01  # of the best likelihood
AGAIN = 2.0  # times the square of what smoothing the rest moved the curve: a bound for a third
NEIGHBOURS = 1.1  # bins share the turns at their common edges: a mean of some scatters by more than theirs
TRIALS = 120
STACK = 10  # curves of 32 bins solved together, fewer of more bins: they stay in the processor's caches
LOWEST_SCATTER = 0.05  # of the largest: a bin without torque is not infinitely sure
MIN_LEVEL = 0.02  # of the largest torque, which scatters at the least
AT_LOAD = 0.5  # of the largest scatter: below it noise of the pickup shows, which bins do not have
MAX_SHORT_DOF = 8.0  # scatter over short times is no more than a hint at that of bins
SLICES_PER_BIN = 3  # stretches of time in which the short-time scatter is read


@dataclass(frozen=True)
class Top:
    """A maximum; `weights @ bins + correction` is its value, so that runs of a group can be told apart."""

    value: float
    speed_rpm: float
    weights: FloatArray  # (b,) on the torque of the bins, zero where a bin is not given
    u_scatter: float  # standard uncertainties: of the bins' scatter,
    u_fit: float  # lack of fit: what the curve may do between and beyond what the bins tell,
    u_selection: float  # and of where the maximum lies


class TorqueBins(NamedTuple):
    """The bins that two maxima are looked for in."""

    centre_rpm: FloatArray  # (b,) rising, whole numbers of bins apart; the means are over whole bins
    torque_Nm: FloatArray  # (b,) NaN where a bin is not given
    shape: FloatArray  # (b,) relative size of the bins' independent scatter
    scatter: float  # standard deviation of a bin's torque over its `shape`, N.m,
    dof: float  # with so many degrees of freedom


def torque_and_power_peak(
    centre_rpm: FloatArray, torque_Nm: FloatArray, shape: FloatArray, scatter: float, dof: float
) -> tuple[Top, Top] | None:
    """(of torque N.m, of power W) of one curve, see `TorqueBins`; None below `MIN_BINS` bins."""
    return torque_and_power_peaks([TorqueBins(centre_rpm, torque_Nm, shape, scatter, dof)])[0]


def torque_and_power_peaks(curves: Sequence[TorqueBins]) -> list[tuple[Top, Top] | None]:
    """The same of many: those with the same bins given are solved together, `STACK` at a time."""
    tops: list[tuple[Top, Top] | None] = [None] * len(curves)
    alike: dict[tuple[float, bytes], list[tuple[int, IntArray]]] = {}
    for i, c in enumerate(curves):
        given = (np.isfinite(c.torque_Nm) & np.isfinite(c.shape)).nonzero()[0]
        if given.size < MIN_BINS:
            continue
        width = float((c.centre_rpm[1:] - c.centre_rpm[:-1]).min())
        bin_index = np.rint((c.centre_rpm[given] - c.centre_rpm[given[0]]) / width).astype(np.int64)
        alike.setdefault((width, bin_index.tobytes()), []).append((i, given))
    for (width, key), members in alike.items():
        together = max(1, STACK * 32 * 8 // len(key))  # a key holds 8 bytes a bin
        for k in range(0, len(members), together):
            some = members[k : k + together]
            of_stack = [(curves[i], given) for i, given in some]
            for (i, _), found in zip(some, _tops(np.frombuffer(key, np.int64), width, of_stack), strict=True):
                tops[i] = found
    return tops


def _tops(
    bin_index: IntArray, width: float, curves: list[tuple[TorqueBins, IntArray]]
) -> list[tuple[Top, Top]]:
    """Of r curves and the places of their given bins, which lie alike."""
    y = np.array([c.torque_Nm[given] for c, given in curves])  # (r, b)
    shape = np.array([c.shape[given] for c, given in curves])
    n = np.maximum(shape, LOWEST_SCATTER * shape.max(axis=1, keepdims=True))
    s0 = np.maximum([c.scatter for c, _ in curves], 1e-9 * np.abs(y).max(axis=1))
    lowest = np.array([c.centre_rpm[given[0]] for c, given in curves])
    curve = _smoothed(bin_index, y, n, s0, np.array([c.dof for c, _ in curves]), width)
    r, g, b = curve.smoother.shape
    heights = np.ascontiguousarray(curve.smoother.transpose(0, 2, 1))  # (r, b, g)
    f = y[:, None] @ heights  # (r, 1, g)
    scattered = (_trial_scatter(b) * curve.scatter[:, None]) @ heights
    size = np.ones((r, 2, g))  # torque, power
    size[:, 1] = (lowest[:, None] + curve.grid * width) * RPM
    share, value, lost = _maximum_of_trials(
        (f * size).reshape(-1, g), (scattered[:, None] * size[:, :, None]).reshape(-1, TRIALS // 2, g)
    )
    share = share.reshape(r, 2, g)
    fit_u = np.sqrt(np.maximum(0.0, curve.fit_var(share, size)))
    by = (share * size) @ curve.smoother  # (r, 2, b)
    own_u = NEIGHBOURS * np.sqrt(np.square(by * curve.scatter[:, None]).sum(axis=2))
    speed = lowest[:, None] + share @ curve.grid * width
    found = []
    for i, (c, given) in enumerate(curves):
        two = []
        for k in range(2):
            weights = np.zeros(c.centre_rpm.size)
            weights[given] = by[i, k]
            two.append(
                Top(
                    float(value[2 * i + k]),
                    float(speed[i, k]),
                    weights,
                    float(own_u[i, k]),
                    float(fit_u[i, k]),
                    float(lost[2 * i + k]),
                )
            )
        found.append((two[0], two[1]))
    return found


def _maximum_of_trials(f: FloatArray, scattered: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """((k, g) weight of each place in the maximum, (k,) its mean height without scatter, (k,) what its place
    may cost).

    A maximum lies between the places of the curve: at the top of the parabola through three of them.  The
    last is a root mean square of how much lower than its highest the curve is where the trials have theirs.

    Args:
        f: (k, g) curves.
        scattered: (k, TRIALS / 2, g) what scatter makes of them; each trial counts with both signs.
    """
    k, half, g = scattered.shape
    seen = np.empty((k, 2, half, g))
    np.add(f[:, None], scattered, out=seen[:, 0])
    np.subtract(f[:, None], scattered, out=seen[:, 1])
    top = seen.reshape(k, TRIALS, g).argmax(axis=2)
    middle = np.minimum(np.maximum(top, 1), g - 2)
    curve = g * np.arange(k)[:, None]
    in_f = middle + curve
    in_seen = middle + (TRIALS * curve + g * np.arange(TRIALS))
    flat, all_seen = f.ravel(), seen.ravel()
    left, centre, right = all_seen[in_seen - 1], all_seen[in_seen], all_seen[in_seen + 1]
    bend = left - 2 * centre + right
    bent = bend < 0
    off = np.where(bent, (left - right) / np.where(bent, 2 * bend, 1.0), top - middle)
    off = np.minimum(np.maximum(off, -1.0), 1.0)
    low, mid, high = off * (off - 1) / 2, 1 - off**2, off * (off + 1) / 2  # Lagrange's weights
    here = low * flat[in_f - 1] + mid * flat[in_f] + high * flat[in_f + 1]
    other = 2 * here - (low * left + mid * centre + high * right)
    at = np.concatenate((in_f - 1, in_f, in_f + 1), axis=None)
    share = np.bincount(at, np.concatenate((low, mid, high), axis=None), k * g).reshape(k, g) / TRIALS
    lost = np.maximum(f.max(axis=1), here.max(axis=1))[:, None] - here
    return share, other.mean(axis=1), np.sqrt((lost * lost).sum(axis=1) / TRIALS)


@dataclass(frozen=True)
class _Curve:
    """Linear smoothers of the bins of r curves and what they leave open."""

    grid: FloatArray  # (g,) bins from the first given one
    smoother: FloatArray  # (r, g, b)
    scatter: FloatArray  # (r, b) standard deviation of each bin
    fit_var: Callable[[FloatArray, FloatArray], FloatArray]  # see there


def _smoothed(
    bin_index: IntArray, y: FloatArray, n: FloatArray, s0: FloatArray, dof: FloatArray, width: float
) -> _Curve:
    """Average of the smoothers of all length scales and amplitudes, by their restricted likelihood.

    With T = n^-1 rest axes, scatter's inverse on what is no straight line is T T' / gain; T' n^2 T = 1 and
    T' (bins' covariance) T = gain - 1.  A smoother is `power H T (d + d^2) T' + line` with d = 1 / gain (its
    second term is the twicing) and H the covariance with a bin that the line does not explain.
    So every amplitude of one length is a weighted sum over the same columns.  What lack of fit leaves open
    is worked out only where it is asked for: at the places where a maximum falls.

    Args:
        bin_index: (b,) places of the bins, from 0.
        y, n: (r, b) their torque and the relative size of their scatter; s0, dof: (r,) of it.
    """  # longer than 60 lines with what the places asked for need of it
    b, span = bin_index.size, int(bin_index[-1]) + 1
    longest = max(MAX_LENGTH_RPM / width, 4 * MIN_LENGTH_BINS)
    inner, cross, grid = _kernels(span, longest)  # (l, span, span), (l, g, span), (g,)
    if b < span:
        inner, cross = inner[:, bin_index[:, None], bin_index], cross[:, :, bin_index]
    ordered = np.sort(n, axis=1)
    typical = np.square((ordered[:, (b - 1) // 2] + ordered[:, b // 2]) / 2)[:, None, None, None]
    whole, corner = _axes_of_line(1 / n, bin_index / span / n)
    rest = whole[:, :, 2:]  # (r, b, b - 2) contrasts free of the straight line
    turn = rest / n[:, :, None]
    spread, axes = np.linalg.eigh(turn.transpose(0, 2, 1)[:, None] @ (inner * typical) @ turn[:, None])
    spread = np.maximum(spread, 0.0)[:, :, None]  # (r, l, 1, b - 2)
    part = (rest.transpose(0, 2, 1) @ (y / n)[:, :, None]).transpose(0, 2, 1)[
        :, None
    ] @ axes  # (r, l, 1, b - 2)
    power = AMPLITUDES[:, None] ** 2
    gain = 1 + power * spread  # (r, l, a, b - 2)
    free = (dof + b - 2)[:, None, None]
    square = ((dof * s0**2)[:, None, None] + (part**2 / gain).sum(axis=3)) / free  # (r, l, a)
    log_like = -np.log(gain).sum(axis=3) / 2 - free / 2 * np.log(square)
    share = np.exp(log_like - log_like.max(axis=(1, 2), keepdims=True))
    share[share < NEGLIGIBLE] = 0.0
    share /= share.sum(axis=(1, 2), keepdims=True)
    s2 = square * free / (free - 2)

    steep = whole[:, :, 1] / (corner[:, 1, 1, None] * n)  # weighted least squares
    level = (
        whole[:, :, 0] / (corner[:, 0, 0, None] * n) - (corner[:, 0, 1] / corner[:, 0, 0])[:, None] * steep
    )
    line_only = level[:, None] + (grid / span)[:, None] * steep[:, None]  # (r, g, b)
    there = share.any(axis=(0, 2)).nonzero()[0]
    use = slice(int(there[0]), int(there[-1]) + 1)  # a length between them that has no share adds nothing
    inner, cross = inner[use], cross[use]
    spread, share, s2, part, gain = (x[:, use] for x in (spread, share, s2, part, gain))
    turned = turn[:, None] @ axes[:, use]  # (r, l, b, b - 2)
    by_line = line_only[:, None] @ inner
    columns = (cross - by_line) @ turned  # (r, l, g, b - 2)
    d = 1 / gain  # (r, l, a, b - 2)
    m = power * typical  # (r, 1, a, 1)
    both = m * (d + d**2)
    of_columns = columns * (share[:, :, None] @ both)
    smoother = line_only + (of_columns @ turned.transpose(0, 1, 3, 2)).sum(axis=1)

    def fit_var(weight: FloatArray, size: FloatArray) -> FloatArray:
        """(r, 2) variance of the curve about the smoother's expectation, where two maxima are.

        Args:
            weight, size: (r, 2, g) of each place in a maximum, what its torque is multiplied by.
        """
        asked = weight.any(axis=1)
        many = asked.sum(axis=1)
        # a curve with fewer places than another is asked for some that have no weight
        at = np.sort(np.argsort(~asked, axis=1, kind="stable")[:, : int(many.max())], axis=1)  # (r, p)
        row = np.arange(len(at))[:, None]
        there, line = columns[row, :, at], line_only[row, at]  # (r, p, l, b - 2), (r, p, b)
        there = there.transpose(0, 2, 1, 3)  # (r, l, p, b - 2)
        rest_of = (line @ y[:, :, None] - smoother[row, at] @ y[:, :, None])[:, None]
        curves = there @ (part * both).transpose(0, 1, 3, 2) + rest_of
        twice = there @ (part * (m * d**2)).transpose(0, 1, 3, 2)  # (r, l, p, a)
        known = (by_line[row, :, at] - 2 * cross.transpose(1, 0, 2)[at]).transpose(0, 2, 1, 3)
        alone = 1 + (known * line[:, None]).sum(axis=3)
        left = m * both * (both * spread / typical - 2)
        miss = alone[..., None] * m.transpose(0, 1, 3, 2) + there**2 @ left.transpose(0, 1, 3, 2)
        var = s2[:, :, None] * np.maximum(miss, 0.0) + AGAIN * twice**2 + curves**2
        of_places = (var * share[:, :, None]).sum(axis=(1, 3))[:, None]  # (r, 1, p)
        pick = row[:, None], np.arange(2)[:, None], at[:, None]
        return np.asarray((of_places * size[pick] ** 2 * weight[pick]).sum(axis=2))

    return _Curve(grid, smoother, np.sqrt((share * s2).sum(axis=(1, 2)))[:, None] * n, fit_var)


def _axes_of_line(level: FloatArray, steep: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(Q, R) of the two columns, each (r, b): Q (r, b, b) orthogonal, its first two columns times R (r, 2, 2)
    are they.

    Two reflections (A. S. Householder 1958), written out: a general routine takes longer to begin.
    """
    many, b = level.shape
    q = np.zeros((many, b, b))
    q[:, np.arange(b), np.arange(b)] = 1.0
    corner = np.zeros((many, 2, 2))
    columns = np.stack((level, steep), axis=1)
    for i in range(2):
        v = columns[:, i].copy()
        v[:, :i] = 0.0
        length = -np.copysign(np.sqrt(_dot(v, v)), v[:, i])
        v[:, i] -= length
        twice = (2.0 / _dot(v, v))[:, None, None]
        columns -= (columns @ v[:, :, None] * twice) * v[:, None]
        q -= (q @ v[:, :, None] * twice) * v[:, None]
        corner[:, : i + 1, i] = columns[:, i, : i + 1]
    return q, corner


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """(r,) products of (r, b) and (r, b)."""
    return np.asarray((a[:, None] @ b[:, :, None])[:, 0, 0])


@functools.lru_cache(maxsize=64)
def _trial_scatter(b: int) -> FloatArray:
    """(TRIALS / 2, b) standard normal, to be used with both signs; the same each time."""
    return np.ascontiguousarray(np.random.default_rng(b).standard_normal((b, TRIALS // 2)).T)


@functools.lru_cache(maxsize=64)
def _kernels(span: int, longest: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Matern 7/2 covariances of `LENGTHS` lengths up to `longest`, in bins.

    ((l, span, span) between bins' means, (l, g, span) of a place with a bin's mean, (g,) those places); means
    over a bin by three Gauss-Legendre places.
    """
    node, weight = np.polynomial.legendre.leggauss(3)
    node, weight = node / 2, weight / 2
    bin_index = np.arange(span)
    lag = bin_index[:, None, None] + node[:, None] - node
    grid = np.arange((span - 1) * FINE + 1) / FINE
    apart = grid[:, None, None] - bin_index[:, None] - node
    lengths = np.geomspace(MIN_LENGTH_BINS, longest, LENGTHS)
    rows = [np.einsum("lij,i,j->l", _matern(lag / length), weight, weight) for length in lengths]
    inner = np.stack([row[np.abs(bin_index[:, None] - bin_index)] for row in rows])
    return inner, np.stack([_matern(apart / length) @ weight for length in lengths]), grid


def _matern(distance: FloatArray) -> FloatArray:
    r = np.sqrt(7.0) * np.abs(distance)
    return np.asarray((1 + r + 2 * r**2 / 5 + r**3 / 15) * np.exp(-r))


@dataclass(frozen=True)
class RunTops:
    """The height of several runs' common maximum in each of them."""

    values: FloatArray  # (n,)
    u_model: (
        float  # standard uncertainty that more runs of this scatter would not show: lack of fit, selection
    )
    speed_rpm: float


def peaks_of_runs(centre_rpm: FloatArray, torque_Nm: FloatArray) -> tuple[RunTops, RunTops] | None:
    """(of torque N.m, of power W) of runs of one build; None below two runs or `MIN_BINS` common bins.

    The maximum is that of the runs' mean curve, so a narrow peak is read the better the more runs there are;
    each run's value is the same weighted sum of its own bins.

    Args:
        centre_rpm: (b,) as for `torque_and_power_peak`.
        torque_Nm: (n, b) NaN where a run has no such bin.
    """
    common = np.isfinite(torque_Nm).all(axis=0)
    many, bins = len(torque_Nm), int(common.sum())
    if many < 2 or bins < MIN_BINS:
        return None
    torque = torque_Nm[:, common]
    mean = torque.mean(axis=0)
    level = noise_level(centre_rpm[common], mean)
    near = level > AT_LOAD * float(np.max(level))
    rest = (torque / level)[:, near]
    rest = rest - rest.mean(axis=0) - rest.mean(axis=1, keepdims=True) + rest.mean()
    dof = float((many - 1) * max(int(near.sum()) - 1, 1))
    scatter = float(np.sqrt(np.sum(rest**2) / dof / many))
    tops = torque_and_power_peak(centre_rpm[common], mean, level, scatter, dof)
    if tops is None:
        return None
    a, b = (
        RunTops(t.value + (torque - mean) @ t.weights, float(np.hypot(t.u_fit, t.u_selection)), t.speed_rpm)
        for t in tops
    )
    return a, b


def noise_level(speed_rpm: FloatArray, torque: FloatArray) -> FloatArray:
    """Relative size of a bin's scatter: an engine's turns scatter in proportion to their work.

    A bin that a steady sweep passes holds turns in proportion to its speed (see `bins.turn_level`).
    """
    size = np.abs(torque)
    most = float(np.fmax.reduce(size))  # of what is given
    return np.maximum(size, MIN_LEVEL * most) / np.sqrt(np.maximum(speed_rpm, 1.0))


def short_time_scatter(values: FloatArray, level: FloatArray, per_slice: int) -> tuple[float, float]:
    """(standard deviation of one independent sample over its `level`, degrees of freedom).

    From fourth differences of means over short stretches of time, in which even a narrow peak is smooth: they
    have 70 times the variance of a mean (1 + 16 + 36 + 16 + 1).  Differences overlap; one in three counts.

    Args:
        values, level: (n,) in the order of time; NaN is left out.
        per_slice: samples to a stretch.
    """
    many = values.size // max(per_slice, 1)
    if many < 8:
        return float("nan"), 0.0
    begins = np.arange(0, many * per_slice, per_slice)
    of, by = (np.add.reduceat(v[: many * per_slice], begins) / per_slice for v in (values, level))
    steps = fourth_differences(of) / by[2:-2]
    steps = steps[np.isfinite(steps) & (by[2:-2] > AT_LOAD * np.fmax.reduce(by))]
    if steps.size < 4:
        return float("nan"), 0.0
    return math.sqrt(float(steps @ steps) / steps.size / 70 * per_slice), min(steps.size / 3, MAX_SHORT_DOF)
