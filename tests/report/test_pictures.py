"""Pictures: told apart by colour-blind eyes and in grey print, the same bytes each time, readable files."""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import colorspacious
import numpy as np
import pytest
from evenfall.errors import InputError
from evenfall.output import plots
from made_reductions import make_group

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
    assert len(set(plots.STROKES)) == len(plots.STROKES) == plots.MOST_CURVES == len(set(plots.COLOURS))


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
