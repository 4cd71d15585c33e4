"""_boot.py, boot.py: flash is never wiped on a mount error; the board stays reachable."""

from __future__ import annotations

import json

import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall_bench.lockstep import FORCED_RESET, PWRON_RESET, WDT_RESET
from evenfall_wire import codes, settings

IDLE = {"operator": {"ready_s": 600.0}}


def image_of(rig):
    return rig.board.image.read_bytes()


def restarted_with(rig, data):
    """Stop the board, put `data` on its flash, start it again."""
    rig.board._halt()
    rig.board.image.write_bytes(data)
    rig.board._boot(1)
    rig.run(2.0)
    rig.line.from_board.clear()  # what a prompt said is no frame


@pytest.mark.parametrize("damage", ["both heads", "zeros", "half erased"])
def test_damaged_flash_is_left_as_it_is(damage):
    with Rig(IDLE) as rig:
        rig.run(2.0)
        good = bytearray(image_of(rig))
        bad = bytearray(good)
        if damage == "both heads":
            bad[0:8192] = bytes((b * 7 + 3) & 255 for b in good[0:8192])
        elif damage == "zeros":
            bad[0:8192] = bytes(8192)
        else:
            bad[0:6000] = b"\xff" * 6000
        restarted_with(rig, bad)
        assert image_of(rig) == bytes(bad), "a byte of the flash was changed"
        assert rig.kill[-1][1] == 0 if rig.kill else True
        # somebody who mends the head finds everything again
        restarted_with(rig, good)
        assert rig.status()["state"] == "rest"


def test_flash_never_used_is_formatted():
    with Rig(IDLE) as rig:
        rig.run(1.0)
        blank = b"\xff" * len(image_of(rig))
        restarted_with(rig, blank)
        assert b"littlefs" in image_of(rig)[:8192]


def test_an_unreadable_store_is_said_and_the_board_answers():
    with Rig(IDLE, extra={"/runs": b"a file where the folder should be"}) as rig:
        rig.run(2.5)
        status = rig.status()
        assert (status["state"], status["fault"]) == ("rest", "store_damaged")
        assert "store_ok" not in run_file.bit_names(codes.STATUS_BITS, status["flags"])
        assert rig.ask("hello", (1, 0, 0)).name == "board_info"
        assert rig.ask("command", (codes.COMMANDS.index("arm"), 0)).name == "refused"
        assert rig.runs() == []
        assert rig.ask("get_settings", (0,)).name == "settings"
        rig.ask("command", (codes.COMMANDS.index("clear_fault"), 0))
        assert rig.status()["fault"] == "store_damaged"


def test_starts_are_counted_and_a_damaged_count_does_no_harm():
    with Rig(IDLE, extra={"/starts.json": b"[3, 17, 0]"}) as rig:
        rig.run(2.0)
        assert rig.ask("hello", (1, 0, 0)).head["boot_count"] == 4
        assert rig.status()["last_run_id"] == 17
    for text in (b"", b"[1]", b'{"a": 1}', b"[1, 2, 3", b'["x", 2, 0]'):
        with Rig(IDLE, extra={"/starts.json": text}) as rig:
            rig.run(2.0)
            assert rig.status()["state"] == "rest"


@pytest.mark.parametrize(
    ("cause", "setting"),
    [(PWRON_RESET, "servo_shut"), (FORCED_RESET, "servo_shut"), (WDT_RESET, "servo_open")],
)
def test_the_valve_is_driven_before_the_program_is_loaded(cause, setting):
    """Loading takes a chip two seconds; after a bite of the watchdog the shaft may turn."""
    nothing_more = b"import time\ntime.sleep_ms(5000)\n"
    with Rig(IDLE, extra={"/main.py": nothing_more}) as rig:
        rig.run(0.5)
        rig.board._pending_restart = (cause, 0.0)
        rig.run(1.0)
        default = settings.BY_NAME[setting][3]
        assert [us for _, us in rig.valve] == [settings.BY_NAME["servo_shut"][3], 0, default]


def test_a_board_with_nothing_fitted():
    """Every part may be missing; the board says so and refuses a sweep."""
    bare = {
        name: -1 for name in ("pin_load_data", "pin_hall", "pin_servo", "pin_button", "pin_led", "pin_kill")
    }
    values = json.dumps({**bare, "kill_fitted": 0}).encode()
    with Rig(IDLE, extra={"/settings.json": values}) as rig:
        rig.run(2.5)
        status = rig.status()
        assert (status["state"], status["fault"], status["valve"]) == ("rest", "none", 0)
        reply = rig.ask("self_test", seconds=8)
        results = {codes.SELF_TEST_ITEMS[i]: codes.SELF_TEST_RESULTS[r] for i, r, _ in reply.each}
        for item in ("load_cell", "speed_pickup", "servo", "button", "led", "kill", "air"):
            assert results[item] == "not_fitted"
        assert rig.ask("command", (codes.COMMANDS.index("arm"), 0)).name == "refused"
        assert rig.kill == []


UNPRESSED = {"operator": {"ready_s": 2.5, "arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 6.0}}


@pytest.mark.parametrize("operation", [2, 9, 23, 37])
def test_power_goes_while_a_run_is_written(operation):
    """The whole board: a cut in a flash operation of storing, then a start, then the next run."""
    with Rig(UNPRESSED, runs=2, seed=operation) as rig:
        rig.until("store", 40)
        rig.board.fault("power_cut_at_flash_op", operation)
        while rig.board.boots == 1 and rig.now < 40:
            rig.run(0.05)
        rig.run(2.0)
        status = rig.status()
        assert status["fault"] in ("none", "watchdog") and rig.board.boots == 2
        rows = rig.runs()
        assert len(rows) <= 1
        for row in rows:
            assert run_file.bit_names(codes.RUN_BITS, row[4]) in (["truncated"], ["complete"])
            data = rig.read(row[0])
            assert len(data) == row[1] and data.count(b"\0") == row[3]
            run = run_file.decode_run(data)
            assert [d for d in run.damage if "no whole frame" in d or "missing" in d] in (
                [],
                ["the run_end frame is missing: the recording was cut off"],
            )
            assert len(run.load_count) > 0 and len(run.edge_time_s) > 0
        while rig.now < 80 and rig.status()["runs_unacked"] <= len(rows):
            rig.run(1.0)
        newest = rig.runs()[-1]
        assert run_file.bit_names(codes.RUN_BITS, newest[4]) == ["complete"]
        assert run_file.decode_run(rig.read(newest[0])).damage == []
