"""Pictures of what a health check or a check-weight log found."""

from __future__ import annotations

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from evenfall.output.plots import COLOURS, INK, LIMIT, STYLE
from evenfall.reduction.calibration import TOLERANCE, CheckDrift
from evenfall.reduction.diagnostics import Finding, FindingCurve


def finding_figure(finding: Finding, width_in: float = 6.4, height_in: float = 3.4) -> Figure:
    """The curve behind a finding, its limit and the places it points at."""
    e = finding.curve or FindingCurve(np.zeros(0), np.zeros(0), "", "")
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        axes = figure.add_subplot()
        axes.plot(e.x, e.y, color=COLOURS[0], linewidth=0.9)
        if np.isfinite(e.limit):
            for side in (1, -1) if e.y.size and np.nanmin(e.y) < -0.5 * e.limit else (1,):
                axes.axhline(side * e.limit, color=LIMIT, linewidth=0.9, linestyle=(0, (4, 2)))
            axes.annotate("limit", (1.0, e.limit), xycoords=("axes fraction", "data"), ha="right", fontsize=7)
        for mark in e.marks:
            axes.axvline(mark, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
        axes.set_xlabel(e.x_name)
        axes.set_ylabel(e.y_name)
        axes.set_title(f"{finding.name}: {'found' if finding.found else 'not found'}", loc="left", fontsize=9)
        return figure


def check_weight_figure(
    drift: CheckDrift, width_in: float = 6.4, height_in: float = 3.4, title: str = ""
) -> Figure:
    """Check-weight readings over time with the tolerance band and the trend."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        axes = figure.add_subplot()
        day = (drift.time_s - drift.time_s[-1]) / 86400
        axes.axhspan(
            -TOLERANCE * 100, TOLERANCE * 100, color=INK, alpha=0.08, linewidth=0, label="usual tolerance"
        )
        axes.plot(
            day, drift.error_rel * 100, "o-", markersize=4, linewidth=1, color=COLOURS[0], label="reading"
        )
        if len(day) >= 3:
            mean = drift.error_rel.mean() + drift.per_year * (day - day.mean()) / 365.25
            axes.plot(day, mean * 100, color=LIMIT, linewidth=1, linestyle=(0, (4, 2)), label="trend")
        # never closer than the tolerance and a day: a few readings of one hour are no drift
        off = 100 * max(2 * TOLERANCE, 1.2 * float(np.abs(drift.error_rel).max()))
        axes.set_ylim(-off, off)
        axes.set_xlim(min(float(day.min()), -1.0) * 1.03, 0.03 * max(-float(day.min()), 1.0))
        if title:
            axes.set_title(title, loc="left", fontsize=9, weight="bold")
        axes.set_xlabel("days before the last reading")
        axes.set_ylabel("check weight reads off, %")
        axes.legend(loc="best")
        return figure
