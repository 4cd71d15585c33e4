"""The board's settings as a person reads and types them: with units, and names where numbers are kinds.

The table itself is `evenfall_wire.settings`; values on the wire are integers in its units.
"""

from __future__ import annotations

import difflib
import re
from typing import NamedTuple

from evenfall_wire import settings as wire

from evenfall.errors import InputError
from evenfall.units import plain_number, typed


class Setting(NamedTuple):
    """One row of the table."""

    number: int
    name: str
    unit: str
    default: int
    low: int
    high: int
    group: str


TABLE = {s.name: s for s in (Setting(*row) for row in wire.SETTINGS)}
GROUPS = tuple(dict.fromkeys(s.group for s in TABLE.values()))

# what the numbers of a kind stand for; firmware/BOARD.md and firmware/WIRING.md say more
KINDS: dict[str, dict[str, int]] = {
    "amplifier": {"two-wire": 0, "i2c-320": 1, "i2c-80": 2},
    "amplifier_gain": {"128": 0, "32": 1, "64": 2},
    "fail_valve": {"shut": 0, "open": 1, "stays": 2},
}
SWITCH = {"on": 1, "off": 0, "yes": 1, "no": 0}
# unit of the table -> (kind of quantity, SI value of one of it)
QUANTITIES = {
    "um": ("length", 1e-6),
    "counts/kN": ("span", 1e-3),
    "N": ("force", 1.0),
    "ms": ("time", 1e-3),
    "us": ("time", 1e-6),
    "rpm": ("speed", 1.0),
    "Hz": ("frequency", 1.0),
}


def setting(name: str) -> Setting:
    """The table's row; InputError naming near ones when there is none of that name."""
    row = TABLE.get(name.replace("-", "_"))
    if row is None:
        near = difflib.get_close_matches(name, TABLE, 3)
        if near:
            raise InputError(f"there is no setting '{name}'; did you mean {' or '.join(near)}?")
        raise InputError(f"there is no setting '{name}'", "; see: evenfall board settings")
    return row


def value_of(name: str, text: str) -> int:
    """What a person typed for a setting -> the integer that the board takes.

    '250 mm', '250000', 'open', 'on', 'none' (a pin), '12 s'.  A bare number is in the table's unit.

    >>> value_of("arm_length", "250 mm"), value_of("fail_valve", "open"), value_of("pin_kill", "none")
    (250000, 1, -1)
    """
    row, word = setting(name), text.strip()
    names = names_of(row)
    if word.lower() in names:
        return _inside(row, names[word.lower()], text)
    number = plain_number(word.removesuffix(row.unit), row.name)
    if number is None:
        number = _with_unit(row, word, names)
    whole = round(number)
    if abs(number - whole) > 1e-6 * max(1.0, abs(number)):
        raise InputError(f"{row.name}: '{text}' is no whole number of {row.unit}")
    return _inside(row, whole, text)


def _with_unit(row: Setting, word: str, names: dict[str, int]) -> float:
    if row.unit in QUANTITIES and re.match(r"[-+]?[.\d]", word):
        kind, one = QUANTITIES[row.unit]
        return typed(word, kind, row.name) / one
    whole = f"a whole number of {_unit_words(row)}" if _unit_words(row) else "a whole number"
    may = [*names, *([] if row.unit == "kind" else [whole])]
    raise InputError(f"{row.name}: '{word}' will not do; write {' or '.join(may)}")


def _inside(row: Setting, value: int, text: str) -> int:
    if not row.low <= value <= row.high:
        raise InputError(f"{row.name}: '{text}' is outside its bounds: {bounds(row)}")
    return value


def bounds(row: Setting) -> str:
    """What may be written, in words.

    >>> bounds(setting("fail_valve")), bounds(setting("pin_hall")), bounds(setting("kill_fitted"))
    ('shut or open or stays', 'none or 0 to 29', 'on or off')
    """
    names = names_shown(row)
    if row.unit != "GPIO":
        return " or ".join(names) or f"{shown(row, row.low)} to {shown(row, row.high)}"
    return " or ".join([*names, f"{max(row.low, 0)} to {row.high}"])


def names_of(row: Setting) -> dict[str, int]:
    """Words that stand for values of this setting; empty where only numbers do."""
    if row.name in KINDS:
        return KINDS[row.name]
    if row.unit == "0/1":
        return SWITCH
    return {"none": -1} if row.unit == "GPIO" else {}


def names_shown(row: Setting) -> list[str]:
    """The name by which each value of a kind or switch is shown: one of each, 'on' and not 'yes' too."""
    return [name for name, number in names_of(row).items() if shown(row, number) == name]


def shown(row: Setting, value: int) -> str:
    """A value as a person reads it: '250 mm', 'open', 'on', 'none', '10000 ms'."""
    for word, number in names_of(row).items():
        if number == value:
            return word
    if row.unit == "um":
        return f"{value / 1000:g} mm"
    if row.unit == "counts/kN":
        return f"{value / 1000:g} counts/N"
    return f"{value} {_unit_words(row)}".rstrip()


def _unit_words(row: Setting) -> str:
    return "" if row.unit in ("kind", "0/1", "GPIO") else row.unit
