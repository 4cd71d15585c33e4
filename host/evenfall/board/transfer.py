"""Bytes of stored runs as they come in, kept on disk until they are whole.

A run is fetched as bytes of the board's file, whatever they hold: a damaged
frame in it costs nothing here.  What came is mirrored to a partial file as the
`run_data` frames that brought it, each with its own CRC, so that a file cut
anywhere is taken up again by the next program.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from evenfall_wire.frames import MAX_PAYLOAD

from evenfall.board import run_file

DATA_BYTES = MAX_PAYLOAD - 4  # of the file in one run_data
HOLE_BYTES = 512  # so much is passed over where the board cannot read its flash
SLOWEST_BYTES_PER_S = 200.0  # a transfer slower than this over more than GRACE_S is given up
GRACE_S = 60.0
AHEAD_S = 2.0  # runs that begin so soon are fetched in one go, then kept and acknowledged one by one

Progress = Callable[[int, int, int], None]  # run number, bytes here, bytes in all


@dataclass(frozen=True)
class RunEntry:
    """One line of the board's list of runs; `damage`: what could not be read of it, as sentences."""

    run_id: int
    size: int
    crc32: int
    frames: int
    flags: list[str]
    verdict: str
    started_unix_s: int
    damage: tuple[str, ...] = ()


def _gaps(covered: Iterable[tuple[int, int]], size: int) -> Iterator[tuple[int, int]]:
    """What lies between sorted (begin, end) spans, within 0..size."""
    at = 0
    for begin, end in covered:
        if begin > at:
            yield at, min(begin, size)
        at = max(at, end)
    if at < size:
        yield at, size


class Transfer:
    """The bytes of one run that are here, mirrored to the file `partial`."""

    def __init__(self, entry: RunEntry, partial: Path) -> None:
        self.entry = entry
        self.partial = partial
        self.bytes_here = 0
        self._data = bytearray(entry.size)
        self._covered: list[tuple[int, int]] = []
        self._holes: list[tuple[int, int]] = []
        partial.parent.mkdir(parents=True, exist_ok=True)
        if partial.exists():
            for chunk in partial.read_bytes().split(b"\x00")[:-1]:
                frame = run_file.open_frame(chunk)
                if frame and frame.kind == run_file.RUN_DATA and len(frame.payload) > 4:
                    self._take(frame.payload)
        self._file = partial.open("ab")
        if partial.stat().st_size:
            self._file.write(b"\x00")  # ends a frame cut short by a kill

    def _take(self, payload: bytes) -> int:
        offset = int.from_bytes(payload[:4], "little")
        data = payload[4:]
        end = offset + len(data)
        if end > self.entry.size:
            return 0
        new = sum(
            min(end, b) - max(offset, a) for a, b in _gaps(self._covered, end) if min(end, b) > max(offset, a)
        )
        if new:
            self._data[offset:end] = data
            self._cover(offset, end)
            self.bytes_here += new
        return new

    def _cover(self, begin: int, end: int) -> None:
        spans: list[tuple[int, int]] = []
        for a, b in sorted([*self._covered, (begin, end)]):
            if spans and a <= spans[-1][1]:
                spans[-1] = (spans[-1][0], max(b, spans[-1][1]))
            else:
                spans.append((a, b))
        self._covered = spans

    def add(self, payload: bytes, chunk: bytes) -> int:
        """Take the payload of a run_data frame that came as `chunk`; bytes that are new."""
        new = self._take(payload)
        if new:
            self._file.write(chunk + b"\x00")
        return new

    def pass_over(self, offset: int) -> None:
        """The board cannot read its file at `offset`: go on behind it."""
        end = min(offset + HOLE_BYTES, self.entry.size)
        for a, b in list(_gaps(self._covered, end)):
            if b > offset:
                self._holes.append((max(a, offset), b))
        self._cover(offset, end)

    def whole(self) -> bool:
        """True when nothing is left to ask for."""
        return next(_gaps(self._covered, self.entry.size), None) is None

    def next_span(self, most: int, asked: Sequence[Span] = ()) -> tuple[int, int] | None:
        """(offset, length) to ask for next; small islands are fetched again rather than stepped over."""
        self._file.flush()
        taken = sorted([*self._covered, *((s.offset, s.offset + s.length) for s in asked)])
        gaps = _gaps(taken, self.entry.size)
        begin, end = next(gaps, (0, 0))
        if not end:
            return None
        for a, b in gaps:
            if a - end > 2 * DATA_BYTES or end - begin >= most:
                break
            end = b
        return begin, min(end - begin, most)

    def damage(self) -> tuple[str, ...]:
        """A sentence for each stretch that the board could not read."""
        out: list[tuple[int, int]] = []
        for a, b in sorted(self._holes):
            if out and a <= out[-1][1]:
                out[-1] = (out[-1][0], b)
            else:
                out.append((a, b))
        return tuple(f"bytes {a} to {b - 1} could not be read from the board's flash" for a, b in out)

    def data(self) -> bytes:
        """The file; where bytes are missing the pieces are parted by one 0x00, which ends a frame."""
        if not self._holes:
            return bytes(self._data)
        pieces = list(_gaps(sorted(self._holes), self.entry.size))
        return b"\x00".join(bytes(self._data[a:b]) for a, b in pieces)

    def kept(self) -> str:
        """What the person may count on when the transfer stops here."""
        return f"{self.bytes_here} of {self.entry.size} bytes are kept, the next pull goes on from there"

    def close(self) -> None:
        """What is whole goes into the archive now; what is not must outlast a power cut."""
        with contextlib.suppress(OSError):
            self._file.flush()
            if not self.whole():
                os.fsync(self._file.fileno())
        self._file.close()


