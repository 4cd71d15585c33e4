"""Integers that refuse to leave 31 bits, for the property tests of firmware code in CPython.

A MicroPython int beyond -2**30 .. 2**30 - 1 goes to the heap on a 32-bit board
(py/obj.h: small ints are 31 bits wide there), so no intermediate may.
"""

from __future__ import annotations

from array import array

LOW, HIGH = -(1 << 30), (1 << 30) - 1


class TooBigError(AssertionError):
    """A value that a 32-bit board would put on its heap."""


class Small(int):
    """An int whose every result must be small."""


def small(value):
    if not LOW <= value <= HIGH:
        raise TooBigError(f"{value} does not fit 31 bits")
    return Small(value)


def _wrap(name):
    plain = getattr(int, name)

    def method(self, *args):
        result = plain(self, *args)
        return small(result) if isinstance(result, int) and not isinstance(result, bool) else result

    return method


for _name in (
    "add radd sub rsub mul rmul floordiv rfloordiv mod rmod "
    "lshift rlshift rshift rrshift and rand or ror neg abs"
).split():
    setattr(Small, f"__{_name}__", _wrap(f"__{_name}__"))


class SmallArray:
    """An array of integers that hands out Small."""

    def __init__(self, plain):
        self._a = plain

    def __getitem__(self, i):
        return Small(self._a[i])

    def __setitem__(self, i, value):
        self._a[i] = value


def harden(thing):
    """Make every plain int attribute of `thing` a Small, every array one that hands them out."""
    for key, value in vars(thing).items():
        if type(value) is int:
            setattr(thing, key, small(value))
        elif isinstance(value, array):
            setattr(thing, key, SmallArray(value))
