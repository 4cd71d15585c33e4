"""The run as a table in the terminal: torque and power each 250 rpm, and the peaks.

Everything inside is SI; `Units` is the edge where US units appear.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from evenfall import units as units_table
from evenfall.errors import InputError
from evenfall.model import Bins, FloatArray, IntArray, Peak, Reduction
from evenfall.printable import printable
from evenfall.reduction.engine_figures import EngineSize, band_mean, engine_figures
from evenfall.reduction.uncertainty import COVERAGE
from evenfall.statistics.compare import Comparison, Gain
from evenfall.statistics.control_chart import Chart
from evenfall.statistics.counting import ALL_OPTION
from evenfall.statistics.group_findings import number_word
from evenfall.statistics.groups import Group as RunGroup


@dataclass(frozen=True)
class Units:
    """The units a person reads, by their names in evenfall.units; methods turn SI into them."""

    torque_unit: str
    power_unit: str

    def __post_init__(self) -> None:
        for unit, kind in ((self.torque_unit, "torque"), (self.power_unit, "power")):
            if unit not in units_table.UNITS[kind]:
                raise InputError(
                    f"unit '{unit}' is not known for {kind}; use one of {', '.join(units_table.UNITS[kind])}"
                )

    @property
    def torque_name(self) -> str:
        return self.torque_unit.replace(".", "·")

    @property
    def power_name(self) -> str:
        return "hp (metric)" if self.power_unit == "hp-metric" else self.power_unit

    @property
    def torque_scale(self) -> float:
        """N·m in one unit."""
        return units_table.to_si(1.0, self.torque_unit, "torque")

    @property
    def power_scale(self) -> float:
        """Watts in one unit."""
        return units_table.to_si(1.0, self.power_unit, "power")

    def torque(self, value_Nm: FloatArray | float) -> FloatArray:
        return np.asarray(value_Nm, float) / self.torque_scale

    def power(self, value_W: FloatArray | float) -> FloatArray:
        return np.asarray(value_W, float) / self.power_scale


SI = Units("N.m", "kW")
US = Units("lb-ft", "hp")
METRIC = Units("N.m", "hp-metric")
UNIT_CHOICES = {"si": SI, "us": US, "metric": METRIC}


FIGURE = re.compile(r"[-+±]?\d[\d.,]*")


# what the figures of one run are values of (the measurand, VIM 2.3)
OF_A_RUN = "the engine's mean over turns as it was in this run; another run differs by the repeatability"


def without_figures(note: str) -> str:
    """A note with # for each figure: two that differ in their figures alone are one.

    >>> without_figures("Zero moved by 12 counts.")
    'Zero moved by # counts.'
    """
    return FIGURE.sub("#", note)


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


def _said(text: str, style: str = "") -> Text:
    return Text(printable(text), style=style)


def peak_line(name: str, peak: Peak, scale: float, unit: str) -> str:
    """One sentence for a peak, its 95 % interval and the speed it stands at."""
    if not np.isfinite(peak.value):
        return f"{name}: no data"
    value = plus_minus(peak.value / scale, peak.half_width / scale, unit)
    if not np.isfinite(peak.half_width):
        value += " (± not known)"
    return f"{name}: {value} at {peak.speed_rpm:,.0f} rpm"


def filled(bins: Bins) -> IntArray:
    """Places of the bins that hold a value, top speed first: the order of a falling sweep."""
    order = np.argsort(bins.speed_rpm)[::-1]
    return order[np.isfinite(bins.torque_Nm[order])]


KNOWN_BY = {  # cause -> (what is not known, how to get to know it)
    "span": ("the calibration of the load cell", "evenfall calibrate span"),
    "arm": ("the torque arm", "evenfall calibrate span"),
    "inertia": ("the inertia", "evenfall inertia"),
    "drive": ("the drive's efficiency", "evenfall setup add --efficiency"),
}


def banner(reduction: Reduction) -> str:
    """What a reader must know before any figure: a failed run, or an interval that is not known."""
    if reduction.failed:
        return f"FAILED RUN: {reduction.failed}."
    if not reduction.not_known:
        return ""
    known = [KNOWN_BY.get(name, (name, "evenfall budget")) for name in reduction.not_known]
    what = " and ".join(dict.fromkeys(k[0] for k in known))
    how = ", ".join(dict.fromkeys(k[1] for k in known))
    return f"± NOT KNOWN: no uncertainty was ever found for {what}. Find it with: {how}."


def half_width(value: float, decimals: int = 2) -> str:
    """A 95 % half-width for a table; `not known` where it is not."""
    return f"{value:.{decimals}f}" if np.isfinite(value) else "not known"


def bin_table(reduction: Reduction, units: Units = US) -> Table:
    """The rich table of one run: speed, torque, power, each with its 95 % half-width."""
    bins = reduction.bins
    said = banner(reduction)
    table = Table(
        title=f"Run {reduction.run_id}" + (f"\n{said}" if said else ""),
        caption="± is not known"
        if reduction.not_known
        else f"± is the 95 % interval, all causes, of {OF_A_RUN}",
    )
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
            half_width(COVERAGE * float(units.torque(bins.torque_u_Nm[i]))),
            f"{units.power(bins.power_W[i]):.2f}",
            half_width(COVERAGE * float(units.power(bins.power_u_W[i]))),
            f"{units.power(bins.power_observed_W[i]):.2f}",
            f"{bins.count[i]}",
        )
    return table


def summary_lines(reduction: Reduction, units: Units = US) -> list[str]:
    """Peaks, correction and sweep time, as plain sentences."""
    torque_scale = units.torque_scale
    power_scale = units.power_scale
    in_range = "" if reduction.air_factor_in_range else ", outside the range of the standard"
    return [
        peak_line("Peak power", reduction.peak_power_W, power_scale, units.power_name),
        peak_line("Peak torque", reduction.peak_torque_Nm, torque_scale, units.torque_name),
        f"Air factor {reduction.air_factor:.4f} by {reduction.standard}{in_range}",
        f"Sweep {reduction.sweep_time_s:.2f} s",
    ]


def run_report(reduction: Reduction, units: Units = US, size: EngineSize | None = None) -> RenderableType:
    """All that is printed after one run."""
    parts: list[RenderableType] = [bin_table(reduction, units)]
    parts += [_said(line) for line in summary_lines(reduction, units)]
    parts += [_said(line) for line in engine_lines(reduction, size or EngineSize(), units)]
    parts += [_said(f"Note: {note}", style="yellow") for note in reduction.notes]
    return Group(*parts)


def engine_lines(reduction: Reduction, size: EngineSize, units: Units = US) -> list[str]:
    """Mean power of the run, and what its engine's size makes of the peaks; nothing of what is not known."""
    band = band_mean(reduction.bins)
    said = []
    if np.isfinite(band.power_W):
        mean = plus_minus(
            band.power_W / units.power_scale, COVERAGE * band.power_u_W / units.power_scale, units.power_name
        )
        said.append(f"Mean power from {band.low_rpm:,.0f} to {band.high_rpm:,.0f} rpm: {mean}")
    f = engine_figures(reduction, size)
    if np.isfinite(f.mean_effective_pressure_Pa):
        name, scale = ("psi", units_table.to_si(1.0, "psi", "pressure")) if units == US else ("bar", 1e5)
        pressure = plus_minus(
            f.mean_effective_pressure_Pa / scale, f.mean_effective_pressure_half_Pa / scale, name
        )
        power = plus_minus(
            f.specific_power_W_m3 / 1000 / units.power_scale,
            f.specific_power_half_W_m3 / 1000 / units.power_scale,
            f"{units.power_name} per litre",
        )
        said.append(f"Mean effective pressure {pressure} at peak torque; {power} at peak power")
    if np.isfinite(f.piston_speed_m_s):
        speed = f.piston_speed_m_s
        text = f"{speed / 0.3048 * 60:,.0f} ft/min" if units == US else f"{speed:.1f} m/s"
        said.append(f"Mean piston speed {text} at peak power")
    return said


