"""Whole sweeps of the real firmware on the bench: by the button, by itself, stopped, unattended."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall_wire import codes, messages, settings

START, STOP, ARM = (codes.COMMANDS.index(c) for c in ("start", "stop", "arm"))


def states_of(run):
    return [codes.STATES[value] for _, name, value in run.events if name == "state"]


def wait_for_run(rig, seconds=60):
    end = rig.now + seconds
    while rig.now < end:
        rig.run(0.5)
        if rig.status()["runs_unacked"]:
            rig.until("rest", 20, step=0.5)
            row = rig.runs()[-1]
            return row, run_file.decode_run(rig.read(row[0]))
    raise AssertionError(f"no run by {rig.now:.1f} s: {rig.status()}; {rig.trouble()}")


def test_a_sweep_is_armed_swept_stored_and_the_board_ready_again():
    with Rig() as rig:
        row, run = wait_for_run(rig)
        assert run_file.bit_names(codes.RUN_BITS, row[4]) == ["complete"]
        assert run.damage == [] and run.complete
        assert states_of(run) == ["steady", "sweep", "release", "store"]
        assert run.verdict["sweep_end_tick"] - run.verdict["sweep_start_tick"] == pytest.approx(10, abs=0.5)
        # before_trigger and after_sweep are there, samples without a gap
        first, last = settings.BY_NAME["before_trigger"][3] / 1000, settings.BY_NAME["after_sweep"][3] / 1000
        assert run.load_time_s[0] < 0.05 and run.edge_time_s[0] < first
        assert run.load_time_s[-1] >= run.verdict["sweep_end_tick"] + last - 0.05
        assert np.diff(run.load_time_s).max() < 0.02
        trigger = next(t for t, name, _ in run.events if name == "trigger")
        assert trigger == pytest.approx(first, abs=0.05)
        # a zero before and one after, and they agree
        (_, before, _, n1), (_, after, _, n2) = run.zeros
        assert n1 == n2 == 64 and abs(before - after) < 1000
        assert run.settings == {
            s[1]: v for s, v in zip(settings.SETTINGS, run.settings.values(), strict=True)
        }
        # the trace agrees with the edges
        in_sweep = (run.trace_time_s > run.verdict["sweep_start_tick"]) & (
            run.trace_time_s < run.verdict["sweep_end_tick"]
        )
        assert in_sweep.sum() > 250
        rpm = 60 / np.diff(run.edge_time_s)
        from_edges = np.interp(run.trace_time_s[in_sweep], run.edge_time_s[1:], rpm)
        assert np.median(np.abs(run.trace_speed_rpm[in_sweep] / from_edges - 1)) < 0.01
        status = rig.status()
        assert status["state"] == "rest" and status["fault"] == "none" and status["last_run_id"] == 1
        assert [level for _, level in rig.kill] == [1]  # the ignition was never cut
        age_s = (status["tick"] - run.start_tick) % messages.TICK_WRAP / messages.TICK_HZ
        assert run.start_uptime_s == pytest.approx(status["uptime_s"] - age_s, abs=1.1)


def test_pressed_at_full_throttle():
    """Nobody armed: the board records from the spin-up on, the press makes it a sweep."""
    with Rig({"operator": {"arm_before_s": 0.0, "press_after_s": 3.0}}) as rig:
        rig.until("record", 10)
        rig.until("steady", 10, step=0.02)
        _, run = wait_for_run(rig)
        assert run.trigger == "button"
        assert states_of(run)[:2] == ["steady", "sweep"]
        assert run.verdict["reason"] != "no_button"


def test_started_and_stopped_by_the_host():
    with Rig({"operator": {"arm_before_s": 2.0, "press_after_s": 0.0, "give_up_s": 14.0}}) as rig:
        rig.until("ready", 10)
        while rig.status()["speed"] < 2 * 9500:  # an engine that is still gaining is not held from below
            rig.run(0.05)
        assert rig.ask("command", (START, 0)).name == "done"
        assert rig.ask("list_runs", (0,)).name == "refused"  # recording: status, commands and hello only
        rig.until("sweep", 20)
        reply = rig.ask("read_run", (1, 0, 10))
        assert codes.REFUSALS[reply.head["error"]] == "busy_state"
        assert rig.ask("hello", (1, 0, 0)).name == "board_info"
        rig.run(1.0)
        shut = settings.BY_NAME["servo_shut"][3]
        assert rig.ask("command", (STOP, 0)).name == "done"
        rig.until("release", 1, step=0.02)
        # the throttle is still open: the load must stay
        rig.run(0.6)
        assert rig.status()["valve"] > shut + 50
        assert rig.bench.speed_rpm < 12000
        row, run = wait_for_run(rig)
        assert run_file.bit_names(codes.RUN_BITS, row[4]) == ["complete", "aborted"]
        assert run.trigger == "host"
        assert (run.verdict["verdict"], run.verdict["reason"]) == ("aborted", "stopped_by_host")


def test_stopped_by_the_button():
    with Rig() as rig:
        rig.until("sweep", 20)
        rig.run(2.0)
        rig.board.fault("press")
        rig.until("release", 1, step=0.02)
        rig.board.fault("throttle_closed")
        row, run = wait_for_run(rig)
        assert (run.verdict["verdict"], run.verdict["reason"]) == ("aborted", "stopped_by_button")
        assert row[0] == 1


def test_armed_and_disarmed_at_rest():
    with Rig({"operator": {"ready_s": 600.0}}) as rig:
        rig.run(2.0)
        for state in ("ready", "rest", "ready", "rest"):
            rig.board.fault("press")
            rig.run(0.6)
            assert rig.status()["state"] == state
        assert rig.ask("command", (ARM, 0)).name == "done"
        assert rig.status()["state"] == "ready"
        reply = rig.ask("command", (START, 0))  # nothing turns
        assert reply.name == "refused"
        assert rig.ask("command", (STOP, 0)).name == "done"
        assert rig.status()["state"] == "rest"


def test_a_second_sweep_gets_the_next_number():
    with Rig(runs=2) as rig:
        _, first = wait_for_run(rig)
        while rig.status()["runs_unacked"] < 2:
            rig.run(1.0)
        rig.until("rest", 20, step=0.5)
        assert [r[0] for r in rig.runs()] == [1, 2]
        second = run_file.decode_run(rig.read(2))
        assert second.damage == [] and {first.verdict["verdict"], second.verdict["verdict"]} <= {
            "good",
            "fair",
        }
        assert second.start_tick != first.start_tick


def test_an_unattended_run_longer_than_the_memory_keeps_its_end():
    partial = {"operator": {"arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 40.0}}
    with Rig(partial) as rig:
        rig.until("record", 10)
        _, run = wait_for_run(rig, 80)
        assert run.damage == []
        assert (run.verdict["verdict"], run.verdict["reason"]) == ("recorded", "buffer_full")
        # the spin-down is there: the last edges are slow
        assert 60 / (run.edge_time_s[-1] - run.edge_time_s[-2]) < 3500
        span = run.load_time_s[-1] - run.load_time_s[0]
        assert 15 < span < 30


def test_a_blip_of_the_throttle_is_not_kept():
    partial = {"operator": {"arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 2.0}}
    with Rig(partial) as rig:
        rig.until("record", 10)
        rig.until("rest", 20)
        rig.run(3.0)
        assert rig.status()["runs_unacked"] == 0


@pytest.mark.parametrize("period_ms", [(1 << 30) / 1000, (1 << 30) * 0.25 / 1000], ids=["ticks_us", "tick"])
def test_clocks_wrap_during_a_sweep(period_ms):
    """ticks_us wraps after 2**30 us, the tick of 0.25 us after 268 s: both in mid-sweep."""
    with Rig({"bench": {"clock_start_ms": period_ms - 11000}}) as rig:
        _, run = wait_for_run(rig)
        assert run.damage == [] and states_of(run) == ["steady", "sweep", "release", "store"]
        assert run.start_tick > messages.TICK_WRAP * 3 // 4  # it lies before the wrap
        assert np.diff(run.load_time_s).min() > 0.005 and np.diff(run.load_time_s).max() < 0.02
        assert rig.status()["uptime_s"] < 100


def test_a_sweep_in_a_small_heap():
    """320 kB of 64-bit words, from source files; on_32_bits measures with the board's word size."""
    with Rig(heap_kib=336) as rig:
        _, run = wait_for_run(rig)
        assert run.damage == [] and run.verdict["reason"] != "buffer_full"
        assert rig.status()["heap_free"] > 8 * 1024


