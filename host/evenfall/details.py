"""What can be noted of an engine, a build or a run: each thing with a name, so that it is found again."""

from __future__ import annotations

from evenfall.errors import InputError
from evenfall.units import plain_number, typed

# name -> (whose, what it is, kind of quantity, "whole" for a number of things or "" for words)
DETAILS: dict[str, tuple[str, str, str]] = {
    "bore": ("engine", "Bore", "length"),
    "stroke": ("engine", "Stroke", "length"),
    "cylinders": ("engine", "Cylinders", "whole"),
    "maker_limit": ("engine", "Highest speed its maker allows", "speed"),
    "fuel": ("build", "Fuel", ""),
    "fuel_mix": ("build", "Fuel to oil", ""),
    "jetting": ("build", "Jets and needles", ""),
    "plug": ("build", "Spark plug", ""),
    "plug_gap": ("build", "Plug gap", "length"),
    "ignition": ("build", "Ignition timing", ""),
    "exhaust": ("build", "Exhaust", ""),
    "head_temperature": ("run", "Cylinder head, start of the sweep", "temperature"),
    "head_temperature_end": ("run", "Cylinder head, end of the sweep", "temperature"),
    "exhaust_temperature": ("run", "Exhaust gas, start of the sweep", "temperature"),
    "exhaust_temperature_end": ("run", "Exhaust gas, end of the sweep", "temperature"),
    "water_temperature": ("run", "Water out of the brake", "temperature"),
}
BOUNDS = {  # SI (speeds rpm): beyond them it is a slip; common practice, no source
    "bore": (0.01, 0.2),
    "stroke": (0.01, 0.2),
    "cylinders": (1.0, 8.0),
    "plug_gap": (5e-5, 0.005),
    "maker_limit": (500.0, 50_000.0),
    "head_temperature": (230.0, 800.0),
    "head_temperature_end": (230.0, 800.0),
    "exhaust_temperature": (230.0, 1500.0),
    "exhaust_temperature_end": (230.0, 1500.0),
    "water_temperature": (270.0, 380.0),
}
MAX_LENGTH = 200
INVENTED = "invented"  # remark of a demonstration's engine: its pages say so


def checked(whose: str, changes: tuple[str, ...]) -> dict[str, str]:
    """`NAME=VALUE` words -> values as typed; an empty value forgets one.

    Raises InputError for a name that is not of `whose` (engine, build or run), and for a quantity without
    its unit.
    """
    values = {}
    own = [name for name, (of, _, _) in DETAILS.items() if of == whose]
    for change in changes:
        name, sign, text = change.partition("=")
        name, text = name.strip().replace("-", "_"), text.strip()
        if not sign:
            raise InputError(f"'{change}': write NAME=VALUE, for instance {own[0]}=...")
        if name not in own:
            of = DETAILS[name][0] if name in DETAILS else ""
            others = ", ".join(["cc", *(n for n, (to, _, _) in DETAILS.items() if to == "engine")])
            hint = (
                f"it is a detail of a{'n' if of == 'engine' else ''} {of}" if of else f"use {', '.join(own)}"
            ) + (f", or {others} of the engine" if whose == "build" and not of else "")
            raise InputError(f"{'an' if whose == 'engine' else 'a'} {whose} has no detail '{name}'; {hint}")
        if len(text) > MAX_LENGTH or not text.isprintable():
            raise InputError(f"{name}: use at most {MAX_LENGTH} printable characters")
        if text and DETAILS[name][2]:
            value, (low, high) = quantity(name, text), BOUNDS[name]
            if not low <= value <= high:
                raise InputError(f"{name}: '{text}' cannot be right; look at the number and its unit")
        values[name] = text
    return values


def quantity(name: str, text: str) -> float:
    """What was typed for a detail that is a quantity, SI (speeds rpm); InputError when it is none."""
    if DETAILS[name][2] != "whole":
        return typed(text, DETAILS[name][2], name)
    number = plain_number(text, name)
    if number is None or number != round(number):
        raise InputError(f"{name}: '{text}' is no whole number")
    return number


def lines(details: dict[str, str]) -> list[tuple[str, str]]:
    """(what it is, value) of what is known, in the table's order."""
    return [(what, details[name]) for name, (_, what, _) in DETAILS.items() if details.get(name)]


def size_of(details: dict[str, str]) -> tuple[float | None, float | None, float | None]:
    """(bore in m, stroke in m, cylinders) as far as they are known."""
    bore, stroke, cylinders = (
        quantity(n, details[n]) if n in details else None for n in ("bore", "stroke", "cylinders")
    )
    return bore, stroke, cylinders
