"""Ticks of 0.25 us modulo 2**30: the board's time, always a small int.

Small ints of a 32-bit board reach from -2**30 to 2**30 - 1; every intermediate
below stays inside.
"""

import time

PER_MS = 4000
MASK = (1 << 30) - 1
HALF = 1 << 29


def now():
    """The time now, to 4 ticks."""
    return (time.ticks_us() & 0xFFFFFFF) << 2


def diff(later, earlier):
    """Signed ticks from `earlier` to `later`, right up to 134 s either way."""
    d = (later - earlier) & MASK
    return d - HALF - HALF if d >= HALF else d


def before(tick, ms):
    """The time `ms` milliseconds before `tick`; up to 134 s."""
    return (tick - ms * PER_MS) & MASK


def signed(tick):
    """The same time in -2**29..2**29 - 1, to which up to 2**29 ticks may be added."""
    return tick - HALF - HALF if tick >= HALF else tick
