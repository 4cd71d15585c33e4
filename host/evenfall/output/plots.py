"""Pictures: torque and power against speed, set speed, calibration residuals, control chart.

Each curve has a colour *and* a stroke, so that six curves stay apart for colour-blind eyes and on
a grey printer: the colours were chosen for distance under simulated colour-vision deficiencies and
for even steps of lightness (tests/report holds them to it).
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import matplotlib

matplotlib.use("Agg")

import numpy as np
from evenfall_wire import codes
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from evenfall.archive.files import write_whole
from evenfall.errors import InputError
from evenfall.model import FloatArray, Reduction, Run
from evenfall.output.strokes import COLOURS, STROKES
from evenfall.output.text import US, Units
from evenfall.printable import printable
from evenfall.reduction.calibration import LINEARITY_LIMIT
from evenfall.reduction.uncertainty import COVERAGE
from evenfall.statistics.compare import Comparison
from evenfall.statistics.groups import Group

MAX_CURVES = len(COLOURS)
LABEL_LENGTH = 42
HEADING_LENGTH = 100
MAX_BANDS = 2  # more bands than that are a smear
INK = "#1d1d24"
GRID = "#d5d5da"
LIMIT = "#8a1c10"

STYLE: dict[Any, Any] = {
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.size": 9,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.linewidth": 0.7,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "legend.frameon": False,
    "lines.linewidth": 1.7,
    "svg.fonttype": "none",  # text stays text: searchable, small
    "svg.hashsalt": "evenfall",  # the same picture gives the same bytes
}


@dataclass(frozen=True)
class Curve:
    """One line to draw: values on speeds, with the half-width of its 95 % band (NaN: no band)."""

    label: str
    speed_rpm: FloatArray
    torque_Nm: FloatArray
    torque_half_Nm: FloatArray
    power_W: FloatArray
    power_half_W: FloatArray
    peak_torque: tuple[float, float]  # rpm, N.m
    peak_power: tuple[float, float]  # rpm, W


def curve_of(reduction: Reduction, label: str | None = None) -> Curve:
    """The binned curve of one run with its 95 % band."""
    b = reduction.bins
    name = label if label is not None else f"run {reduction.run_id}"
    said = "failed run" if reduction.failed else "± not known" if reduction.not_known else ""
    return Curve(
        f"{name} ({said})" if said else name,
        b.speed_rpm,
        b.torque_Nm,
        COVERAGE * b.torque_u_Nm,
        b.power_W,
        COVERAGE * b.power_u_W,
        (reduction.peak_torque_Nm.speed_rpm, reduction.peak_torque_Nm.value),
        (reduction.peak_power_W.speed_rpm, reduction.peak_power_W.value),
    )


def group_curve(g: Group) -> Curve:
    """The mean curve of a group with the 95 % band of the mean."""
    return Curve(
        g.label,
        g.speed_rpm,
        g.torque_Nm.mean,
        g.torque_Nm.half_width,
        g.power_W.mean,
        g.power_W.half_width,
        (g.peak_torque_rpm, float(g.peak_torque_Nm.mean[0])),
        (g.peak_power_rpm, float(g.peak_power_W.mean[0])),
    )


def stroke(number: int) -> dict[str, Any]:
    """Colour and line style of curve `number`, counted from 0."""
    on_off = STROKES[number % MAX_CURVES]
    return {
        "color": COLOURS[number % MAX_CURVES],
        "linestyle": (0, on_off) if on_off else "-",
    }


def _figure(
    rows: int, width_in: float, height_in: float, ratios: Sequence[float]
) -> tuple[Figure, list[Axes]]:
    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    axes = figure.subplots(rows, 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": list(ratios)})
    return figure, list(axes[:, 0])


def _draw(
    axes: Axes, number: int, x: FloatArray, y: FloatArray, half: FloatArray, label: str, band: bool
) -> None:
    axes.plot(x, y, label=label, **stroke(number))
    banded = np.isfinite(y) & np.isfinite(half)
    if band and banded.any():
        axes.fill_between(
            x,
            y - half,
            y + half,
            where=banded.tolist(),
            color=COLOURS[number % MAX_CURVES],
            alpha=0.16,
            linewidth=0,
        )


def _two_panels(upper: Axes, lower: Axes, curves: Sequence[Curve], units: Units, from_zero: bool) -> None:
    """Power above, torque below, each with a mark on its line at the speed of its peak."""
    for number, c in enumerate(curves):
        order = np.argsort(c.speed_rpm)
        x = c.speed_rpm[order]
        for axes, values, half, peak, convert in (
            (upper, c.power_W, c.power_half_W, c.peak_power, units.power),
            (lower, c.torque_Nm, c.torque_half_Nm, c.peak_torque, units.torque),
        ):
            y = convert(values[order])
            label = f"{printable(c.label, LABEL_LENGTH)}\n{_peaks(c, units)}"
            _draw(axes, number, x, y, convert(half[order]), label, len(curves) <= MAX_BANDS)
            there = np.isfinite(y)
            if np.isfinite(peak[1]) and there.any():
                at = float(np.interp(peak[0], x[there], y[there]))
                colour = COLOURS[number % MAX_CURVES]
                axes.plot(peak[0], at, "D", markersize=4.5, color=colour, zorder=5, clip_on=False)
    for axes in (upper, lower):
        axes.margins(x=0.03)
        if from_zero:
            axes.set_ylim(bottom=0)


def _peaks(c: Curve, units: Units) -> str:
    """`3.87 hp at 10,500, 2.08 lb-ft at 7,500 rpm`, as the table reports them."""
    said = [
        f"{float(convert(value)):.2f} {unit} at {speed:,.0f}"
        for (speed, value), convert, unit in (
            (c.peak_power, units.power, units.power_name),
            (c.peak_torque, units.torque, units.torque_name),
        )
        if np.isfinite(value)
    ]
    return f"{', '.join(said)} rpm" if said else "no peak"


def _key(curves: Sequence[Curve]) -> str:
    """What mark and band are."""
    mark = "◆ at the peak, its value from a fit of all bins"
    banded = any(np.isfinite(c.power_half_W).any() for c in curves)
    if len(curves) > MAX_BANDS:
        return f"{mark}; bands left out, they would cover each other"
    return f"{mark}; band: 95 % interval" if banded else f"{mark}; no band: ± not known"


def _heading(figure: Figure, upper: Axes, title: str, about: str) -> None:
    if title:
        figure.suptitle(_plain(title, HEADING_LENGTH), x=0.01, ha="left", fontsize=10, weight="bold")
    if about:
        upper.set_title(_plain(about, HEADING_LENGTH), loc="left", fontsize=8)


def _legend(figure: Figure, upper: Axes, curves: Sequence[Curve]) -> None:
    """One entry a curve with its peaks, below the axes; one or two columns, so that none is cut."""
    legend = figure.legend(
        *upper.get_legend_handles_labels(),
        loc="outside lower left",
        ncols=1 if len(curves) <= 2 else 2,
        handlelength=3.6,
        fontsize=7.5,
        title=_key(curves),
        title_fontsize=7.5,
        alignment="left",
    )
    for text in legend.get_texts():
        text.set_parse_math(False)


def _thousands(axes: Axes) -> None:
    axes.xaxis.set_major_formatter(matplotlib.ticker.StrMethodFormatter("{x:,.0f}"))


def curves_figure(
    curves: Sequence[Curve],
    units: Units = US,
    title: str = "",
    about: str = "",
    from_zero: bool = False,
    width_in: float = 7.2,
    height_in: float = 6.8,
) -> Figure:
    """Power above, torque below, against crank speed; at most six curves.

    `title` and `about` are the two lines above; `from_zero` starts both scales at zero.

    Raises InputError when there is nothing to draw or more curves than can be told apart.
    """
    if not curves:
        raise InputError("nothing to draw: no run given")
    if len(curves) > MAX_CURVES:
        raise InputError(f"{len(curves)} curves asked for; more than {MAX_CURVES} cannot be told apart")
    with matplotlib.rc_context(STYLE):
        figure, (upper, lower) = _figure(2, width_in, height_in, (1.25, 1))
        _two_panels(upper, lower, curves, units, from_zero)
        upper.set_ylabel(f"power at the crank, {units.power_name}")
        lower.set_ylabel(f"torque at the crank, {units.torque_name}")
        lower.set_xlabel("crank speed, rpm")
        _thousands(lower)
        _heading(figure, upper, title, about)
        _legend(figure, upper, curves)
        return figure


def comparison_figure(
    c: Comparison,
    units: Units = US,
    title: str = "",
    about: str = "",
    from_zero: bool = False,
    width_in: float = 7.2,
    height_in: float = 8.0,
) -> Figure:
    """Mean curves before and after with the 95 % bands of the means, and the gain in power below."""
    with matplotlib.rc_context(STYLE):
        figure, (upper, lower, gain) = _figure(3, width_in, height_in, (1.3, 1, 0.8))
        curves = [group_curve(c.before), group_curve(c.after)]
        _two_panels(upper, lower, curves, units, from_zero)
        b = c.bins
        at = units.power(b.power_W)
        half = units.power(b.power_half_W)
        gain.axhline(0, color=INK, linewidth=0.9)
        gain.vlines(b.speed_rpm, at - half, at + half, color=INK, linewidth=1.1)
        gain.plot(
            b.speed_rpm[~b.real],
            at[~b.real],
            "o",
            color=INK,
            markerfacecolor="white",
            markersize=4,
            label="within noise",
        )
        gain.plot(b.speed_rpm[b.real], at[b.real], "o", color=INK, markersize=4, label="real")
        low, top = gain.get_ylim()
        gain.set_ylim(low, top + 0.28 * (top - low))  # room for the legend
        gain.legend(loc="upper center", ncols=2, handletextpad=0.2, borderaxespad=0)
        upper.set_ylabel(f"power, {units.power_name}")
        lower.set_ylabel(f"torque, {units.torque_name}")
        gain.set_ylabel(f"gain, {units.power_name}")
        gain.set_xlabel("crank speed, rpm")
        _thousands(gain)
        _heading(figure, upper, title, about)
        _legend(figure, upper, curves)
        figure.align_ylabels()
        return figure


def plot_curves(
    reductions: Sequence[Reduction | Curve],
    path: str | Path,
    labels: Sequence[str] | None = None,
    units: Units = US,
    title: str = "",
    about: str = "",
    from_zero: bool = False,
) -> Path:
    """Draw up to six runs (or ready curves) to a PNG or SVG file; return its path."""
    if labels is not None and len(labels) != len(reductions):
        raise InputError(f"{len(labels)} labels for {len(reductions)} curves; give one each")
    curves = []
    for i, item in enumerate(reductions):
        if isinstance(item, Reduction):
            curves.append(curve_of(item, labels[i] if labels is not None else None))
        else:
            curves.append(item)
    return save(curves_figure(curves, units, title, about, from_zero), path)


def plot_set_speed(run: Run, path: str | Path, title: str = "", about: str = "") -> Path:
    """Speed against set speed as the board saw them, their difference, and the valve, under a heading."""
    return save(set_speed_figure(run, title=title, about=about), path)


def set_speed_figure(
    run: Run, width_in: float = 7.2, height_in: float = 5.6, title: str = "", about: str = ""
) -> Figure:
    """Three rows over time: speed with set speed, difference in % of set speed, valve command."""
    if not len(run.trace_time_s):
        small = any(name == "small_record" for _, name, _ in run.events)
        why = " (recorded small: the board's flash was short of room)" if small else ""
        raise InputError(f"run {run.run_id} holds no control trace{why}, so there is no set speed to draw")
    with matplotlib.rc_context(STYLE):
        figure, (top, middle, bottom) = _figure(3, width_in, height_in, (2, 1, 1))
        t = run.trace_time_s
        set_rpm = np.where(run.trace_set_speed_rpm > 0, run.trace_set_speed_rpm, np.nan)
        falling = (run.trace_flags >> codes.TRACE_BITS.index("in_sweep")) & 1 == 1
        top.plot(t, run.trace_speed_rpm, label="speed", **stroke(0))
        top.plot(t, set_rpm, label="set speed", **stroke(1))
        top.set_ylabel("crank speed, rpm")
        top.yaxis.set_major_formatter(matplotlib.ticker.StrMethodFormatter("{x:,.0f}"))
        if falling.any():
            for axes in (top, middle, bottom):
                axes.axvspan(
                    t[falling][0], t[falling][-1], color=GRID, alpha=0.45, linewidth=0, label="sweep"
                )
        top.legend(loc="upper right", handlelength=4.2)
        _heading(figure, top, title, about)
        shown = falling if falling.any() else np.isfinite(set_rpm)
        off = np.where(shown, 100 * (run.trace_speed_rpm / set_rpm - 1), np.nan)
        middle.plot(t, off, **stroke(0))
        middle.axhline(0, color=INK, linewidth=0.6)
        middle.set_ylabel("off set speed, %")
        bottom.plot(t, run.trace_valve_us, **stroke(0))
        bottom.set_ylabel("valve, µs")
        bottom.set_xlabel("time, s")
        return figure


def calibration_figure(
    load_N: FloatArray,
    residual_N: FloatArray,
    rising: Sequence[bool],
    width_in: float = 6.4,
    height_in: float = 3.6,
    title: str = "",
) -> Figure:
    """What the straight line leaves over at each hung weight, loads going up and coming down apart."""
    with matplotlib.rc_context(STYLE):
        figure, (axes,) = _figure(1, width_in, height_in, (1,))
        load, left, up = np.asarray(load_N), np.asarray(residual_N), np.asarray(rising, bool)
        axes.axhline(0, color=INK, linewidth=0.8)
        usual = LINEARITY_LIMIT * float(load.max(initial=0.0))
        axes.axhspan(-usual, usual, color=INK, alpha=0.08, linewidth=0,
                     label=f"usual limit, {100 * LINEARITY_LIMIT:g} % of the largest load")  # fmt: skip
        for number, (mask, name, marker) in enumerate(((up, "loading", "^"), (~up, "unloading", "v"))):
            axes.plot(load[mask], left[mask], marker=marker, label=name, **stroke(number))
        _heading(figure, axes, title, "")
        axes.set_xlabel("hung weight, N")
        axes.set_ylabel("reading less line, N")
        axes.legend(loc="best", handlelength=4.2)
        return figure


def control_figure(
    values: FloatArray,
    centre: float,
    limits: tuple[float, float],
    alarms: Sequence[int],
    labels: Sequence[str],
    unit: str,
    width_in: float = 7.2,
    height_in: float = 3.6,
    title: str = "",
    about: str = "",
) -> Figure:
    """Reference sessions in order, with the centre and the limits that a new session keeps in 95.4 and
    99.7 % of cases; alarms ringed."""
    with matplotlib.rc_context(STYLE):
        figure, (axes,) = _figure(1, width_in, height_in, (1,))
        x = np.arange(1, len(values) + 1)
        axes.axhline(centre, color=INK, linewidth=1)
        for share, half, dash in (("95.4 %", limits[0], (0, (2, 2))), ("99.7 %", limits[1], "-")):
            for side in (-half, half):
                axes.axhline(centre + side, color=LIMIT, linewidth=0.9, linestyle=dash)
                axes.annotate(
                    share,
                    (1.005, centre + side),
                    xycoords=("axes fraction", "data"),
                    va="center",
                    fontsize=7,
                    color=LIMIT,
                )
        axes.plot(x, values, marker="o", markersize=4, color=COLOURS[0], linewidth=1)
        if len(alarms):
            at = np.asarray(alarms, int)
            axes.plot(x[at], values[at], "o", markersize=11, fillstyle="none", color=LIMIT, label="alarm")
            axes.legend(loc="best")
        axes.set_xticks(x if len(x) <= 12 else x[:: max(1, len(x) // 10)])
        axes.set_xticklabels(
            [_plain(labels[int(i) - 1]) for i in axes.get_xticks()], rotation=30, ha="right", fontsize=7
        )
        axes.set_ylabel(unit)
        _heading(figure, axes, title, about)
        return figure


def save(figure: Figure, path: str | Path) -> Path:
    """Write a figure as PNG or SVG by the file's ending."""
    path = Path(path)
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("png", "svg"):
        raise InputError(f"cannot draw to '{path.name}': the name must end in .png or .svg")
    metadata = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
    with matplotlib.rc_context(STYLE):
        buffer = io.BytesIO()
        figure.savefig(buffer, format=kind, dpi=160, metadata=metadata)
    write_whole(path, buffer.getvalue())
    return path


