"""Hung weights, arm, check weights and inertia."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from evenfall.errors import InputError
from evenfall.reduction import calibration, inertia, reduce
from hypothesis import given
from hypothesis import strategies as st
from made_runs import ENGINES, STANDARD_AIR, Flaws, make_run, misread

G = 9.80665
SPAN = 42000.0
outside = pytest.mark.outside


def hang(masses, zero=50000.0, span=SPAN, noise=0.0, hysteresis=0.0, bend=0.0, seed=0):
    rng = np.random.default_rng(seed)
    force = np.asarray(masses, float) * G
    up = np.arange(force.size) <= int(np.argmax(force))
    full = force.max()
    lag = np.where(up, 0.0, hysteresis * full * np.sin(np.pi * force / full))
    curve = bend * full * 4 * (force / full) * (1 - force / full)
    return zero + span * (force + lag + curve) + rng.normal(0, noise, force.size)


def test_span_and_zero_come_back():
    masses = [0, 1, 2, 5, 5, 2, 1, 0]
    fit = calibration.fit_span(masses, hang(masses, noise=20))
    assert fit.span_count_per_N == pytest.approx(SPAN, rel=1e-4)
    assert fit.zero_count == pytest.approx(50000, abs=40)
    assert fit.linearity < 1e-4 and fit.hysteresis < 1e-4
    assert fit.notes == []
    assert fit.dof == 6


def test_one_weight_gives_a_span_and_says_what_it_lacks():
    fit = calibration.fit_span([0, 5], hang([0, 5]))
    assert fit.span_count_per_N == pytest.approx(SPAN)
    assert any("no check" in n for n in fit.notes)
    assert any("Hysteresis is not known" in n for n in fit.notes)


def test_negative_span_of_a_cell_mounted_the_other_way():
    fit = calibration.fit_span([0, 2, 5], hang([0, 2, 5], span=-SPAN))
    assert fit.span_count_per_N == pytest.approx(-SPAN)
    assert fit.span_u_rel > 0


def test_hysteresis_and_bend_are_measured_and_said():
    masses = [0, 1, 2, 3, 4, 5, 4, 3, 2, 1, 0]
    fit = calibration.fit_span(masses, hang(masses, hysteresis=0.01))
    assert fit.hysteresis == pytest.approx(0.01, rel=0.1)
    assert any("Up and down differ" in n for n in fit.notes)
    assert not any("straight line" in n for n in calibration.fit_span(masses, hang(masses, noise=20)).notes)
    fit = calibration.fit_span(masses, hang(masses, bend=0.01))
    assert fit.linearity > 0.003
    assert any("leave a straight line" in n for n in fit.notes)


@outside("NIST StRD 'Norris' linear-regression certified values, as shipped in scipy's test data")
def test_fit_agrees_with_certified_regression():
    """Straight line through weights"""
    path = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    rows = np.loadtxt(path, skiprows=60)
    y, x = rows[:, 0], rows[:, 1]
    fit = calibration.fit_span(x / G, y, up=np.ones(y.size, bool), mass_u_rel=0.0)
    assert fit.zero_count == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.span_count_per_N == pytest.approx(1.00211681802045, rel=1e-12)
    t = scipy.stats.t.ppf(0.975, 34) / scipy.stats.norm.ppf(0.975) if fit.dof < 30 else 1
    assert fit.causes["fit"] == pytest.approx(0.429796848199937e-03 / 1.00211681802045 * t, rel=1e-6)


@outside(
    "JCGM 100:2008 H.3, thermometer calibration: slope 0.00218, u 0.00067, offset u 0.0029 (from memory)"
)
def test_fit_agrees_with_the_guides_thermometer():
    """Straight line with its uncertainty"""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    x = np.array(t) - 20
    fit = calibration.fit_span(x / G, np.array(b) * 1e6, up=np.ones(11, bool))  # in micro-kelvin
    widen = scipy.stats.t.ppf(0.975, 9) / scipy.stats.norm.ppf(0.975)
    assert fit.span_count_per_N / 1e6 == pytest.approx(0.00218, abs=6e-6)
    assert fit.zero_count / 1e6 == pytest.approx(-0.1712, abs=6e-5)
    assert fit.causes["fit"] * fit.span_count_per_N / 1e6 / widen == pytest.approx(0.00067, abs=6e-6)
    assert fit.zero_u_count / 1e6 / widen == pytest.approx(0.0029, abs=6e-5)


def test_span_interval_covers_the_true_span():
    """Of 400 calibrations with noise and weights off within their uncertainty, 93 to 97 % cover the truth."""
    masses = np.array([0, 1, 2, 5, 5, 2, 1, 0.0])
    rng = np.random.default_rng(11)
    hits = 0
    for k in range(400):
        true = masses * (1 + rng.normal(0, 0.001))
        fit = calibration.fit_span(masses, hang(true, noise=300, seed=k), mass_u_rel=0.001)
        hits += abs(fit.span_count_per_N / SPAN - 1) <= 1.96 * fit.span_u_rel
    assert 0.93 <= hits / 400 <= 0.99


@given(st.floats(0.2, 5), st.floats(0.2, 5))
def test_scaling(lever, k):
    """Twice the lever halves the span; twice the counts doubles it."""
    masses = [0, 1, 3]
    base = calibration.fit_span(masses, hang(masses)).span_count_per_N
    counts = (hang(masses) - 50000) * k + 50000
    other = calibration.fit_span(masses, counts, lever=lever).span_count_per_N
    assert other == pytest.approx(base * k / lever, rel=1e-9)


def test_local_gravity_matters():
    masses = [0, 2, 5]
    here = calibration.fit_span(masses, hang(masses), gravity=9.7803)
    assert here.span_count_per_N == pytest.approx(SPAN * G / 9.7803, rel=1e-9)


@pytest.mark.parametrize(
    ("masses", "counts", "known", "words"),
    [
        ([0, 5], [1.0], {}, "one reading"),
        ([0, math.nan], [1.0, 2.0], {}, "weight 2 is not a number"),
        ([0, 5], [1.0, math.nan], {}, "reading 2 is not a number"),
        ([0, -5], [1.0, 2.0], {}, "weight 2 is negative"),
        ([5, 5], [1.0, 2.0], {}, "two different loads"),
        ([0, 5], [1000.0, 1010.0], {}, "carries no load"),
        ([0, 5], [1000.0, 8388607.0], {}, "end of range"),
        ([0, 5], [0.0, 1e6], {"gravity": 32.2}, "gravity"),
        ([0, 5], [0.0, 1e6], {"lever": 0.0}, "lever"),
    ],
)
def test_bad_weights_are_refused(masses, counts, known, words):
    with pytest.raises(InputError, match=words):
        calibration.fit_span(masses, counts, **known)


@pytest.mark.internal("cosine of the angle, by hand")
def test_arm_angle():
    """Arm off square to the cell"""
    arm, u = calibration.effective_arm(0.250, 5.0, 0.0002, 0.5)
    assert arm == pytest.approx(0.249049, abs=1e-6)
    slope = 0.25 * math.sin(math.radians(5)) * math.radians(0.5)
    assert u == pytest.approx(math.hypot(0.0002 * math.cos(math.radians(5)), slope), rel=0.02)
    square, u0 = calibration.effective_arm(0.250, 0.0, 0.0, 2.0)
    assert square == 0.25
    rng = np.random.default_rng(1)
    drawn = 0.25 * np.cos(rng.normal(0, math.radians(2), 100000))
    assert u0 == pytest.approx(drawn.std(), rel=0.02)
    with pytest.raises(InputError, match="inches"):
        calibration.effective_arm(9.84, 0, 0, 0)
    with pytest.raises(InputError, match="square"):
        calibration.effective_arm(0.25, 60, 0, 0)


def test_check_weight_log():
    c = calibration.make_calibration(calibration.fit_span([0, 2, 5], hang([0, 2, 5])), 0.25, 2e-4, 1)
    day = 86400.0
    steady = [(i * 30 * day, 5.0, 5 * G * SPAN * (1 + 2e-4 * (-1) ** i)) for i in range(8)]
    got = calibration.check_drift(c, steady)
    assert got.notes == [] and np.abs(got.error_rel).max() < 3e-4
    rising = [(i * 30 * day, 5.0, 5 * G * SPAN * (1 + 0.0006 * i)) for i in range(8)]
    got = calibration.check_drift(c, rising)
    assert got.per_year == pytest.approx(0.0006 * 365.25 / 30, rel=1e-6)
    assert "calibrate soon" in got.notes[0]
    off = [*steady, (300 * day, 5.0, 5 * G * SPAN * 1.012)]
    assert "+1.20 % off" in calibration.check_drift(c, off).notes[-1]
    with pytest.raises(InputError, match="empty"):
        calibration.check_drift(c, [])
    with pytest.raises(InputError, match="mass above zero"):
        calibration.check_drift(c, [(1.0, 0.0, 5.0)])


# --- inertia -----------------------------------------------------------------


def runs_of(engine, seed, rates=(6.0, 15.0), flaws=None, air=STANDARD_AIR, scatter=0.0):
    rng = np.random.default_rng(seed)
    out = []
    for k, sweep_s in enumerate(rates):
        gain = 1 + rng.normal(0, scatter)
        zero = rng.normal(0, 0.02)
        f = replace(flaws or Flaws(resonance_Hz=60), zero_before_N=zero)
        p = make_run(engine, seed * 10 + k, sweep_s=sweep_s, flaws=f, gain=gain)
        out.append(inertia.run_bins(p.run, p.calibration, p.setup, air))
    return out


@pytest.mark.parametrize("engine", ENGINES, ids=lambda e: e.name)
def test_inertia_from_two_runs(engine):
    fit = inertia.find_inertia(runs_of(engine, 3))
    assert fit.inertia_kg_m2 == pytest.approx(engine.inertia_kg_m2, abs=3 * fit.u_kg_m2)
    assert 0 < fit.u_kg_m2
    assert fit.rates_rpm_s[0] == pytest.approx(-(engine.top_rpm - 5000) / 6, rel=0.03)
    curve = fit.engine_Nm[2:-2] / engine.torque(fit.speed_rpm[2:-2])
    assert np.abs(curve - 1).max() < 0.04


def test_inertia_interval_covers_the_truth():
    """Engine that varies by 0.3 % from run to run, zeros off by 0.02 N: 95 % intervals hold."""
    z = []
    for engine in ENGINES[1:4]:
        for seed in range(40):
            fit = inertia.find_inertia(runs_of(engine, seed, rates=(5, 12, 20), scatter=0.003))
            z.append((fit.inertia_kg_m2 - engine.inertia_kg_m2) / fit.u_kg_m2)
    z = np.array(z)
    assert np.mean(np.abs(z) < 1.96) >= 0.90
    assert 0.5 < np.sqrt(np.mean(z**2)) < 1.15
    assert abs(z.mean()) < 0.35


def test_more_runs_tell_more():
    engine = ENGINES[2]
    two = inertia.find_inertia(runs_of(engine, 1, rates=(6, 15)))
    six = inertia.find_inertia(runs_of(engine, 1, rates=(6, 15, 6, 15, 6, 15)))
    assert six.u_kg_m2 < 0.75 * two.u_kg_m2


def test_inertia_of_the_brake_alone_by_hand():
    """J = (T1 - T2) / (rate2 - rate1) in its plainest form."""
    grid = np.arange(5000, 10001, 250.0)
    engine = np.full(grid.size, 3.0)

    def pull(rate):
        torque, fall = engine - 0.002 * rate, np.full(grid.size, rate)
        return inertia.RunBins(1, grid, torque, np.full(grid.size, 1e-3), fall, 1.0, 1e-5, 0.0, torque, fall)

    fit = inertia.find_inertia([pull(-50.0), pull(-130.0)], engine_scatter=1e-6)
    assert fit.inertia_kg_m2 == pytest.approx(0.002, rel=1e-4)
    assert fit.engine_Nm == pytest.approx(engine, rel=1e-4)


def test_air_between_the_runs_is_corrected():
    engine = ENGINES[2]
    thin = replace(STANDARD_AIR, pressure_Pa=94000.0)
    first, second = runs_of(engine, 4)
    p = make_run(engine, 41, sweep_s=15.0, gain=0.95, flaws=Flaws(resonance_Hz=60))
    other = inertia.run_bins(p.run, p.calibration, p.setup, thin, "j1349")
    assert other.air_factor > 1.05
    plain = inertia.find_inertia([first, second])
    mixed = inertia.find_inertia([first, replace(other, air_factor=1 / 0.95)])
    assert mixed.inertia_kg_m2 == pytest.approx(plain.inertia_kg_m2, abs=4 * plain.u_kg_m2)


def test_inertia_found_takes_the_bias_out_of_a_third_run():
    engine = ENGINES[0]
    fit = inertia.find_inertia(runs_of(engine, 2, rates=(5, 12, 20)))
    p = make_run(engine, 99, flaws=Flaws(zero_after_N=0.0))
    setup = replace(p.setup, inertia_kg_m2=fit.inertia_kg_m2, inertia_u_kg_m2=fit.u_kg_m2)
    b = reduce.reduce_run(p.run, p.calibration, setup, misread(STANDARD_AIR, np.random.default_rng(1))).bins
    ok = np.isfinite(b.torque_Nm)
    assert (np.abs(b.torque_Nm - p.truth(b.speed_rpm))[ok] < 3.5 * b.torque_u_Nm[ok]).all()


def test_inertia_refuses_what_cannot_tell():
    engine = ENGINES[2]
    with pytest.raises(InputError, match="at least two runs"):
        inertia.find_inertia(runs_of(engine, 1)[:1])
    with pytest.raises(InputError, match="too alike"):
        inertia.find_inertia(runs_of(engine, 1, rates=(10, 10.5)))
    a, b = runs_of(engine, 1)
    far = replace(b, speed_rpm=b.speed_rpm + 30000)
    with pytest.raises(InputError, match="share 0 bins"):
        inertia.find_inertia([a, far])


def test_runs_of_two_engines_are_noticed():
    a = runs_of(ENGINES[2], 1, rates=(6.0,))
    b = runs_of(ENGINES[3], 1, rates=(15.0,))
    fit = inertia.find_inertia([*a, *b])
    assert any("the same in all" in n or "negative" in n for n in fit.notes)


def test_linearity_and_hysteresis_are_kept_in_newtons():
    """A cell that reads 0.4 % of full load too much at half load: 0.4 % of 100 N, rectangular."""
    mass = np.array([0.0, 5.0, 10.0, 10.0, 5.0, 0.0])
    bow = np.where(mass == 5.0, 0.004 * 10 * G * SPAN, 0.0)
    fit = calibration.fit_span(mass, mass * G * SPAN + bow)
    made = calibration.make_calibration(fit, 0.25, 2e-4, 1)
    assert made.max_load_N == pytest.approx(10 * G)
    assert made.linearity_u_N == pytest.approx(fit.linearity * 10 * G / 3**0.5)
    assert made.linearity_u_N > 0.05
    assert made.span_u_rel < fit.linearity + 0.01
    iron = calibration.fit_span(mass, mass * G * SPAN, buoyancy=calibration.BUOYANCY)
    # air of 1.2 kg/m3 on iron of 7,850 kg/m3 carries 0.0153 %
    assert iron.span_count_per_N == pytest.approx(SPAN * 1.000153, rel=1e-6)
