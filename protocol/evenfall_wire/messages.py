"""Layouts of the messages of `message_table`, packing and unpacking.

Runs in CPython and in MicroPython; uses nothing but `struct`.
"""

import struct
import sys

from . import message_table

PROTO_MAJOR = 2
PROTO_MINOR = 1
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


TYPE, NAME, HEAD_FIELDS, EACH_FIELDS = range(4)  # places in an entry of MESSAGES
FIELD_FORMAT = 1  # place in a field of it

BY_NAME: dict = {m[NAME]: m for m in MESSAGES}
BY_TYPE: dict = {m[TYPE]: m for m in MESSAGES}


def type_of(name):
    """The number of a message on the wire."""
    return BY_NAME[name][TYPE]


def struct_format(fields):
    """The struct format of a list of fields, little endian, without padding."""
    return "<" + "".join([f[FIELD_FORMAT] for f in fields])


HEAD = {m[NAME]: struct_format(m[HEAD_FIELDS]) for m in MESSAGES}
EACH = {m[NAME]: struct_format(m[EACH_FIELDS]) for m in MESSAGES}

if sys.implementation.name == "micropython":
    # names, units and scales of the fields are the host's: 16 kB that the board needs for its recording
    BY_NAME = {m[NAME]: m[:HEAD_FIELDS] for m in MESSAGES}
    BY_TYPE = {m[TYPE]: m[:HEAD_FIELDS] for m in MESSAGES}
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
