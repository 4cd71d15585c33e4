"""A whole pull with the heap locked during every load sample, edge and control step."""

from __future__ import annotations

from bench_rig import Rig

# Takes the place of /main.py for this test; the firmware's own files are as they are.
LOCKED_MAIN = b"""
import micropython
micropython.kbd_intr(-1)
from evenfall_board import app, sensing

# a call with *args would itself allocate
def locked(method):
    def call(self, a, b):
        micropython.heap_lock()
        try:
            return method(self, a, b)
        finally:
            micropython.heap_unlock()
    return call

def locked_edge(method):
    def call(self, a):
        micropython.heap_lock()
        try:
            return method(self, a)
        finally:
            micropython.heap_unlock()
    return call

app.Board._sample = locked(app.Board._sample)
sensing.Speed.edge = locked_edge(sensing.Speed.edge)
app.run()
"""


def test_a_pull_with_the_heap_locked():
    with Rig(extra={"/main.py": LOCKED_MAIN}) as rig:
        rig.until("sweep", 20)
        rig.until("rest", 60, step=0.5)
        (run,) = rig.runs()
        assert run[3] > 20  # frames: it was recorded
        assert not [e for e in rig.board.log if e[1] in ("program ended", "watchdog")], rig.trouble()


def test_the_lock_is_real():
    broken = LOCKED_MAIN.replace(
        b"app.run()", b"app.Board._sample = locked(lambda s, t, c: [t, c])\napp.run()"
    )
    with Rig(extra={"/main.py": broken}) as rig:
        rig.run(3.0)
        assert b"MemoryError" in rig.line.from_board and b"heap is locked" in rig.line.from_board
