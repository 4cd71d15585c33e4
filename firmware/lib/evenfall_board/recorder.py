"""Rings in RAM that hold wire records, always running.

Before a sweep the newest records are kept for the pre-trigger part; during a
sweep everything is; when a ring is full the oldest go first and the run is
marked, so the end of a sweep is never lost.

RAM budget, bytes (the only large allocations of the board):

    load samples     6 x (amplifier rate + 1/8) x seconds
    edges            4 x (edges per second half-way between overspeed and end speed) x seconds
    control trace   12 x at most 27 per second x seconds
    events, air, zeros   900 + 288 + 112

They are made last, while _FREE_BLOCK bytes (_MIN_BLOCK at least) are held: so much stays free in one piece.

with seconds = before_trigger + steady_time + sweep_time + after_sweep + _STEADY_S.
At the defaults and 80 samples/s that is 20 s: 11 kB + 13 kB + 7 kB = 31 kB.  When
the heap has less than is wanted plus _RESERVE, seconds shrink; a run longer than
that loses its beginning and says so; settings whose sweep itself does not fit are
a fault before the sweep.  At 320 samples/s it is 63 kB; an RP2040 has 40 kB for it, a sweep of 8 s.
"""

import gc
from array import array
from struct import calcsize, pack_into, unpack_from

from evenfall_wire.messages import EACH

from .native import const, micropython
from .drivers import ticks
from .settings import TRACE_HZ, bytes_per_second, run_seconds, records_per_second

_RESERVE = const(51 * 1024)  # bytes of heap left for the program at work and what is made after the rings,
_MIN_RESERVE = const(37 * 1024)  # or so many, when a whole sweep would not fit otherwise
_FREE_BLOCK = const(28 * 1024)  # so many of them in one piece: a file opened for writing takes 1,148 at once
_MIN_BLOCK = const(14 * 1024)  # or so many, when the pages of a whole sweep would not fit otherwise
_OVERHEAD = const(14500)  # bytes of heap for the next controller and what the rings take beside their records
_SMALL_BEFORE_MS = const(1500)  # a small record holds the sweep, so much before it
_SMALL_AFTER_MS = const(1000)  # and so much after it, of load samples and edges alone
_STEADY_S = const(6)  # longest wait for a steady top speed that must fit before the sweep
_SHIFT = const(6)
PAGE = const(1 << _SHIFT)  # records
LAST = const(PAGE - 1)
_MAX_SINCE = const(0xFFFFFF)  # ticks since a page's first load sample: 24 bits
_U16 = const(0xFFFF)
_U8 = const(0xFF)


class Ring:
    """The newest `capacity` records of one repeated message; `bytes`: what they take on the wire.

    Kept in pages of PAGE records, because a heap in which programs were loaded
    has no large free block left.
    """

    def __init__(self, name, capacity):
        self.name = name
        self.format = EACH[name]
        self.size = calcsize(self.format)
        pages = (capacity + PAGE - 1) // PAGE
        self.capacity = pages * PAGE
        self.bytes = self.capacity * self.size
        self._pages = self._make(pages)
        self._at = 0  # place of the next record
        self.used = 0
        self.lost = 0  # records overwritten since keep_from()

    def _make(self, pages):
        return [bytearray(PAGE * self.size) for _ in range(pages)]

    @micropython.native
    def _next(self):
        at = self._at
        self._at = at + 1 if at + 1 < self.capacity else 0
        if self.used < self.capacity:
            self.used += 1
        elif self.lost < _U16:
            self.lost += 1
        return at

    # one method per width: a call with *args would allocate
    def put3(self, a, b, c):
        at = self._next()
        pack_into(self.format, self._pages[at >> _SHIFT], (at & LAST) * self.size, a, b, c)

    def put4(self, a, b, c, d):
        at = self._next()
        pack_into(self.format, self._pages[at >> _SHIFT], (at & LAST) * self.size, a, b, c, d)

    @micropython.native
    def put5(self, a, b, c, d, e):
        at = self._next()
        pack_into(self.format, self._pages[at >> _SHIFT], (at & LAST) * self.size, a, b, c, d, e)

    def _bytes(self, page):
        return memoryview(page)

    def _place(self, i):
        """Place of the i-th oldest kept record."""
        at = self._at - self.used + i
        return at + self.capacity if at < 0 else at

    def tick(self, i):
        """Tick of the i-th oldest kept record."""
        at = self._place(i)
        return unpack_from("<I", self._pages[at >> _SHIFT], (at & LAST) * self.size)[0]

    def _older(self, tick):
        """How many of the kept records are older than `tick`."""
        low, high = 0, self.used
        while low < high:
            mid = (low + high) // 2
            if ticks.diff(self.tick(mid), tick) < 0:
                low = mid + 1
            else:
                high = mid
        return low

    def keep_from(self, tick):
        """Drop what is older than `tick`; count losses from here."""
        self.used -= self._older(tick)
        self.lost = 0

    def keep_until(self, tick):
        """Drop what is not older than `tick`."""
        used = self._older(tick)
        self._at = self._place(used)
        self.used = used

    def keep_newest(self, count):
        self.used = min(self.used, count)

    def clear(self):
        self.used = 0
        self.lost = 0

    def copy(self, i, count, out):
        """Copy records i.. into `out` (a memoryview); return bytes written."""
        size = self.size
        done = 0
        while count:
            at = self._place(i)
            first = at & LAST
            n = min(count, PAGE - first)
            page = self._bytes(self._pages[at >> _SHIFT])
            out[done : done + n * size] = page[first * size : (first + n) * size]
            done += n * size
            i += n
            count -= n
        return done


