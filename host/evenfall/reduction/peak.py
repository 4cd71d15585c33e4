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
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenfall.model import FloatArray, IntArray
from evenfall.reduction.align import median
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


def torque_and_power_peak(
    centre_rpm: FloatArray, torque_Nm: FloatArray, shape: FloatArray, scatter: float, dof: float
) -> tuple[Top, Top] | None:
    """(of torque N.m, of power W); None where fewer than `MIN_BINS` bins are given.

    Args:
        centre_rpm: (b,) rising, whole numbers of bins apart; the means are over whole bins.
        torque_Nm: (b,) NaN where a bin is not given.
        shape: (b,) relative size of the bins' independent scatter.
        scatter: standard deviation of a bin's torque over its `shape`, N.m, with `dof` degrees of freedom.
    """
    given = np.flatnonzero(np.isfinite(torque_Nm) & np.isfinite(shape))
    if given.size < MIN_BINS:
        return None
    width = float((centre_rpm[1:] - centre_rpm[:-1]).min())
    bin_index = np.rint((centre_rpm[given] - centre_rpm[given[0]]) / width).astype(np.int64)
    y = torque_Nm[given]
    n = np.maximum(shape[given], LOWEST_SCATTER * float(np.max(shape[given])))
    curve = _smoothed(bin_index, y, n, max(scatter, 1e-9 * float(np.max(np.abs(y)))), dof, width)
    heights = np.ascontiguousarray(curve.smoother.T)  # (b, g)
    f = y @ heights
    scattered = (_trial_scatter(y.size) * curve.scatter) @ heights
    of_power = (centre_rpm[given[0]] + curve.grid * width) * RPM
    sizes = np.array((np.ones_like(f), of_power))
    maxima = _maximum_of_trials(f * sizes, scattered * sizes[:, None])
    at = np.flatnonzero((maxima[0][0] != 0) | (maxima[1][0] != 0))
    fit_var = np.zeros(f.size)
    fit_var[at] = curve.fit_var(at)
    tops = []
    for (share, value, lost), size in zip(maxima, sizes, strict=True):
        by = (share * size) @ curve.smoother
        weights = np.zeros(centre_rpm.size)
        weights[given] = by
        tops.append(
            Top(
                value,
                float(centre_rpm[given[0]] + float(curve.grid @ share) * width),
                weights,
                NEIGHBOURS * math.sqrt(float(np.sum((by * curve.scatter) ** 2))),
                math.sqrt(max(0.0, float((fit_var * size**2) @ share))),
                lost,
            )
        )
    return tops[0], tops[1]


def _maximum_of_trials(f: FloatArray, scattered: FloatArray) -> list[tuple[FloatArray, float, float]]:
    """((g,) weight of each place in the maximum, its mean height without scatter, what its place may cost).

    A maximum lies between the places of the curve: at the top of the parabola through three of them.  The
    last is a root mean square of how much lower than its highest the curve is where the trials have theirs.

    Args:
        f: (k, g) curves; one result each.
        scattered: (k, TRIALS / 2, g) what scatter makes of them; each trial counts with both signs.
    """
    k, half, g = scattered.shape
    seen = np.empty((k, 2, half, g))
    np.add(f[:, None], scattered, out=seen[:, 0])
    np.subtract(f[:, None], scattered, out=seen[:, 1])
    seen = seen.reshape(k, TRIALS, g)
    top = seen.argmax(axis=2)
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
    cost = np.sqrt((lost * lost).sum(axis=1) / TRIALS)
    return list(zip(share, other.mean(axis=1).tolist(), cost.tolist(), strict=True))


@dataclass(frozen=True)
class _Curve:
    """A linear smoother of the bins and what it leaves open."""

    grid: FloatArray  # (g,) bins from the first given one
    smoother: FloatArray  # (g, b)
    scatter: FloatArray  # (b,) standard deviation of each bin
    fit_var: Callable[[IntArray], FloatArray]  # of the curve about the smoother's expectation, at places


