"""Vibration that aliases into the sweep: found by its phase and in the interval, or not there."""

from dataclasses import replace

import numpy as np
import pytest
from evenfall.model import Air
from evenfall.reduction import uncertainty
from evenfall.reduction.reduce import reduce_run
from made_runs import ENGINES, Flaws, make_run

AIR = Air(98_000.0, 293.15, 0.5)
ENGINE = ENGINES[2]  # teeth 1:1
HZ = 80.0


def shaken(made, share, order, phase):
    """The run with a vibration of the crank's `order` that the amplifier lets through."""
    run = made.run
    angle = np.concatenate(([0.0], np.cumsum(np.diff(made.fine_s) * made.fine_rpm[1:] / 60 * 2 * np.pi)))
    late = 2 * np.median(np.diff(run.load_time_s))
    turned = np.interp(run.load_time_s - late, made.fine_s, angle)
    inside = (run.load_time_s > made.fine_s[0]) & (run.load_time_s < made.fine_s[-1])
    size = share * np.median((run.load_count - made.calibration.zero_count)[inside])
    wave = size * np.cos(order * turned + phase) * inside
    return replace(made, run=replace(run, load_count=run.load_count + np.rint(wave).astype(np.int64)))


def covered(made, r):
    truth = made.as_run(r.bins.speed_rpm)
    given = np.isfinite(r.bins.torque_Nm) & np.isfinite(truth)
    off = np.abs(r.bins.torque_Nm - truth)[given]
    return off, uncertainty.COVERAGE * r.bins.torque_u_Nm[given], r.bins.speed_rpm[given]


def reduced(made):
    return reduce_run(made.run, made.calibration, made.setup, AIR, "none")


def said(r):
    return [n for n in r.notes if n.startswith("Vibration")]


@pytest.mark.parametrize("order", [1, 2])
def test_aliased_vibration_is_found_where_it_stands_still_and_widens_the_interval_there(order):
    hits = total = 0
    for seed in range(6):
        made = make_run(ENGINE, seed=seed)
        plain = reduced(made)
        assert not said(plain) and plain.budget["vibration"] == 0
        bad = shaken(made, 0.03, order, 0.7 * seed)
        r = reduced(bad)
        rate_Hz = 1 / np.median(np.diff(made.run.load_time_s))
        standing = [m * rate_Hz * 60 / order for m in range(1, 6)]
        swept = [s for s in standing if 6000 < s < made.fine_rpm.max() - 1000]
        assert swept and said(r)
        told = [float(n.split("about ")[1].split(" rpm")[0].replace(",", "")) for n in said(r)]
        for speed in swept:
            assert min(abs(t - speed) for t in told) < 200
        off, half, speeds = covered(bad, r)
        near = np.min([np.abs(speeds - s) for s in swept], axis=0) < 300
        hits += int((off <= half)[near].sum())
        total += int(near.sum())
        without = uncertainty.COVERAGE * plain.bins.torque_u_Nm[np.isin(plain.bins.speed_rpm, speeds)]
        assert (half[near] > 1.5 * without[near]).any()
    assert hits >= 0.9 * total


def test_an_honest_run_shows_none():
    """Scatter of turns, wobble, another engine and gearing: under one false finding in thirty."""
    found = 0
    for seed in range(30):
        flaws = Flaws(cycle_rel=0.01, ripple_rel=0.004, spike_at=(300, 480, 620), missed=0.001)
        made = make_run(ENGINES[seed % 5], seed=100 + seed, flaws=flaws)
        found += bool(said(reduced(made)))
    assert found <= 1


def test_a_filter_that_takes_it_out_leaves_nothing_to_find():
    """Four means over one conversion each have their zeros where an alias would stand still."""
    made = make_run(
        ENGINE,
        seed=4,
        flaws=Flaws(force_extra=lambda t, rpm: 0.5 * np.cos(2 * np.pi * np.cumsum(rpm / 60) * 0.0005)),
    )
    assert not said(reduced(made))
