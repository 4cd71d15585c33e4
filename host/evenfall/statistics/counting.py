"""Which runs count: one rule for every group, comparison, chart and page.

A run is left out when a person excluded it, when it only characterised the valve, when the board judged it
aborted or poor, when it was made to warm the engine up, and when its numbers cannot be a measurement.
Nothing is hidden: `sentence` says which and why, and whoever asks for all runs gets them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

WARM_UP_TAG = "warm-up"
CHARACTERISE_FLAG = "characterise"
FAILED = "failed"
ALL_OPTION = " (--all counts all)"  # said where commands are typed
JUDGED_UNFIT = ("aborted", "poor")  # verdicts of the board


def why_left_out(row: Mapping[str, Any]) -> str | None:
    """Why the run of this line of the archive does not count; None when it does."""
    if row["excluded"] is not None:
        return "excluded"
    if CHARACTERISE_FLAG in (row["flags"] or "").split(", "):
        return "characterises the valve"
    if row["verdict"] in JUDGED_UNFIT:
        return str(row["verdict"])
    if WARM_UP_TAG in (tag.lower() for tag in (row["tags"] or "").split(", ")):
        return WARM_UP_TAG
    return None


def sentence(left_out: Iterable[tuple[int, str]]) -> str:
    """`2 left out: 7 aborted, 9 warm-up`; empty when none is."""
    each = sorted(left_out)
    if not each:
        return ""
    runs = ", ".join(f"{number} {reason}" for number, reason in each)
    return f"{len(each)} left out: {runs}"
