"""What a screen reader is told of each part: Chromium's own accessibility tree; colours by the sheet."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from by_keys import nameless, spoken
from chromium import need_chromium
from evenfall.archive.archive import Archive
from evenfall.model import Calibration
from evenfall.output.strokes import COLOURS, STROKES
from evenfall.screen.port_worker import PortWorker
from evenfall.screen.server import PAGE, Context
from screen_rig import expect, filled, no_board, serving, window

SHEET = (PAGE / "screen.css").read_text(encoding="utf-8")


@pytest.mark.slow
@pytest.mark.outside("WCAG 2.2: 1.1.1 text alternatives, 4.1.2 name, role, value, 4.1.3 status; from memory")
def test_nothing_is_nameless_in_any_part(tmp_path: Path) -> None:
    """Every button, field, chart, table of every view has a role and a name; charts tell their figures."""
    need_chromium("screen")
    filled(tmp_path, 4)
    with Archive(tmp_path) as archive:
        archive.activate("calibration", archive.add_record(Calibration(0.0, 40_000.0, made_unix_s=1)))
        for day in range(3):
            archive.add_check_weight(1_700_000_000 + 86_400 * day, 5.0, 40_000.0 * 49.03 + 100 * day)
    with serving(Context(PortWorker(no_board, tmp_path), tmp_path)) as served, window() as tab:
        tab.goto(served.keys.new_address())
        expect(tab.locator("#state-words")).to_contain_text("NO BOARD")
        looked = 0

        def check(name: str, charts: int = 0) -> list[dict[str, Any]]:
            nonlocal looked
            tab.wait_for_function(
                "() => [...document.querySelectorAll('figure svg')]"
                ".every((s) => !s.checkVisibility() || s.firstChild)"
            )
            assert nameless(tab) == [], name
            nodes = spoken(tab)
            told = [n["name"] for n in nodes if n["role"] in ("image", "img")]
            assert len(told) >= charts and all(len(t) > 20 for t in told), (name, told)
            looked += len(nodes)
            return nodes

        live = check("live", 2)
        regions = {n["name"] for n in live if n["role"] == "region"}
        assert {"Live", "State of the bench"} <= regions
        assert {n["role"] for n in live if n.get("live") == "assertive"} <= {"status", "alert"}
        loud = ("polite", "assertive")
        quiet = {n["name"] for n in live if n["role"] == "status" and n.get("live") not in loud}
        figures = {"Crank speed", "Power at the brake, as read", "Sweep ends in"}
        assert figures <= quiet, "named, and not read out at each change"
        tab.keyboard.press("2")
        for run in (1, 4):
            tab.check(f"#pick-{run}")
        expect(tab.locator("#library figure")).to_have_count(1)
        check("runs", 1)
        subtab = tab.locator("#library .subtabs")
        for view, charts in (("Sessions", 0), ("Control chart", 0), ("Calibrations", 1)):
            subtab.get_by_role("button", name=view).click()
            expect(subtab.get_by_role("button", name=view)).to_have_attribute("aria-current", "page")
            check(view, charts)
        subtab.get_by_role("button", name="Sessions").click()
        tab.locator("#library table button").first.click()
        expect(tab.locator("#library figure")).to_have_count(1)
        check("one session", 1)
        tab.keyboard.press("3")
        subtab = tab.locator("#setup .subtabs")
        for view in ("First start", "Calibration", "Check weight", "Air", "Engine", "Drive", "Valve"):
            one = subtab.get_by_role("button", name=view, exact=True)
            one.click()
            expect(one).to_have_attribute("aria-current", "page")
            check(view)
        tab.keyboard.press("4")
        expect(tab.locator("#session h2")).to_be_visible()
        check("session")
        assert looked > 1500, "the tree was there"


# --- colours, by the style sheet alone ---


def luminance(colour: str) -> float:
    """Relative luminance of '#rrggbb', as WCAG 2.2 defines it."""
    if len(colour) == 4:
        colour = "#" + "".join(2 * c for c in colour[1:])
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in channels]
    return sum(v * w for v, w in zip(linear, (0.2126, 0.7152, 0.0722), strict=True))


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def variables() -> dict[str, str]:
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6});", SHEET))


@pytest.mark.outside("WCAG 2.2: contrast of black on white is 21:1, of #767676 on white 4.54:1 (from memory)")
def test_the_formula_of_contrast() -> None:
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.outside(
    "WCAG 2.2: 1.4.11 graphics 3:1, 1.4.6 text 7:1; formula of relative luminance, from memory"
)
def test_curves_and_text_stand_off_the_paper() -> None:
    """Six curves at least 3:1 on every ground a chart has and on white paper; text 7:1."""
    sheet = variables()
    grounds = [sheet["cell"], sheet["paper"], "#ffffff"]
    for colour in COLOURS:
        assert min(contrast(colour, g) for g in grounds) >= 3.0, colour
    for selector in (".c-this", ".c-last", ".c-best", ".c-set", ".c-line", ".c-axis"):
        (stroke,) = re.findall(
            rf"^{re.escape(selector)} {{[^}}]*stroke: (#\w+|var\(--\w+\))", SHEET, re.MULTILINE
        )
        colour = sheet[stroke[6:-1]] if stroke.startswith("var") else stroke
        assert min(contrast(colour, g) for g in grounds) >= 3.0, selector
    for ink in ("ink", "faint"):
        for ground in ("paper", "cell", "wash"):
            assert contrast(sheet[ink], sheet[ground]) >= 7.0, (ink, ground)
    assert contrast(sheet["rule"], sheet["paper"]) >= 3.0, "edges of fields and buttons"
    for text, ground in (("paper", "ink"), ("cell", "ink")):
        assert contrast(sheet[text], sheet[ground]) >= 7.0


def test_curves_are_told_apart_without_colour() -> None:
    """Each has a stroke of its own, on the page as on paper, and its name beside it."""
    assert len(set(STROKES)) == len(COLOURS) == 6
    own = re.findall(r'dash: "([^"]*)"', (PAGE / "chart.js").read_text(encoding="utf-8"))
    assert len(set(own)) == len(own) == 4


def test_reduced_motion_and_sizes_stand_in_the_sheet() -> None:
    """Nothing moves for who asks for that; fields and buttons are 48 px by rule."""
    reduced = re.search(r"prefers-reduced-motion: reduce\) {(.*)}", SHEET)
    assert (
        reduced and "animation: none !important" in reduced[1] and "transition: none !important" in reduced[1]
    )
    assert re.search(r"button, input, select, textarea {[^}]*min-height: 48px", SHEET)
    assert re.search(r"^button {[^}]*min-width: 48px", SHEET, re.MULTILINE)
