"""One report, one HTML file: nothing is fetched, nothing runs, one sheet of paper when printed.

A `Report` is what the template shows; `run_page`, `group_page` and `comparison_page` fill it.
Every text is escaped by the template; only the pictures, drawn by plots.py, go in as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from evenfall.archive.files import write_whole
from evenfall.model import Calibration, Peak, Reduction, Setup
from evenfall.output import plots
from evenfall.output.text import (
    FIGURE,
    OF_A_RUN,
    US,
    Units,
    banner,
    digits,
    filled,
    half_width,
    plus_minus,
    repeatability_line,
    verdict_sentence,
    without_figures,
)
from evenfall.printable import printable
from evenfall.reduction.engine_figures import band_mean
from evenfall.reduction.uncertainty import COVERAGE
from evenfall.statistics.compare import Comparison
from evenfall.statistics.groups import Group
from evenfall.statistics.reduced_run import ReducedRun
from evenfall.units import from_si

MAX_FIGURES = 80  # characters of the figures in which notes differ
NOTE_LENGTH = 600  # characters of a note on the page; the archive keeps all of it
CAUTIONS = (
    "The figures hold for this engine on this bench in this set-up. They are no maker's rating and no "
    "certificate; the maker's limits for speed, fuel and temperature come first.",
    "A bench is not safe because a report came out of it: guards on chain and couplings, nobody in their "
    "plane, a kill switch that works without the board, exhaust led outdoors, eyes and ears protected.",
)


@dataclass(frozen=True)
class About:
    """What the archive knows about the runs and a number cannot say."""

    engine: str
    change: str = ""  # what was changed between before and after, or what this build is
    made: str = ""  # when and by whom
    bench: str = ""
    note: str = ""
    details: tuple[tuple[str, str], ...] = ()  # what is known of engine, build and runs, beside their names
    invented: bool = False  # demonstration data says so on the page


@dataclass(frozen=True)
class Tile:
    """A figure worth large type."""

    label: str
    value: str
    remark: str


@dataclass(frozen=True)
class Table:
    """Rows of text; the first cell of each row is its heading."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    key: str = ""


@dataclass(frozen=True)
class Report:
    """All that the template needs."""

    title: str
    kind: str
    about: About
    verdict: str
    outcome: str  # "real", "inside the noise", "cannot tell" or "" where nothing is compared
    tiles: tuple[Tile, ...]
    figure: Markup
    figure_words: str
    table: Table
    conditions: tuple[tuple[str, str], ...]
    method: tuple[str, ...]
    noticed: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS
    footer: tuple[str, ...] = field(default=())


