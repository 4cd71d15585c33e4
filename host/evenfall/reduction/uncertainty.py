"""Uncertainty, cause by cause: the budget of a run (JCGM 100) and its check by Monte Carlo (JCGM 101)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenfall.model import FloatArray

# The share of each cause's variance that differs from run to run on one bench
# on one day; the rest is common to before and after and cancels in their ratio.
# Common practice, no source, except that span, arm, drive, delay and inertia are the
# same for both runs by construction; friction, jet and vibration that nobody measured are one bench's, and
# hardly change with a few per cent of load.
INDEPENDENT_SHARE = {
    "span": 0.0,
    "span temperature": 0.3,
    "arm": 0.0,
    "linearity": 0.0,
    "hysteresis": 0.0,
    "friction": 0.0,
    "hose": 0.3,
    "jet": 0.05,
    "rectified vibration": 0.05,
    "cell lag": 0.0,
    "drive loss": 0.0,
    "shaft loss": 0.0,
    "zero": 1.0,
    "noise": 1.0,
    "bin scatter": 1.0,
    "vibration": 1.0,
    "alignment": 0.0,
    "inertia": 0.0,
    "air": 0.3,
    "lack of fit": 1.0,
    "selection": 1.0,
}
AT_PEAK = ("lack of fit", "selection")  # causes that only a maximum has; see peak.py
COVERAGE = 1.959963984540054  # two-sided 95 % of a normal distribution


def combine(
    causes: dict[str, FloatArray], scatter: tuple[str, ...] = ()
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(all causes, the part that does not cancel before/after, all but `scatter`): root sum of squares,
    JCGM 100 eq. 10.

    A cause of NaN is not known; then all causes together are not known either.
    """
    names = list(causes)
    square = np.square(np.array(list(causes.values())))
    share = np.array([INDEPENDENT_SHARE[name] for name in names])
    differs = share > 0  # a cause that is not known may be one that cancels
    steady = [i for i, name in enumerate(names) if name not in scatter]
    sums = square.sum(axis=0), share[differs] @ square[differs], square[steady].sum(axis=0)
    return np.sqrt(sums[0]), np.sqrt(sums[1]), np.sqrt(sums[2])


@dataclass(frozen=True)
class Propagated:
    """A result of first-order propagation."""

    value: float
    u: float
    contributions: tuple[float, ...]  # |c_i| u_i, in the order of the inputs
    dof: float  # Welch-Satterthwaite


def propagate(
    model: Callable[..., float],
    inputs: list[float],
    u: list[float],
    dof: list[float] | None = None,
) -> Propagated:
    """First-order propagation of independent inputs through `model(*inputs)`.

    u_c^2 = sum (df/dx_i u_i)^2 (JCGM 100 eq. 10), slopes by central differences
    of one standard uncertainty (5.1.3 note 2: they then include part of the
    curvature); effective degrees of freedom by Welch-Satterthwaite (eq. G.2b).
    """
    value = model(*inputs)
    parts = []
    for i, step in enumerate(u):
        if step == 0:
            parts.append(0.0)
            continue
        up, down = list(inputs), list(inputs)
        up[i] += step
        down[i] -= step
        parts.append(abs(model(*up) - model(*down)) / 2)
    total = float(np.sqrt(sum(p * p for p in parts)))
    bottom = sum(p**4 / d for p, d in zip(parts, dof or [np.inf] * len(u), strict=True) if p)
    return Propagated(value, total, tuple(parts), float(total**4 / bottom) if bottom else float("inf"))


def propagate_distributions(
    model: Callable[..., FloatArray], trials: list[FloatArray], coverage: float = 0.95
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Monte Carlo propagation, JCGM 101 clause 7.

    Args:
        model: takes one value of each input, returns an array.
        trials: per input, (m,) values drawn from its distribution.

    Returns (mean, standard uncertainty, low, high) with the probabilistically
    symmetric coverage interval (7.7.2).
    """
    results = np.array([model(*row) for row in zip(*trials, strict=True)], float)
    tail = (1 - coverage) / 2
    low, high = np.quantile(results, (tail, 1 - tail), axis=0)
    return results.mean(axis=0), results.std(axis=0, ddof=1), low, high
