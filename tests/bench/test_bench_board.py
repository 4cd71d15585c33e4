"""The board in lock step: a real MicroPython with a tiny program on the simulated pins."""

from __future__ import annotations

import random
import re
from itertools import pairwise

import pytest
from evenfall_bench.fifo import DEPTH, HallTimer, LoadReader
from tiny_rig import Rig

LOAD = (1, 203, 8)  # k, overhead, confirm ticks: numbers of a test, not the firmware's
HALL = (1 << 20, 2, 32)


def number(text: str, name: str) -> int:
    found = re.search(name + r" (-?\d+)", text)
    assert found, text
    return int(found.group(1))


# --- the FIFO models by themselves -------------------------------------------------


def test_load_words_add_up_to_the_conversions_times() -> None:
    reader = LoadReader(*LOAD)
    reader.start(1000)
    ready = [51000 + 50000 * i + (i % 3) * 7 for i in range(4)]
    for i, tick in enumerate(ready):
        reader.feed(tick, -5 + i)
        reader.advance(tick + 300)
    words = list(reader.words)
    assert len(words) == DEPTH and reader.held is None
    waits, codes = words[::2], words[1::2]
    assert waits[0] == ready[0] + 8 - 1000
    assert [w + 203 for w in waits[1:]] == [b - a for a, b in pairwise(ready)]
    assert [c & 1 for c in codes] == [1] * 4
    assert codes[0] >> 1 == 0xFFFFFB  # -5 in 24 bits of two's complement (data sheet)


def test_full_load_fifo_holds_the_machine_and_loses_what_came_meanwhile() -> None:
    reader = LoadReader(*LOAD)
    reader.start(0)
    for i in range(1, 8):
        reader.feed(50000 * i, i)
        reader.advance(50000 * i + 400)
    assert len(reader.words) == DEPTH
    assert reader.held == 50000 - 203  # first word of the fifth pair waits
    reader.pop(1, 400000)
    assert len(reader.words) == DEPTH  # it went in at once
    reader.pop(7, 400000)
    assert [w >> 1 for w in list(reader.words)[1:]] == [7]  # what the amplifier holds now, not then
    assert reader.lost == 2
    reader.feed(450000, 8)
    reader.advance(451000)
    assert list(reader.words)[-1] >> 1 == 8


def test_hall_words_add_up_and_time_out() -> None:
    timer = HallTimer(*HALL)
    timer.start(0)
    edges = [20000, 41000, 41000 + 3 * (1 << 20)]
    for edge in edges:
        timer.feed(edge)
    timer.advance(edges[-1] + 100)
    now, seen = -32, []
    for word in timer.words:
        now += HALL[0] + HALL[1] - word
        if word:
            seen.append(now)
    assert seen == edges
    assert list(timer.words).count(0) == 2


def test_full_hall_fifo_drops_edges_and_counts_them() -> None:
    timer = HallTimer(*HALL)
    timer.start(0)
    for i in range(1, 13):
        timer.feed(20000 * i)
    timer.advance(300000)
    assert len(timer.words) == DEPTH and timer.held is not None
    assert timer.lost == 3
    timer.pop(1, 310000)
    assert len(timer.words) == DEPTH and timer.held is None
    timer.pop(8, 310000)
    timer.feed(330000)
    timer.advance(340000)
    assert list(timer.words) == [HALL[0] + HALL[1] - (330000 + 32 - 310000)]


# --- with the interpreter -----------------------------------------------------------


def test_program_sees_samples_edges_button_and_moves_the_servo() -> None:
    with Rig({"operator": {"ready_s": 3.0}}, runs=1) as rig:
        rig.run(2.0)
        text = rig.say("state")
        assert text.startswith("hello") is False and "hello" in rig.wire.heard.decode()
        assert number(text, "loads") == pytest.approx(2.0 * 80, abs=20)
        assert number(text, "edges") == 0  # the clutch is open at idle
        rig.run(4.0)
        text = rig.say("state")
        assert number(text, "presses") == 1
        assert number(text, "edges") > 100
        word = number(text, "word")
        period_ticks = (1 << 20) + 2 - word
        assert 4e6 * 60 / period_ticks == pytest.approx(rig.bench.now["brake_speed_rpm"], rel=0.05)
        assert number(text, "code") == pytest.approx(rig.bench.now["force_N"] * 142700 + 150000, rel=0.3)
        assert "moved" in rig.say("servo 1400")
        rig.run(1.0)
        assert rig.bench.now["valve"] == pytest.approx(0.4, abs=0.02)


def test_two_runs_are_the_same_to_the_last_bit() -> None:
    heard = []
    for _ in range(2):
        with Rig({}, seed=5, runs=1) as rig:
            for _ in range(4):
                rig.run(1.3)
                rig.say("state")
            heard.append((rig.wire.heard, rig.bench.truth))
    assert heard[0] == heard[1]


def test_a_long_nap_fills_the_fifos() -> None:
    with Rig({}, runs=1) as rig:
        rig.run(6.0)
        assert rig.say("nap 20", 0.2) == "levels 2 4\r\n" or "levels" in rig.wire.heard.decode()
        text = rig.say("nap 200", 0.5)
        assert "levels 8 8" in text


def test_watchdog_bites_a_program_that_hangs() -> None:
    with Rig() as rig:
        rig.run(0.5)
        rig.say("spin", 3.5)
        assert rig.happened("watchdog")
        assert rig.board.boots == 2
        rig.run(0.5)
        assert "cause 3" in rig.say("cause")  # WDT_RESET of the port


