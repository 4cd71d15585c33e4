"""The page in a real Chromium at the simulated bench, which runs the board's own firmware in real time."""

from __future__ import annotations

from pathlib import Path

import pytest
from chromium import need_chromium
from evenfall.archive.archive import Archive
from screen_rig import practice_screen, window


@pytest.mark.slow
def test_a_first_sweep_by_keyboard_and_hands(tmp_path: Path) -> None:
    """Arm, sweep, fetch, exclude; a second window that comes later shows the same."""
    need_chromium("screen")
    from playwright.sync_api import expect

    with practice_screen(tmp_path) as served, window() as tab:
        tab.goto(served.keys.new_address())
        state, after = tab.locator("#state-words"), tab.locator("#after-line")
        expect(state).to_have_text("At rest", timeout=15_000)
        assert "token" not in tab.url
        tab.keyboard.press("z")
        expect(tab.locator("#said")).to_contain_text("Zero taken", timeout=15_000)
        tab.keyboard.press("a")
        expect(state).to_have_text("ARMED")
        expect(tab.locator("#arm")).to_be_disabled()
        tab.get_by_role("button", name="Throttle open").click()
        expect(state).to_have_text("SWEEP", timeout=20_000)
        other = tab.context.new_page()
        other.goto(f"{served.root}/")
        expect(other.locator("#state-words")).to_have_text("SWEEP")
        expect(state).to_have_text("SWEEP OVER", timeout=20_000)
        points = tab.locator("#track polyline").last.get_attribute("points")
        assert len(points.split()) > 60, "true speed was drawn at some ten points a second"
        tab.get_by_role("button", name="Throttle shut").click()
        expect(after).to_contain_text("Run 1:", timeout=30_000)
        expect(other.locator("#after-line")).to_have_text(after.inner_text(), timeout=10_000)
        tab.keyboard.press("x")
        tab.keyboard.type("first of the day")
        tab.keyboard.press("Enter")
        expect(after).to_contain_text("EXCLUDED: first of the day")
        with Archive(tmp_path) as archive:
            row = archive.row(1)
            assert row["excluded"] == "first of the day" and row["acknowledged_unix_s"]
        played = tab.evaluate("async () => (await import('/page/tones.js')).played")
        assert played == ["armed", "start", "done"]
        assert tab.said == [], "the console is silent"