def test_a_dead_band_spares_the_servo_small_changes():
    """Each pulse differs from the one before by more than the dead band, but for those to an end."""
    ends = {settings.BY_NAME[name][3] for name in ("servo_shut", "servo_open")}

    def changes(band):
        with Rig({"board": {"servo_deadband": band}}) as rig:
            rig.until("sweep", 20)
            rig.valve.clear()
            rig.until("release", 20)
            return [us for _, us in rig.valve]

    every, fewer = changes(0), changes(10)
    steps = [abs(b - a) for a, b in itertools.pairwise(fewer) if b not in ends]
    assert min(steps) > 10 and len(fewer) < len(every) / 2


@pytest.mark.parametrize("rate", [50, 333])
def test_the_servo_gets_pulses_at_the_rate_of_the_settings(rate):
    """The valve begins to move within one pulse period of the new pulse width."""
    with Rig({"board": {"servo_rate": rate}, "operator": {"ready_s": 600.0}}) as rig:
        heard = []
        inner = rig.bench.set
        rig.bench.set = lambda name, *rest: (heard.append((name, *rest)), inner(name, *rest))
        rig.run(2.5)
        assert ("servo_hz", rate) in heard
        rig.send("self_test")
        while rig.valve[-1][1] != settings.BY_NAME["servo_open"][3]:
            rig.run(0.001)
        while rig.bench.now["valve"] < 0.01:
            rig.run(0.001)
        assert rig.now - rig.valve[-1][0] <= 1 / rate + 0.012  # 1 % of the way and a pass of the loop


