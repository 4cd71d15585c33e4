"""A whole sweep with the heap locked during every load sample, edge and control step."""

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


def test_a_sweep_with_the_heap_locked():
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


# counts what the passes of a ramp take from the heap; told when the ramp is over
COUNTED_MAIN = b"""
import gc
import micropython
micropython.kbd_intr(-1)
import exchange
from evenfall_board import app

passes = app.Board.one_pass
seen = [0, 0, 0]  # passes of a ramp, bytes they took, told

def counted(self, ms):
    if self.state != "sweep":
        if seen[0] and not seen[2]:
            seen[2] = 1
            exchange.exchange(exchange.NOTE, 0, b"took %d %d" % (seen[0], seen[1]))
        passes(self, ms)
        return
    before = gc.mem_alloc()
    passes(self, ms)
    seen[0] += 1
    took = gc.mem_alloc() - before
    if took > 0:
        seen[1] += took

app.Board.one_pass = counted
app.run()
"""


def test_the_passes_of_a_ramp_take_nothing_from_the_heap():
    """A tuple of four in `one_pass` once took 64 bytes each time: a collection in mid-sweep."""
    with Rig(extra={"/main.py": COUNTED_MAIN}) as rig:
        rig.until("sweep", 20)
        rig.until("store", 60, step=0.5)
        (told,) = [entry[2] for entry in rig.board.log if str(entry[2]).startswith("took")]
        passes, taken = map(int, told.split()[1:])
        # the host's question for the status, here every 0.5 s, is answered from the heap
        assert passes > 1000 and taken / passes < 8, told


# each status that a host asks for in a sweep, from its last byte to the answer, with the heap locked
ASKED_MAIN = b"""
import micropython
micropython.kbd_intr(-1)
from evenfall_board import app, link

asked = link.Link._answer_request
put = link.Unframer.put
sweeping = [0]

# a call with *args would itself allocate
def put_locked(self, byte):
    if not sweeping[0]:
        return put(self, byte)
    micropython.heap_lock()
    try:
        return put(self, byte)
    finally:
        micropython.heap_unlock()

def asked_locked(self, kind, sequence, payload):
    if not sweeping[0]:
        return asked(self, kind, sequence, payload)
    micropython.heap_lock()
    try:
        return asked(self, kind, sequence, payload)
    finally:
        micropython.heap_unlock()

passes = app.Board.one_pass

def watched(self, ms):
    sweeping[0] = self.state == "sweep"
    passes(self, ms)

app.Board.one_pass = watched
link.Unframer.put = put_locked
link.Link._answer_request = asked_locked
app.run()
"""


def test_a_status_asked_in_a_sweep_takes_nothing_from_the_heap():
    """It once took 640 bytes: asked ten times a second, the board collected its heap in mid-sweep."""
    with Rig(extra={"/main.py": ASKED_MAIN}) as rig:
        rig.until("sweep", 20)
        assert rig.until("release", 20)["uptime_s"] > 10
        assert not [e for e in rig.board.log if e[1] in ("program ended", "watchdog")], rig.trouble()


def test_the_lock_of_the_status_is_real():
    """A request with a payload does take from the heap."""
    broken = ASKED_MAIN.replace(b'self.state == "sweep"', b'self.state == "rest"')
    with Rig(extra={"/main.py": broken}) as rig:
        rig.run(2.0)
        rig.send("get_settings", (0,), session=rig.session)
        rig.run(0.5)
        assert b"MemoryError" in rig.line.from_board and b"heap is locked" in rig.line.from_board
