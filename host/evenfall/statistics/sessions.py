"""The gain of one group of runs over another when runs were made in sessions and in an order.

    y = m + gain * after + drift * position + session + air + e

`position` is a run's in its session, `session` an offset that all runs of one session share, `air` one that
all runs corrected by one reading of the air share within a session, e the repeatability.  Generalised
least squares with a fixed slope in time is analysis of covariance where groups alternate within a session;
where they lie in different sessions the session's offset cannot be told from the gain and enters by what is
known of this bench.  Degrees of freedom after Satterthwaite.

Few sessions know their scatter poorly, and a difference of mean squares, cut off at zero, falls short in
half of all cases.  How far the mean square between sessions is enlarged is worked out for the comparison at
hand, so that, whatever the sessions' true scatter, no more than `MAX_FALSE_CLAIMS` of gains that are none
come out real; the interval is never narrower than what the runs' own scatter gives.

Sources: ISO 5725-2 (variance between laboratories, here sessions); F. E. Satterthwaite, Biometrics
Bulletin 2, 1946; level of a test held over an unknown ratio of variances, B. L. Welch, Biometrika 34, 1947
(from memory); linear model as in statsmodels.  Interleaved order against drift: D. R. Cox, Planning of
Experiments, 1958 (from memory).
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from evenfall.errors import InputError
from evenfall.model import FloatArray, IntArray

SESSION_GAP_S = 4 * 3600  # runs further apart belong to two sessions, where nobody filed them
PRIOR_SESSION_S = 0.003  # relative, between sessions, while this bench has not shown its own; common
PRIOR_SESSION_DOF = 3.0  # practice, no source
MAX_FALSE_CLAIMS = 0.055  # claims at no gain, by a test at 5 %, at the ratio of variances where they are most
MAX_ENLARGED = 50.0  # times the mean square between sessions


@dataclass(frozen=True)
class MeanSquares:
    """Of the runs of builds that were run in several sessions, relative (ISO 5725-2, 7.4)."""

    between: float
    within: float
    within_dof: float
    runs: float  # of a session, in the mean


@dataclass(frozen=True)
class Scatter:
    """A relative standard deviation and the degrees of freedom it rests on."""

    s: float
    dof: float
    shown: MeanSquares | None = None  # what it comes from, where a bench's own sessions gave it


@dataclass(frozen=True)
class Design:
    """How the runs of two groups were made; every array is (n,)."""

    after: FloatArray  # 0 before, 1 after
    session: IntArray
    order: FloatArray | None  # in the session, from 0; None where the times are not known
    air: IntArray  # which reading of the air
    air_u: FloatArray  # its relative standard uncertainty

    @property
    def confounded(self) -> bool:
        """No session holds runs of both groups: a session's offset looks like a gain."""
        return not any(len(set(self.after[self.session == s])) == 2 for s in set(self.session.tolist()))

    @property
    def interleaved(self) -> bool:
        """Groups alternate within a session, so that a drift hardly looks like a gain."""
        if self.order is None or self.confounded:
            return False
        position = np.column_stack([self.session == s for s in np.unique(self.session)]).astype(float)
        inside = [
            v - position @ np.linalg.lstsq(position, v, rcond=None)[0] for v in (self.after, self.order)
        ]
        size = np.sqrt((inside[0] @ inside[0]) * (inside[1] @ inside[1]))
        return bool(size > 0 and abs(inside[0] @ inside[1]) < 0.5 * size)


@dataclass(frozen=True)
class GainFit:
    """Per column of the values; gain and drift in their unit.  NaN where the runs do not tell."""

    before: FloatArray  # (k,) mean of the group before, at the common mean place
    gain: FloatArray
    u: FloatArray  # standard uncertainty of the gain, calibration apart
    dof: FloatArray
    s_run: FloatArray  # repeatability: standard deviation of one run
    dof_run: int
    drift: FloatArray  # per run; NaN where it is not in the model
    drift_u: FloatArray


def session_numbers(started_unix_s: Sequence[int], filed: Sequence[int | None]) -> IntArray:
    """The session of each run, as filed; runs that are not filed are told apart by gaps in time."""
    out = np.zeros(len(started_unix_s), np.int64)
    names: dict[object, int] = {}
    last, unfiled = -(10**12), 0
    for i in np.argsort(np.asarray(started_unix_s), kind="stable"):
        own: object = filed[i]
        if own is None:
            unfiled += started_unix_s[i] - last > SESSION_GAP_S
            own = ("gap", unfiled)
            last = started_unix_s[i]
        out[i] = names.setdefault(own, len(names))
    return out


def run_order(started_unix_s: Sequence[int], session: IntArray) -> FloatArray | None:
    """Place of each run in its session by time; None when a time is not known or two runs share one."""
    at = np.asarray(started_unix_s, float)
    if (at <= 0).any():
        return None
    out = np.zeros(at.size)
    for s in np.unique(session):
        inside = np.flatnonzero(session == s)
        if np.unique(at[inside]).size < inside.size:
            return None
        out[inside[np.argsort(at[inside])]] = np.arange(inside.size)
    return out


