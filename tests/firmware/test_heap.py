"""The board's heap on an interpreter everyone has: every optional part, self-test, runs, fetches.

The interpreter's words have 64 bits, so its objects take up to twice the bytes of the chip's.  Its heap here
is such that after the start as many bytes are free as on the chip; what is made after the start then
takes more of them than it does there.  The emulated chip shows the true figures.
"""

from __future__ import annotations

import itertools
import re
from typing import Any

import pytest
from bench_rig import Rig
from evenfall_bench import image
from evenfall_wire import codes, settings

HEAP_KIB = 322  # leaves about CHIP_FREE bytes after the start with a barometer, as the chip's 245,888 do
CHIP_FREE = 46_000  # bytes, on the 32-bit interpreter with the chip's heap (test_on_32_bits.py)
# (bytes to stay free, largest free block) by `amplifier`: at 320 samples/s the records take more
LEFT = {0: (40_000, 15_000), 1: (30_000, 15_000), 2: (40_000, 15_000)}

# main.py with one more answer: set_clock has free bytes and the largest free block told to the bench's log,
# after the pass of the loop, when the answer itself no longer lies in the largest free block
TELLS = """
import gc
import exchange
from evenfall_board import app, host_commands

def largest_free():
    gc.collect()
    low, high = 0, gc.mem_free()
    while high - low > 256:
        mid = (low + high) // 2
        try:
            bytearray(mid)
            low = mid
        except MemoryError:
            high = mid
        gc.collect()
    return low

set_clock = host_commands.HostCommands.set_clock

def tell(self, unix_s):
    set_clock(self, unix_s)
    asked[0] = 1

asked = [0]
one_pass = app.Board.one_pass

def then_tell(self, passed_ms):
    one_pass(self, passed_ms)
    if asked[0]:
        asked[0] = 0
        gc.collect()
        exchange.exchange(exchange.NOTE, 0, b"heap %d %d" % (gc.mem_free(), largest_free()))

host_commands.HostCommands.set_clock = tell
app.Board.one_pass = then_tell
app.run()
"""


def main_file() -> bytes:
    text = (image.PROJECT / "firmware" / "main.py").read_text()
    assert text.count("    app.run()\n") == 1
    return text.replace("    app.run()\n", TELLS.replace("\n", "\n    ")).encode()


def rig(parts: dict[str, Any], **more: Any) -> Rig:
    return Rig(
        parts,
        extra={"/main.py": main_file()},
        march="x64",
        heap_kib=HEAP_KIB,
        **more,
    )


def heap(board: Rig) -> tuple[int, int]:
    """(free, largest free block) in bytes."""
    reply = board.ask("set_clock", (1_800_000_000,))
    assert reply.name == "done", (reply, board.trouble())
    board.run(1.0)  # the search for the largest free block collects again and again
    told = [entry for entry in board.board.log if "heap " in str(entry)]
    assert told, board.trouble()
    found = re.search(r"heap (\d+) (\d+)", str(told[-1]))
    assert found
    return int(found[1]), int(found[2])


def parts(amplifier: int, barometer: int, kill: int) -> dict[str, Any]:
    scenario: dict[str, Any] = {"board": {"amplifier": amplifier, "kill_fitted": kill}}
    if amplifier == 1:
        scenario["board"]["sweep_time"] = 5000  # what fits beside the program at 320 samples/s
    if amplifier:
        scenario["amplifier"] = {"second_rate_Hz": 320.0 if amplifier == 1 else 80.0}
    if barometer:
        scenario["weather"] = {"sensor": True}
    return scenario


COMBINATIONS = [*itertools.product((0, 1, 2), (0, 1), (1,)), (0, 0, 0)]


@pytest.mark.parametrize(("amplifier", "barometer", "kill"), COMBINATIONS)
def test_starts_and_tests_itself_with_every_part(amplifier: int, barometer: int, kill: int) -> None:
    """With a barometer or an amplifier on the bus the first firmware did not start, nor live a self-test."""
    with rig(parts(amplifier, barometer, kill)) as board:
        board.run(1.5)
        started = heap(board)
        if (amplifier, barometer) == (0, 1):
            assert abs(started[0] - CHIP_FREE) < 6000, "set HEAP_KIB so that it stands for the chip again"
        rows = board.ask("self_test", seconds=12.0).each
        failed = {codes.SELF_TEST_ITEMS[row[0]] for row in rows if codes.SELF_TEST_RESULTS[row[1]] == "fail"}
        tested = heap(board)
        print(f"amplifier {amplifier} barometer {barometer} kill {kill}: {started} start, {tested} tested")
        assert not failed
        assert board.status()["fault"] == "none"
        assert [entry for entry in board.board.log if entry[1] in ("boot", "reset")][1:] == []
        for free, block in (started, tested):
            assert free >= LEFT[amplifier][0] and block >= LEFT[amplifier][1]


def test_sweeps_with_fetches_leave_the_heap_whole() -> None:
    """Runs are stored, fetched, acknowledged, settings changed: the largest free block stays."""
    scenario = {**parts(0, 1, 1), "operator": {"rest_s": 8.0}}
    with rig(scenario, runs=2) as board:
        for run_id in (1, 2):
            end = board.now + 70
            while board.status()["last_run_id"] < run_id or board.status()["state"] != "rest":
                board.run(0.1)
                assert board.now < end, board.trouble()
            data = board.read(run_id)
            assert board.acknowledge(run_id, data).name == "done"
            number = settings.BY_NAME["spin_up_speed"][0]
            value = settings.BY_NAME["spin_up_speed"][3]
            assert board.ask("set_settings", (), [(number, value + run_id)]).name == "done"
            left = heap(board)
            print(f"after run {run_id}: {left}")
            assert left[0] >= LEFT[0][0] and left[1] >= LEFT[0][1]
        assert board.status()["fault"] == "none"
