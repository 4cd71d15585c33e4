"""Hung weights: each reading looked at as it comes, kept at once, and taken back with a word.

The readings lie in a CSV file from the first on, so that a closed lid costs the weight that hangs.
"""

from __future__ import annotations

import csv
import io
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from evenfall.archive.archive import Archive
from evenfall.archive.files import unused_name, write_whole
from evenfall.errors import EvenfallError, InputError
from evenfall.model import Calibration
from evenfall.printable import when
from evenfall.reduction.align import clamped_codes
from evenfall.units import GRAVITY, UNITS, plain_number, typed

OUT_OF_LINE = 0.01  # of the largest load: a wrong weight is off by more, a real cell by less; no source
UNSETTLED = 0.001  # of the largest load, between the halves of a reading; common practice, no source
UNSETTLED_COUNTS = 200.0  # before any load is known
HEAD = ("mass_kg", "count")
HEAD_TWICE = ("mass_kg", "count_before", "count_with")
MAX_ROWS = 1000


class Talk(Protocol):
    """The person."""

    def say(self, text: str) -> None: ...
    def ask(self, question: str, default: str = "") -> str: ...
    def choose(self, question: str, options: dict[str, str], default: str) -> str: ...


@dataclass(frozen=True)
class WeightReading:
    """One weight and its reading."""

    mass_kg: float
    count: float


def mean_of(counts: Sequence[float]) -> float:
    """Mean without the outer eighths: one bad word must not move it."""
    ordered = sorted(counts)
    cut = len(ordered) // 8
    return float(np.mean(ordered[cut : len(ordered) - cut]))


