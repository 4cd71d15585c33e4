"""Is the bench the same as last week?  A reference engine's sessions on a control chart.

One point is the mean peak power of one session.  Sessions of a bench differ by more than the runs within
them do, so the width of the chart comes from the scatter of the sessions, not from that inside one.  A few
sessions know that scatter badly, and limits of three such sigma would raise a false alarm for one new
session in twenty.  So each session is held against the others by Student's t and then moved to the normal
scale, where the rules have their stated rates however few sessions there are (the Q chart: C. P.
Quesenberry, Journal of Quality Technology 23, 1991, from memory).

Rules (tests 1, 2, 3 and 5 of L. S. Nelson, Journal of Quality Technology 16, 1984; the same kind as
in ISO 7870-2), each stated in `RULES`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy  # scipy.stats loads at its first use: listing runs does not wait for it

from evenfall.errors import InputError
from evenfall.model import FloatArray, IntArray
from evenfall.statistics.precision import LEVEL, Precision, precision

MIN_SESSIONS = 5
DAY_S = 86_400
WEEK_DAYS = (4.0, 10.0)  # what counts as "a week later"

RULES = {
    "beyond three sigma": "one session beyond three sigma",
    "nine on one side": "nine sessions in a row on one side of the centre",
    "six in one direction": "six sessions in a row, each higher (or each lower) than the one before",
    "two of three beyond two sigma": "two of three sessions in a row beyond two sigma on the same side",
}


@dataclass(frozen=True)
class Session:
    """Peak power of the reference engine's runs on one day, in watts."""

    label: str
    started_unix_s: int
    peak_power_W: FloatArray


@dataclass(frozen=True)
class Alarm:
    """A rule that a session broke."""

    index: int
    rule: str
    sentence: str


@dataclass(frozen=True)
class Chart:
    """Sessions in order of time, the lines of the chart, and what it says."""

    sessions: tuple[Session, ...]
    mean_W: FloatArray
    centre_W: float
    sigma_W: float  # standard deviation of the baseline's sessions
    limits_W: tuple[float, float]  # half-widths that a new session keeps in 95.4 % and 99.7 % of cases
    z: FloatArray  # each session on the normal scale
    baseline: int  # sessions, from the first, that the lines rest on
    alarms: tuple[Alarm, ...]
    precision: Precision | None  # None while no session holds two runs
    week_pairs: int
    week_limit_relative: float  # two sessions a week apart differ by less, 19 times in 20; NaN unknown
    newest_session_sentence: str


def control_chart(sessions: Sequence[Session], baseline: int | None = None) -> Chart:
    """The chart of a reference engine.

    `baseline`: how many of the first sessions fix centre and sigma (default: all but the newest, so
    that today is judged against history).  Raises InputError below MIN_SESSIONS + 1 sessions.
    """
    ordered = tuple(sorted((s for s in sessions if len(s.peak_power_W)), key=lambda s: s.started_unix_s))
    have = len(ordered)
    if have < MIN_SESSIONS + 1:
        raise InputError(
            f"a control chart needs {MIN_SESSIONS + 1} sessions of the reference engine, "
            f"there are {have}; run it at the start of each day"
        )
    n = have - 1 if baseline is None else baseline
    if not MIN_SESSIONS <= n <= have:
        raise InputError(f"the baseline must hold {MIN_SESSIONS} to {have} sessions, not {n}")
    means = np.array([float(np.mean(s.peak_power_W)) for s in ordered])
    centre = float(means[:n].mean())
    sigma = float(means[:n].std(ddof=1))
    z = on_normal_scale(means, n)
    several = [s.peak_power_W for s in ordered]
    known = any(len(v) > 1 for v in several)
    pairs, limit = _week_later(ordered, means)
    return Chart(
        sessions=ordered,
        mean_W=means,
        centre_W=centre,
        sigma_W=sigma,
        limits_W=(new_session_limit(sigma, n, 2.0), new_session_limit(sigma, n, 3.0)),
        z=z,
        baseline=n,
        alarms=tuple(broken_rules(z, 0.0, 1.0, [s.label for s in ordered])),
        precision=precision(several) if known else None,
        week_pairs=pairs,
        week_limit_relative=limit,
        newest_session_sentence=_newest_session(means, ordered[-1].label),
    )


