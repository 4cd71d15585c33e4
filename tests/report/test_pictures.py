"""Pictures: told apart by colour-blind eyes and in grey print, the same bytes each time, readable files."""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import colorspacious
import numpy as np
import pytest
from evenfall.errors import InputError
from evenfall.model import Calibration
from evenfall.output import diagnostic_plots, plots
from evenfall.output.page import notes_together
from evenfall.reduction.calibration import check_drift
from made_reductions import make_group
from matplotlib.backends.backend_agg import FigureCanvasAgg

VIEWS = [None, "protanomaly", "deuteranomaly", "tritanomaly"]


def seen_as(view: str | None) -> np.ndarray:
    """(6, 3) sRGB1 of the palette, to an eye that lacks one kind of cone."""
    rgb = np.array([[int(c[i : i + 2], 16) / 255 for i in (1, 3, 5)] for c in plots.COLOURS])
    if view is None:
        return rgb
    space = {"name": "sRGB1+CVD", "cvd_type": view, "severity": 100}
    return np.clip(colorspacious.cspace_convert(rgb, space, "sRGB1"), 0, 1)


@pytest.mark.outside(
    "colorspacious: Machado et al. 2009 simulation, CAM02-UCS distance; 10 is far (common practice)"
)
@pytest.mark.parametrize("view", VIEWS)
def test_colours_stay_apart(view: str | None) -> None:
    """Least distance between two of the six curve colours, to full and colour-blind eyes."""
    place = colorspacious.cspace_convert(seen_as(view), "sRGB1", "CAM02-UCS")
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(place, 2)) > 20


@pytest.mark.outside("colorspacious: CIELab lightness")
def test_greys_stay_apart_and_dark_enough() -> None:
    """Lightness steps of the six colours in grey print, and contrast with white paper."""
    lightness = np.sort(colorspacious.cspace_convert(seen_as(None), "sRGB1", "CIELab")[:, 0])
    assert np.diff(lightness).min() > 9
    assert lightness.max() < 65


def test_every_curve_has_its_own_stroke() -> None:
    assert len(set(plots.STROKES)) == len(plots.STROKES) == plots.MAX_CURVES == len(set(plots.COLOURS))


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_same_data_same_bytes(ending: str, tmp_path: Path) -> None:
    runs = make_group(3, 1)
    a = plots.plot_curves(runs, tmp_path / f"a.{ending}").read_bytes()
    b = plots.plot_curves(runs, tmp_path / f"b.{ending}").read_bytes()
    assert a == b


def test_curves_and_bands_are_in_the_svg(tmp_path: Path) -> None:
    runs = make_group(3, 1, missing=2)
    text = plots.plot_curves(runs, tmp_path / "a.svg", ["one", "two", "three"]).read_text()
    root = ElementTree.fromstring(text)
    said = "".join(root.itertext())
    for words in (
        "one",
        "two",
        "three",
        "power at the crank, hp",
        "torque at the crank, lb-ft",
        "crank speed, rpm",
    ):
        assert words in said
    assert text.count(f"stroke: {plots.COLOURS[2]}") >= 3  # two lines and the legend


def test_what_cannot_be_drawn_is_said(tmp_path: Path) -> None:
    runs = make_group(7, 1)
    with pytest.raises(InputError, match="7 curves asked for; more than 6"):
        plots.plot_curves(runs, tmp_path / "a.svg")
    with pytest.raises(InputError, match="nothing to draw"):
        plots.plot_curves([], tmp_path / "a.svg")
    with pytest.raises(InputError, match=r"must end in \.png or \.svg"):
        plots.plot_curves(runs[:1], tmp_path / "a.gif")
    with pytest.raises(InputError, match="1 labels for 2 curves"):
        plots.plot_curves(runs[:2], tmp_path / "a.svg", ["one"])


