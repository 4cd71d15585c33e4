"""The reduction and the health checks on runs of the simulated bench with the board's real firmware."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from bench_runs import bench_runs
from evenfall.reduction import diagnostics, reduce
from evenfall_bench import scenario
from evenfall_bench.physics import interpolate

pytestmark = pytest.mark.slow


def found_in(run):
    return {f.name for f in diagnostics.diagnose(run.run, run.calibration, run.setup) if f.found}


def test_torque_of_a_bench_run_is_that_of_the_bench():
    """Every bin near the torque as run, on the whole much nearer; and nothing is wrong with the bench."""
    (run,) = bench_runs("trail-crew", 1, runs=1)
    r = reduce.reduce_run(run.run, run.calibration, run.setup, run.air)
    fine = reduce.observe(run.run, run.calibration, run.setup).aligned.fine.time_s
    true = run.true_bins(fine[0], fine[-1])
    ok = np.isfinite(r.bins.torque_Nm)
    ran = np.array([true[speed]["torque_Nm"] for speed in r.bins.speed_rpm[ok]])
    error = r.bins.torque_observed_Nm[ok] / ran - 1
    assert ok.sum() >= 22
    assert np.sqrt(np.mean(error**2)) < 0.002
    assert abs(error.mean()) < 0.001
    assert np.abs(error).max() < 0.005
    left_in = reduce.reduce_run(run.run, run.calibration, reduce.setup_from_settings(run.run), run.air)
    assert np.nanmean(left_in.bins.torque_Nm / r.bins.torque_Nm) > 1.04
    assert found_in(run) <= {"start speed not held"}


FAULTS = {
    "pulses missed": {"hall": {"missed": 0.02}},
    "electrical noise": {"amplifier": {"spike_chance": 0.01}},
    "rough chain": {"drive": {"chain_ripple": 0.1}},
    "vibration resonance": {"load_cell": {"vibration_N": 60.0, "resonance_Hz": 100.0, "damping": 0.03}},
}


@pytest.mark.parametrize("name", FAULTS)
def test_fault_of_the_bench_is_named(name):
    (run,) = bench_runs("trail-crew", 3, runs=1, **FAULTS[name])
    assert name in found_in(run)


@pytest.mark.parametrize(("bench", "slips_rpm"), [("trail-crew", 6500), ("race-saw", 7500)])
def test_slipping_clutch_of_the_bench_is_named(bench, slips_rpm):
    """Shoes that carry the engine's torque down to `slips_rpm` only; engage at 3,800 rpm, as speed^2."""
    whole = scenario.complete(tomllib.loads(scenario.bundled()[bench].read_text()))
    carries = interpolate(whole["engine"]["torque_map"], slips_rpm)
    weak = {
        "capacity_Nm": carries * (5000**2 - 3800**2) / (slips_rpm**2 - 3800**2),
        "capacity_rpm": 5000.0,
        "engage_rpm": 3800.0,
    }
    (run,) = bench_runs(bench, 2, runs=1, clutch=weak)
    (slip,) = [
        f for f in diagnostics.diagnose(run.run, run.calibration, run.setup) if f.name == "clutch slip"
    ]
    assert slip.found, slip.sentence
    assert slip.curve.marks[0] == pytest.approx(slips_rpm, rel=0.2)