def inline_svg(figure: Figure, prefix: str, title: str, description: str) -> str:
    """The figure as an `<svg>` element to set into a page.

    Ids get `prefix`, so several pictures can share a page; `title` and `description` are what a
    screen reader says in its place.
    """
    buffer = io.StringIO()
    with matplotlib.rc_context(STYLE):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    for short, uri in (("", "http://www.w3.org/2000/svg"), ("xlink", "http://www.w3.org/1999/xlink")):
        ElementTree.register_namespace(short, uri)
    root = ElementTree.fromstring(buffer.getvalue())
    svg = "{http://www.w3.org/2000/svg}"
    for metadata in root.findall(f"{svg}metadata"):
        root.remove(metadata)
    for element in root.iter():
        for key, value in list(element.attrib.items()):
            if key == "id":
                element.set(key, prefix + value)
            elif key.endswith("href") and value.startswith("#"):
                element.set(key, "#" + prefix + value[1:])
            elif "url(#" in value:
                element.set(key, value.replace("url(#", f"url(#{prefix}"))
    for name, text in (("desc", description), ("title", title)):
        child = ElementTree.Element(svg + name, {"id": f"{prefix}{name}"})
        child.text = printable(text)
        root.insert(0, child)
    root.set("role", "img")
    root.set("aria-labelledby", f"{prefix}title {prefix}desc")
    for size in ("width", "height"):
        root.attrib.pop(size, None)
    return ElementTree.tostring(root, encoding="unicode")


def _plain(text: str, length: int = LABEL_LENGTH) -> str:
    """A short label that matplotlib's formula parser leaves alone."""
    return re.sub(r"\$", r"\\$", printable(text, length))
