"""What a person wants to know right after a run: its peak against the last and the best, warnings once.

What is not known is NaN here; the server writes it as null.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from evenfall.archive.archive import Archive, Query
from evenfall.board import code_texts
from evenfall.model import Bins, FloatArray
from evenfall.output.text import banner, without_figures
from evenfall.statistics import counting
from evenfall.workflow.run_groups import counts, reduced

MAX_EARLIER_RUNS = 200  # earlier runs of the same build


def curve(bins: Bins) -> dict[str, FloatArray]:
    """Speed, torque and power with their 95 % half-widths of the bins that hold a value; NaN: not known."""
    filled = np.isfinite(bins.torque_Nm)
    columns = {
        "speed_rpm": bins.speed_rpm,
        "torque_Nm": bins.torque_Nm,
        "power_W": bins.power_W,
        "torque_half_Nm": 1.96 * bins.torque_u_Nm,
        "power_half_W": 1.96 * bins.power_u_W,
    }
    return {name: column[filled] for name, column in columns.items()}


def row_summary(row: dict[str, Any]) -> dict[str, Any]:
    """A run of a list, with why it does not count."""
    keep = ("run", "engine", "build", "started_unix_s", "clock", "pulled_unix_s", "verdict", "reason",
            "sweep_time_s", "peak_power_W", "peak_power_rpm", "peak_torque_Nm", "peak_torque_rpm", "excluded",
            "session", "tags", "flags")  # fmt: skip
    return {**{k: row[k] for k in keep}, "left_out": counting.why_left_out(row)}


def previous_and_best(
    archive: Archive, row: dict[str, Any]
) -> tuple[dict[str, Any] | None, dict[str, Any] | None]:
    """(the run before it, the best one) of the same engine and build among those that count.

    A run that is filed under no build is held against those of its session.
    """
    query = (
        Query(engine=row["engine"], build=row["build"], limit=MAX_EARLIER_RUNS)
        if row["build"]
        else Query(session=row["session"], limit=MAX_EARLIER_RUNS)
    )
    rows = [
        r for r in archive.find(query) if r["run"] != row["run"] and r["build"] == row["build"] and counts(r)
    ]
    last = _newest_before(rows, row)
    best = max(rows, key=lambda r: r["peak_power_W"], default=None)
    return last, best


def _newest_before(rows: list[dict[str, Any]], row: dict[str, Any]) -> dict[str, Any] | None:
    """Of `rows` the last one made before `row`; None when none was."""

    def order(r: dict[str, Any]) -> tuple[Any, Any]:
        return r["started_unix_s"], r["run"]

    return max((r for r in rows if order(r) < order(row)), key=order, default=None)


def repeated_warnings(archive: Archive, row: dict[str, Any], warnings: list[str]) -> list[str]:
    """Those of a run's warnings that the run before it in its session carried too."""
    rows = archive.find(Query(session=row["session"], limit=MAX_EARLIER_RUNS)) if row["session"] else []
    newest = _newest_before(rows, row)
    if newest is None:
        return []
    told = {without_figures(note) for note in reduced(archive, newest["run"]).reduction.notes}
    return [note for note in warnings if without_figures(note) in told]


def run_summary(archive: Archive, number: int) -> dict[str, Any]:
    """All of one run that the page shows: peaks, changes, curves, what to remark, what people said."""
    row = archive.row(number)
    run = reduced(archive, number)
    row = archive.row(number)  # with what the reduction found
    result = run.reduction
    last, best = previous_and_best(archive, row)
    peak = result.peak_power_W.value

    def compared_with(other: dict[str, Any] | None) -> dict[str, Any] | None:
        if other is None:
            return None
        than = other["peak_power_W"]
        return {
            "run": other["run"],
            "peak_power_W": than,
            "change": peak / than - 1,
            "curve": stored_curve(archive, other["run"]),
        }

    verdict = code_texts.say(code_texts.VERDICTS, row["verdict"])
    warnings = list(dict.fromkeys(result.notes))
    return {
        **row_summary(row),
        "verdict_text": verdict,
        "reason_text": "" if row["reason"] == "none" else code_texts.say(code_texts.REASONS, row["reason"]),
        "peak_power": vars(result.peak_power_W),
        "peak_torque": vars(result.peak_torque_Nm),
        "banner": banner(result),
        "failed": result.failed,
        "warnings": warnings,
        "repeated_warnings": repeated_warnings(archive, row, warnings),
        "standard": result.standard,
        "curve": curve(result.bins),
        "last": compared_with(last),
        "best": compared_with(best),
        "is_best": best is None or (peak == peak and peak > best["peak_power_W"]),
        "notes": archive.notes(number),
    }


def stored_curve(archive: Archive, number: int) -> dict[str, FloatArray]:
    """The curve of a run as it was last reduced; reduced now if it never was."""
    kept = archive.current_bins(number)
    return curve(kept if kept is not None else reduced(archive, number).reduction.bins)
