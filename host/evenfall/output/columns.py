"""Tables for a terminal of any width: cells wrap at words, nothing is cut, no name is lost."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice

from rich.cells import cell_len as wide_len

GAP = 2  # blanks between columns
FIRST_ROWS = 200  # they set the widths of all
MAX_LEAD = 18  # of the names at the left of a list; longer ones wrap
MAX_WORD = 40  # a longer word, such as a path, is folded


def cell_len(text: str) -> int:
    """Places that `text` takes in a terminal; rich keeps each text it has measured, a long list has many."""
    return len(text) if text.isascii() else wide_len(text)


def table_lines(
    columns: Sequence[str], rows: Iterable[Sequence[str]], right: frozenset[str], width: int | None
) -> Iterator[str]:
    """The table in `width` characters (None: as wide as it needs); one row after another where none fits.

    Columns named in `right` are numbers: right-aligned, never wrapped.  However long the table is, it takes
    the memory of its first rows: they set the widths.

    >>> print("\\n".join(table_lines(["run", "build"], [["7", "cut pipe"]], frozenset({"run"}), 11)))
    run  build
      7  cut
         pipe
    """
    coming = iter(rows)
    first = list(islice(coming, FIRST_ROWS))
    widths = _widths(columns, first, right, width)
    if widths is None:
        for n, row in enumerate(chain(first, coming)):
            yield from [""] * bool(n)
            yield from _block(columns, row, width or 80)
        return
    for cells in chain([columns], first, coming):
        folded = [
            [cell] if width is None or (name in right and cells is not columns) else _fold(cell, w)
            for cell, w, name in zip(cells, widths, columns, strict=True)
        ]
        for n in range(max(len(part) for part in folded)):
            line = [
                _pad(part[n] if n < len(part) else "", w, name in right)
                for part, w, name in zip(folded, widths, columns, strict=True)
            ]
            yield (" " * GAP).join(line).rstrip()


def pairs_text(rows: Iterable[tuple[str, str]], width: int | None) -> str:
    """Names and what is said of them, side by side; the saying wraps at words beside its name.

    >>> print(pairs_text([("air", "20 C, 45 %"), ("load cell", "42 counts")], 20))
    air        20 C, 45
               %
    load cell  42 counts
    """
    rows = list(rows)
    lead = min(max((cell_len(name) for name, _ in rows), default=0), MAX_LEAD) + GAP
    lines = []
    for name, text in rows:
        left, beside = _fold(name, lead - GAP), _fold(text, max((width or 1_000_000) - lead, 8))
        for n in range(max(len(left), len(beside))):
            begin = _pad(left[n] if n < len(left) else "", lead, False)
            lines.append((begin + (beside[n] if n < len(beside) else "")).rstrip())
    return "\n".join(lines)


def _widths(
    columns: Sequence[str], rows: Sequence[Sequence[str]], right: frozenset[str], width: int | None
) -> list[int] | None:
    """Width of each column; None when no choice fits."""
    wide, least = [], []
    for n, name in enumerate(columns):
        cells = [row[n] for row in rows]
        longest = max(map(cell_len, cells), default=0)
        words = max((min(cell_len(w), MAX_WORD) for cell in cells for w in cell.split()), default=0)
        heading = max((cell_len(w) for w in name.split()), default=0)
        wide.append(max(longest, cell_len(name)))
        least.append(max(heading, longest if name in right else words))
    if width is None:
        return wide
    room = width - GAP * (len(columns) - 1)
    if sum(least) > room:
        return None
    while sum(wide) > room:
        widest = max((n for n in range(len(wide)) if wide[n] > least[n]), key=lambda n: wide[n])
        wide[widest] -= 1
    return wide


def _block(columns: Sequence[str], row: Sequence[str], width: int) -> Iterator[str]:
    """A row as lines of heading and value."""
    lead = max((cell_len(name) for name in columns), default=0) + GAP
    for name, cell in zip(columns, row, strict=True):
        if cell:
            first, *more = _fold(cell, max(width - lead, 20))
            yield _pad(name, lead, False) + first
            yield from (" " * lead + line for line in more)


def _fold(cell: str, width: int) -> list[str]:
    """Lines of a cell, wrapped at blanks; a word that is longer than the cell is folded."""
    lines = [part for line in cell.splitlines() or [""] for part in (textwrap.wrap(
        line, max(width, 1), break_on_hyphens=False, drop_whitespace=True) or [""])]  # fmt: skip
    return lines or [""]


def _pad(text: str, width: int, to_the_right: bool) -> str:
    blank = " " * max(width - cell_len(text), 0)
    return blank + text if to_the_right else text + blank


def wrapped(text: str, width: int) -> str:
    """Lines wrapped at words under their own indent; a command to type stays on one line."""
    lines = []
    for line in text.split("\n"):
        indent = " " * (len(line) - len(line.lstrip()))
        if cell_len(line) <= width or line.lstrip().startswith("evenfall "):
            lines.append(line)
        else:
            lines += textwrap.wrap(
                line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
            )
    return "\n".join(lines)
