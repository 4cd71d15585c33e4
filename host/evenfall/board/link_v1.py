"""Boards of protocol 1 (firmware 0.1): enough of it to bring their runs in.

Protocol 1 knew no session in its requests, read runs by frame number and sent the
stored frames bare; the acknowledgement was size and CRC-32 alone.  All else is as
now.  This goes when no such board is left.
"""

from __future__ import annotations

import struct
import time
from binascii import crc32
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Protocol

from evenfall_wire import messages
from evenfall_wire.frames import Framer

from evenfall.board import run_file
from evenfall.board.transfer import Progress, RunEntry
from evenfall.errors import DamageError, LinkError

MAJOR, MINOR = 1, 1
# the layouts that were others; those of all other requests are today's without the session
HEADS = {"read_run": "<IHH", "ack_run": "<III", "delete_run": "<I", "get_learned": "<"}
BLOCK_FRAMES = 128  # asked for at once
UNPRODUCTIVE_LIMIT = 200


class Connection(Protocol):
    """What a dialect needs of the open link; `evenfall.board.link.Link` is one."""

    def next_sequence(self) -> int: ...

    def request_bytes(self, name: str, sequence: int, head: Sequence[Any]) -> bytes: ...

    def send(self, data: bytes) -> None: ...

    def receive(self, wait_s: float) -> Iterator[tuple[run_file.Frame | None, bytes]]: ...

    def is_reply(
        self, frame: run_file.Frame, sequence: int, request: str, reply: str
    ) -> run_file.Message | None: ...


class Dialect:
    """Frames and transfers of protocol 1 on an open link."""

    def __init__(self, link: Connection) -> None:
        self._link = link

    def frame_bytes(
        self, name: str, sequence: int, head: Sequence[Any], each: Iterable[Sequence[Any]]
    ) -> bytes:
        """One request on the wire, delimiter included."""
        today = messages.HEAD[name]
        layout = HEADS.get(name) or ("<" + today[2:] if run_file.has_session(name) else today)
        payload = struct.pack(layout, *head[: len(layout) - 1])
        payload += b"".join(struct.pack(messages.EACH[name], *row) for row in each)
        framer = Framer()
        framer.payload[: len(payload)] = payload
        return bytes(framer.finish(run_file.TYPE_OF[name], sequence, len(payload)))

    def decode_message(self, kind: int, payload: bytes) -> run_file.Message | None:
        """As run_file.decode_message, for replies of protocol 1."""
        if kind == run_file.TYPE_OF["board_info"]:
            payload += bytes(4)  # no table_hash
        elif kind == run_file.TYPE_OF["learned"]:
            payload = bytes(4) + payload  # no total, no first
        elif kind == run_file.TYPE_OF["read_done"]:
            head = dict(
                zip(("run_id", "first", "count", "crc32"), struct.unpack_from("<IHHI", payload), strict=True)
            )
            return run_file.Message("read_done", head, [])
        return run_file.decode_message(kind, payload)

    def read_run(self, entry: RunEntry, partial: Path, progress: Progress) -> bytes:
        """The run's bytes, verified against its entry; `partial` keeps the frames that came.

        Raises LinkError when the line gives up, DamageError when the whole does not verify.
        """
        frames: dict[int, bytes] = {}
        partial.parent.mkdir(parents=True, exist_ok=True)
        for chunk in partial.read_bytes().split(b"\x00")[:-1] if partial.exists() else ():
            frame = run_file.open_frame(chunk)
            if frame and frame.kind >= 0x80 and frame.sequence < entry.frames:
                frames.setdefault(frame.sequence, chunk)
        unproductive = 0
        with partial.open("ab") as f:
            if f.tell():
                f.write(b"\x00")  # ends a frame cut short by a kill
            while len(frames) < entry.frames:
                new = self._read_block(entry, frames)
                for number in new:
                    f.write(frames[number] + b"\x00")
                here = sum(len(c) + 1 for c in frames.values())
                progress(entry.run_id, min(here, entry.size), entry.size)
                unproductive = 0 if new else unproductive + 1
                if unproductive > UNPRODUCTIVE_LIMIT:
                    raise LinkError(
                        f"run {entry.run_id}: the line is too noisy, or a frame of the run is damaged on "
                        f"the board; {len(frames)} of {entry.frames} frames are kept"
                    )
        data = b"".join(frames[n] + b"\x00" for n in sorted(frames))
        if (len(data), crc32(data)) != (entry.size, entry.crc32):
            partial.unlink(missing_ok=True)
            raise DamageError(
                f"run {entry.run_id}: all {entry.frames} frames came, but the whole differs from what the "
                "board lists; not acknowledged, the board keeps it"
            )
        return data

    def _read_block(self, entry: RunEntry, frames: dict[int, bytes]) -> list[int]:
        """Ask once for frames from the first that is missing; numbers of those that came."""
        link = self._link
        first = next(n for n in range(entry.frames) if n not in frames)
        count = min(BLOCK_FRAMES, entry.frames - first)
        sequence = link.next_sequence()
        link.send(link.request_bytes("read_run", sequence, (entry.run_id, first, count)))
        new: list[int] = []
        quiet_until = time.monotonic() + 2.0
        while (now := time.monotonic()) < quiet_until:
            for frame, chunk in link.receive(quiet_until - now):
                if frame is None:
                    continue
                if frame.kind < 0x80:
                    if link.is_reply(frame, sequence, "read_run", "read_done"):
                        return new
                elif first <= frame.sequence < first + count and frame.sequence not in frames:
                    frames[frame.sequence] = chunk
                    new.append(frame.sequence)
                    quiet_until = time.monotonic() + 2.0
        return new