class WordRing(Ring):
    """Records of one 32-bit word below 2**30: stored without packing, several a tick.

    The processors are little-endian, as the wire is.
    """

    def _make(self, pages):
        zeros = bytearray(PAGE * self.size)  # once: garbage of this size would have the heap collected again
        return [array("i", zeros) for _ in range(pages)]

    @micropython.native
    def put1(self, a):
        at = self._next()
        self._pages[at >> _SHIFT][at & LAST] = a

    def tick(self, i):
        at = self._place(i)
        return self._pages[at >> _SHIFT][at & LAST]

    def _bytes(self, page):
        from uctypes import addressof, bytearray_at  # MicroPython's own; the plan serves CPython too

        return memoryview(bytearray_at(addressof(page), PAGE * self.size))


class LoadRing(Ring):
    """Load samples in six bytes: 24 bits of count, 24 of the time since the first of the page.

    Beginning a page drops what is left of its old records.  A sample 4 s after the first of its page (the
    cell was silent for long, which is a fault) drops all that is older.
    """

    def __init__(self, name, capacity):
        super().__init__(name, capacity + PAGE)
        self._first = array("i", bytearray(4 * len(self._pages)))  # tick of each page's first record

    def _make(self, pages):
        zeros = bytearray(6 * PAGE)
        return [array("H", zeros) for _ in range(pages)]

    def _drop(self, records):
        self.used -= records
        self.lost = min(self.lost + records, _U16)

    def _begin_page(self, at, tick):
        self._first[at >> _SHIFT] = tick
        more = self.used + PAGE - self.capacity
        if more > 0:
            self._drop(more)

    def _next_page(self):
        """Place of the next page's first record; nothing older is kept."""
        self._drop(self.used)
        at = (self._at | LAST) + 1
        return at if at < self.capacity else 0

    @micropython.native
    def put2(self, tick, count):
        at = self._at
        since = (tick - self._first[at >> _SHIFT]) & ticks.MASK if at & LAST else 0
        if since > _MAX_SINCE:
            at = self._next_page()
            since = 0
        if not at & LAST:
            self._begin_page(at, tick)
        page = self._pages[at >> _SHIFT]
        place = 3 * (at & LAST)
        page[place] = since & _U16
        page[place + 1] = since >> 16 | (count & _U8) << 8
        page[place + 2] = count >> 8 & _U16
        self.used += 1
        at += 1
        self._at = at if at < self.capacity else 0

    def tick(self, i):
        at = self._place(i)
        page, place = self._pages[at >> _SHIFT], 3 * (at & LAST)
        return (self._first[at >> _SHIFT] + (page[place] | (page[place + 1] & _U8) << 16)) & ticks.MASK

    @micropython.native
    def copy(self, i, count, out):
        at = self._place(i)
        done = 0
        for _ in range(count):
            page, place = self._pages[at >> _SHIFT], 3 * (at & LAST)
            middle = page[place + 1]
            code = middle >> 8 | page[place + 2] << 8
            since = page[place] | (middle & _U8) << 16
            tick = (self._first[at >> _SHIFT] + since) & ticks.MASK
            pack_into(self.format, out, done, tick, code - 0x1000000 if code >> 23 else code)
            done += 8
            at += 1
            if at == self.capacity:
                at = 0
        return done


