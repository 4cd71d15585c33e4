"""What keeps people safe at the edges of a sweep, where the checks of its middle do not reach."""

from __future__ import annotations

import sys

import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall_bench.family_study import scenario_of
from evenfall_wire import codes, settings
from firmware_rig import PROJECT

sys.path.insert(0, str(PROJECT / "firmware" / "lib"))

from evenfall_board import guard

CLEAR = codes.COMMANDS.index("clear_fault")
ACK, REFUSED = "ack_run", "refused"


def number(name: str) -> int:
    return settings.BY_NAME[name][0]


def refusal(reply) -> str:
    assert reply.name == REFUSED, reply
    return codes.REFUSALS[reply.head["error"]]


def swept(rig: Rig, speed_rpm: float, seconds: float = 40.0) -> None:
    """Run until the sweep has come down to this crank speed."""
    rig.until("sweep", seconds, step=0.02)
    end = rig.now + 15
    while rig.bench.speed_rpm > speed_rpm:
        rig.run(0.005)
        assert rig.now < end


@pytest.mark.parametrize("speed_rpm", [5350, 5200, 5080])
def test_a_chain_lost_just_before_the_end_cuts_the_ignition(speed_rpm: float) -> None:
    """The shaft's fall was taken for the sweep's end; the engine ran free until the hand closed."""
    with Rig() as rig:
        swept(rig, speed_rpm)
        at = rig.now
        rig.board.fault("load_lost")
        rig.run(0.5)
        cuts = [t for t, level in rig.kill if level == 0 and t >= at]
        assert cuts and cuts[0] - at < 0.35, (rig.status(), cuts)


def cut_after_chain_off(rig: Rig) -> float:
    at = rig.now
    rig.board.fault("load_lost")
    rig.run(0.5)
    cuts = [t - at for t, level in rig.kill if level == 0 and t >= at]
    assert cuts, rig.status()
    return cuts[0]


@pytest.mark.parametrize(
    ("speed_rpm", "gain", "after_s"), [(6000, 1.3, 0.6), (5800, 1.3, 0.6), (5800, 1.4, 0.4), (6200, 1.4, 0.9)]
)
def test_a_chain_lost_under_a_brake_that_stops_its_shaft_in_two_turns(speed_rpm, gain, after_s) -> None:
    """Through the end speed in one turn, then no edge, or one taken for a missed one: it was not seen."""
    geared = {"engine": {"use": "big race saw"}, "drive": {"engine_teeth": 10, "brake_teeth": 14}}
    with Rig(geared) as rig:
        rig.until("sweep", 40, step=0.05)
        while rig.bench.speed_rpm > speed_rpm and rig.status()["state"] == "sweep":
            rig.run(0.02)
        rig.board.fault("engine_gain", gain)
        rig.run(after_s)
        assert rig.status()["state"] == "sweep"
        assert cut_after_chain_off(rig) < 0.3


def test_a_chain_lost_far_over_the_set_speed_cuts_the_ignition() -> None:
    """It fell through the end speed within a tenth of a second, where the checks had been left out."""
    with Rig(scenario_of("all", 14859), seed=54) as rig:
        rig.until("sweep", 45)
        rig.run(8.3053)
        assert rig.status()["state"] == "sweep" and rig.bench.speed_rpm > 6000
        assert cut_after_chain_off(rig) < 0.3


def test_a_hand_that_closes_the_throttle_is_no_lost_chain() -> None:
    for scenario in ({}, {"operator": {"react_s": 0.05}}, {"operator": {"react_s": 0.8}}):
        with Rig(scenario) as rig:
            rig.until("store", 60, step=0.2)
            assert rig.status()["fault"] == "none"
            assert [level for _, level in rig.kill] == [1]


@pytest.mark.parametrize(("change", "fault"), [(-4, "none"), (4, "load_lost")])
def test_a_hand_that_closes_far_over_the_set_speed_is_no_lost_load(change: int, fault: str) -> None:
    """A shaft that had swung far up when the sweep ended: torque gone and hardly falling yet, or rising."""
    watch = guard.Guard({s[1]: s[3] for s in settings.SETTINGS}, 80)
    watch.sweep_begins()
    for _ in range(160):
        assert not watch.control_step(12000, 11000, 9000, 1500, False, True)
    found, speed = 0, 12000
    for _ in range(40):
        speed += change
        found = found or watch.control_step(speed, 10000, 500, 1500, False, False)
    assert codes.FAULTS[found] == fault


