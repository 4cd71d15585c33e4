"""Mutated frames against the frame parser; runs in CPython and MicroPython.

``micropython hostile_frames.py FOLDER_OF_PROTOCOL COUNT SEED`` prints one line
of JSON: frames fed, accepted and unchanged, accepted wrong (must be 0), counted
as damaged, bytes of heap before and after.
"""

import gc
import json
import sys
from binascii import unhexlify
from random import getrandbits, seed

if __name__ == "__main__":
    sys.path.insert(0, sys.argv[1])
from evenfall_wire import frames


def below(n):
    """A whole number 0..n-1."""
    return getrandbits(24) % n


def flip_bits(wire, other):
    for _ in range(1 + below(8)):
        at = below(len(wire))
        wire[at] ^= 1 << below(8)
    return wire


def change_byte(wire, other):
    wire[below(len(wire))] = getrandbits(8)
    return wire


def drop(wire, other):
    at = below(len(wire))
    return wire[:at] + wire[at + 1 + below(4) :]


def insert(wire, other):
    at = below(len(wire) + 1)
    return wire[:at] + bytes([getrandbits(8) for _ in range(1 + below(4))]) + wire[at:]


def double(wire, other):
    at = below(len(wire))
    return wire[: at + 1 + below(8)] + wire[at:]


def cut(wire, other):
    return wire[: below(len(wire))]


def behead(wire, other):
    return wire[below(len(wire)) :]


def splice(wire, other):
    return wire[: below(len(wire) + 1)] + other[below(len(other)) :]


def join(wire, other):
    return wire[:-1] + other


def zeros(wire, other):
    at = below(len(wire) + 1)
    return wire[:at] + bytes(1 + below(5)) + wire[at:]


def swap(wire, other):
    a, b = below(len(wire)), below(len(wire))
    wire[a], wire[b] = wire[b], wire[a]
    return wire


def code_byte(wire, other):
    """A code byte a little off: the stuffing's own weak place."""
    at = 0
    for _ in range(below(6)):
        step = at + wire[at]
        if step >= len(wire) - 1:
            break
        at = step
    wire[at] = (wire[at] + 1 + below(4)) & 255
    return wire


def noise(wire, other):
    return bytes([getrandbits(8) for _ in range(below(600))])


MUTATIONS = (
    flip_bits, change_byte, drop, insert, double, cut, behead, splice, join, zeros, swap, code_byte, noise,
)  # fmt: skip


def run(bases, count, first_seed, feed, damaged):
    """Feed `count` mutated frames to `feed(bytes, handler)`; return the counts.

    A frame that comes out must be one of the two that went in, whole.
    `damaged()` is the parser's own count.
    """
    seed(first_seed)
    fed = same = wrong = 0
    allowed = []

    def handler(kind, sequence, payload):
        nonlocal same, wrong
        got = (kind, sequence, bytes(payload))
        if got in allowed:
            same += 1
        else:
            wrong += 1

    gc.collect()
    before = gc.mem_alloc() if hasattr(gc, "mem_alloc") else 0
    for _ in range(count):
        first, second = bases[below(len(bases))], bases[below(len(bases))]
        allowed = [first[1], second[1]]
        wire = MUTATIONS[below(len(MUTATIONS))](bytearray(first[0]), second[0])
        if below(4) == 0 and wire:
            wire = MUTATIONS[below(len(MUTATIONS))](bytearray(wire), second[0])
        feed(bytes(wire), handler)
        feed(b"\x00", handler)
        fed += 1
    # after all that, a good frame still comes through
    allowed = [bases[0][1]]
    before_good = same
    feed(bases[0][0], handler)
    gc.collect()
    return {
        "fed": fed,
        "same": same,
        "wrong": wrong,
        "damaged": damaged(),
        "alive": same == before_good + 1,
        "heap_before": before,
        "heap_after": gc.mem_alloc() if hasattr(gc, "mem_alloc") else 0,
    }


def load_bases(folder):
    """Frames of vectors.json as (wire, (type, sequence, payload))."""
    with open(folder + "/vectors.json") as f:
        vectors = json.load(f)["frames"]
    return [(unhexlify(v["wire"]), (v["type"], v["sequence"], unhexlify(v["payload"]))) for v in vectors]


if __name__ == "__main__":
    parser = frames.Unframer()
    bases = load_bases(sys.argv[1])
    print(json.dumps(run(bases, int(sys.argv[2]), int(sys.argv[3]), parser.feed, lambda: parser.bad)))