def session_scatter(history: Sequence[Sequence[FloatArray]], mean: float = 1.0) -> Scatter | None:
    """Scatter between sessions from builds that were run in several (ISO 5725-2, 7.4; pooled over builds).

    `history`: per build its sessions, per session the runs' values relative to `mean`.  None when no build
    was run in two sessions.
    """
    between = within = 0.0
    dof_b = dof_w = 0
    sizes = []
    for build in history:
        groups = [np.asarray(g, float) / mean for g in build if len(g)]
        if len(groups) < 2:
            continue
        n = np.array([g.size for g in groups])
        means = np.array([g.mean() for g in groups])
        grand = float((n * means).sum() / n.sum())
        between += float((n * (means - grand) ** 2).sum())
        within += sum(float(((g - g.mean()) ** 2).sum()) for g in groups)
        dof_b += len(groups) - 1
        dof_w += int((n - 1).sum())
        sizes += [(n.sum() - (n**2).sum() / n.sum()) / (len(groups) - 1)] * (len(groups) - 1)
    if not dof_b:
        return None
    n_bar = float(np.mean(sizes))
    ms_b, ms_w = between / dof_b, within / dof_w if dof_w else 0.0
    if not ms_b:
        return Scatter(0.0, float(dof_b))
    # Few sessions that agree by chance prove little: instead of the difference of mean squares, cut off at
    # zero, the median of what the expected mean square may be, given that it is no less than that of runs
    # (a chi-squared posterior, G. E. P. Box and G. C. Tiao, Bayesian Inference, 1973, 5.2; from memory).
    below = scipy.special.chdtr(dof_b, dof_b * ms_b / ms_w) if ms_w else 1.0
    expected = dof_b * ms_b / (2 * scipy.special.gammaincinv(dof_b / 2, below / 2))
    shown = MeanSquares(ms_b, ms_w, float(dof_w), n_bar) if ms_w else None
    return Scatter(float(np.sqrt(max(0.0, expected - ms_w) / n_bar)), float(dof_b), shown)


def assumed_scatter(own: Scatter | None) -> Scatter:
    """Between sessions: this bench's own; what it lacks to PRIOR_SESSION_DOF is filled from the prior."""
    own = own or Scatter(0.0, 0.0)
    if own.dof >= PRIOR_SESSION_DOF:
        return own
    lacks = max(0.0, PRIOR_SESSION_DOF - own.dof)
    dof = own.dof + lacks
    return Scatter(float(np.sqrt((own.dof * own.s**2 + lacks * PRIOR_SESSION_S**2) / dof)), dof)


def fit_gain(
    values: FloatArray, design: Design, between: Scatter, fallback: Scatter | None = None
) -> GainFit:
    """Gain of after over before for each column of `values` (n, k); NaN marks a run without that value.

    `between`: scatter between sessions.  `fallback`: repeatability used where the runs leave no degree of
    freedom to find their own.  Raises InputError when a group is empty.
    """
    if not 0 < design.after.sum() < design.after.size:
        raise InputError("a comparison needs at least one run before and one after")
    k = values.shape[1]
    empty = np.full((7, k), np.nan)
    out = GainFit(empty[0], empty[1], empty[2], empty[3], empty[4], 0, empty[5], empty[6])
    found = np.isfinite(values)
    most = 0
    for pattern in np.unique(found, axis=1).T:
        columns = np.flatnonzero((found == pattern[:, None]).all(axis=0))
        if 0 < design.after[pattern].sum() < pattern.sum():
            block = values[np.ix_(pattern, columns)]
            most = max(most, _fit(block, design, pattern, columns, between, fallback, out))
    return GainFit(out.before, out.gain, out.u, out.dof, out.s_run, most, out.drift, out.drift_u)


