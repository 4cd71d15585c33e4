"""The lower bound of the tracking error, against control theory and what must hold of any."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from evenfall_bench.lower_bound import STEP_S, linear, lower_bound_percent
from evenfall_bench.scenario import complete
from scipy import linalg

QUIET_WATER = {"ripple": 0.0, "noise": 0.0}


def bound(rpm: float = 7000.0, effort: float = 2e-4, **tables: dict[str, Any]) -> float:
    partial: dict[str, Any] = {"engine": {"use": "post auger"}}
    for name, keys in tables.items():
        partial.setdefault(name, {}).update(keys)
    return lower_bound_percent(complete(partial), rpm, effort)


def test_with_nothing_moving_the_bound_is_nothing() -> None:
    still = bound(engine={"cycle_scatter": 0.0, "wander": 0.0}, supply=QUIET_WATER)
    assert still < 0.02


def test_what_comes_within_the_dead_time_cannot_be_undone() -> None:
    # minimum-variance control (Harris, Can. J. Chem. Eng. 67 (1989) 856-861, from memory): the variance is at
    # least that of the disturbance over the dead time, here white noise of density q on a lag of rate s
    for delay in (0.05, 0.15):
        s = complete({
            "engine": {"use": "post auger", "wander": 0.0},
            "supply": QUIET_WATER,
            "valve": {"hose_delay_s": delay},
        })  # fmt: skip
        b = linear(s, 7000.0)
        q = b["shaft"] ** 2 * b["turn_noise"] * 2 * math.pi / b["w"]
        rate = b["shaft"] * (b["b"] - b["n"])
        least = 100.0 * math.sqrt(q * (1.0 - math.exp(-2.0 * rate * delay)) / (2.0 * rate))
        assert least < lower_bound_percent(s, 7000.0, 1e-9) < 2.0 * least


def test_without_control_the_variance_is_that_of_shaft_and_water() -> None:
    # two coupled first-order lags under white noise: scipy's Lyapunov equation.  More speed drives water
    # out, which takes load away: the water makes the uncontrolled shaft worse, not better
    s = complete({"engine": {"use": "post auger", "wander": 0.0}, "supply": QUIET_WATER})
    b = linear(s, 7000.0)
    q = b["shaft"] ** 2 * b["turn_noise"] * 2 * math.pi / b["w"]
    rate = b["shaft"] * (b["b"] - b["n"])
    a = np.array([[-rate, -b["shaft"] * b["a"]], [-b["refill"] * b["p"], -b["refill"] * b["m"]]])
    variance = linalg.solve_continuous_lyapunov(a, -np.diag([q, 0.0]))[0, 0]
    free = lower_bound_percent(s, 7000.0, 1e9)
    assert free == pytest.approx(100.0 * math.sqrt(variance), rel=0.02)
    assert free > 100.0 * math.sqrt(q / (2.0 * rate))


@pytest.mark.parametrize("tables", [
    {"valve": {"hose_delay_s": 0.08}},
    {"valve": {"hose_hold_ml": 8.5}},
    {"brake": {"model": "lagging", "fill_lag_s": 0.08, "drain_lag_s": 0.08}},
    {"brake": {"model": "lagging", "fill_lag_turns": 10.0, "drain_lag_turns": 10.0}},
    {"brake": {"model": "lagging", "bursts_per_s": 1.0}},
    {"brake": {"model": "lagging", "torque_noise": 0.03}},
    {"servo": {"model": "second order", "natural_Hz": 5.0}},
    {"supply": {"model": "taps", "tap_drop": 0.25}},
    {"supply": {"line_m": 40.0, "line_loss_bar": 0.4}},
    {"engine": {"model": "two-stroke", "four_stroke_share": 0.2, "four_stroke_from_rpm": 6000.0}},
    {"engine": {"model": "two-stroke", "cycle_correlation": 0.4}},
])  # fmt: skip
def test_more_delay_and_more_disturbance_raise_the_bound(tables: dict[str, Any]) -> None:
    plain = bound()
    assert plain * 1.01 < bound(**tables) < 20 * plain


def test_a_lagging_brake_without_lag_has_the_plain_bound() -> None:
    assert bound(brake={"model": "lagging"}) == pytest.approx(bound(), rel=1e-6)


def test_an_optimum_that_may_push_harder_is_no_worse() -> None:
    bounds = [bound(effort=e, valve={"hose_delay_s": 0.05}) for e in (1e-2, 1e-3, 1e-4, 1e-5)]
    assert np.all(np.diff(bounds) <= 1e-9)
    assert STEP_S == 1 / 80
