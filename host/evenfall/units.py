"""US units at the edge: a number with its unit, as typed, to SI.

All factors follow from exact definitions: inch 25.4 mm, pound 0.45359237 kg,
standard gravity 9.80665 m/s2, horsepower 550 ft.lbf/s, metric horsepower 75 kgf.m/s.  The inch of mercury is
the conventional one (13595.1 kg/m3 at standard gravity, ISO 80000-4 remark).
"""

from __future__ import annotations

import math
import re

from evenfall.errors import InputError

GRAVITY = 9.80665  # m/s2, standard
INCH = 0.0254
POUND = 0.45359237
POUND_FORCE = POUND * GRAVITY
POUND_FOOT = POUND_FORCE * 12 * INCH
HORSEPOWER = 550 * POUND_FOOT
MERCURY = 13595.1 * GRAVITY  # Pa per metre of column
RPM = 2 * math.pi / 60  # rad/s

# kind -> unit -> (factor, offset): SI = value * factor + offset
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "pressure": {
        "Pa": (1.0, 0.0),
        "hPa": (100.0, 0.0),
        "mbar": (100.0, 0.0),
        "kPa": (1000.0, 0.0),
        "inHg": (MERCURY * INCH, 0.0),
        "mmHg": (MERCURY * 0.001, 0.0),
        "psi": (POUND_FORCE / INCH**2, 0.0),
    },
    "temperature": {"K": (1.0, 0.0), "C": (1.0, 273.15), "F": (5 / 9, 459.67 * 5 / 9)},
    "length": {
        "m": (1.0, 0.0),
        "cm": (0.01, 0.0),
        "mm": (0.001, 0.0),
        "in": (INCH, 0.0),
        "ft": (12 * INCH, 0.0),
    },
    "mass": {"kg": (1.0, 0.0), "g": (0.001, 0.0), "lb": (POUND, 0.0), "oz": (POUND / 16, 0.0)},
    "torque": {
        "Nm": (1.0, 0.0),
        "N.m": (1.0, 0.0),
        "lb-ft": (POUND_FOOT, 0.0),
        "lb-in": (POUND_FOOT / 12, 0.0),
    },
    "power": {
        "W": (1.0, 0.0),
        "kW": (1000.0, 0.0),
        "hp": (HORSEPOWER, 0.0),
        "hp-metric": (75 * GRAVITY, 0.0),
    },
    "ratio": {"": (1.0, 0.0), "%": (0.01, 0.0)},
    "angle": {"deg": (math.pi / 180, 0.0), "rad": (1.0, 0.0)},
    "force": {"N": (1.0, 0.0), "kN": (1000.0, 0.0), "lbf": (POUND_FORCE, 0.0), "kgf": (GRAVITY, 0.0)},
    "time": {"s": (1.0, 0.0), "ms": (1e-3, 0.0), "us": (1e-6, 0.0)},
    "speed": {"rpm": (1.0, 0.0)},  # kept in rpm: the shaft's speeds are in all names
    "frequency": {"Hz": (1.0, 0.0)},
    "span": {"counts/N": (1.0, 0.0), "counts/kN": (1e-3, 0.0)},
    "flow": {"kg/s": (1.0, 0.0), "L/min": (1 / 60, 0.0), "gal/min": (3.785411784 / 60, 0.0)},
}
_NUMBER = r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_TYPED = re.compile(rf"^\s*({_NUMBER})\s*°?\s*([^\d\s]\S*)?\s*$")
_PLAIN = re.compile(rf"^\s*({_NUMBER})\s*$")
_PLUS_MINUS = re.compile(r"\+/?-|±")
_EITHER_WAY = re.compile(r"^[-+]?[1-9]\d{0,2},\d{3}$")  # 1,013: a thousand, or a little more than one?


def plain_number(text: str, what: str) -> float | None:
    """'0,25' or '0.25' -> 0.25; None when it is no bare number.

    A comma is a decimal comma.  Raises InputError where it could also divide thousands.
    """
    match = _PLAIN.match(text)
    return _number(match.group(1), what) if match else None


