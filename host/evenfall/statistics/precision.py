"""Repeatability and reproducibility, how sharp a test is, and how many runs it takes.

Sources: ISO 5725-2 (s_r, s_L, s_R, r = 2.8 s_r, Grubbs' test at 1 % and 5 %); noncentral t for the power
of a test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy  # scipy.stats loads at its first use: listing runs does not wait for it

from evenfall.errors import InputError
from evenfall.model import FloatArray

LEVEL = 0.05  # two-sided: intervals are 95 %
REPEATABILITY_FACTOR = 2.8  # ISO 5725-2 and -6: 1.96 * sqrt(2), rounded as the standard rounds it
MAX_RUNS_ADVISED = 60  # beyond this "more runs" is no honest advice


@dataclass(frozen=True)
class Precision:
    """Repeatability (within a session) and reproducibility over sessions, in the unit of the data."""

    mean: float
    s_r: float
    s_L: float
    s_R: float
    dof_r: int

    @property
    def r(self) -> float:
        return REPEATABILITY_FACTOR * self.s_r

    @property
    def R(self) -> float:
        return REPEATABILITY_FACTOR * self.s_R


def precision(sessions: Sequence[FloatArray]) -> Precision:
    """s_r, s_L and s_R from repeated values in several sessions (ISO 5725-2, 7.4.4 and 7.4.5).

    A session here takes the part of the standard's laboratory: same bench and engine, another day.
    With one session s_L is NaN.  A negative estimate of the variance between sessions is set to
    zero, as the standard does.
    """
    groups = [np.asarray(s, float) for s in sessions if len(s)]
    n = np.array([len(g) for g in groups])
    if not len(groups) or n.sum() - len(groups) < 1:
        raise InputError("repeatability needs at least two runs in one session")
    means = np.array([g.mean() for g in groups])
    grand = float((n * means).sum() / n.sum())
    dof = int((n - 1).sum())
    s_r2 = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / dof
    if len(groups) < 2:
        return Precision(grand, float(np.sqrt(s_r2)), np.nan, np.nan, dof)
    s_d2 = float((n * (means - grand) ** 2).sum()) / (len(groups) - 1)
    n_bar = (n.sum() - (n**2).sum() / n.sum()) / (len(groups) - 1)
    s_L2 = max(0.0, (s_d2 - s_r2) / n_bar)
    return Precision(grand, float(np.sqrt(s_r2)), float(np.sqrt(s_L2)), float(np.sqrt(s_r2 + s_L2)), dof)


def grubbs_critical(n: int, level: float) -> float:
    """Largest |x - mean| / s that `n` values of one normal population show, but for `level` of cases.

    F. E. Grubbs, Technometrics 11 (1969); the same numbers as the table of ISO 5725-2 for one outlier.
    """
    t = scipy.stats.t.ppf(1 - level / (2 * n), n - 2)
    return float((n - 1) / np.sqrt(n) * np.sqrt(t**2 / (n - 2 + t**2)))


def power_of_test(gain_relative: float, s_relative: float, n: int) -> float:
    """Chance that `n` runs in each group show a true gain as real (two-sided 5 %, noncentral t)."""
    if n < 2:
        return 0.0
    dof = 2 * n - 2
    t = float(scipy.special.stdtrit(dof, 1 - LEVEL / 2))
    shift = abs(gain_relative) / (s_relative * np.sqrt(2 / n))
    if shift > t + 10:  # as good as certain; the series of the noncentral t ends there
        return 1.0
    return float(1 - scipy.special.nctdtr(dof, shift, t) + scipy.special.nctdtr(dof, shift, -t))


def runs_needed(gain_relative: float, s_relative: float, chance: float = 0.8) -> int | None:
    """Runs in each group so that a true gain shows with `chance`; None beyond MAX_RUNS_ADVISED."""
    if not np.isfinite(s_relative) or gain_relative == 0:
        return None
    if s_relative <= 0:
        return 2
    for n in range(2, MAX_RUNS_ADVISED + 1):
        if power_of_test(gain_relative, s_relative, n) >= chance:
            return n
    return None


def decidable(n: int, s_relative: float, chance: float = 0.8) -> float:
    """The smallest relative gain that `n` runs in each group show with `chance`; NaN below two runs."""
    if n < 2 or not np.isfinite(s_relative):
        return np.nan
    dof = 2 * n - 2
    t = scipy.special.stdtrit(dof, 1 - LEVEL / 2)
    # the chance of a gain that shows as a loss is left out: below 1 in 10,000 here
    return float(scipy.special.nctdtrinc(dof, 1 - chance, t) * s_relative * np.sqrt(2 / n))
