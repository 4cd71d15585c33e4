"""Text from outside (a board, a file, an archive) made safe to show."""

from __future__ import annotations

import time
import unicodedata
from collections.abc import Mapping
from typing import Any


def printable(text: str, length: int = 10_000) -> str:
    r"""Text that cannot move the cursor, turn the reading direction or break a file; cut at `length`.

    What could is shown as an escape; a line end stays.

    >>> print(printable("a\x1b[2Jb"))
    a\x1b[2Jb
    """
    kept = "".join(_shown(c) for c in text)
    return kept if len(kept) <= length else kept[: length - 1].rstrip() + "…"


def _shown(c: str) -> str:
    if c == "\t":
        return " "
    return c if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs") else ascii(c)[1:-1]


def when(unix_s: int | None) -> str:
    """Local date and time, or a dash when it is not known."""
    return time.strftime("%Y-%m-%d %H:%M", time.localtime(unix_s)) if unix_s else "–"


def began(run: Mapping[str, Any]) -> str:
    """When a run of the archive's list began; when it was fetched, where nobody knows that."""
    if run["clock"] == "unknown":
        return f"time unknown, fetched at {when(run['pulled_unix_s'])}"
    return when(run["started_unix_s"])