@dataclass
class Span:
    """Bytes asked for by one request."""

    transfer: Transfer
    offset: int
    length: int
    sequence: int  # of the request
    name: str
    heard: bool = False

    def holds(self, payload: bytes) -> bool:
        """True for run_data that lies within what was asked for."""
        begin = int.from_bytes(payload[:4], "little")
        end = begin + len(payload) - 4
        return len(payload) > 4 and self.offset <= begin and end <= self.offset + self.length


class Reading:
    """Transfers of some runs in order, and the spans asked for and not answered yet."""

    def __init__(self, wanted: Sequence[tuple[RunEntry, Path]], progress: Progress) -> None:
        self.progress = progress
        self.asked: deque[Span] = deque()
        self.bytes_new = 0
        self._began = time.monotonic()
        self._to_come = deque(wanted)
        self._transfers: list[Transfer] = []
        self._ahead_until = time.monotonic() + AHEAD_S

    def next_span(self, most: int) -> tuple[Transfer, int, int] | None:
        """(transfer, offset, length) of at most `most` bytes to ask for next."""
        for transfer in self._transfers:
            span = transfer.next_span(most, [s for s in self.asked if s.transfer is transfer])
            if span:
                return transfer, *span
        if not self._to_come or (self._transfers and time.monotonic() > self._ahead_until):
            return None
        entry, partial = self._to_come.popleft()
        if entry.size > run_file.MAX_RUN_BYTES:
            self._to_come.clear()
            return None
        self._transfers.append(Transfer(entry, partial))
        return self.next_span(most)

    def add(self, span: Span, payload: bytes, chunk: bytes) -> int:
        """Take one run_data of the answer to `span`; bytes that are new."""
        new = span.transfer.add(payload, chunk)
        self.bytes_new += new
        entry = span.transfer.entry
        self.progress(entry.run_id, span.transfer.bytes_here, entry.size)
        return new

    def too_slow(self) -> bool:
        """True when the line has brought fewer new bytes a second than is worth waiting for."""
        return time.monotonic() - self._began > GRACE_S + self.bytes_new / SLOWEST_BYTES_PER_S

    def whole(self) -> list[Transfer]:
        """The first transfers, up to one with bytes missing."""
        return list(itertools.takewhile(Transfer.whole, self._transfers))

    def close(self) -> None:
        """Close all partial files."""
        for transfer in self._transfers:
            transfer.close()
