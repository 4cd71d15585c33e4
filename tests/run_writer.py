"""Run files for tests, from the protocol's own packing."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from typing import Any

from evenfall.board.run_file import frame_bytes
from evenfall_wire import messages
from evenfall_wire.frames import MAX_PAYLOAD


def run_bytes(records: Iterable[tuple[str, Sequence[Any], Sequence[Sequence[Any]]]]) -> bytes:
    """A run file from (message name, head, each) in order; long `each` lists fill several frames."""
    out: list[bytes] = []
    for name, head, each in records:
        size = struct.calcsize(messages.EACH[name])
        room = (MAX_PAYLOAD - struct.calcsize(messages.HEAD[name])) // size if size else 1
        for at in range(0, max(1, len(each)), room):
            out.append(frame_bytes(name, len(out), head, each[at : at + room]))
    return b"".join(out)