# 2.4 times an RP2040 at 125 MHz, for which the bench's own figures hold
QUICK_BOARD = {"loop_cost_us": 420.0, "bus_sample_cost_us": 2170.0}


def bus_amplifier_sweep(rate_Hz, amplifier, **bench):
    """(run, share of the sweep's samples that were fetched)."""
    partial = {"amplifier": {"second_rate_Hz": rate_Hz}, "board": {"amplifier": amplifier}, "bench": bench}
    with Rig(partial) as rig:
        _, run = wait_for_run(rig)
    a, b = run.verdict["sweep_start_tick"], run.verdict["sweep_end_tick"]
    return run, np.sum((run.load_time_s > a) & (run.load_time_s < b)) / ((b - a) * rate_Hz)


def test_a_slow_board_says_that_it_loses_samples_of_the_fast_amplifier():
    run, share = bus_amplifier_sweep(320.0, 1)
    assert share < 0.9
    assert run.verdict["load_overruns"] > 300
    assert (run.verdict["verdict"], run.verdict["reason"]) == ("poor", "samples_lost")
    # its clock and the sweep are as good as ever
    assert run.verdict["sweep_end_tick"] - run.verdict["sweep_start_tick"] == pytest.approx(10.0, abs=0.5)
    assert run.verdict["edge_overruns"] == 0


def test_the_same_amplifier_at_80_suits_a_slow_board():
    run, share = bus_amplifier_sweep(80.0, 2)
    assert share == pytest.approx(1.0, abs=0.01)
    assert run.verdict["load_overruns"] == 0 and run.verdict["verdict"] in ("good", "fair")
    assert np.diff(run.load_time_s).max() < 0.017


def test_the_fast_amplifier_and_the_barometer():
    """The second amplifier (I2C, 320 samples/s) through the same driver interface, air in the run."""
    partial = {
        "amplifier": {"second_rate_Hz": 320.0},
        "bench": QUICK_BOARD,
        "weather": {"sensor": True, "pressure_Pa": 97200.0, "temperature_C": 18.0},
        "board": {"amplifier": 1, "barometer": 1},
    }
    with Rig(partial) as rig:
        _, run = wait_for_run(rig)
        assert run.damage == [] and run.verdict["verdict"] in ("good", "fair", "poor")
        steps = np.diff(run.load_time_s)
        assert (
            np.median(steps) == pytest.approx(1 / 320, rel=0.02) and steps.max() < 0.02
        )  # a question costs 7 ms
        in_sweep = run.verdict["sweep_end_tick"] - run.verdict["sweep_start_tick"]
        assert len(run.load_count) > 320 * in_sweep
        assert len(run.trace_time_s) < 60 * (run.load_time_s[-1] - run.load_time_s[0])  # thinned
        times = [a[0] for a in run.air]
        assert times[0] < run.verdict["sweep_start_tick"] < run.verdict["sweep_end_tick"] < times[-1]
        assert run.air[0][1] == pytest.approx(97200, abs=300) and run.air[0][2] == pytest.approx(18, abs=1)


UNPRESSED = {"operator": {"arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 45.0}}
CHARACTERISE = codes.COMMANDS.index("characterise")


def test_the_valve_is_measured_and_the_result_kept():
    with Rig(UNPRESSED) as rig:
        rig.run(1.0)
        assert rig.ask("command", (CHARACTERISE, 0)).name == "refused"  # nothing turns
        assert rig.ask("command", (ARM, 0)).name == "done"
        assert rig.ask("command", (CHARACTERISE, 0)).name == "done"
        assert rig.status()["state"] == "ready"  # the person's throttle starts it
        rig.until("characterise", 10)
        assert rig.ask("get_learned", (0,)).name == "refused"
        _, run = wait_for_run(rig, 90)
        assert run.verdict["verdict"] == "recorded"
        assert run.trace_valve_us.max() - run.trace_valve_us.min() > 50
        learned = rig.ask("get_learned", (0,)).each
        assert len(learned) > 3
        # another start of the board still knows
        rig.board.restart(cause=1)
        rig.run(2.0)
        assert rig.ask("get_learned", (0,)).each == learned
        assert rig.ask("command", (codes.COMMANDS.index("forget_learned"), 0)).name == "done"
        assert rig.ask("get_learned", (0,)).each == []


def test_measuring_the_valve_is_stopped_with_the_load_kept():
    with Rig(UNPRESSED) as rig:
        rig.run(1.0)
        rig.ask("command", (ARM, 0))
        rig.ask("command", (CHARACTERISE, 0))
        rig.until("characterise", 10)
        rig.run(6.0)
        rig.board.fault("press")
        rig.run(1.0)
        assert rig.status()["valve"] > settings.BY_NAME["servo_shut"][3] + 50  # the throttle is still open
        rig.board.fault("throttle_closed")
        _, run = wait_for_run(rig)
        assert (run.verdict["verdict"], run.verdict["reason"]) == ("aborted", "stopped_by_button")
        assert rig.ask("get_learned", (0,)).each == []