# --- before and after ------------------------------------------------------------------------------


def gain_phrase(gain: Gain, scale: float, unit: str) -> str:
    """`0.14 ± 0.05 hp (2.5 %)`, with the sign where it is a loss."""
    n = digits(gain.half_width / scale)
    text = f"{abs(gain.difference) / scale:.{n}f}"
    if np.isfinite(gain.half_width):
        text += f" ± {gain.half_width / scale:.{n}f}"
    return f"{'gain' if gain.difference >= 0 else 'loss'} {text} {unit} ({abs(100 * gain.relative):.1f} %)"


def verdict_sentence(c: Comparison, units: Units = US) -> str:
    """The answer in one sentence: at peak power, and the mean over a band, which has no maximum in it."""
    scale = units.power_scale
    phrase = gain_phrase(c.peak_power, scale, units.power_name)
    band = band_phrase(c, units)
    if c.outcome == "real":
        return f"{phrase} at peak power: real; {band}: real" if band else f"{phrase} at peak power: real"
    if c.outcome == "real in part":
        words = {True: "real", False: "inside the noise"}
        return f"{phrase} at peak power: {words[c.peak_power.real]}; {band}: {words[c.mean_power.real]}"
    if c.outcome == "cannot tell":
        return (
            f"{phrase} at peak power: cannot tell from one run each; the engine's own scatter is not known "
            "until there are at least two runs of each, better three"
        )
    target = f"{100 * c.decide_relative:g} % gain"
    if c.more_runs is None:
        advice = f"no sensible number of runs would decide a {target} with this scatter: find its cause first"
    elif c.more_runs == 0:
        advice = f"a true {target} would have shown four times in five"
    else:
        plural = "run" if c.more_runs == 1 else "runs"
        advice = f"{number_word(c.more_runs)} more {plural} each would decide a {target}"
    beside = f"; {band}: inside the noise" if band else ""
    return f"{phrase} at peak power: inside the noise{beside}; {advice}"