def _number(digits: str, what: str) -> float:
    if _EITHER_WAY.match(digits):
        whole, point = digits.replace(",", ""), digits.replace(",", ".")
        raise InputError(f"{what}: '{digits}' can be read as {whole} or as {point}; write one of these")
    return float(digits.replace(",", "."))


def to_si(value: float, unit: str, kind: str) -> float:
    """`value` in `unit` -> SI (Pa, K, m, kg, N.m, W, 1, rad)."""
    factor, offset = UNITS[kind][_name(unit, kind)]
    return value * factor + offset


def from_si(value: float, unit: str, kind: str) -> float:
    """SI -> `unit`."""
    factor, offset = UNITS[kind][_name(unit, kind)]
    return (value - offset) / factor


def typed(text: str, kind: str, what: str) -> float:
    """'29.92 inHg' -> 101320.7 Pa.  A bare number is refused: its unit is a guess.

    Raises InputError naming `what`, the units that would do, and the text.
    """
    match = _TYPED.match(text)
    known = ", ".join(u for u in UNITS[kind] if u)
    if not match:
        raise InputError(
            f"{what}: '{text}' is not a number with a unit; write for instance '{_sample(kind)}'"
        )
    unit = match.group(2) or ""
    if not unit and "" not in UNITS[kind]:
        raise InputError(
            f"{what}: '{text}' has no unit; write it with one of {known}, e.g. '{_sample(kind)}'"
        )
    value = _number(match.group(1), what)
    try:
        name = _name(unit, kind)
    except InputError:
        raise InputError(f"{what}: unit '{unit}' is not known for a {kind}; use one of {known}") from None
    result = to_si(value, name, kind)
    if not math.isfinite(result):
        raise InputError(f"{what}: '{text}' is too large to be a {kind}")
    return result


def typed_share(text: str, what: str) -> float:
    """'97 %' or '0.97' -> 0.97.  Raises InputError; also for a bare number over 1, which lacks its %."""
    value = typed(text, "ratio", what)
    if value > 1 and plain_number(text, what) is not None:
        raise InputError(f"{what}: '{text}' has no unit; write it with %, e.g. '{text.strip()} %'")
    return value


def typed_share_and_width(text: str, what: str) -> tuple[float, float | None]:
    """'97 +- 1 %' -> (0.97, 0.01); '97 %' -> (0.97, None).  A % at the end counts for both numbers.

    Raises InputError as `typed_share` does, and for a half-width below zero.
    """
    first, *rest = _PLUS_MINUS.split(text, maxsplit=1)
    if not rest:
        return typed_share(text, what), None
    bare = [plain_number(part, what) is not None for part in (first, rest[0])]
    value, width = typed(first, "ratio", what), typed(rest[0], "ratio", what)
    if bare == [False, True]:
        raise InputError(f"{what}: '{text}' has no unit at its end; write for instance '97 +- 1 %'")
    if bare == [True, False]:
        value = to_si(value, "%", "ratio")
    elif bare == [True, True] and value > 1:
        raise InputError(f"{what}: '{text}' has no unit; write it with %, e.g. '{text.strip()} %'")
    if width < 0:
        raise InputError(f"{what}: '{text}' has no width; write for instance '97 +- 1 %'")
    return value, width


def _name(unit: str, kind: str) -> str:
    for name in UNITS[kind]:
        if name.lower() == unit.lower():
            return name
    raise InputError(f"unit '{unit}' is not known for a {kind}; use one of {', '.join(UNITS[kind])}")


def _sample(kind: str) -> str:
    return {
        "pressure": "29.92 inHg",
        "temperature": "68 F",
        "length": "250 mm",
        "mass": "5 kg",
        "ratio": "45 %",
        "angle": "2 deg",
        "flow": "6 L/min",
        "force": "400 N",
        "time": "10 s",
        "speed": "13500 rpm",
    }.get(kind, f"1 {next(iter(UNITS[kind]))}")
