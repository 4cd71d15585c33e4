"""Layouts of the messages of `message_table`, packing and unpacking.

Runs in CPython and in MicroPython; uses nothing but `struct`.
"""

import struct
import sys

from . import message_table

PROTO_MAJOR = 2
PROTO_MINOR = 0
MESSAGES = message_table.MESSAGES
TICK_HZ = message_table.TICK_HZ

TICK_WRAP = 1 << 30
_TICK_MASK = (1 << 30) - 1
_TICK_HALF = 1 << 29


def tick_distance(a, b):
    """Ticks from `a` to `b`, -2**29 .. 2**29 - 1; right while they lie less than 134 s apart.

    Every intermediate is a small int on a 32-bit board (TICK_WRAP itself is not).
    """
    d = (b - a) & _TICK_MASK
    return d - _TICK_HALF - _TICK_HALF if d >= _TICK_HALF else d


BY_NAME = {m[1]: m for m in MESSAGES}
BY_TYPE = {m[0]: m for m in MESSAGES}


def struct_format(fields):
    """The struct format of a list of fields, little endian, without padding."""
    return "<" + "".join([f[1] for f in fields])


HEAD = {m[1]: struct_format(m[2]) for m in MESSAGES}
EACH = {m[1]: struct_format(m[3]) for m in MESSAGES}

if sys.implementation.name == "micropython":
    # names, units and scales of the fields are the host's: 16 kB that the board needs for its recording
    BY_NAME = {m[1]: m[:2] for m in MESSAGES}  # type: ignore[misc]
    BY_TYPE = {m[0]: m[:2] for m in MESSAGES}  # type: ignore[misc]
    del MESSAGES, message_table
    del sys.modules["evenfall_wire"].message_table
    del sys.modules["evenfall_wire.message_table"]


def pack_into(name, buffer, offset, head=(), each=()):
    """Write a payload into `buffer` at `offset`; return the offset after it.

    `head` is a tuple of integers (or bytes), `each` an iterable of tuples.
    """
    fmt = HEAD[name]
    struct.pack_into(fmt, buffer, offset, *head)
    offset += struct.calcsize(fmt)
    fmt = EACH[name]
    size = struct.calcsize(fmt)
    for record in each:
        struct.pack_into(fmt, buffer, offset, *record)
        offset += size
    return offset


def unpack(name, payload):
    """Payload bytes -> (head tuple, list of each-tuples).

    Raises ValueError when the payload is shorter than the head.  Bytes after
    the last whole record are ignored.
    """
    fmt = HEAD[name]
    at = struct.calcsize(fmt)
    if len(payload) < at:
        raise ValueError("payload of %s is %d bytes, shorter than %d" % (name, len(payload), at))
    head = struct.unpack_from(fmt, payload, 0)
    fmt = EACH[name]
    size = struct.calcsize(fmt)
    each = []
    if size:
        while at + size <= len(payload):
            each.append(struct.unpack_from(fmt, payload, at))
            at += size
    return head, each
