"""The budget's arithmetic against worked examples of the guides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenfall.errors import InputError
from evenfall.model import Air
from evenfall.reduction import reduce, uncertainty
from hypothesis import given
from hypothesis import strategies as st
from made_runs import ENGINES, Flaws, make_run

outside = pytest.mark.outside


@outside("JCGM 100:2008 H.1, end-gauge calibration: u_c = 32 nm, 16 to 17 degrees of freedom (from memory)")
def test_end_gauge_example():
    """First-order propagation: the end-gauge example"""

    def length(standard, difference, expansion, expansion_difference, temperature, temperature_difference):
        return (
            standard
            + difference
            - standard * (expansion_difference * temperature + expansion * temperature_difference)
        )

    got = uncertainty.propagate(
        length,
        [50_000_623.0, 215.0, 11.5e-6, 0.0, -0.1, 0.0],  # nm, 1/K, K
        [25.0, 9.7, 1.2e-6, 0.58e-6, 0.41, 0.029],
        [18, 25.6, np.inf, 50, np.inf, 2],
    )
    assert got.value == pytest.approx(50_000_838, abs=1)
    assert got.u == pytest.approx(32, abs=0.5)
    assert np.round(got.contributions, 1) == pytest.approx([25.0, 9.7, 0, 2.9, 0, 16.6 + 0.1], abs=0.15)
    assert got.dof == pytest.approx(16.7, abs=0.4)


@outside("JCGM 101:2008 9.2.2, sum of four normal inputs: u = 2.0, interval +-3.92 (from memory)")
def test_sum_of_normals_by_drawing():
    """Monte Carlo: additive model, normal inputs"""
    rng = np.random.default_rng(1)
    mean, u, low, high = uncertainty.propagate_distributions(
        lambda a, b, c, d: np.array([a + b + c + d]), list(rng.normal(size=(4, 40000)))
    )
    assert abs(mean[0]) < 0.04
    assert u[0] == pytest.approx(2.0, rel=0.02)
    assert (low[0], high[0]) == (pytest.approx(-3.92, abs=0.08), pytest.approx(3.92, abs=0.08))


@outside("JCGM 101:2008 9.2.3, sum of four rectangular inputs: u = 2.0, interval +-3.88 (from memory)")
def test_sum_of_rectangulars_by_drawing():
    """Monte Carlo: additive model, rectangular inputs"""
    rng = np.random.default_rng(2)
    draws = list(rng.uniform(-(3**0.5), 3**0.5, (4, 40000)))
    _, u, low, high = uncertainty.propagate_distributions(lambda a, b, c, d: np.array([a + b + c + d]), draws)
    assert u[0] == pytest.approx(2.0, rel=0.02)
    assert (low[0], high[0]) == (pytest.approx(-3.88, abs=0.06), pytest.approx(3.88, abs=0.06))


@outside("JCGM 100:2008 H.2, resistance from voltage, current and phase without correlation, by its formula")
def test_product_rule():
    """First-order propagation of products and quotients"""
    v, i, phi = 4.999, 0.019661, 1.04446
    u = (0.0032, 9.5e-6, 7.5e-4)
    got = uncertainty.propagate(lambda a, b, c: a / b * np.cos(c), [v, i, phi], list(u))
    z = v / i
    by_formula = (
        (u[0] / i * np.cos(phi)) ** 2 + (z / i * u[1] * np.cos(phi)) ** 2 + (z * np.sin(phi) * u[2]) ** 2
    ) ** 0.5
    assert got.u == pytest.approx(by_formula, rel=1e-5)
    assert got.value == pytest.approx(127.73, abs=0.05)


@given(st.lists(st.floats(0, 10), min_size=3, max_size=3))
def test_the_part_that_differs_is_never_the_larger(values):
    causes = dict(zip(("span", "zero", "air"), map(np.array, values), strict=True))
    total, differs, _ = uncertainty.combine(causes)
    assert differs <= total * (1 + 1e-12)
    assert total == pytest.approx(np.sqrt(sum(v * v for v in values)))


def test_every_cause_of_a_reduction_says_whether_it_cancels():
    p = make_run(ENGINES[0], 3)
    r = reduce.reduce_run(p.run, p.calibration, p.setup, Air(99000, 298, 0.3))
    assert set(r.budget) == set(uncertainty.INDEPENDENT_SHARE)
    assert all(v >= 0 for v in r.budget.values())


@pytest.mark.internal("JCGM 101 clause 8: the budget held against drawing, whole chain from raw counts")
@pytest.mark.parametrize("which", [0, 2, 4])
def test_budget_agrees_with_drawing(which):
    """Budget of a whole run against Monte Carlo"""
    p = make_run(ENGINES[which], 5, flaws=Flaws(cycle_rel=0.006))
    air = Air(98000, 300, 0.5)
    drawn = reduce.monte_carlo(p.run, p.calibration, p.setup, air, trials=300, seed=which)
    ratio = drawn.u_Nm / drawn.budget_u_Nm
    ratio = ratio[np.isfinite(ratio)]
    assert 0.9 < np.mean(ratio) < 1.1
    width = (drawn.high_Nm - drawn.low_Nm) / 2 / uncertainty.COVERAGE / drawn.budget_u_Nm
    assert 0.85 < np.nanmean(width) < 1.15


def test_drive_loss_is_in_the_budget_and_never_silent():
    p = make_run(ENGINES[1], 3)
    at_brake = reduce.reduce_run(p.run, p.calibration, p.setup, Air(99000, 298, 0.3))
    assert any("drive loss not removed" in n for n in at_brake.notes)
    assert at_brake.budget["drive loss"] == 0
    chain = replace(p.setup, drive_efficiency=0.97)
    assumed = reduce.reduce_run(p.run, p.calibration, chain, Air(99000, 298, 0.3))
    stated = reduce.reduce_run(
        p.run, p.calibration, replace(chain, drive_efficiency_u=0.02), Air(99000, 298, 0.3)
    )
    # rectangular of half-width 0.015 (JCGM 100, 4.3.7); the brake's share of the engine's torque is some 1.1
    assert assumed.budget["drive loss"] == pytest.approx(0.015 / 3**0.5 / 0.97, rel=0.2)
    assert stated.budget["drive loss"] == pytest.approx(0.02 / 0.97, rel=0.2)
    assert any("no uncertainty stated" in n for n in assumed.notes)
    with pytest.raises(InputError, match="uncertainty of the drive efficiency"):
        reduce.check_inputs(p.run, p.calibration, replace(chain, drive_efficiency_u=1.5))


def test_nonlinearity_is_in_newtons_whatever_the_load():
    p = make_run(ENGINES[2], 3)
    bent = replace(p.calibration, linearity_u_N=0.3, hysteresis_u_N=0.4)
    r, plain = (reduce.reduce_run(p.run, c, p.setup, Air(99000, 298, 0.3)) for c in (bent, p.calibration))
    added = np.sqrt(r.bins.torque_u_Nm**2 - plain.bins.torque_u_Nm**2)
    lever = p.calibration.arm_m * p.setup.engine_teeth / p.setup.brake_teeth / p.setup.drive_efficiency
    known = np.isfinite(added)
    assert added[known] == pytest.approx(np.full(known.sum(), 0.5 * lever * r.air_factor), rel=1e-6)
    assert r.budget["linearity"] > 0 and r.budget["hysteresis"] > 0


def test_a_load_beyond_the_hung_weights_is_said_and_widens_the_interval():
    p = make_run(ENGINES[2], 3)
    small = replace(p.calibration, linearity_u_N=0.1, max_load_N=5.0)
    large = replace(small, max_load_N=500.0)
    beyond, within = (reduce.reduce_run(p.run, c, p.setup, Air(99000, 298, 0.3)) for c in (small, large))
    assert any("beyond it the interval is wider" in n for n in beyond.notes)
    assert not any("heaviest weight hung" in n for n in within.notes)
    known = np.isfinite(within.bins.torque_Nm)
    assert (beyond.bins.torque_u_Nm[known] > within.bins.torque_u_Nm[known]).all()
