"""What storing and a reset cost the chip must not look like a fault, and must leave the next run alone."""

from __future__ import annotations

import pytest
from bench_rig import Rig
from evenfall_bench.lockstep import FORCED_RESET, WDT_RESET
from evenfall_wire import codes

# 26 ms is what a collection takes on an emulated RP2040; a sector of the flash may take 45 to 400 ms to erase
CHIP = {"bench": {"collect_cost_us": 26000.0}, "flash": {"erase_ms": 60.0}}


def faults_seen(rig: Rig, seconds: float) -> set[str]:
    """Every fault that the status shows while the bench runs on."""
    seen = set()
    end = rig.now + seconds
    while rig.now < end:
        seen.add(rig.status()["fault"])
        rig.run(0.02)
    return seen - {"none"}


def test_storing_a_run_is_no_silence_of_the_cell() -> None:
    """The collections after a store overran the amplifier's FIFO twice: 121 ms without a sample, `safe`."""
    with Rig({**CHIP, "operator": {"rest_s": 8.0}}, runs=2) as rig:
        assert faults_seen(rig, 75) == set()
        status = rig.status()
        assert status["last_run_id"] == 2 and status["state"] == "rest"
        for row in rig.runs():
            assert codes.VERDICTS[row[5]] in ("good", "fair"), row


def test_a_silent_cell_is_still_seen_in_its_time() -> None:
    with Rig({**CHIP, "operator": {"arm_before_s": 0.0, "press_after_s": 0.0}}) as rig:
        rig.until("record", 10)
        rig.run(1.0)
        rig.board.fault("cell_silent")
        at = rig.now
        while rig.status()["fault"] == "none":
            rig.run(0.002)
            assert rig.now < at + 1.0
        assert rig.status()["fault"] == "load_silent"
        assert rig.now - at < 0.2


@pytest.mark.parametrize(("cause", "fault"), [(FORCED_RESET, "none"), (WDT_RESET, "watchdog")])
def test_a_reset_that_a_program_asked_for_is_no_watchdogs(cause: int, fault: str) -> None:
    """The port reports both alike; install and rollback end with machine.reset()."""
    with Rig({"operator": {"ready_s": 30.0}}) as rig:  # nobody presses: that would clear the fault
        rig.run(1.0)
        rig.board._pending_restart = (cause, 0.0)
        rig.run(2.0)
        assert rig.status()["fault"] == fault


def test_a_sweep_begins_in_half_of_what_the_fifo_holds() -> None:
    """The amplifier's FIFO holds 50 ms; a beginning that collected the heap took 44 to 48 ms on the chip."""
    timed = b"""
import micropython, time
micropython.kbd_intr(-1)
import exchange
from evenfall_board import app
begin = app.Board.begin
def timed(self, *arguments):
    before = time.ticks_us()
    answer = begin(self, *arguments)
    spent = time.ticks_diff(time.ticks_us(), before)
    exchange.exchange(exchange.NOTE, 0, b"begin %d" % spent)
    return answer
app.Board.begin = timed
app.run()
"""
    with Rig(CHIP, extra={"/main.py": timed}) as rig:
        rig.until("sweep", 30)
        took = [int(text.split()[1]) for _, kind, text in rig.board.log if text.startswith("begin ")]
        assert took and max(took) < 25_000