def test_a_crash_is_seen_by_the_host_and_the_watchdog_starts_again() -> None:
    with Rig() as rig:
        rig.run(0.5)
        text = rig.say("crash", 0.5)
        assert "ValueError: on purpose" in text and "Traceback" in text
        assert rig.happened("program ended")[0][1] == "ValueError: on purpose"
        assert rig.bench.now["speed_rpm"] >= 0.0
        rig.run(3.0)
        assert rig.board.boots == 2
        assert "loads" in rig.say("state")


def test_kill_line_falls_when_the_board_is_not_there() -> None:
    with Rig() as rig:
        rig.run(0.5)
        assert rig.happened("kill line")[-1][1] == "high"
        rig.board.fault("power_cut", for_s=2.0)
        rig.run(0.01)
        rig.run(1.0)
        lines = rig.happened("kill line")
        assert lines[1][1] == "low"
        assert rig.bench.speed_rpm < 2800 - 300  # ignition is earthed: the engine runs down


def test_flash_keeps_what_was_written_through_a_power_cut() -> None:
    with Rig() as rig:
        rig.run(0.5)
        assert "written" in rig.say("write 3000", 1.0)
        rig.board.fault("power_cut", for_s=1.0)
        rig.run(2.0)
        assert "note 3000" in rig.say("read", 0.5)


def test_power_cut_in_a_flash_operation() -> None:
    with Rig() as rig:
        rig.run(0.5)
        rig.say("write 100", 1.0)
        rig.board.fault("power_cut_at_flash_op", 2.0)
        text = rig.say("write 9000", 3.0)
        assert "written" not in text
        assert rig.happened("power cut")
        rig.run(0.5)
        assert "note 100" in rig.say("read", 0.5)  # the old file, whole


def test_flash_time_passes_and_stalls_the_program() -> None:
    with Rig({"flash": {"erase_ms": 200.0}}) as slow, Rig({"flash": {"erase_ms": 1.0}}) as quick:
        seconds = []
        for rig in (slow, quick):
            rig.run(0.5)
            start = rig.board.time_s
            while "written" not in rig.say("write 20000" if rig.board.time_s == start else "", 0.05):
                assert rig.board.time_s < start + 10
            seconds.append(rig.board.time_s - start)
    assert seconds[0] > seconds[1] + 4 * 0.199  # 20,000 bytes need at least five blocks


def test_ticks_wrap_as_on_the_chip() -> None:
    wrap_ms = (1 << 30) / 1.0
    with Rig({"bench": {"clock_start_ms": wrap_ms - 1000.0}}) as rig:
        rig.run(0.5)
        first = number(rig.say("ticks"), "ticks")
        assert (1 << 30) - 1000 < first < 1 << 30
        rig.run(1.0)
        assert number(rig.say("ticks"), "ticks") < 1000


def test_crystal_error_shows_in_the_samples_rate() -> None:
    counts = []
    for ppm in (0.0, 500.0):
        with Rig({"bench": {"crystal_ppm": ppm}}) as rig:
            rig.run(20.0)
            counts.append(rig.board.now_us)
    assert counts[1] / counts[0] == pytest.approx(1.0005, abs=2e-4)


def test_unplugged_host_hears_nothing() -> None:
    with Rig() as rig:
        rig.run(0.5)
        rig.board.fault("unplug", for_s=1.0)
        assert rig.say("state", 0.3) == ""
        rig.run(1.0)
        assert "loads" in rig.say("state")


def test_worn_blocks_are_worked_around() -> None:
    # littlefs reads back what it programs and takes another block (its DESIGN.md, "Bad blocks")
    with Rig({"flash": {"bad_blocks": list(range(20, 60)), "erase_ms": 5.0}}) as rig:
        rig.run(0.5)
        for size in (30000, 40000, 50000):
            text = rig.say(f"write {size}", 12.0)
            assert "written" in text, text
            assert f"note {size}" in rig.say("read", 1.0)
    with Rig({"flash": {"bad_blocks": [20], "blocks": 64, "erase_ms": 5.0}}) as rig:
        rig.run(0.5)
        text = rig.say("write 400000", 20.0)
        assert "OSError: 28" in text  # ENOSPC: 64 blocks of 4 KiB do not hold it


def test_supply_shows_on_the_boards_own_pin() -> None:
    with Rig() as rig:
        rig.run(0.5)
        assert number(rig.say("supply"), "supply") == pytest.approx(5.0 / 9.9 * 65535, abs=20)
        rig.board.fault("brown_out", 3.6, for_s=0.5)
        assert number(rig.say("supply"), "supply") == pytest.approx(3.6 / 9.9 * 65535, abs=20)
        rig.run(0.6)
        assert number(rig.say("supply"), "supply") == pytest.approx(5.0 / 9.9 * 65535, abs=20)
        assert rig.board.boots == 1
        rig.board.fault("brown_out", 2.0, for_s=0.5)
        rig.run(1.0)
        assert rig.board.boots == 2


def test_a_caller_that_waits_for_a_time_gets_there() -> None:
    """Where less than half a microsecond was left, a loop over the board's time went on for ever."""
    rng = random.Random(3)
    with Rig() as rig:
        rig.board.stopped = True  # only time goes on
        for _ in range(2000):
            wanted_s = rig.board.time_s + rng.uniform(0.0, 5e-5)
            rig.board.run_until(wanted_s)
            assert rig.board.time_s >= wanted_s
