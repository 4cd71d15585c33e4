"""One message, three makers: the board's packer in MicroPython, construct, numpy.  Byte for byte."""

from __future__ import annotations

import json
import random

import numpy as np
import pytest
from evenfall_wire import frames, messages
from wire_references import (
    HERE,
    PROTOCOL,
    build_frame,
    build_payload,
    parse_frame,
    parse_payload,
    record_dtype,
    run_micropython,
)


def random_value(code: str, r: random.Random) -> int | bytes:
    """Ends of the range, zero and small values often: they make zeros and full blocks on the wire."""
    size = messages.struct.calcsize("<" + code)
    if code.endswith("s"):
        return r.choice([bytes(size), r.randbytes(size), b"\xff" * size])
    low = -(1 << 8 * size - 1) if code.islower() else 0
    high = low + (1 << 8 * size) - 1
    return r.choice([low, high, 0, 1, r.randint(low, high), r.randint(low, high), r.randint(0, 255)])


def random_message(r: random.Random) -> dict:
    """A message in the form of pack_in_micropython.py, `wire` made by construct, cobs and zlib."""
    number, name, head, each = r.choice(messages.MESSAGES)
    room = 0
    if each:
        size = messages.struct.calcsize(messages.EACH[name])
        room = (frames.MAX_PAYLOAD - messages.struct.calcsize(messages.HEAD[name])) // size
    values = tuple(random_value(f[1], r) for f in head)
    rows = [
        tuple(random_value(f[1], r) for f in each) for _ in range(r.choice([0, 1, room, r.randint(0, room)]))
    ]
    if not each:
        rows = []
    sequence = r.choice([0, 0xFFFF, r.randrange(65536)])
    wire = build_frame(number, sequence, build_payload(name, values, rows))
    return {"name": name, "sequence": sequence, "head": values, "each": rows, "wire": wire}


def plain(value: object) -> object:
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    return value


def in_micropython(batch: list[dict]) -> tuple[list[bytes], list[list]]:
    """(wires that MicroPython made, values that it read from ours)."""
    text = "".join(json.dumps({k: plain(v) for k, v in m.items()}) + "\n" for m in batch)
    lines = run_micropython(HERE / "pack_in_micropython.py", PROTOCOL, stdin=text).splitlines()
    assert lines.pop() == "bad 0"
    return [bytes.fromhex(x) for x in lines[::2]], [json.loads(x) for x in lines[1::2]]


def check_batch(seed: int, count: int) -> None:
    r = random.Random(seed)
    batch = [random_message(r) for _ in range(count)]
    wires, values = in_micropython(batch)
    assert len(wires) == len(values) == count
    for m, wire, read in zip(batch, wires, values, strict=True):
        assert wire == m["wire"], m
        assert read == [m["name"], m["sequence"], plain(m["head"]), plain(m["each"])], m
        _, _, payload = parse_frame(wire)
        assert parse_payload(m["name"], payload) == messages.unpack(m["name"], payload)
        head_size = messages.struct.calcsize(messages.HEAD[m["name"]])
        if m["each"]:
            rows = np.array(m["each"], dtype=record_dtype(m["name"]))
            assert rows.tobytes() == payload[head_size:]
            again = np.frombuffer(payload, record_dtype(m["name"]), offset=head_size)
            assert again.tolist() == m["each"]


def test_micropython_construct_and_numpy_make_the_same_bytes():
    check_batch(seed=1, count=600)


@pytest.mark.study
def test_micropython_construct_and_numpy_make_the_same_bytes_at_length():
    for seed in range(2, 22):
        check_batch(seed, count=2500)
    print("\ndifferential: 50,000 random messages, MicroPython = construct = numpy, byte for byte")


def test_the_board_reads_every_frame_from_memory_views():
    """The parser hands out a memoryview; unpack takes it in both interpreters."""
    framer = frames.Framer()
    n = messages.pack_into("done", framer.payload, 0, (1, -7))
    got = []
    frames.Unframer().feed(
        bytes(framer.finish(0x45, 1, n)), lambda k, s, p: got.append(messages.unpack("done", p))
    )
    assert got == [((1, -7), [])]