def test_calibration_residuals(tmp_path: Path) -> None:
    load = np.array([0, 20, 40, 60, 40, 20, 0.0])
    figure = plots.calibration_figure(
        load, 0.01 * np.sin(load), [True, True, True, True, False, False, False]
    )
    text = plots.save(figure, tmp_path / "c.svg").read_text()
    for words in ("hung weight, N", "reading less line, N", "loading", "unloading"):
        assert words in text
    assert "usual limit" in text


def legend_boxes(figure: plots.Figure) -> tuple[list, object]:
    """Boxes of the legend's texts and of the whole picture, in pixels."""
    figure.set_dpi(160)
    FigureCanvasAgg(figure).draw()
    (legend,) = figure.legends
    return [text.get_window_extent() for text in [*legend.get_texts(), legend.get_title()]], figure.bbox


@pytest.mark.parametrize(("count", "width_in"), [(1, 7.2), (1, 5.4), (2, 7.2), (6, 7.2)])
def test_nothing_of_the_key_is_cut(count: int, width_in: float) -> None:
    curves = [
        plots.curve_of(r, f"run {100 + i}, a pipe with a rather long name")
        for i, r in enumerate(make_group(count, 1))
    ]
    boxes, whole = legend_boxes(plots.curves_figure(curves, title="auger 12", width_in=width_in))
    assert len(boxes) == count + 1
    for box in boxes:
        assert box.x0 >= 0 and box.x1 <= whole.x1 and box.y0 >= 0


def test_a_picture_says_what_it_shows(tmp_path: Path) -> None:
    runs = make_group(2, 1)
    path = plots.plot_curves(
        runs,
        tmp_path / "a.svg",
        ["one", "two"],
        title="auger 12: stock $pipe",
        about="runs 1, 2 · ISO 1585 · 2026-05-31",
    )
    said = "".join(ElementTree.fromstring(path.read_text()).itertext())
    peak = runs[0].peak_power_W
    for words in (
        "auger 12: stock $pipe",
        "ISO 1585 · 2026-05-31",
        f"{peak.value / 745.69987:.2f} hp at {peak.speed_rpm:,.0f}",  # 1 hp = 745.69987 W
        "band: 95 % interval",
    ):
        assert words in said


def test_six_curves_have_no_bands_and_marks_lie_on_their_lines() -> None:
    figure = plots.curves_figure([plots.curve_of(r) for r in make_group(6, 1)])
    upper, lower = figure.axes[:2]
    for axes in (upper, lower):
        assert not axes.collections, "bands of six curves would be a smear"
        lines, marks = axes.lines[0::2], axes.lines[1::2]
        assert len(lines) == len(marks) == 6
        for line, mark in zip(lines, marks, strict=True):
            (x,), (y,) = mark.get_data()
            assert y == pytest.approx(np.interp(x, *line.get_data()))
    assert plots.curves_figure([plots.curve_of(r) for r in make_group(2, 1)]).axes[0].collections


def test_scales_start_at_zero_when_asked() -> None:
    curve = [plots.curve_of(make_group(1, 1)[0])]
    assert all(a.get_ylim()[0] == 0 for a in plots.curves_figure(curve, from_zero=True).axes[:2])
    assert any(a.get_ylim()[0] > 0 for a in plots.curves_figure(curve).axes[:2])


def test_few_check_weights_are_not_blown_up() -> None:
    calibration = Calibration(0.0, 42_000.0)
    reading = 5 * 9.80665 * 42_000
    drift = check_drift(calibration, [(1.7e9, 5.0, reading), (1.7e9 + 30, 5.0, reading * 1.00001)])
    (axes,) = diagnostic_plots.check_weight_figure(drift).axes
    low, high = axes.get_ylim()
    assert high - low >= 2.0, "two readings half a minute apart differ by 0.001 %"
    assert axes.get_xlim()[0] <= -1.0


def test_notes_that_differ_in_figures_are_one() -> None:
    notes = ["Zero moved by 12 counts.", "Zero moved by -90 counts.", "Belt slips.", "Belt slips."]
    assert notes_together(notes, 4) == (
        "Zero moved by 12 counts (2 of 4 runs, with other figures: 12; -90)",
        "Belt slips. (2 of 4 runs)",
    )