def implausible_reading(counts: Sequence[float], mass_kg: float, before: Sequence[WeightReading]) -> str:
    """Why this reading can hardly be that weight at rest; empty when it can.

    counts: the readings of one weight in the order they came.  before: weights that were read already.
    """
    c = np.asarray(counts, float)
    if clamped_codes(c).any():
        return (
            "the amplifier stands at its end of range: the cell is overloaded, or a wire is off. "
            "Take weight off"
        )
    load = max((abs(b.count - before[0].count) for b in before), default=0.0)
    move = abs(float(np.mean(c[: c.size // 2])) - float(np.mean(c[c.size // 2 :]))) if c.size > 3 else 0.0
    # noise from neighbours (von Neumann 1941, from memory), which a slow movement hardly touches
    noise = float(np.sqrt(np.mean(np.diff(c) ** 2) / 2)) if c.size > 3 else 0.0
    if move > max(UNSETTLED * load, UNSETTLED_COUNTS, 4 * noise * np.sqrt(4 / c.size)):
        return f"it is not still: the reading moved by {move:,.0f} counts while it was taken"
    masses, means = np.array([b.mass_kg for b in before]), np.array([b.count for b in before])
    if np.unique(masses).size < 2:
        if masses.size and mass_kg != masses[0] and abs(mean_of(counts) - means[0]) < UNSETTLED_COUNTS:
            return f"the reading is that of {masses[0]:g} kg: does the weight hang on the cell's arm?"
        return ""
    slope, zero = np.polyfit(masses, means, 1)
    full = abs(slope) * max(float(masses.max()), mass_kg)
    off = mean_of(counts) - (zero + slope * mass_kg)
    if full and abs(off) > OUT_OF_LINE * full:
        return (
            f"it reads {100 * off / full * np.sign(slope):+.1f} % of the largest load off the line of the "
            f"others, as {(mean_of(counts) - zero) / slope:.3f} kg would: look at the weight and at what "
            "touches the arm"
        )
    return ""


FAR_ZERO = 0.02  # of the heaviest weight hung: temperature moves a zero by less; common practice, no source
FAR_ZERO_N = 2.0  # where nobody knows the heaviest


def far_zero(archive: Archive, count: float, board_span: int) -> str:
    """Why a zero can hardly be that of an empty arm: it lies far from the active calibration's; else empty.

    board_span: the board's own, counts for a kilonewton, where no calibration is active.
    """
    calibration = archive.active_record(Calibration)
    if calibration is None:
        return ""
    span = calibration.span_count_per_N or board_span / 1000
    off_N = (count - calibration.zero_count) / span
    if not calibration.zero_count or abs(off_N) <= max(FAR_ZERO * calibration.max_load_N, FAR_ZERO_N):
        return ""
    return (
        f"this zero lies {off_N:+.1f} N from that of the active calibration, as "
        f"{abs(off_N) / GRAVITY:.2f} kg would: does something hang on the arm or touch it?"
    )


def hang(
    talk: Talk, read: Callable[[], Sequence[float]], path: Path, now: Callable[[], float] = time.time
) -> list[WeightReading]:
    """Ask for weights and read them until an empty line; what was read lies in the file at `path`.

    read: counts of the weight that hangs, in order; it raises EvenfallError when the cell does not answer.
    """
    hung = [WeightReading(*row) for row in _taken_up(talk, path, 1)]
    talk.say("Engine off, hoses connected as in a run. Hang a weight, wait until it is still, type its mass.")
    talk.say("Start with '0 kg', go up, then down again. 'undo' takes the last back, an empty line ends.")
    while True:
        text = talk.ask(f"{len(hung)} read. Hung").strip()
        if not text:
            return hung
        if text.lower() == "undo":
            if hung:
                gone = hung.pop()
                save_readings(path, hung, now())
                talk.say(f"  taken back: {gone.mass_kg:g} kg")
            else:
                talk.say("  there is nothing to take back")
            continue
        try:
            mass_kg = typed(text, "mass", "weight")
            if mass_kg < 0:
                raise InputError("a mass is not negative; type what hangs")
            counts = read()
        except EvenfallError as error:
            talk.say(f"! {error}")
            continue
        count = mean_of(counts)
        talk.say(f"  {mass_kg:g} kg reads {count:.0f}")
        if why := implausible_reading(counts, mass_kg, hung):
            talk.say(f"! {why}.")
            options = {"again": "leave it out and hang again", "keep": "keep it all the same"}
            if talk.choose("Keep this reading?", options, "again") == "again":
                continue
        hung.append(WeightReading(mass_kg, count))
        save_readings(path, hung, now())


def hang_twice(
    talk: Talk,
    read: Callable[[], Sequence[float]],
    steps: tuple[str, str, str],
    still: bool,
    path: Path,
    now: Callable[[], float] = time.time,
) -> list[tuple[float, ...]]:
    """(mass kg, count before, count with it on) of each weight, until an empty line; kept as in `hang`.

    read: as in `hang`.  steps: asks for the weight, then for what is done before either reading.  still: the
    load is at rest in the second reading, too.
    """
    rows = _taken_up(talk, path, 2)
    while True:
        text = talk.ask(steps[0]).strip()
        if not text:
            return rows
        if text.lower() == "undo":
            if rows:
                gone = rows.pop()
                _save(path, HEAD_TWICE, rows, now())
                talk.say(f"  taken back: {gone[0]:g} kg")
            else:
                talk.say("  there is nothing to take back")
            continue
        try:
            mass_kg = typed(text, "mass", "weight")
            if mass_kg < 0:
                raise InputError("a mass is not negative; type what hangs")
            counts = []
            for step in steps[1:]:
                talk.ask(step)
                counts.append(list(read()))
        except EvenfallError as error:
            talk.say(f"! {error}")
            continue
        off, on = (mean_of(c) for c in counts)
        talk.say(f"  read {off:.0f}, then {on:.0f}")
        # a running engine shakes the load: only the end of the range says something then
        second = (
            implausible_reading(counts[1], mass_kg, ())
            if still or clamped_codes(np.asarray(counts[1])).any()
            else ""
        )
        if why := implausible_reading(counts[0], mass_kg, ()) or second:
            talk.say(f"! {why}.")
            options = {"again": "leave it out and read again", "keep": "keep it all the same"}
            if talk.choose("Keep this reading?", options, "again") == "again":
                continue
        rows.append((mass_kg, off, on))
        _save(path, HEAD_TWICE, rows, now())


def _taken_up(talk: Talk, path: Path, counts: int) -> list[tuple[float, ...]]:
    """Readings of a round that was not ended, if the person wants them."""
    if not path.exists():
        return []
    rows = _read_rows(path, counts)
    if not rows:
        return []
    said = ", ".join(f"{row[0]:g}" for row in rows)
    options = {"yes": "go on with them", "no": "begin anew"}
    number = f"{len(rows)} readings" if len(rows) > 1 else "one reading"
    are = "are" if len(rows) > 1 else "is"
    question = f"{number} of {when(int(path.stat().st_mtime))} {are} here ({said} kg)."
    if talk.choose(question, options, "yes") == "yes":
        return rows
    start_new_readings(path)
    return []


def start_new_readings(path: Path) -> None:
    """Give readings that are not gone on with another name; nothing is written over."""
    path.rename(next(name for name in unused_name(path.with_suffix(".old.csv")) if not name.exists()))


def save_readings(path: Path, hung: Sequence[WeightReading], unix_s: float) -> None:
    """The readings so far, on disk before the next is asked for."""
    _save(path, HEAD, [(h.mass_kg, h.count) for h in hung], unix_s)


def _save(path: Path, head: Sequence[str], rows: Sequence[tuple[float, ...]], unix_s: float) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow([*head, "unix_s"])
    writer.writerows([*(f"{value:.10g}" for value in row), f"{unix_s:.0f}"] for row in rows)
    write_whole(path, text.getvalue().encode())


def read_csv(path: Path) -> list[tuple[float, float]]:
    """(mass in kg, count) of each row; with or without a heading, comma or semicolon, unit on top or not.

    Raises InputError that names the line.
    """
    return [(mass, count) for mass, count in _read_rows(path, 1)]


def _read_rows(path: Path, counts: int) -> list[tuple[float, ...]]:
    """(mass in kg, then so many counts) of each row."""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise InputError(f"{path} cannot be read: it is no text file") from None
    if len(lines) > MAX_ROWS:
        raise InputError(f"{path} has {len(lines)} lines; that is no list of weights")
    between = next((sign for sign in (";", "\t") if any(sign in line for line in lines)), ",")
    unit = ""
    rows: list[tuple[float, ...]] = []
    for n, cells in enumerate(csv.reader(lines, delimiter=between), 1):
        cells = [cell.strip() for cell in cells]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if len(cells) <= counts:
            such = between.join(("5 kg", "2109341", "2109520")[: counts + 1])
            numbers = "a count" if counts == 1 else f"{counts} counts"
            raise InputError(f"{path}, line {n}: write a mass and {numbers}, such as {such}")
        if not rows and not unit and not re.match(r"[-+]?[.,]?\d", cells[0]):
            unit = _unit_of(cells[0]) or "?"
            continue
        rows.append(_row(cells[: counts + 1], unit, f"{path}, line {n}"))
    return rows


def _unit_of(heading: str) -> str:
    """The unit of mass that a heading names, such as mass_kg or 'weight [lb]'."""
    words = re.split(r"[^A-Za-z]+", heading)
    return next((unit for word in words for unit in UNITS["mass"] if word.lower() == unit.lower()), "")


def _row(cells: list[str], unit: str, where: str) -> tuple[float, ...]:
    mass, *readings = cells
    if plain_number(mass, where) is not None and unit not in ("", "?"):
        mass = f"{mass} {unit}"
    counts = []
    for text in readings:
        count = plain_number(text, where)
        if count is None:
            raise InputError(f"{where}: reading '{text}' is not a number of counts")
        counts.append(count)
    return (typed(mass, "mass", f"{where}, weight"), *counts)