def plan(settings, nominal_hz, free):
    """(seconds, load, edge, trace capacities) that fit into `free` bytes of heap."""
    load_hz, edge_hz, trace_hz = records_per_second(settings, nominal_hz)
    least, each = run_seconds(settings), bytes_per_second(settings, nominal_hz)
    fits = max((free - _RESERVE) // each, min(least, (free - _MIN_RESERVE) // each))
    seconds = max(1, min(least + _STEADY_S, fits))
    return seconds, load_hz * seconds, edge_hz * seconds, trace_hz * seconds


def free_block_bytes(settings, nominal_hz, free):
    """What is kept free in one piece: _FREE_BLOCK, or what the records of a whole sweep leave of it."""
    return min(_FREE_BLOCK, free - run_seconds(settings) * bytes_per_second(settings, nominal_hz) - _OVERHEAD)


def _reserve(size):
    """So many bytes of the heap in one piece, or fewer where there is no such piece."""
    while size > 1024:
        try:
            return bytearray(size)
        except MemoryError:
            size -= 1024
    return None


class Recorder:
    def __init__(self, settings, nominal_hz, free):
        block_bytes = free_block_bytes(settings, nominal_hz, free)
        while True:
            block = _reserve(block_bytes)  # held until the pages are made
            self.seconds, loads, edges, traces = plan(settings, nominal_hz, free)
            try:
                self.trace = Ring("control_trace", traces)  # the largest pages first
                self.loads = LoadRing("load_samples", loads)
                self.edges = WordRing("edge_times", edges)
                self.events = Ring("events", 100)
                self.air = Ring("air", 24)
                self.zeros = Ring("zeros", 8)
                break
            except MemoryError:  # gaps smaller than a page; the length of a file's name can move them
                if self.seconds <= 1:
                    raise
                self.trace = self.loads = self.edges = self.events = self.air = block = None
                gc.collect()
                if self.seconds <= run_seconds(settings) and block_bytes > _MIN_BLOCK:
                    block_bytes -= 1024  # rather than a record shorter than a sweep
                else:
                    free -= _RESERVE // 20
        del block
        seconds = (settings["sweep_time"] + _SMALL_BEFORE_MS + _SMALL_AFTER_MS + 1999) // 1000
        load_hz, edge_hz, _ = records_per_second(settings, nominal_hz)
        self._small_loads, self._small_edges = load_hz * seconds, edge_hz * seconds
        self._every = max(1, (nominal_hz + TRACE_HZ - 1) // TRACE_HZ)
        self._skip = 0
        self.start_tick = 0

    def clear(self):
        """Forget everything that was recorded."""
        for ring in (self.loads, self.edges, self.trace, self.events, self.air, self.zeros):
            ring.clear()

    def worst_bytes(self, small=False):
        """Most a stored run can take on flash: records, frames of 368 bytes, head frames, file system."""
        records = self.events.bytes + self.air.bytes + self.zeros.bytes
        if small:
            loads, edges = self.loads, self.edges
            records += min(self._small_loads * loads.size, loads.bytes)
            records += min(self._small_edges * edges.size, edges.bytes)
        else:
            for ring in (self.loads, self.edges, self.trace):
                records += ring.bytes
        return records + records // 25 + 1500 + 4 * 4096

    def shrink(self, first, last):
        """Leave a small record: load and edges from `first` to `last` (0, 0: the newest), no trace."""
        for ring, count in ((self.loads, self._small_loads), (self.edges, self._small_edges)):
            if first != last:
                ring.keep_from(ticks.before(first, _SMALL_BEFORE_MS))
                ring.keep_until(ticks.before(ticks.signed(last), -_SMALL_AFTER_MS))
            ring.keep_newest(count)
        self.trace.clear()

    @micropython.native
    def trace_due(self):
        """True when this control step is to be put into the trace (at most TRACE_HZ)."""
        self._skip += 1
        if self._skip >= self._every:
            self._skip = 0
            return True
        return False

    def begin(self, tick):
        """A run starts at `tick` (its pre-trigger part included): drop what is older."""
        self.start_tick = tick
        for ring in (self.loads, self.edges, self.trace, self.events, self.air):
            ring.keep_from(tick)

    def lost_since_begin(self):
        """True when a ring was full and the run's oldest records went."""
        return bool(self.loads.lost or self.edges.lost or self.trace.lost)
