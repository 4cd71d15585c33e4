"""The throttle is shut and the shaft stops: no fault.  And after a real fault the next sweep is not lost."""

from __future__ import annotations

import sys
from typing import Any

import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall_bench.family_study import scenario_of
from evenfall_wire import codes, settings
from firmware_rig import PROJECT

sys.path.insert(0, str(PROJECT / "firmware" / "lib"))

from evenfall_board import guard

QUICK_STOPS: dict[str, dict[str, Any]] = {
    "an engine that drags hard": {
        "engine": {"closed_drag_share": 0.6},
        "operator": {"throttle_time_s": 0.15},
    },
    "a clutch that lets go early": {
        "engine": {"use": "cut-off saw", "closed_drag_share": 0.5},
        "clutch": {"engage_rpm": 4300},
        "operator": {"throttle_time_s": 0.2},
    },
    "a quick hand on a geared race engine": {
        "engine": {"use": "race saw"},
        "drive": {"engine_teeth": 10, "brake_teeth": 12},
        "operator": {"throttle_time_s": 0.1},
    },
    "bearings that keep some torque on the cell": {
        "engine": {"use": "race saw"},
        "clutch": {"engage_rpm": 4400},
        "load_cell": {"model": "trunnion", "friction_Nm": 2.0, "friction_share": 0.03},
        "valve": {"model": "equal percentage"},
        "operator": {"throttle_time_s": 0.15},
    },
}


# seeds in which a clutch that let go under load was taken for a lost chain
SEEDS = [(bench, 1) for bench in QUICK_STOPS]
SEEDS += [("a clutch that lets go early", seed) for seed in (3, 8)]
SEEDS += [("bearings that keep some torque on the cell", seed) for seed in (3, 7, 9)]


@pytest.mark.parametrize(("bench", "seed"), SEEDS)
def test_a_shaft_that_stops_quickly_is_no_fault(bench: str, seed: int) -> None:
    """The release took a clutch that lets go for a lost chain, a standstill for a lost pickup."""
    with Rig(QUICK_STOPS[bench], seed=seed) as rig:
        while not rig.operator.closed_s and rig.now < 60:
            rig.run(0.1)
        rig.run(3.0)
        assert rig.bench.now["brake_speed_rpm"] < 1
        assert rig.status()["fault"] == "none"
        assert [level for _, level in rig.kill] == [1]


def test_a_cell_that_keeps_some_torque_at_standstill_is_no_lost_pickup() -> None:
    """The last edge before standstill came so late that it was taken for the second after a missed one."""
    with Rig(scenario_of("all", 707), seed=707) as rig:
        while not rig.operator.closed_s and rig.now < 60:
            rig.run(0.1)
        rig.run(3.0)
        assert rig.bench.now["brake_speed_rpm"] < 1
        assert rig.status()["fault"] == "none" and rig.kill[-1][1] == 1


def test_a_pickup_lost_is_told_from_a_shaft_that_stops_by_the_torque() -> None:
    watch = guard.Guard({s[1]: s[3] for s in settings.SETTINGS}, 80)
    for left, fault in ((1700, "none"), (16000, "hall_lost")):
        watch.sweep_begins()
        torque = 19000
        for _ in range(100):
            watch.control_step(10100, 10100, torque, 1300, False, True)
        told = watch.every_pass(5200, 7, 0, 5, True, torque, True)
        for silent_ms in range(0, 1500, 8):
            torque = left if left > 2000 else max(left, 6000 - 40 * silent_ms)
            watch.control_step(5200 if silent_ms < 200 else 0, 9600, torque, 1300, False, False)
            told = told or watch.every_pass(
                5200 if silent_ms < 200 else 0, 7, silent_ms * 4000, 5, True, torque, True
            )
        assert codes.FAULTS[told] == fault


@pytest.mark.study
def test_study_of_shut_throttles() -> None:
    """Ten seeds of each."""
    told = {}
    for bench, scenario in QUICK_STOPS.items():
        for seed in range(1, 11):
            with Rig(scenario, seed=seed) as rig:
                while not rig.operator.closed_s and rig.now < 60:
                    rig.run(0.1)
                rig.run(3.0)
                told[bench, seed] = rig.status()["fault"]
    false = [at for at, fault in told.items() if fault != "none"]
    print(f"\n{len(false)} of {len(told)} shut throttles gave a fault: {false}")
    assert not false