def _smoothed(
    bin_index: IntArray, y: FloatArray, n: FloatArray, s0: float, dof: float, width: float
) -> _Curve:
    """Average of the smoothers of all length scales and amplitudes, by their restricted likelihood.

    With T = n^-1 rest axes, scatter's inverse on what is no straight line is T T' / gain; T' n^2 T = 1 and
    T' (bins' covariance) T = gain - 1.  A smoother is `power H T (d + d^2) T' + line` with d = 1 / gain (its
    second term is the twicing) and H the covariance with a bin that the line does not explain.
    So every amplitude of one length is a weighted sum over the same columns.  What lack of fit leaves open
    is worked out only where it is asked for: at the places where a maximum falls.
    """  # longer than 60 lines with what the places asked for need of it
    b, span = bin_index.size, int(bin_index[-1]) + 1
    longest = max(MAX_LENGTH_RPM / width, 4 * MIN_LENGTH_BINS)
    inner, cross = _kernels(span, longest)  # (l, span, span), (l, g, span)
    if b < span:
        inner, cross = inner[:, bin_index[:, None], bin_index], cross[:, :, bin_index]
    typical = median(n) ** 2
    whole, corner = _axes_of_line(1 / n, bin_index / span / n)
    rest = whole[:, 2:]  # contrasts free of the straight line
    turn = rest / n[:, None]
    spread, axes = np.linalg.eigh(turn.T @ (inner * typical) @ turn)
    spread = np.maximum(spread, 0.0)
    part = ((rest.T @ (y / n)) @ axes)[:, None, :]  # (l, 1, b - 2)
    gain = 1 + AMPLITUDES[:, None] ** 2 * spread[:, None, :]  # (l, a, b - 2)
    free = dof + b - 2
    square = (dof * s0**2 + (part**2 / gain).sum(axis=2)) / free  # (l, a)
    log_like = -np.log(gain).sum(axis=2) / 2 - free / 2 * np.log(square)
    share = np.exp(log_like - log_like.max())
    share[share < NEGLIGIBLE] = 0.0
    share /= share.sum()
    s2 = square * free / (free - 2)

    grid = np.arange((span - 1) * FINE + 1) / FINE
    steep = whole[:, 1] / (corner[1, 1] * n)  # weighted least squares
    level = whole[:, 0] / (corner[0, 0] * n) - corner[0, 1] / corner[0, 0] * steep
    line_only = level + (grid / span)[:, None] * steep
    there = np.flatnonzero(share.any(axis=1))
    use = slice(int(there[0]), int(there[-1]) + 1)  # a length between them that has no share adds nothing
    inner, cross, spread, share, s2 = inner[use], cross[use], spread[use], share[use], s2[use]
    turned = turn @ axes[use]  # (l, b, b - 2)
    by_line = line_only @ inner
    columns = (cross - by_line) @ turned  # (l, g, b - 2)
    d = 1 / gain[use]  # (l, a, b - 2)
    m = AMPLITUDES[:, None] ** 2 * typical
    both = m * (d + d**2)
    smoother = line_only + ((columns * (share[:, None] @ both)) @ turned.transpose(0, 2, 1)).sum(axis=0)

    def fit_var(at: IntArray) -> FloatArray:
        """(p,) at places (p,) of the grid."""
        there, line = columns[:, at], line_only[at]
        curves = there @ (part[use] * both).transpose(0, 2, 1) + (line @ y - smoother[at] @ y)[:, None]
        twice = there @ (part[use] * (m * d**2)).transpose(0, 2, 1)  # (l, p, a)
        alone = 1 + ((by_line[:, at] - 2 * cross[:, at]) * line).sum(axis=2)
        left = m * both * (both * spread[:, None] / typical - 2)
        miss = alone[..., None] * m[:, 0] + there**2 @ left.transpose(0, 2, 1)
        var = s2[:, None] * np.maximum(miss, 0.0) + AGAIN * twice**2 + curves**2
        return np.asarray((var * share[:, None]).sum(axis=(0, 2)))

    return _Curve(grid, smoother, math.sqrt(float((share * s2).sum())) * n, fit_var)


def _axes_of_line(level: FloatArray, steep: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(Q, R) of the two columns (b,): Q (b, b) orthogonal, its first two columns times R (2, 2) are they.

    Two reflections (A. S. Householder 1958), written out: a general routine takes longer to begin.
    """
    q = np.identity(level.size)
    corner = np.zeros((2, 2))
    columns = np.array((level, steep))
    for i in range(2):
        v = columns[i].copy()
        v[:i] = 0.0
        length = -math.copysign(math.sqrt(float(v @ v)), float(v[i]))
        v[i] -= length
        twice = 2.0 / float(v @ v)
        columns -= np.multiply.outer(columns @ v * twice, v)
        q -= np.multiply.outer(q @ v * twice, v)
        corner[: i + 1, i] = columns[i, : i + 1]
    return q, corner


@functools.lru_cache(maxsize=64)
def _trial_scatter(b: int) -> FloatArray:
    """(TRIALS / 2, b) standard normal, to be used with both signs; the same each time."""
    return np.ascontiguousarray(np.random.default_rng(b).standard_normal((b, TRIALS // 2)).T)


@functools.lru_cache(maxsize=64)
def _kernels(span: int, longest: float) -> tuple[FloatArray, FloatArray]:
    """Matern 7/2 covariances of `LENGTHS` lengths up to `longest`, in bins.

    ((l, span, span) between bins' means, (l, g, span) of a place with a bin's mean); means over a bin by
    three Gauss-Legendre places.
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
    return inner, np.stack([_matern(apart / length) @ weight for length in lengths])


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
    steps = np.convolve(of, (1, -4, 6, -4, 1), "valid") / by[2:-2]
    steps = steps[np.isfinite(steps) & (by[2:-2] > AT_LOAD * np.fmax.reduce(by))]
    if steps.size < 4:
        return float("nan"), 0.0
    return math.sqrt(float(steps @ steps) / steps.size / 70 * per_slice), min(steps.size / 3, MAX_SHORT_DOF)