def swung_to_the_end(rig: Rig) -> None:
    """A bench that swings: the shaft has come to the end speed while the sweep still runs."""
    rig.run(15.0)  # unasked: a question moves the controller's passes, and so the swings
    while rig.bench.speed_rpm > 5050:
        rig.run(0.01)
        assert rig.now < 60


def test_a_hand_that_closes_while_the_sweep_still_runs_at_its_end_speed_is_no_fault() -> None:
    """The person takes it for the end; the torque gone and a low speed were called a stalled engine."""
    with Rig(scenario_of("all", 905), seed=905) as rig:
        swung_to_the_end(rig)
        while not rig.operator.closed_s:
            rig.run(0.05)
        rig.run(1.5)
        assert rig.status()["fault"] == "none" and rig.kill[-1][1] == 1


# half rpm and mN.m as the guard saw them from sample to sample on that bench, inertia 6675
SHUT = (
    "10462 13246 10357 13113 10162 12851 10162 12492 9950 12086 9760 11711 9550 11324 9252 10908 9252 10421 "
)
SHUT += "8897 9881 8574 9395 8574 8959 8222 8505 7706 8027 7706 7337 7004 6602 7004 5951 6297 5435 6297 4880"
OFF = "10314 13228 9896 13228 9896 12904 7031 10064 7031 6236 7031 4190 7031 3075 5000 2374 5000 1898 "
OFF += "4000 1575 3500 1400 3000 1342 2564 1162 2564 1025 2564 926"


@pytest.mark.parametrize(("series", "faults"), [(SHUT, {"none"}), (OFF, {"stalled", "load_lost"})])
def test_a_throttle_shut_under_the_end_speed_is_told_from_a_chain_lost_there(series, faults) -> None:
    watch = guard.Guard({s[1]: s[3] for s in settings.SETTINGS}, 80)
    watch.sweep_begins()
    watch.inertia = 6675
    seen = [10480, 13200] * 100 + [int(x) for x in series.split()]
    told = 0
    for speed, torque in zip(seen[::2], seen[1::2], strict=True):
        told = told or watch.control_step(speed, 11400, torque, 1290, False, True)
        told = told or watch.breakdown(speed, 11400, 6, torque, 6675)
        told = told or watch.breakdown(speed, 11400, 6, torque, 6675)
    assert codes.FAULTS[told] in faults


# moments at which it is seen; the study below counts those at which the hand is first
@pytest.mark.parametrize("after_s", [0.0, 0.06, 0.3])
def test_a_chain_lost_while_the_sweep_still_runs_at_its_end_speed_cuts_the_ignition(after_s: float) -> None:
    with Rig(scenario_of("all", 905), seed=905) as rig:
        swung_to_the_end(rig)
        rig.run(after_s)
        assert not rig.operator.closed_s
        assert cut_after_chain_off(rig) < 0.3


@pytest.mark.study
def test_study_of_a_chain_lost_while_the_sweep_still_runs_at_its_end_speed() -> None:
    cut = closed = 0
    for n in range(10):
        with Rig(scenario_of("all", 905), seed=905) as rig:
            swung_to_the_end(rig)
            rig.run(0.05 * n)
            assert not rig.operator.closed_s
            at = rig.now
            rig.board.fault("load_lost")
            rig.run(2.0)
            cuts = [t for t, level in rig.kill if level == 0 and t >= at]
            assert cuts or rig.operator.closed_s
            cut += bool(cuts) and cuts[0] < rig.operator.closed_s[0]
            closed += not cuts
    print(f"\nbench 905, 10 moments at its end speed: {cut} cut before the hand, {closed} not at all")


@pytest.mark.parametrize("phase", ["sweep", "release"])
def test_a_load_that_is_gone_while_the_engine_runs_away_cuts_the_ignition(phase: str) -> None:
    """The brake's arm breaks off the cell: no torque there, and nothing holds the engine."""
    watch = guard.Guard({s[1]: s[3] for s in settings.SETTINGS}, 80)
    watch.sweep_begins()
    rpm, torque, told = 9000, 4000, 0
    for _ in range(200):
        watch.control_step(2 * rpm, 2 * rpm, torque, 1400, False, True)
    for sample in range(40):  # noqa: B007
        torque = max(0, torque - 1000)
        rpm += 80  # 4 N.m speed 6e-3 kg m2 up by 6,400 rpm/s
        told = watch.control_step(2 * rpm, 18000, torque, 1400, False, phase == "sweep")
        if told:
            break
    assert codes.FAULTS[told] == "load_lost" and sample <= 20


def test_a_release_ends_when_the_shaft_stands() -> None:
    """Below 500 rpm the controller has no speed, and the release hung for ever."""
    with Rig() as rig:
        rig.until("release", 60, step=0.02)
        rig.board.fault("throttle_closed")
        rig.board.fault("engine_stalls")
        rig.until("store", 12)


