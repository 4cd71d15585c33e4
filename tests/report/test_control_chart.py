"""Control chart of the bench: lines, rules, alarms."""

from __future__ import annotations

import numpy as np
import pytest
from evenfall.errors import InputError
from evenfall.statistics.control_chart import (
    Session,
    broken_rules,
    control_chart,
    new_session_limit,
    on_normal_scale,
)
from scipy import stats

DAY = 86_400


def sessions(means: np.ndarray, runs: int = 3, s: float = 0.0, every_days: int = 7) -> list[Session]:
    rng = np.random.default_rng(4)
    return [
        Session(f"day {i + 1}", i * every_days * DAY, m + s * rng.standard_normal(runs))
        for i, m in enumerate(means)
    ]


def rules(z: list[float]) -> list[tuple[int, str]]:
    return [(a.index, a.rule) for a in broken_rules(np.array(z), 0.0, 1.0, [str(i) for i in range(len(z))])]


@pytest.mark.outside("Student's t and the normal distribution, scipy.stats")
def test_limits_of_few_sessions_are_those_of_a_prediction_interval() -> None:
    """The next of six: t of four degrees of freedom, wider by sqrt(1 + 1/5)."""
    two, three = (new_session_limit(1.0, 5, k) for k in (2.0, 3.0))
    assert two == pytest.approx(stats.t.ppf(stats.norm.cdf(2), 4) * np.sqrt(1.2), rel=1e-9)
    assert three == pytest.approx(stats.t.ppf(stats.norm.cdf(3), 4) * np.sqrt(1.2), rel=1e-9)


@pytest.mark.parametrize("have", [6, 8, 15])
def test_the_newest_of_few_sessions_alarms_as_rarely_as_stated(have: int) -> None:
    """Beyond three sigma: 0.27 % of level benches; limits of three estimated sigma alarmed at 5.8 % (six)."""
    rng = np.random.default_rng(have)
    trials = 4000
    z = np.array([on_normal_scale(row, have - 1) for row in rng.standard_normal((trials, have))])
    assert np.mean(np.abs(z[:, -1]) > 3) < 0.0027 + 4 * np.sqrt(0.0027 / trials)
    for place in (0, have - 1):
        assert stats.kstest(z[:, place], "norm").pvalue > 0.001


@pytest.mark.study
@pytest.mark.numbers
def test_alarms_of_the_newest_of_six(figure) -> None:
    rng = np.random.default_rng(60)
    for have in (6, 8, 15):
        z = np.array([on_normal_scale(row, have - 1)[-1] for row in rng.standard_normal((20_000, have))])
        beyond = float(np.mean(np.abs(z) > 3))
        figure("control chart", f"newest of {have} sessions", 20_000, claimed=beyond, goal="0.27 %")
        assert beyond < 0.0027 + 4 * np.sqrt(0.0027 / 20_000)


def test_each_rule_alone() -> None:
    assert rules([0.1, -0.2, 3.1]) == [(2, "beyond three sigma")]
    assert rules([0.1, -0.2, -2.9]) == []
    assert rules([0.5, 0.4] * 4 + [0.5]) == [(8, "nine on one side")]
    assert rules([0.5, 0.4] * 4 + [-0.1]) == []
    assert rules([-1.0, -0.6, -0.2, 0.2, 0.6, 1.0]) == [(5, "six in one direction")]
    assert rules([-1.0, -0.6, -0.2, 0.2, 0.6, 0.5]) == []
    assert rules([2.1, 0.0, 2.2]) == [(2, "two of three beyond two sigma")]
    assert rules([2.1, 0.0, 0.0, 2.2]) == []
    assert rules([2.1, 0.0, -2.2]) == []


@pytest.mark.outside("exact normal probabilities, scipy.stats.norm")
def test_false_alarms_of_a_level_bench() -> None:
    """False alarms per point of each rule: 2 sf(3); nine on a side 2 * 0.5**9; two of three
    (newest one beyond) 2 p (1 - (1 - p)**2), p = sf(2); six in one direction 2 / 6!."""
    rng = np.random.default_rng(9)
    n = 60_000
    found = broken_rules(rng.standard_normal(n), 0.0, 1.0, [""] * n)
    p = stats.norm.sf(2)
    expected = {
        "beyond three sigma": 2 * stats.norm.sf(3),
        "nine on one side": 2 * 0.5**9,
        "six in one direction": 2 / 720,
        "two of three beyond two sigma": 2 * p * (1 - (1 - p) ** 2),
    }
    for rule, rate in expected.items():
        seen = sum(a.rule == rule for a in found) / n
        # neighbouring windows overlap, so the count scatters more than a Poisson count would
        assert seen == pytest.approx(rate, abs=5 * np.sqrt(3 * rate / n))


def test_chart_of_a_level_bench_and_a_shifted_day() -> None:
    rng = np.random.default_rng(2)
    means = 4000 + 12 * rng.standard_normal(25)
    level = control_chart(sessions(means, s=5.0))
    assert level.centre_W == pytest.approx(np.mean([s.peak_power_W.mean() for s in level.sessions[:-1]]))
    assert level.sigma_W == pytest.approx(12.5, rel=0.3)
    assert "within" in level.newest_session_sentence
    assert level.precision is not None
    assert level.precision.s_r == pytest.approx(5.0, rel=0.3)
    assert level.precision.s_L == pytest.approx(12.0, rel=0.4)
    assert level.week_pairs == 24
    assert level.week_limit_relative == pytest.approx(2.8 * np.hypot(12, 5 / np.sqrt(3)) / 4000, rel=0.4)
    means[-1] += 80
    shifted = control_chart(sessions(means, s=5.0))
    assert "OUTSIDE" in shifted.newest_session_sentence
    assert (24, "beyond three sigma") in [(a.index, a.rule) for a in shifted.alarms]
    assert shifted.centre_W == level.centre_W, "today must not move the lines it is judged by"


def test_order_is_by_time_not_by_listing() -> None:
    s = sessions(np.linspace(100, 109, 10), every_days=1)
    assert [x.label for x in control_chart(s[::-1]).sessions] == [x.label for x in s]
    assert control_chart(s).week_pairs == 6  # only pairs 4 to 10 days apart


def test_too_few_sessions() -> None:
    with pytest.raises(InputError, match="needs 6 sessions of the reference engine, there are 5"):
        control_chart(sessions(np.full(5, 10.0)))
    with pytest.raises(InputError, match="baseline must hold 5 to 8"):
        control_chart(sessions(np.full(8, 10.0)), baseline=3)


def test_identical_sessions_raise_no_alarm() -> None:
    assert control_chart(sessions(np.full(12, 10.0))).alarms == ()