def _fit(
    y: FloatArray,
    design: Design,
    use: FloatArray,
    columns: IntArray,
    between: Scatter,
    fallback: Scatter | None,
    out: GainFit,
) -> int:
    """The model on runs that all have these columns; writes into `out`, returns the degrees of freedom."""
    n = y.shape[0]
    after, session = design.after[use], design.session[use]
    own = np.column_stack([session == s for s in np.unique(session)]).astype(float)
    air_key = session * (design.air.max() + 1) + design.air[use]
    air = np.column_stack([air_key == a for a in np.unique(air_key)]).astype(float)
    air_var = np.array([np.mean(design.air_u[use][air_key == a] ** 2) for a in np.unique(air_key)])
    if air.shape[1] == own.shape[1]:  # one reading a session: its error is part of the session's offset
        air_var = np.zeros_like(air_var)
    X = np.column_stack([np.ones(n), after])
    if design.order is not None:
        position = design.order[use] - design.order[use].mean()
        timed = np.column_stack([X, position])
        if _rank(timed) == 3 and n - _rank(np.column_stack([timed, own])) >= 1:
            X = timed
    full = np.column_stack([X, own])
    dof = n - _rank(full)
    mean = np.abs(y.mean(axis=0))
    if dof:
        left = y - full @ np.linalg.lstsq(full, y, rcond=None)[0]
        s_r, dof_r = np.sqrt((left**2).sum(axis=0) / dof), float(dof)
    elif fallback is not None:
        s_r, dof_r = fallback.s * mean, fallback.dof
    else:
        return 0
    s_r = np.maximum(s_r, 1e-9 * mean)
    for column, level, run_s, data in zip(columns, mean, s_r, y.T, strict=True):
        var_L = (between.s * level) ** 2
        V = run_s**2 * np.eye(n) + var_L * own @ own.T + (air * air_var) @ air.T * level**2
        VX = np.linalg.solve(V, X)
        weights = VX @ np.linalg.inv(X.T @ VX)  # (n, p): the share of each run in each estimate
        fitted = data @ weights
        share = weights[:, 1]
        p, q = float(share @ share), float(((own.T @ share) ** 2).sum())
        if between.shown and q > 1e-9 * p:
            var_L = level**2 * _session_variance(between.shown, q / p, between.dof, dof_r)
        parts = run_s**2 * p, var_L * q
        var = sum(parts) + level**2 * float(air_var @ (air.T @ share) ** 2)
        out.before[column] = fitted[0]
        out.gain[column] = fitted[1]
        out.u[column] = np.sqrt(var)
        out.dof[column] = var**2 / (parts[0] ** 2 / dof_r + parts[1] ** 2 / between.dof)
        out.s_run[column] = run_s
        if X.shape[1] == 3:
            out.drift[column] = fitted[2]
            out.drift_u[column] = run_s * np.linalg.norm(weights[:, 2])
    return dof


def _session_variance(shown: MeanSquares, ratio: float, dof: float, dof_run: float) -> float:
    """Between sessions, relative, for a gain whose variance is that of runs plus `ratio` times this."""
    weight = float(f"{ratio / shown.runs:.2g}")
    enlarged = _enlarged(weight, dof, shown.within_dof, dof_run)
    return max(0.0, enlarged * shown.between - shown.within) / shown.runs


@functools.lru_cache(maxsize=1024)
def _enlarged(weight: float, dof: float, dof_within: float, dof_run: float) -> float:
    """Factor on the mean square between sessions that holds false claims at `MAX_FALSE_CLAIMS`.

    In units of the variance that the runs' scatter gives the gain, that of the sessions is `weight` times
    (expected mean square between sessions / within - 1).  `dof`, `dof_within`: of these mean squares,
    `dof_run`: of the repeatability of the runs compared.
    """
    middle = (np.arange(80) + 0.5) / 80
    seen = scipy.special.fdtri(dof, dof_within, middle)[:, None]  # the ratio of mean squares, where it is one
    run = 2 * scipy.special.gammaincinv(dof_run / 2, middle[2::5]) / dof_run  # their variance, as found
    excess = np.concatenate(([0.0], np.geomspace(0.1, 100.0, 11)))[:, None, None]  # the true ratio, less one

    def most(enlarged: float) -> float:
        found = weight * np.maximum(0.0, enlarged * seen * (1 + excess) - 1)
        var = run + found
        free = var**2 / (run**2 / dof_run + found**2 / dof)
        limit = scipy.special.stdtrit(free, 0.975) * np.sqrt(var / (1 + weight * excess))
        return float(2 * scipy.special.ndtr(-limit).mean(axis=(1, 2)).max()) - MAX_FALSE_CLAIMS

    if most(1.0) <= 0:
        return 1.0
    if most(MAX_ENLARGED) >= 0:
        return MAX_ENLARGED
    return float(scipy.optimize.brentq(most, 1.0, MAX_ENLARGED, xtol=1e-3))


def _rank(matrix: FloatArray) -> int:
    return int(np.linalg.matrix_rank(matrix))


def smallest_shown(u: float, dof: float, chance: float = 0.8, level: float = 0.05) -> float:
    """The true gain that comes out real with that chance, in the unit of `u` (noncentral t)."""
    if not (np.isfinite(u) and np.isfinite(dof) and u > 0):
        return float("nan")
    t = float(scipy.special.stdtrit(dof, 1 - level / 2))
    # the noncentral t as a normal over a chi: its own series fails where dof is small and the shift large
    probability = (np.arange(400) + 0.5) / 400
    bar = t * np.sqrt(2 * scipy.special.gammaincinv(dof / 2, probability) / dof)

    def short(shift: float) -> float:
        return float(np.mean(scipy.special.ndtr(shift - bar) + scipy.special.ndtr(-shift - bar))) - chance

    return u * float(scipy.optimize.brentq(short, 0.0, 2 * t + 12))