def test_the_pickup_lost_in_the_release_cuts_the_ignition() -> None:
    with Rig({"operator": {"react_s": 3.0}}) as rig:
        rig.until("release", 60, step=0.02)
        at = rig.now
        rig.board.fault("hall_lost")
        rig.run(0.6)
        assert [t for t, level in rig.kill if level == 0 and t >= at], rig.status()


def test_no_fault_is_cleared_while_the_shaft_turns() -> None:
    """One frame closed the valve that held the engine: 2,494 to 11,450 rpm in 1.5 s."""
    with Rig({"operator": {"react_s": 8.0, "give_up_s": 40.0}, "board": {"kill_fitted": 0}}) as rig:
        rig.until("sweep", 40, step=0.02)
        rig.board.fault("cell_stuck")
        rig.until("safe", 3, step=0.02)
        rig.run(0.5)
        if rig.bench.speed_rpm > 600:
            assert refusal(rig.ask("command", (CLEAR, 0))) == "moving"
            assert rig.status()["state"] == "safe"
        else:
            pytest.fail("the engine was to run on against the open valve")


def test_flash_waits_while_the_shaft_turns() -> None:
    with Rig({"operator": {"rest_s": 25.0, "arm_before_s": 0.0}}, runs=2) as rig:
        rig.until("store", 60)
        rig.until("rest", 30)
        row = rig.runs()[-1]
        assert row[0] == 1
        assert rig.ask("command", (codes.COMMANDS.index("arm"), 0)).name == "done"
        while rig.bench.now["brake_speed_rpm"] < 2000:
            rig.run(0.02)
        assert refusal(rig.ask(ACK, (1, row[1], row[2], 0))) == "moving"


def test_limits_want_the_button_held() -> None:
    with Rig({"operator": {"ready_s": 60.0}}) as rig:
        rig.run(2.0)
        assert rig.ask("set_settings", (), [(number("overspeed"), 13500)]).name == "done", "lower is free"
        raised = [(number("overspeed"), 20000)]
        assert refusal(rig.ask("set_settings", (), raised)) == "hold_button"
        assert refusal(rig.ask("set_settings", (), [(number("servo_open"), 1900)])) == "hold_button"
        rig.board.fault("button_stuck", for_s=1.5)
        rig.run(0.3)
        assert rig.ask("set_settings", (), raised).name == "done"


def test_a_kill_without_a_pickup_is_refused() -> None:
    with Rig({"operator": {"ready_s": 60.0}}) as rig:
        rig.run(2.0)
        rig.board.fault("button_stuck", for_s=1.5)
        rig.run(0.3)
        assert refusal(rig.ask("set_settings", (), [(number("pin_hall"), -1)])) == "out_of_bounds"


def test_a_run_made_while_another_waits_is_told_of() -> None:
    """The memory still holds the run before: the new one cannot be recorded, and was lost without a word."""
    with Rig({"operator": {"rest_s": 1.0}}, runs=2) as rig:
        rig.until("store", 60)
        rig.until("rest", 90)
        assert len(rig.runs()) == 1
        counts = {codes.COUNTERS[number]: value for number, value in rig.ask("get_counters").each}
        assert counts["runs_not_recorded"] == 1
        rig.operator.runs, rig.operator.over = 3, False
        rig.operator._plan(rig.now + 2.0)
        rig.run(3.0)
        rig.until("rest", 90)
        run = run_file.decode_run(rig.read(rig.runs()[-1][0]))
        assert [value for _, name, value in run.events if name == "not_recorded"] == [1]


@pytest.mark.study
def test_study_of_chains_lost_near_the_end() -> None:
    """Ten speeds above the end, three seeds: how soon the ignition is cut, and how often it is not."""
    took = []
    for seed in (1, 2, 3):
        for speed_rpm in (5400, 5350, 5300, 5250, 5200, 5150, 5100, 5080, 5060, 5020):
            with Rig(seed=seed) as rig:
                swept(rig, speed_rpm)
                at = rig.now
                rig.board.fault("load_lost")
                rig.run(0.5)
                cuts = [t - at for t, level in rig.kill if level == 0 and t >= at]
            took += cuts[:1]
            if not cuts:
                print(f"\nnot seen: seed {seed}, chain off at {speed_rpm} rpm")
    print(f"\nchain off within 400 rpm of the end: {len(took)} of 30 cut, the latest after {max(took):.3f} s")
    assert len(took) == 30 and max(took) < 0.35
