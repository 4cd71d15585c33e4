"""The pull as a table in the terminal: torque and power each 250 rpm, and the peaks.

Everything inside is SI; `Units` is the edge where shop units appear.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from evenfall.errors import InputError
from evenfall.model import Bins, FloatArray, IntArray, Peak, Reduction

# Exact by definition: foot 0.3048 m, pound 0.45359237 kg, standard gravity 9.80665 m/s2,
# mechanical horsepower 550 ft.lbf/s (checked against pint in tests).
POUND_FOOT_NM = 0.3048 * 0.45359237 * 9.80665
HORSEPOWER_W = 550.0 * POUND_FOOT_NM
TORQUE_UNITS = {"N·m": 1.0, "lb-ft": POUND_FOOT_NM}
POWER_UNITS = {"W": 1.0, "kW": 1000.0, "hp": HORSEPOWER_W}
COVERAGE = 1.959963984540054  # two-sided 95 % of a normal distribution


@dataclass(frozen=True)
class Units:
    """The units a person reads; methods turn SI into them."""

    torque_name: str
    power_name: str

    def __post_init__(self) -> None:
        for name, known in ((self.torque_name, TORQUE_UNITS), (self.power_name, POWER_UNITS)):
            if name not in known:
                raise InputError(f"unit '{name}' is not known here; choose one of {', '.join(known)}")

    def torque(self, value_Nm: FloatArray | float) -> FloatArray:
        return np.asarray(value_Nm, float) / TORQUE_UNITS[self.torque_name]

    def power(self, value_W: FloatArray | float) -> FloatArray:
        return np.asarray(value_W, float) / POWER_UNITS[self.power_name]


SI = Units("N·m", "kW")
SHOP = Units("lb-ft", "hp")
UNIT_CHOICES = {"si": SI, "shop": SHOP}


def digits(half_width: float, at_most: int = 3) -> int:
    """Decimals worth printing beside a 95 % half-width: two significant digits of it."""
    if not np.isfinite(half_width) or half_width <= 0:
        return min(2, at_most)
    return int(np.clip(1 - np.floor(np.log10(half_width)), 0, at_most))


def plus_minus(value: float, half_width: float, unit: str = "", decimals: int | None = None) -> str:
    """`3.42 ± 0.05 hp`; a dash where there is no value."""
    if not np.isfinite(value):
        return "–"
    n = digits(half_width) if decimals is None else decimals
    text = f"{value:.{n}f}"
    if np.isfinite(half_width):
        text += f" ± {half_width:.{n}f}"
    return f"{text} {unit}".rstrip()


def peak_line(name: str, peak: Peak, scale: float, unit: str) -> str:
    """One sentence for a peak, its 95 % interval and the speed it stands at."""
    if not np.isfinite(peak.value):
        return f"{name}: no data"
    value = plus_minus(peak.value / scale, peak.half_width / scale, unit)
    return f"{name}: {value} at {peak.speed_rpm:,.0f} rpm"


def filled(bins: Bins) -> IntArray:
    """Places of the bins that hold a value, top speed first: the order of a falling sweep."""
    order = np.argsort(bins.speed_rpm)[::-1]
    return order[np.isfinite(bins.torque_Nm[order])]


def bin_table(reduction: Reduction, units: Units = SHOP) -> Table:
    """The rich table of one pull: speed, torque, power, each with its 95 % half-width."""
    bins = reduction.bins
    table = Table(title=f"Pull {reduction.run_id}", caption="± is the 95 % interval, all causes")
    table.add_column("rpm", justify="right")
    for heading in (
        f"torque\n{units.torque_name}",
        "±",
        f"power\n{units.power_name}",
        "±",
        f"power as read\n{units.power_name}",
        "samples",
    ):
        table.add_column(heading, justify="right")
    for i in filled(bins):
        table.add_row(
            f"{bins.speed_rpm[i]:,.0f}",
            f"{units.torque(bins.torque_Nm[i]):.2f}",
            f"{COVERAGE * units.torque(bins.torque_u_Nm[i]):.2f}",
            f"{units.power(bins.power_W[i]):.2f}",
            f"{COVERAGE * units.power(bins.power_u_W[i]):.2f}",
            f"{units.power(bins.power_observed_W[i]):.2f}",
            f"{bins.count[i]}",
        )
    return table


def summary_lines(reduction: Reduction, units: Units = SHOP) -> list[str]:
    """Peaks, correction and sweep time, as plain sentences."""
    torque_scale = TORQUE_UNITS[units.torque_name]
    power_scale = POWER_UNITS[units.power_name]
    in_range = "" if reduction.air_factor_in_range else ", outside the range of the standard"
    return [
        peak_line("Peak power", reduction.peak_power_W, power_scale, units.power_name),
        peak_line("Peak torque", reduction.peak_torque_Nm, torque_scale, units.torque_name),
        f"Air factor {reduction.air_factor:.4f} by {reduction.standard}{in_range}",
        f"Sweep {reduction.sweep_time_s:.2f} s",
    ]


def pull_report(reduction: Reduction, units: Units = SHOP) -> RenderableType:
    """All that is printed after one pull."""
    parts: list[RenderableType] = [bin_table(reduction, units)]
    parts += [Text(line) for line in summary_lines(reduction, units)]
    parts += [Text(f"Note: {note}", style="yellow") for note in reduction.notes]
    return Group(*parts)


def side_by_side(reductions: Sequence[Reduction], labels: Sequence[str], units: Units = SHOP) -> Table:
    """Power of several pulls on one grid of speeds."""
    grid = np.unique(np.concatenate([r.bins.speed_rpm[np.isfinite(r.bins.power_W)] for r in reductions]))
    table = Table(title=f"Power, {units.power_name}")
    table.add_column("rpm", justify="right")
    for label in labels:
        table.add_column(Text(label), justify="right")
    at = [dict(zip(r.bins.speed_rpm, r.bins.power_W, strict=True)) for r in reductions]
    for speed in grid[::-1]:
        values = [float(units.power(a.get(speed, np.nan))) for a in at]
        table.add_row(f"{speed:,.0f}", *("–" if np.isnan(v) else f"{v:.2f}" for v in values))
    return table