def band_phrase(c: Comparison, units: Units = US) -> str:
    """`mean power 8,000 to 10,500 rpm gain 0.10 ± 0.03 hp (1.2 %)`; empty where no band is shared."""
    if not np.isfinite(c.mean_power.difference):
        return ""
    low, high = c.band_rpm
    return (
        f"mean power {low:,.0f} to {high:,.0f} rpm "
        f"{gain_phrase(c.mean_power, units.power_scale, units.power_name)}"
    )


def repeatability_line(g: RunGroup, units: Units = US) -> str:
    """How well the runs of a group agree."""
    scale = units.power_scale
    unit = units.power_name
    mean = float(g.peak_power_W.mean[0])
    peak = f"peak power {mean / scale:.2f} {unit}"
    if g.n < 2:
        return f"{g.label}: one run, {peak}; no repeatability from one run"
    r = float(g.peak_power_W.r[0])
    limit = f"{r / scale:.{digits(r / scale)}f} {unit}"
    return (
        f"{g.label}: {number_word(g.n)} runs, {peak}, repeatability r = {limit} "
        f"({100 * r / mean:.1f} %): two runs of one build differ by less, 19 times in 20"
    )


def group_table(g: RunGroup, units: Units = US) -> Table:
    """Mean curve of a group with the 95 % interval of the mean and the repeatability limit."""
    table = Table(
        title=_said(f"{g.label}: mean curve, runs: {g.n}"), caption="± from the scatter of the runs"
    )
    table.add_column("rpm", justify="right")
    for heading in (
        f"torque\n{units.torque_name}",
        "±",
        "r",
        f"power\n{units.power_name}",
        "±",
        "r",
        "runs",
    ):
        table.add_column(heading, justify="right")
    for i in range(len(g.speed_rpm))[::-1]:
        row = [f"{g.speed_rpm[i]:,.0f}"]
        for spread, convert in ((g.torque_Nm, units.torque), (g.power_W, units.power)):
            for value in (spread.mean[i], spread.half_width[i], spread.r[i]):
                row.append(f"{convert(value):.2f}" if np.isfinite(value) else "–")
        table.add_row(*row, str(spread.n[i]))
    return table


def gain_table(c: Comparison, units: Units = US) -> Table:
    """Gain on every speed; a star where it is real with the false discoveries held at 5 %."""
    table = Table(
        title=_said(f"{c.after.label} against {c.before.label}"),
        caption="± is the 95 % interval of that one speed; * real, with the false discovery rate held at 5 %"
        + ("; the drift is taken out" if np.isfinite(c.drift_relative) else ""),
    )
    table.add_column("rpm", justify="right")
    for heading in (
        f"power before\n{units.power_name}",
        "after",
        "gain",
        "±",
        "gain\n%",
        "",
        f"torque gain\n{units.torque_name}",
        "±",
    ):
        table.add_column(heading, justify="right")
    b = c.bins
    for i in range(len(b.speed_rpm))[::-1]:
        if not np.isfinite(b.power_W[i]):
            continue
        before, after, gain, half = (
            float(units.power(v[i])) for v in (b.power_before_W, b.power_after_W, b.power_W, b.power_half_W)
        )
        torque, torque_half = (float(units.torque(v[i])) for v in (b.torque_Nm, b.torque_half_Nm))
        table.add_row(
            f"{b.speed_rpm[i]:,.0f}",
            f"{before:.2f}",
            f"{after:.2f}",
            f"{gain:+.2f}",
            f"{half:.2f}",
            f"{100 * gain / before:+.1f}",
            "*" if b.real[i] else "",
            f"{torque:+.2f}",
            f"{torque_half:.2f}",
        )
    return table


