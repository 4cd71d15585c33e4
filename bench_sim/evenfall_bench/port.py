"""The serial line between board and host: a pty, and what a real line does to bytes."""

from __future__ import annotations

import contextlib
import errno
import os
import pty
import select
import time
import tty
from collections import deque
from random import Random
from typing import Any

from .image import BenchError

READ_BYTES = 65536
# Buffers between the host and the program on a board of this chip: the USB stack's for bytes that came
# and the interpreter's behind it (MicroPython's RP2 port, from memory: 256 and 512 bytes).
CDC_IN_BYTES = 256
STDIN_BYTES = 512


class Noise:
    """Flips bits, drops, doubles and inserts bytes."""

    def __init__(self, link: dict[str, Any], seed: str) -> None:
        self._rng = Random(seed)
        self._flip = 1.0 - (1.0 - link["flip_chance"]) ** 8
        self._drop, self._double, self._insert = (
            link["drop_chance"],
            link["double_chance"],
            link["insert_chance"],
        )
        self.on = bool(self._flip or self._drop or self._double or self._insert)
        self.damaged = 0

    def apply(self, data: bytes) -> bytes:
        """The bytes that come out at the far end."""
        if not self.on:
            return data
        out = bytearray()
        chance = self._rng.random
        for byte in data:
            if chance() < self._drop:
                self.damaged += 1
                continue
            if chance() < self._flip:
                byte ^= 1 << self._rng.randrange(8)
                self.damaged += 1
            out.append(byte)
            if chance() < self._double:
                out.append(byte)
                self.damaged += 1
            if chance() < self._insert:
                out.append(self._rng.randrange(256))
                self.damaged += 1
        return bytes(out)


class Lane:
    """One direction: bytes leave at the line rate and arrive after the latency."""

    def __init__(self, link: dict[str, Any], seed: str) -> None:
        self._per_us = link["bytes_per_s"] / 1e6
        self._latency_us = round(link["latency_ms"] * 1000)
        self.noise = Noise(link, seed)
        self._queue: deque[tuple[int, bytes]] = deque()
        self._free_at = 0.0  # when the line has sent all it was given
        self.bytes = 0

    def put(self, data: bytes, now_us: int) -> None:
        """Bytes go onto the line at `now_us`, in pieces so that long ones arrive bit by bit."""
        self.bytes += len(data)
        at = max(float(now_us), self._free_at)
        for i in range(0, len(data), 64):
            piece = data[i : i + 64]
            at += len(piece) / self._per_us
            self._queue.append((round(at) + self._latency_us, self.noise.apply(piece)))
        self._free_at = at

    def take(self, now_us: int) -> bytes:
        """Bytes that have arrived by `now_us`."""
        queue = self._queue
        if not queue or queue[0][0] > now_us:
            return b""
        out = []
        while queue and queue[0][0] <= now_us:
            out.append(queue.popleft()[1])
        return b"".join(out)

    @property
    def waiting(self) -> int:
        """Bytes given to the line and not taken off it."""
        return sum(len(piece) for _, piece in self._queue)

    def bytes_in(self, us: int) -> int:
        """Bytes that the line sends in `us`, at least 64."""
        return max(64, round(us * self._per_us))

    def backlog_us(self, now_us: int) -> int:
        """How long the line still needs for what it was given."""
        return max(0, round(self._free_at - now_us))

    def clear(self) -> None:
        """All bytes under way are lost (cable out, board reset)."""
        self._queue.clear()
        self._free_at = 0.0

    @property
    def busy(self) -> bool:
        """True while bytes are under way."""
        return bool(self._queue)


class PtyPort:
    """A pty whose slave is the host's serial port; `path` may be a stable symlink.

    The bench holds no slave end of its own, so it notices when no host has the port
    open: then what the board says is dropped, as a USB device without a listener does.
    """

    def __init__(self, link_path: str | None = None) -> None:
        self._link_path = link_path
        self.master = -1
        self.room = READ_BYTES  # what the board's end can take now; the rest stays with the host
        self.path = ""
        self._poll = select.poll()
        self._left = b""
        self.plug()

    def plug(self) -> None:
        """Make the port appear."""
        if self.master >= 0:
            return
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self.master, False)
        self._poll.register(self.master, select.POLLIN)
        self.path = name
        if self._link_path:
            if os.path.islink(self._link_path):  # of a bench before; what else is there stays
                os.unlink(self._link_path)
            try:
                os.symlink(name, self._link_path)
            except OSError as error:
                raise BenchError(
                    f"no link to the port can be made at {self._link_path}: {error.strerror}; name another"
                ) from None
            self.path = self._link_path

    def unplug(self) -> None:
        """Make the port vanish."""
        if self.master < 0:
            return
        self._poll.unregister(self.master)
        os.close(self.master)
        self.master = -1
        self._left = b""
        if self._link_path:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(self._link_path)

    close = unplug

    def exchange(self, wait_ms: int = 0) -> tuple[bytes, bool]:
        """Wait up to `wait_ms` for the host; return (bytes from it, whether it has the port open)."""
        if self.master < 0:  # the cable is out; time goes on at its pace all the same
            if wait_ms:
                time.sleep(wait_ms / 1000.0)
            return b"", False
        events = self._poll.poll(wait_ms)
        if not events:
            return b"", True
        mask = events[0][1]
        if mask & select.POLLIN:
            if not self.room:
                return b"", True
            try:
                return os.read(self.master, self.room), True
            except OSError as error:
                if error.errno not in (errno.EIO, errno.EAGAIN):
                    raise
        if mask & select.POLLHUP:  # no host; the poll did not wait
            if wait_ms:
                time.sleep(wait_ms / 1000.0)
            return b"", False
        return b"", True

    def write(self, data: bytes) -> bool:
        """Hand bytes to the host; False while the host does not take them (they are kept)."""
        self._left += data
        while self._left:
            if self.master < 0:
                self._left = b""
                break
            try:
                n = os.write(self.master, self._left)
            except BlockingIOError:
                return False
            except OSError:
                self._left = b""
                break
            self._left = self._left[n:]
        return True

    @property
    def full(self) -> bool:
        """True while the host has not taken all that arrived."""
        return bool(self._left)

    def drop(self) -> None:
        """Forget what the host did not take."""
        self._left = b""