def new_session_limit(s: float, n: int, k: float) -> float:
    """Half-width around the mean of `n` values of standard deviation `s` that the next one keeps as often as
    a normal value keeps k sigma (prediction interval: G. J. Hahn and W. Q. Meeker, Statistical Intervals)."""
    return float(scipy.special.stdtrit(n - 1, scipy.special.ndtr(k)) * s * np.sqrt(1 + 1 / n))


def on_normal_scale(values: FloatArray, baseline: int) -> FloatArray:
    """Each value as the normal deviate of the same probability, judged against the first `baseline` values.

    A value of the baseline is judged against the baseline's others.  Exactly standard normal for a level
    bench, whatever `baseline` is; 0 throughout where the baseline does not scatter at all.
    """
    values = np.asarray(values, float)
    z = np.zeros(values.size)
    for i, x in enumerate(values):
        others = np.delete(values[:baseline], i) if i < baseline else values[:baseline]
        s = others.std(ddof=1)
        if s > 0:
            t = (x - others.mean()) / (s * np.sqrt(1 + 1 / others.size))
            tail = scipy.special.stdtr(others.size - 1, -abs(t))
            z[i] = -np.sign(t) * scipy.special.ndtri(max(tail, 1e-300))
    return z


def broken_rules(values: FloatArray, centre: float, sigma: float, labels: Sequence[str]) -> list[Alarm]:
    """Every place at which one of RULES is broken, in order; each rule once per place."""
    z = (np.asarray(values, float) - centre) / sigma if sigma > 0 else np.zeros(len(values))
    found = []
    for i in range(len(z)):
        for rule, broken in (
            ("beyond three sigma", abs(z[i]) > 3),
            ("nine on one side", i >= 8 and abs(int(np.sign(z[i - 8 : i + 1]).sum())) == 9),
            ("six in one direction", i >= 5 and abs(int(np.sign(np.diff(z[i - 5 : i + 1])).sum())) == 5),
            ("two of three beyond two sigma", i >= 1 and _two_of_three(z[max(0, i - 2) : i + 1])),
        ):
            if broken:
                found.append(
                    Alarm(
                        i,
                        rule,
                        f"{labels[i]}: {RULES[rule]} ({z[i]:+.1f} sigma); check weight, hoses, chain, air",
                    )
                )
    return found


def _two_of_three(z: FloatArray) -> bool:
    """The newest of up to three lies beyond two sigma, and another on the same side does."""
    side = np.sign(z[-1])
    return bool(abs(z[-1]) > 2 and (z * side > 2).sum() >= 2)


def _newest_session(means: FloatArray, label: str) -> str:
    """The newest session against those before it, by a prediction interval (Student's t)."""
    before, today = means[:-1], means[-1]
    centre, s = before.mean(), before.std(ddof=1)
    half = float(scipy.stats.t.ppf(1 - LEVEL / 2, len(before) - 1) * s * np.sqrt(1 + 1 / len(before)))
    off = 100 * (today / centre - 1)
    width = 100 * half / centre
    where = "within" if abs(today - centre) <= half else "OUTSIDE"
    return (
        f"{label}: {off:+.2f} % against the {len(before)} sessions before, {where} the ± {width:.2f} % "
        "that a new session keeps 19 times in 20"
    )


def _week_later(sessions: Sequence[Session], means: FloatArray) -> tuple[int, float]:
    """Pairs of sessions about a week apart, and the limit their difference keeps (relative).

    The limit is 2.8 times the standard deviation of one session mean, taken from the differences of
    the pairs (ISO 5725-6: critical difference of two values).
    """
    pairs: list[tuple[int, int]] = []
    at = np.array([s.started_unix_s for s in sessions]) / DAY_S
    for i in range(len(sessions)):
        later: IntArray = np.flatnonzero((at - at[i] >= WEEK_DAYS[0]) & (at - at[i] <= WEEK_DAYS[1]))
        if len(later):
            pairs.append((i, int(later[np.argmin(np.abs(at[later] - at[i] - 7))])))
    if not pairs:
        return 0, float("nan")
    relative = np.array([means[j] / means[i] - 1 for i, j in pairs])
    return len(pairs), float(2.8 * np.sqrt(np.mean(relative**2) / 2))