def comparison_lines(c: Comparison, units: Units = US) -> list[str]:
    """Everything beside the table: other gains, repeatability, findings, what differs."""
    power, torque = units.power_scale, units.torque_scale
    low, high = c.band_rpm
    mean_gain = gain_phrase(c.mean_power, power, units.power_name)
    why = "the band asked for" if c.band_asked else "where both hold 90 % of their peak power"
    lines = [
        f"peak torque: {gain_phrase(c.peak_torque, torque, units.torque_name)}",
        f"mean power from {low:,.0f} to {high:,.0f} rpm ({why}): {mean_gain}",
        repeatability_line(c.before, units),
        repeatability_line(c.after, units),
    ]
    if np.isfinite(c.decidable_relative):
        lines.append(
            f"smallest gain these runs would show four times in five: {100 * c.decidable_relative:.1f} %"
        )
    lines += c.sessions
    lines.append(
        "the calibration is one and the same before and after, so its error cancels"
        if c.calibration_cancels
        else "the set-up changed between before and after, so the calibration error is counted in full"
    )
    return lines


def comparison_report(c: Comparison, units: Units = US) -> RenderableType:
    """All that is printed for a before/after."""
    parts: list[RenderableType] = [gain_table(c, units), Text(verdict_sentence(c, units), style="bold")]
    parts += [_said(line) for line in comparison_lines(c, units)]
    parts += [_said(f"Differs: {d.sentence}", style="yellow") for d in c.differences]
    for g in (c.before, c.after):
        parts += [_said(f"{g.label}: {f.sentence}", style="yellow") for f in g.findings]
        if g.left_out:
            parts.append(_said(f"{g.label}: {g.left_out}{ALL_OPTION}", style="yellow"))
    if c.settled:
        parts.append(_said(f"Without the warming runs: {verdict_sentence(c.settled, units)}", style="bold"))
    return Group(*parts)


def group_report(g: RunGroup, units: Units = US) -> RenderableType:
    """All that is printed for the runs of one build."""
    parts: list[RenderableType] = [group_table(g, units), _said(repeatability_line(g, units), style="bold")]
    parts += [_said(finding.sentence, style="yellow") for finding in g.findings]
    levels = ", ".join(f"{p.name} {100 * v:+.2f} %" for p, v in zip(g.runs, g.level, strict=True))
    parts.append(_said(f"each against the mean, over the whole range: {levels}"))
    if g.left_out:
        parts.append(_said(g.left_out + ALL_OPTION, style="yellow"))
    return Group(*parts)


def chart_lines(c: Chart, units: Units = US) -> list[str]:
    """What a control chart says, in sentences."""
    unit = units.power_name
    lines = [
        f"centre {float(units.power(c.centre_W)):.3f} {unit}, sigma {100 * c.sigma_W / c.centre_W:.2f} %, "
        f"from {c.baseline} sessions; a new one keeps ± {100 * c.limits_W[0] / c.centre_W:.2f} % in 95.4 % "
        f"and ± {100 * c.limits_W[1] / c.centre_W:.2f} % in 99.7 % of cases",
        c.newest_session_sentence,
    ]
    if c.precision:
        p = c.precision
        between = "" if np.isnan(p.s_R) else f", between sessions R = {100 * p.R / p.mean:.2f} %"
        lines.append(f"repeatability within a session r = {100 * p.r / p.mean:.2f} %{between} (ISO 5725-2)")
    if c.week_pairs:
        lines.append(
            f"a week later: two sessions differ by less than {100 * c.week_limit_relative:.2f} %, "
            f"19 times in 20 (from {c.week_pairs} pairs)"
        )
    lines += [f"ALARM {alarm.sentence}" for alarm in c.alarms]
    if not c.alarms:
        lines.append("no rule of the chart is broken")
    return lines
