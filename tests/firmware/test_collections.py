"""Where the board collects its heap: 28 ms on the chip, while the amplifier's FIFO holds 50."""

from __future__ import annotations

from bench_rig import Rig
from test_heap import parts

# tells the bench's log of each collection: state, speed, and the pass or the loop that took it
TOLD_MAIN = b"""
import gc
import micropython
micropython.kbd_intr(-1)
import exchange
from evenfall_board import app

boards, inside = [], [0]
start, passes, collect = app.Board.start, app.Board.one_pass, gc.collect

def started(self):
    start(self)
    boards.append(self)

def passed(self, ms):
    inside[0] = 1
    passes(self, ms)
    inside[0] = 0

def collected():
    collect()
    if boards:
        b = boards[0]
        exchange.exchange(exchange.NOTE, 0, b"collected %s %d %d" % (b.state, b.speed.half_rpm, inside[0]))

app.Board.start, app.Board.one_pass, gc.collect = started, passed, collected
app.run()
"""


def test_collections_are_taken_at_standstill_in_passes_of_their_own() -> None:
    """Armed for long, asked ten times a second, through a run: none where something is measured."""
    scenario = {**parts(0, 0, 1), "operator": {"arm_before_s": 15.0, "ready_s": 18.0, "rest_s": 20.0}}
    with Rig(scenario, extra={"/main.py": TOLD_MAIN}) as rig:
        while rig.now < 18.0 or rig.status()["state"] not in ("rest", "safe"):
            rig.status()
            rig.run(0.1)
            assert rig.now < 75.0, rig.trouble()
        told = [str(e[2]).split()[1:] for e in rig.board.log if str(e[2]).startswith("collected")]
    assert {state for state, _, _ in told} >= {"ready", "store"}  # armed, before and after it is stored
    for state, half_rpm, inside in told:
        assert state in ("rest", "ready", "store") and half_rpm == "0" and inside == "0", told