def render(report: Report) -> str:
    """The page as one HTML document."""
    environment = Environment(
        loader=PackageLoader("evenfall.output"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_keep_together,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    fit = _fit_print(report)
    return environment.get_template("page.html").render(
        report=report,
        note=printable(report.about.note, NOTE_LENGTH),
        print_px=round(fit.root_px, 1),
        print_row_em=round(fit.row_em, 2),
        print_figure_px=round(fit.figure_px),
    )


def write(report: Report, path: str | Path) -> Path:
    """Write the page to a file; return its path."""
    path = Path(path)
    write_whole(path, render(report).encode())
    return path


def run_page(run: ReducedRun, about: About, units: Units = US) -> Report:
    """The report of one run."""
    r = run.reduction
    b = r.bins
    figure = plots.curves_figure([plots.curve_of(r, run.name)], units, width_in=5.4, height_in=6.3)
    words = _curve_words(r, units)
    rows = tuple(
        (
            f"{b.speed_rpm[i]:,.0f}",
            f"{float(units.torque(b.torque_Nm[i])):.2f}",
            half_width(COVERAGE * float(units.torque(b.torque_u_Nm[i]))),
            f"{float(units.power(b.power_W[i])):.2f}",
            half_width(COVERAGE * float(units.power(b.power_u_W[i]))),
        )
        for i in filled(b)
    )
    table = Table(
        "Corrected torque and power at the crank",
        ("rpm", f"torque {units.torque_name}", "±", f"power {units.power_name}", "±"),
        rows,
        banner(r) or f"± holds, 19 times in 20, {OF_A_RUN}.",
    )
    return Report(
        title=f"{about.engine}: {run.name}",
        kind="One run",
        about=about,
        verdict=banner(r).rstrip("."),
        outcome="",
        tiles=_run_tiles(r, units),
        figure=_picture(figure, words),
        figure_words=words,
        table=table,
        conditions=(*_conditions([run]), *about.details),
        method=(*_method(run), _budget_words(r)),
        noticed=tuple(r.notes),
        footer=_footer([run]),
    )


def group_page(g: Group, about: About, units: Units = US) -> Report:
    """The report of several runs of one build."""
    figure = plots.curves_figure([plots.group_curve(g)], units, width_in=5.4, height_in=6.3)
    words = (
        f"Mean curve of {g.n} runs; power peaks at {g.peak_power_rpm:,.0f} rpm, torque at "
        f"{g.peak_torque_rpm:,.0f} rpm."
    )
    rows = []
    for i in range(len(g.speed_rpm))[::-1]:
        cells = [f"{g.speed_rpm[i]:,.0f}"]
        for spread, convert in ((g.torque_Nm, units.torque), (g.power_W, units.power)):
            cells += [_number(float(convert(spread.mean[i]))), _number(float(convert(spread.half_width[i])))]
        rows.append((*cells, str(spread.n[i])))
    table = Table(
        "Mean of the runs, corrected, at the crank",
        ("rpm", f"torque {units.torque_name}", "±", f"power {units.power_name}", "±", "runs"),
        tuple(rows),
        "± is the 95 % interval of the mean from the scatter of the runs; the calibration's own uncertainty, "
        "which all of them share, comes on top.",
    )
    power, torque = g.peak_power_W, g.peak_torque_Nm
    tiles = (
        Tile(
            "Peak power",
            plus_minus(
                float(units.power(power.mean[0])), float(units.power(power.half_width[0])), units.power_name
            ),
            f"at {g.peak_power_rpm:,.0f} rpm",
        ),
        Tile(
            "Peak torque",
            plus_minus(
                float(units.torque(torque.mean[0])),
                float(units.torque(torque.half_width[0])),
                units.torque_name,
            ),
            f"at {g.peak_torque_rpm:,.0f} rpm",
        ),
        Tile(
            "Repeatability r",
            _percent(float(power.r[0] / power.mean[0])),
            "two runs of one build differ by less, 19 times in 20",
        ),
    )
    return Report(
        title=f"{about.engine}: {g.label}",
        kind=f"{g.n} runs of one build",
        about=about,
        verdict="",
        outcome="",
        tiles=tiles,
        figure=_picture(figure, words),
        figure_words=words,
        table=table,
        conditions=(*_conditions(g.runs), *about.details),
        method=(*_method(g.runs[0]), repeatability_line(g, units) + "."),
        noticed=_group_noticed([g]),
        footer=_footer(g.runs),
    )


def comparison_page(c: Comparison, about: About, units: Units = US) -> Report:
    """The report of a before/after."""
    sentence = verdict_sentence(c, units)
    words = (
        f"Mean power and torque of {c.before.label} ({c.before.n} runs) and {c.after.label} "
        f"({c.after.n} runs) against crank speed, with the gain in power below. "
        f"{sentence[0].upper()}{sentence[1:]}."
    )
    if np.isfinite(c.drift_relative):
        words += " The curves are means of the runs as they were; table and gain have the drift taken out."
    noticed = [d.sentence for d in c.differences] + list(_group_noticed([c.before, c.after]))
    if c.settled:
        noticed.append(f"Without the warming runs: {verdict_sentence(c.settled, units)}")
    return Report(
        title=f"{about.engine}: {c.after.label} against {c.before.label}",
        kind="Before and after",
        about=about,
        verdict=sentence[0].upper() + sentence[1:],
        outcome=c.outcome,
        tiles=_gain_tiles(c, units),
        figure=_picture(plots.comparison_figure(c, units, width_in=5.4, height_in=7.0), words),
        figure_words=words,
        table=_gain_table(c, units),
        conditions=(*_conditions([*c.before.runs, *c.after.runs]), *about.details),
        method=_comparison_method(c, units),
        noticed=tuple(noticed),
        footer=_footer([*c.before.runs, *c.after.runs]),
    )


# --- parts ---------------------------------------------------------------------------------------


def _gain_table(c: Comparison, units: Units) -> Table:
    b = c.bins
    order = [i for i in range(len(b.speed_rpm))[::-1] if np.isfinite(b.power_W[i])]
    rows = tuple(
        (
            f"{b.speed_rpm[i]:,.0f}",
            f"{float(units.torque(b.torque_before_Nm[i])):.2f}",
            f"{float(units.torque(b.torque_after_Nm[i])):.2f}",
            f"{float(units.power(b.power_before_W[i])):.2f}",
            f"{float(units.power(b.power_after_W[i])):.2f}",
            f"{float(units.power(b.power_W[i])):+.2f}",
            _number(float(units.power(b.power_half_W[i]))),
            "real" if b.real[i] else "",
        )
        for i in order
    )
    unit = units.power_name
    drift = ", drift taken out" if np.isfinite(c.drift_relative) else ""
    return Table(
        f"Corrected, at the crank, means of the runs{drift}",
        (
            "rpm",
            f"before {units.torque_name}",
            f"after {units.torque_name}",
            f"before {unit}",
            f"after {unit}",
            f"gain {unit}",
            "±",
            "",
        ),
        rows,
        "± is the 95 % interval of the gain at that one speed; “real” keeps false claims among them to 5 %.",
    )


def _gain_tiles(c: Comparison, units: Units) -> tuple[Tile, ...]:
    low, high = c.band_rpm
    return (
        _gain_tile(
            "Peak power",
            c.peak_power.before,
            c.peak_power.after,
            c.peak_power.half_width,
            units.power_scale,
            units.power_name,
        ),
        _gain_tile(
            f"Mean power {low:,.0f}–{high:,.0f} rpm",
            c.mean_power.before,
            c.mean_power.after,
            c.mean_power.half_width,
            units.power_scale,
            units.power_name,
        ),
        _gain_tile(
            "Peak torque",
            c.peak_torque.before,
            c.peak_torque.after,
            c.peak_torque.half_width,
            units.torque_scale,
            units.torque_name,
        ),
    )


def _comparison_method(c: Comparison, units: Units) -> tuple[str, ...]:
    method = [
        *_method(c.after.runs[0]),
        "Each side is the mean of its runs. The ± of a gain comes from how much the runs of each side "
        "scatter, so it holds the engine's run-to-run variation as well as the bench's noise; where order "
        "and sessions are known, a drift is taken out and the scatter between sessions is in it, too "
        "(analysis of covariance; else Student's or Welch's t).",
        "The same calibration stands behind both sides, so its error cancels in the gain."
        if c.calibration_cancels
        else "The set-up changed between the sides, so the calibration's error is counted in full in the ±.",
        repeatability_line(c.before, units) + ".",
        repeatability_line(c.after, units) + ".",
    ]
    if np.isfinite(c.decidable_relative):
        method.append(
            f"These runs would show a true gain of {_percent(c.decidable_relative)} four times in five; "
            "a smaller one may hide in the noise."
        )
    method += [f"{s[0].upper()}{s[1:]}." for s in c.sessions]
    return tuple(method)


def _picture(figure: plots.Figure, words: str) -> Markup:
    return Markup(plots.inline_svg(figure, "p1-", "Torque and power against crank speed", words))


def _peak_text(peak: Peak, scale: float, unit: str) -> str:
    text = plus_minus(peak.value / scale, peak.half_width / scale, unit)
    return text if np.isfinite(peak.half_width) else f"{text}, ± not known"


def _run_tiles(r: Reduction, units: Units) -> tuple[Tile, ...]:
    power, torque = r.peak_power_W, r.peak_torque_Nm
    return (
        Tile(
            "Peak power",
            _peak_text(power, units.power_scale, units.power_name),
            f"at {power.speed_rpm:,.0f} rpm",
        ),
        Tile(
            "Peak torque",
            _peak_text(torque, units.torque_scale, units.torque_name),
            f"at {torque.speed_rpm:,.0f} rpm",
        ),
        _third_tile(r, units),
    )


def _third_tile(r: Reduction, units: Units) -> Tile:
    """Mean power over a band and the sweep's length, or that alone: a row of tiles holds three."""
    sweep = f"{r.sweep_time_s:.2f} s"
    band = band_mean(r.bins)
    if not np.isfinite(band.power_W):
        return Tile("Sweep", sweep, f"air factor {r.air_factor:.4f}")
    mean = Peak(band.power_W, COVERAGE * band.power_u_W, 0.0)
    return Tile(
        "Mean power",
        _peak_text(mean, units.power_scale, units.power_name),
        f"{band.low_rpm:,.0f} to {band.high_rpm:,.0f} rpm; sweep {sweep}",
    )


def _gain_tile(label: str, before: float, after: float, half: float, scale: float, unit: str) -> Tile:
    n = digits(half / scale)
    gain = f"{(after - before) / scale:+.{n}f} ± {_number(half / scale, n)} {unit}"
    return Tile(
        label,
        f"{before / scale:.2f} → {after / scale:.2f} {unit}",
        f"{gain} ({100 * (after / before - 1):+.1f} %)",
    )


def _curve_words(r: Reduction, units: Units) -> str:
    power, torque = r.peak_power_W, r.peak_torque_Nm
    return (
        f"Power rises to {power.value / units.power_scale:.2f} {units.power_name} at "
        f"{power.speed_rpm:,.0f} rpm; "
        f"torque is greatest, {torque.value / units.torque_scale:.2f} {units.torque_name}, at "
        f"{torque.speed_rpm:,.0f} rpm. The table holds the same values."
    )


def _conditions(runs: Sequence[ReducedRun]) -> tuple[tuple[str, str], ...]:
    """Air and set-up over all runs: one value, or from-to."""
    rows: list[tuple[str, str]] = []
    airs = [p.air for p in runs if p.air is not None]
    if airs:
        pressures = [from_si(a.pressure_Pa, "inHg", "pressure") for a in airs]
        rows += [
            (
                "air pressure (station)",
                f"{_range([a.pressure_Pa / 100 for a in airs], 0)} hPa ({_range(pressures, 2)} inHg)",
            ),
            (
                "air temperature",
                f"{_range([a.temperature_K - 273.15 for a in airs], 1)} °C "
                f"({_range([from_si(a.temperature_K, 'F', 'temperature') for a in airs], 0)} °F)",
            ),
            ("relative humidity", f"{_range([100 * a.relative_humidity for a in airs], 0)} %"),
            ("air read", ", ".join(sorted({f"{a.source}, {a.where or 'place not said'}" for a in airs}))),
        ]
    reductions = [p.reduction for p in runs]
    rows.append(("corrected to", ", ".join(sorted({r.standard for r in reductions}))))
    rows.append(("air factor", _range([r.air_factor for r in reductions], 4)))
    rows.append(("sweep time", f"{_range([r.sweep_time_s for r in reductions], 2)} s"))
    calibrations: list[Calibration] = [p.calibration for p in runs if p.calibration is not None]
    if calibrations:
        rows.append(("torque arm", f"{_range([1000 * c.arm_m for c in calibrations], 1)} mm"))
    setups: list[Setup] = [p.setup for p in runs if p.setup is not None]
    if setups:
        teeth = sorted({f"{s.engine_teeth} : {s.brake_teeth}" for s in setups})
        rows.append(("sprockets engine : brake", ", ".join(teeth)))
        known = [1e3 * s.inertia_kg_m2 for s in setups if s.inertia_kg_m2 > 0]
        inertia = f"{_range(known, 3)} g·m²" if known else "not known"
        if known and len(known) < len(setups):
            inertia += f"; not known of {len(setups) - len(known)} runs"
        rows.append(("inertia at the crank", inertia))
    return tuple(rows)


def _method(run: ReducedRun) -> tuple[str, ...]:
    setup = run.setup
    removed = (
        "what the slowing flywheels themselves turned the brake with is taken off"
        if setup is None or setup.inertia_kg_m2 > 0
        else "what the slowing flywheels add is NOT taken off (inertia not known), so torque reads high"
    )
    return (
        "The throttle is held wide open; the brake takes the engine down at an even rate. Force on the arm "
        f"times its length is the brake's torque; the sprockets refer it to the crank; {removed}; "
        "the air factor brings it to standard air. Each line of the table is the mean torque over the step "
        "of speed around it, and its power.",
    )


def _budget_words(r: Reduction) -> str:
    causes = sorted(((n, u) for n, u in r.budget.items() if u == u), key=lambda item: -item[1])
    named = ", ".join(f"{name} {_percent(u)}" for name, u in causes[:4] if u > 0)
    return f"Largest causes of uncertainty at peak power (standard uncertainty): {named}." if named else ""


def _group_noticed(groups: Sequence[Group]) -> tuple[str, ...]:
    found = [f"{g.label}: {f.sentence}" for g in groups for f in g.findings]
    found += [f"{g.label}: {g.left_out}" for g in groups if g.left_out]
    found += [
        f"{g.label}: {said}"
        for g in groups
        for said in dict.fromkeys(banner(r) for r in g.reductions)
        if said
    ]
    total = sum(g.n for g in groups)
    return (*found, *notes_together([note for g in groups for r in g.reductions for note in r.notes], total))


def notes_together(notes: Sequence[str], runs: int) -> tuple[str, ...]:
    """Each note once, with how many runs carry it; notes that differ in their figures alone are one.

    >>> notes_together(["Zero moved by 12 counts.", "Zero moved by 90 counts."], 3)
    ('Zero moved by 12 counts (2 of 3 runs, with other figures: 12; 90)',)
    """
    alike: dict[str, list[str]] = {}
    for note in notes:
        alike.setdefault(without_figures(note), []).append(note)
    said = []
    for same in alike.values():
        count = f"{len(same)} of {runs} runs"
        others = dict.fromkeys(same)
        if len(others) > 1:
            columns = zip(*(FIGURE.findall(note) for note in others), strict=True)
            moved = [column for column in columns if len(set(column)) > 1]
            figures = "; ".join(", ".join(values) for values in zip(*moved, strict=True))
            cut = figures if len(figures) <= MAX_FIGURES else f"{figures[:MAX_FIGURES]}…"
            count += f", with other figures: {cut}"
        said.append(f"{same[0].rstrip('.')} ({count})" if len(others) > 1 else f"{same[0]} ({count})")
    return tuple(said)


def _footer(runs: Sequence[ReducedRun]) -> tuple[str, ...]:
    methods = ", ".join(sorted({str(p.reduction.version) for p in runs}))
    raw = [p.reduction.inputs["run"][:12] for p in runs if "run" in p.reduction.inputs]
    parts = [f"evenfall {version('evenfall')}, reduction {methods}"]
    parts.append(f"runs {', '.join(str(p.key) for p in runs)}")
    if raw:
        parts.append(f"raw data SHA-256 {', '.join(raw[:6])}{'…' if len(raw) > 6 else ''}")
    return tuple(parts)


@dataclass(frozen=True)
class _Print:
    """Sizes in px (96 per inch) and em at which a sheet fits the paper."""

    root_px: float
    row_em: float
    figure_px: float


def _fit_print(report: Report) -> _Print:
    """The largest type at which everything fits one sheet of A4 or Letter.

    A plain estimate from counts of rows and characters; the tests print and count the pages.
    """
    height, width = 975.0, 710.0  # inside the margins: Letter's height, A4's width
    below = [*report.method, *report.noticed, *report.cautions, report.about.note[:NOTE_LENGTH]]
    for root, least_em in [(r, 1.36) for r in np.arange(11.6, 9.9, -0.1)] + [
        (r, 1.12) for r in np.arange(9.9, 8.55, -0.1)
    ]:
        small = 0.8 * root
        per_line = (width / 2 - 30) / (0.475 * small)
        lines = sum(np.ceil(len(text) / per_line) + 0.25 for text in below) + len(report.conditions)
        words = (lines * 1.32 * small + 4 * 2.4 * root) / 2 * 1.03 + 2.5 * root
        head = (11 + 3.6 * bool(report.verdict) + 2.2 * bool(report.about.change)) * root
        head += 1.35 * root * (len(report.about.change) // 90 + len(report.title) // 55)
        room = height - head - words
        row_em = min(1.5, (room - 8 * root) / len(report.table.rows) / small - 0.04)
        figure = min(520.0, room - 6 * root)
        if row_em >= least_em and figure >= 330:
            return _Print(float(root), float(row_em), figure)
    return _Print(8.6, 1.12, 330.0)


def _range(values: Sequence[float], decimals: int) -> str:
    low, high = f"{min(values):,.{decimals}f}", f"{max(values):,.{decimals}f}"
    return low if low == high else f"{low} to {high}"


def _number(value: float, decimals: int = 2) -> str:
    return f"{value:.{decimals}f}" if np.isfinite(value) else "–"


def _percent(share: float) -> str:
    return f"{100 * share:.2f} %" if np.isfinite(share) and abs(share) < 0.01 else f"{100 * share:.1f} %"


def _keep_together(value: object) -> object:
    """No control characters; no line break before a per cent sign or after a plus-minus."""
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return printable(value).replace(" %", "\u00a0%").replace("± ", "±\u00a0")
