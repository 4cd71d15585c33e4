"""The two PIO state machines as seen through their receive FIFOs.

Words as DEVELOPERS.md ("PIO words") and firmware/lib/evenfall_board/drivers/programs.py
describe; the programs' constants arrive from there through shims/rp2.py.  All times are
ticks of the board's clock (0.25 us).  A push into a full FIFO stalls the machine: the
word waits, and what happens meanwhile is lost, as on the chip.
"""

from __future__ import annotations

from collections import deque

DEPTH = 8


class _Fifo:
    """Joined receive FIFO; a push into a full one stalls the machine."""

    def __init__(self) -> None:
        self.words: deque[int] = deque()
        self.held: int | None = None  # word that waits at a full FIFO
        self.running = False

    def _push(self, word: int) -> None:
        if len(self.words) >= DEPTH:
            self.held = word
        else:
            self.words.append(word)


class LoadReader(_Fifo):
    """`load_cell_reader`: two words per conversion."""

    def __init__(self, k: int, overhead: int, confirm: int) -> None:
        super().__init__()
        self.k = k
        self.overhead = overhead
        self.confirm = confirm
        self._second = False  # the held word is the second of its pair
        self._waiting_from = 0
        self._code: int | None = None  # conversion that the amplifier holds, not read out yet
        self._ready = 0
        self.lost = 0  # conversions never read out
        self.odd_check: int | None = None  # fault: levels during the extra pulses

    def start(self, tick: int) -> None:
        """Begin at the program's first instruction."""
        self.running = True
        self.held = None
        self._second = False
        self._waiting_from = tick

    def feed(self, ready_tick: int, code: int) -> None:
        """A conversion is done; it replaces one that was not read out."""
        if self._code is not None:
            self.lost += 1
        self._code = code
        self._ready = ready_tick + self.confirm

    def advance(self, now: int) -> None:
        """Do what the program does until `now`."""
        if not self.running or self.held is not None or self._code is None:
            return
        seen = max(self._ready, self._waiting_from + self.confirm)
        if seen + self.overhead > now:
            return
        self._push((seen - self._waiting_from) & 0xFFFFFFFF)
        if self.held is None:
            self._read_out(seen)

    def _read_out(self, seen: int) -> None:
        assert self._code is not None
        ones = (1 << self.k) - 1
        check = ones if self.odd_check is None else self.odd_check
        word = ((self._code & 0xFFFFFF) << self.k | check) & 0xFFFFFFFF
        self._code = None
        self._waiting_from = seen + self.overhead
        self._second = True
        self._push(word)
        if self.held is None:
            self._second = False

    def pop(self, count: int, now: int) -> None:
        """The board took `count` words by now; a held word goes in and the machine goes on."""
        for _ in range(count):
            if self.words:
                self.words.popleft()
            if self.held is not None and len(self.words) < DEPTH:
                word, self.held = self.held, None
                self.words.append(word)
                if self._second:
                    self._second = False
                    self._waiting_from = max(now, self._waiting_from)
                else:
                    self._read_out(now)  # the conversion of now, not of then


class HallTimer(_Fifo):
    """`hall_timer`: one word per accepted edge, 0 for a time-out."""

    def __init__(self, timeout: int, overhead: int, confirm: int) -> None:
        super().__init__()
        self.whole = timeout + overhead
        self.confirm = confirm
        self._from = 0
        self._edges: deque[int] = deque()
        self.lost = 0  # edges that came while the machine was held up

    def start(self, tick: int) -> None:
        """Begin at the program's first instruction."""
        self.running = True
        self.held = None
        self._edges.clear()
        self._from = tick

    def feed(self, edge_tick: int) -> None:
        """A falling edge; taken once the level lasted."""
        self._edges.append(edge_tick + self.confirm)

    def advance(self, now: int) -> None:
        """Do what the program does until `now`."""
        if not self.running:
            self._edges.clear()
            return
        edges = self._edges
        while self.held is None:
            due = self._from + self.whole
            if edges and edges[0] <= now and edges[0] < due:
                seen = edges.popleft()
                if seen - self._from < 2 * self.confirm:
                    self.lost += 1  # high and low must each last the confirm time
                    continue
                self._push(due - seen)
                self._from = seen
            elif due <= now:
                self._push(0)
                self._from = due
            else:
                return
        while edges and edges[0] <= now:
            edges.popleft()
            self.lost += 1

    def pop(self, count: int, now: int) -> None:
        """The board took `count` words by now."""
        for _ in range(count):
            if self.words:
                self.words.popleft()
            if self.held is not None and len(self.words) < DEPTH:
                self.words.append(self.held)
                self.held = None
                self._from = now
