"""Injected faults are named; benches in order are left in peace."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from evenfall.errors import InputError
from evenfall.reduction import align, diagnostics
from made_runs import ENGINES, STEP, Engine, Flaws, make_run

TURN = 2 * np.pi


def load_N(engine):
    return engine.torque(9000) / (engine.engine_teeth / engine.brake_teeth) / engine.arm_m


def steps(size):
    return lambda t, rpm: -size * ((t > 4) & (t < 4.8)) - size * ((t > 7) & (t < 7.3))


def shaking(size, rpm0):
    return lambda t, rpm: size * np.exp(-(((rpm - rpm0) / 200) ** 2)) * np.sin(TURN * 30 * t)


def rough(share, order):
    return lambda t, brake_rpm: share * brake_rpm * np.sin(TURN * order * np.cumsum(brake_rpm / 60) * STEP)


FAULTS = {
    "electrical noise": [
        lambda e: Flaws(noise_counts=0.015 * load_N(e) * 42000),
        lambda e: Flaws(spike_at=(200, 300, 400, 555, 660)),
    ],
    "vibration resonance": [lambda e: Flaws(force_extra=shaking(0.12 * load_N(e), 8000))],
    "clamp": [lambda e: Flaws(clamp_N=load_N(e) * 0.92)],
    "loose connector": [lambda e: Flaws(force_extra=steps(0.06 * load_N(e)))],
    "pulses missed": [lambda e: Flaws(missed=0.01), lambda e: Flaws(extra=0.01)],
    "rough chain": [lambda e: Flaws(speed_extra=rough(0.004, 0.21))],
    "clutch slip": [lambda e: Flaws(slip_below_rpm=6800, ripple_rel=0.005)],
    "start speed not held": [lambda e: Flaws(hold_wander=0.02)],
}
CASES = [
    (name, i, e) for name, makers in FAULTS.items() for i in range(len(makers)) for e in range(len(ENGINES))
]


def found_in(run, **known):
    findings = diagnostics.diagnose(run.run, run.calibration, run.setup, **known)
    return {f.name for f in findings if f.found}


@pytest.mark.parametrize(("name", "which", "engine"), CASES)
def test_fault_is_named(name, which, engine):
    e = ENGINES[engine]
    hits = [name in found_in(make_run(e, seed, flaws=FAULTS[name][which](e))) for seed in range(3)]
    assert sum(hits) >= 2 if name == "clamp" else all(hits)


@pytest.mark.parametrize(("name", "which"), [(n, i) for n, m in FAULTS.items() for i in range(len(m))])
def test_fault_is_not_taken_for_another(name, which):
    others = []
    for engine in ENGINES:
        others += found_in(make_run(engine, 7, flaws=FAULTS[name][which](engine))) - {name}
    assert len(others) <= 1, others


BENCHES_IN_ORDER = [
    Flaws(),
    Flaws(cycle_rel=0.01, cycle_time_s=0.006, resonance_Hz=35.0),
    Flaws(ripple_rel=0.004, noise_counts=150),
    Flaws(jitter_s=5e-6, rate_error=-0.04),
]


FLAT = Engine("flat", 3.0, (0.03, 7500, 3000), (0.0, 9000, 1500), 2e-3, 11500, 0.25)
CALM = [
    Flaws(cycle_rel=0.001),
    Flaws(cycle_rel=0.001, ripple_rel=0.0003),
    Flaws(cycle_rel=0.002, ripple_rel=0.0),
    Flaws(cycle_rel=0.01, cycle_time_s=0.006),
]


@pytest.mark.parametrize("flaws", CALM)
def test_a_calm_engine_with_a_flat_curve_is_in_order(flaws):
    assert [a for seed in range(6) if (a := found_in(make_run(FLAT, seed, flaws=flaws)))] == []


def test_a_stop_is_seen_on_a_flat_curve_too():
    """3 % below the load of a curve that stays within 1 % of its top over most of the run."""
    load = FLAT.torque(7500) / FLAT.arm_m
    for seed in range(3):
        assert "clamp" in found_in(make_run(FLAT, seed, flaws=Flaws(clamp_N=0.97 * load)))


@pytest.mark.parametrize("flaws", BENCHES_IN_ORDER)
def test_false_alarms_stay_within_one_percent(flaws):
    """100 clean runs each, nine checks a run: at most one run with any finding."""
    alarms = [
        found_in(make_run(e, 100 + seed, flaws=flaws), flow_kg_s=0.3) for e in ENGINES for seed in range(20)
    ]
    assert sum(bool(a) for a in alarms) <= 1, [a for a in alarms if a]


def test_water_is_judged_by_flow_and_tank():
    p = make_run(ENGINES[4], 1)  # about 22 hp
    assert "water heating" in found_in(p, flow_kg_s=0.05)
    assert "water heating" not in found_in(p, flow_kg_s=0.3, tank_kg=40)
    assert "water heating" in found_in(p, tank_kg=0.5)
    unknown = next(
        f for f in diagnostics.diagnose(p.run, p.calibration, p.setup) if f.name == "water heating"
    )
    assert not unknown.found and np.isnan(unknown.value)
    with pytest.raises(InputError, match="above zero"):
        found_in(p, flow_kg_s=0.0)


def test_codes_at_the_end_of_range_are_a_clamp():
    p = make_run(ENGINES[1], 2)
    count = p.run.load_count.copy()
    count[400:420] = 0x7FFFFF
    assert "clamp" in found_in(replace(p, run=replace(p.run, load_count=count)))


@pytest.mark.outside("scipy.signal.lombscargle on the same angles")
def test_order_spectrum_height_and_place():
    """Order analysis: place and height of a chain's ripple"""
    engine = ENGINES[2]
    p = make_run(engine, 4, flaws=Flaws(speed_extra=rough(0.003, 0.21), ripple_rel=0))
    edges = align.repair_edges(p.run.edge_time_s)
    f = diagnostics.rough_chain(edges, p.setup, 1.5, 11.5)
    assert f.curve.marks[0] == pytest.approx(0.21, abs=0.002)
    assert f.value == pytest.approx(0.3, rel=0.1)
    t = edges.time_s[(edges.time_s > 1.5) & (edges.time_s < 11.5)]
    speed = 1 / np.diff(t)
    ripple = scipy.signal.detrend(speed / scipy.signal.savgol_filter(speed, 51, 2) - 1)
    orders = np.linspace(0.15, 0.27, 241)
    power = scipy.signal.lombscargle(
        np.arange(ripple.size, dtype=float), ripple, TURN * orders, normalize=True
    )
    assert orders[np.argmax(power)] == pytest.approx(f.curve.marks[0], abs=0.001)