@pytest.mark.parametrize("engine", ["trimmer", "clearing saw", "big race saw"])
@pytest.mark.parametrize("after_s", [0.05, 0.4])
def test_a_chain_lost_in_the_release_cuts_the_ignition(engine: str, after_s: float) -> None:
    with Rig({"engine": {"use": engine}, "operator": {"react_s": 3.0}}) as rig:
        rig.until("release", 60, step=0.02)
        rig.run(after_s)
        at = rig.now
        rig.board.fault("load_lost")
        rig.run(0.5)
        cuts = [t - at for t, level in rig.kill if level == 0 and t >= at]
        assert cuts and cuts[0] < 0.15, (rig.status(), cuts)


def stopped_by(rig: Rig, cause: str, for_s: float = 0.0) -> None:
    """A fault in mid-sweep, its run stored, the shaft at rest; the next press is some seconds off."""
    rig.until("sweep", 40)
    rig.run(2.0)
    rig.board.fault(cause, for_s=for_s)
    rig.run(1.0)
    assert rig.status()["state"] in ("safe", "store")
    rig.operator.over = True  # no more from this person but what the test does
    rig.bench.set_throttle(0.0)
    end = rig.now + 30
    while not rig.status()["runs_unacked"]:
        rig.run(0.2)
        assert rig.now < end
    rig.run(2.0)
    assert rig.status()["state"] == "safe" and rig.bench.now["brake_speed_rpm"] < 1


def test_the_press_after_a_fault_clears_it_and_arms() -> None:
    """It only cleared: the engine then ran at full throttle without the controller, for 28 s."""
    # pressed before the engine is started: until then the ignition is held cut
    with Rig({"operator": {"rest_s": 14.0, "arm_before_s": 2.0}}, runs=2) as rig:
        rig.until("sweep", 40)
        rig.run(2.0)
        rig.board.fault("load_lost", for_s=4.0)  # and the chain is put back
        rig.run(1.0)
        assert rig.status()["fault"] == "load_lost"
        while not rig.operator.over and rig.now < 120:
            rig.run(0.5)
        rig.until("rest", 20)
        first, second = rig.runs()
        fault = codes.FAULTS.index("load_lost")
        assert [e[2] for e in run_file.decode_run(rig.read(first[0])).events if e[1] == "fault"] == [fault]
        verdict = run_file.decode_run(rig.read(second[0])).verdict
        assert verdict["verdict"] in ("good", "fair"), verdict
        assert abs(verdict["sweep_end_tick"] - verdict["sweep_start_tick"] - 10) < 0.3


def test_a_press_that_clears_does_not_hide_a_fault_that_lasts() -> None:
    with Rig() as rig:
        stopped_by(rig, "cell_stuck")
        rig.board.fault("press")
        rig.run(0.6)  # debounced; then the same count for 0.3 s
        status = rig.status()
        assert (status["state"], status["fault"]) == ("safe", "load_stuck")


def test_two_presses_after_a_fault_leave_the_board_armed() -> None:
    with Rig() as rig:
        stopped_by(rig, "load_lost", for_s=2.0)
        for _ in range(2):
            rig.board.fault("press")
            rig.run(0.7)
            assert (rig.status()["state"], rig.status()["fault"]) == ("ready", "none")
        rig.run(2.0)
        rig.board.fault("press")
        rig.run(0.7)
        assert rig.status()["state"] == "rest"


def test_a_press_while_the_shaft_turns_clears_nothing() -> None:
    """A hand that hits the button as the chain flies off has not looked at anything yet."""
    with Rig() as rig:
        rig.until("sweep", 40)
        rig.run(2.0)
        rig.board.fault("load_lost")
        rig.run(0.15)
        assert rig.status()["state"] == "safe"
        rig.board.fault("press")
        rig.run(8.0)
        assert (rig.status()["state"], rig.status()["fault"]) == ("safe", "load_lost")


def test_a_press_while_a_run_is_written_arms_afterwards() -> None:
    with Rig() as rig:
        rig.until("store", 60)
        while rig.bench.now["brake_speed_rpm"] > 1:
            rig.run(0.05)
        rig.run(0.7)
        assert rig.status()["state"] == "store"
        rig.board.fault("press")
        rig.until("ready", 15)
