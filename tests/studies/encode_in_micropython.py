"""Run by MicroPython: microseconds per load sample of ways to encode 45 of them.

``micropython encode_in_micropython.py FOLDER_OF_PROTOCOL`` prints JSON
{way: us per sample}, the best of several rounds each.
"""

import json
import struct
import sys
import time
from binascii import crc32

sys.path.insert(0, sys.argv[1])
from evenfall_wire.frames import Framer
from evenfall_wire.messages import EACH, pack_into

N = 45
SIZE = 8 * N
ticks = [12345678 + 50000 * i for i in range(N)]
counts = [1600000 + (i * 7919) % 977 for i in range(N)]
rows = [(ticks[i], counts[i]) for i in range(N)]
framer = Framer()
ring = bytearray(SIZE)
for i in range(N):
    struct.pack_into("<Ii", ring, 8 * i, ticks[i], counts[i])
ring_view = memoryview(ring)
escaped = bytearray(2 * SIZE + 20)


def record():
    """As the recorder does at each sample: one record into the ring."""
    fmt = EACH["load_samples"]
    pack = struct.pack_into
    for i in range(N):
        pack(fmt, ring, 8 * i, ticks[i], counts[i])


def frame_from_ring():
    """As the store does: a ready block of the ring into a frame, CRC and COBS included."""
    framer.payload[:SIZE] = ring_view
    framer.finish(0x82, 7, SIZE)


def frame_from_rows():
    framer.finish(0x82, 7, pack_into("load_samples", framer.payload, 0, (), rows))


def json_line():
    return json.dumps({"seq": 7, "load": rows}) + "\n"


def stuffed_bytewise():
    """HDLC-style octet stuffing (RFC 1662) with a 32-bit check, byte by byte."""
    at = 1
    for b in ring:
        if b == 0x7E or b == 0x7D:
            escaped[at] = 0x7D
            at += 1
            b ^= 0x20
        escaped[at] = b
        at += 1
    struct.pack_into("<I", escaped, at, crc32(ring_view))
    return at + 4


def best(f):
    least = 1 << 60
    for _ in range(15):
        start = time.ticks_us()
        for _ in range(40):
            f()
        took = time.ticks_diff(time.ticks_us(), start)
        least = min(least, took)
    return least / 40 / N


print(
    json.dumps(
        {f.__name__: best(f) for f in (record, frame_from_ring, frame_from_rows, json_line, stuffed_bytewise)}
    )
)