def test_known_chain_is_looked_for_at_its_own_order():
    engine = ENGINES[2]  # 10 teeth on the brake
    p = make_run(engine, 4, flaws=Flaws(speed_extra=rough(0.004, 10 / 48)))
    edges = align.repair_edges(p.run.edge_time_s)
    assert diagnostics.rough_chain(edges, p.setup, 1.5, 11.5, chain_links=48).found
    # 27 links: once and twice per chain turn lie at 0.37 and, aliased, 0.26
    assert not diagnostics.rough_chain(edges, p.setup, 1.5, 11.5, chain_links=27).found


def test_tooth_order_cannot_be_seen_and_the_engines_own_turns_are_no_chain():
    p = make_run(ENGINES[2], 4, magnets=4, flaws=Flaws(speed_extra=rough(0.004, 10.0)))
    assert not diagnostics.rough_chain(align.repair_edges(p.run.edge_time_s), p.setup, 1.5, 11.5).found
    engine = ENGINES[0]  # 9 : 12 teeth: one crank turn in 3/4 brake turn, aliased to 1/3
    p = make_run(engine, 4, flaws=Flaws(speed_extra=rough(0.004, 12 / 9)))
    assert not diagnostics.rough_chain(align.repair_edges(p.run.edge_time_s), p.setup, 1.5, 11.5).found


def test_every_finding_carries_what_shows_it():
    p = make_run(ENGINES[3], 1)
    for f in diagnostics.diagnose(p.run, p.calibration, p.setup, flow_kg_s=0.2):
        if f.name != "zero and direction":  # two numbers, no curve
            assert f.curve is not None and f.curve.x.shape == f.curve.y.shape
        assert f.sentence.endswith(".") and np.isfinite(f.threshold)


@pytest.mark.internal("binomial weights of third differences, and jitter of known size")
@pytest.mark.parametrize("magnets", [1, 4])
def test_edge_jitter_is_told_from_the_speeds_own_scatter(magnets):
    """Jitter of the pickup's edges"""
    rng = np.random.default_rng(3)
    for scatter, jitter_s in ((0.0, 2e-6), (3e-4, 2e-6), (3e-4, 20e-6)):
        got = []
        for _ in range(10):
            speed = 100 - 0.05 * np.arange(900) + np.cumsum(rng.normal(0, scatter * 100, 900))
            once = np.concatenate(([0.0], np.cumsum(2 / (speed[1:] + speed[:-1]))))
            turns = np.arange(0, 899, 1 / magnets)
            t = np.interp(turns, np.arange(900), once)
            index = np.arange(t.size)
            keep = rng.random(t.size) > 0.01  # some missed
            got.append(
                diagnostics.edge_jitter((t + rng.normal(0, jitter_s, t.size))[keep], index[keep], magnets)
            )
        assert np.sqrt(np.mean(np.square(got))) == pytest.approx(jitter_s, rel=0.25)
