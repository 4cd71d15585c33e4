"""A whole visit with keys only, at the simulated bench; the focus is seen wherever it comes."""

from __future__ import annotations

from pathlib import Path

import pytest
from by_keys import Keys, nameless, spoken
from chromium import need_chromium
from evenfall.archive.archive import Archive
from evenfall.model import Calibration
from evenfall.workflow.demo import take_in_recorded
from screen_rig import expect, practice_screen, window


@pytest.mark.slow
@pytest.mark.outside(
    "WCAG 2.2: 2.1.1 keyboard, 2.4.7 focus visible, 2.4.11 focus not obscured, 4.1.2 name and role, "
    "4.1.3 status messages; from memory"
)
def test_a_first_sweep_by_keyboard(tmp_path: Path) -> None:
    """Arm, sweep, fetch, note, tag, exclude with a reason; a second window shows the same."""
    # longer than 60 lines: one story, its steps in their order
    need_chromium("screen")
    with practice_screen(tmp_path) as served, window() as tab:
        tab.goto(served.keys.new_address())
        state, after = tab.locator("#state-words"), tab.locator("#after-line")
        expect(state).to_have_text("At rest")
        assert "token" not in tab.url
        keys = Keys(tab)
        keys.press("z")
        expect(tab.locator("#said")).to_contain_text("Zero taken")
        expect(tab.locator("#room")).to_contain_text("more runs")
        keys.do("Arm")
        expect(state).to_have_text("ARMED")
        expect(tab.locator("#arm")).to_be_disabled()
        keys.still_somewhere()
        keys.press("Enter")  # what cannot be done now is not done
        assert nameless(tab) == []
        keys.do("Throttle open")
        expect(state).to_have_text("SWEEP")
        told = [n for n in spoken(tab) if n["role"] == "status" and n.get("live") == "assertive"]
        assert len(told) == 1, "the state, and only it, is read out at once"
        other = tab.context.new_page()
        other.goto(f"{served.root}/")
        expect(other.locator("#state-words")).to_have_text("SWEEP")
        tab.bring_to_front()
        expect(state).to_have_text("SWEEP OVER")
        points = tab.locator("#track polyline").last.get_attribute("points")
        assert len(points.split()) > 60, "true speed was drawn at some ten points a second"
        keys.do("Throttle shut")
        expect(after).to_contain_text("Run 1:")
        expect(other.locator("#after-line")).to_have_text(after.inner_text())
        assert nameless(tab) == []
        nodes = spoken(tab)
        assert "The new run" in [n["name"] for n in nodes if n["role"] == "region"]
        told = tab.locator("#after [role=status]").first
        assert told.get_attribute("aria-live") == "polite" and "Run 1:" in told.inner_text()
        assert len([n for n in nodes if n["role"] == "status" and n.get("live") == "polite"]) >= 2
        for name, text in (("Note", "pipe still cold"), ("Tag", "first")):
            keys.do(name)
            tab.keyboard.type(text)
            keys.look()
            keys.press("Enter")
            expect(tab.locator("#dialog")).to_be_hidden()
            keys.still_somewhere()
        keys.press("x")
        tab.keyboard.type("first of the day")
        keys.press("Enter")
        expect(after).to_contain_text("EXCLUDED: first of the day")
        keys.do("Next")
        expect(tab.locator("#after")).to_be_hidden()
        keys.still_somewhere()
        keys.no_mouse()
        assert served.context.worker.snapshot()["runs_fit"] > 3
        served.context.worker._runs_fit = 2  # as the board says when its flash gets short
        served.context.worker.changed()
        expect(tab.locator("#room")).to_have_text("only 2 more")
        expect(tab.locator("#state-next")).to_contain_text("Room for only 2 more runs")
        with Archive(tmp_path) as archive:
            row = archive.row(1)
            assert row["excluded"] == "first of the day", "going on does not include it again"
            assert row["acknowledged_unix_s"] and row["tags"] == "first"
            assert "pipe still cold" in [n["text"] for n in archive.notes(1)]
        played = tab.evaluate("async () => (await import('/page/tones.js')).played")
        assert played == ["armed", "start", "done"]
        assert tab.said == [], "the console is silent"


@pytest.mark.study
def test_library_and_set_up_by_keyboard(tmp_path: Path) -> None:
    """Pick, compare, report, a setting, a calibration with weights: no mouse, the focus always seen."""
    # longer than 60 lines: one story, its steps in their order
    need_chromium("screen")
    with Archive(tmp_path) as archive:
        runs = take_in_recorded(archive)
    with practice_screen(tmp_path) as served, window() as tab:
        tab.goto(served.keys.new_address())
        expect(tab.locator("#state-words")).to_have_text("At rest")
        keys = Keys(tab)
        keys.press("2")
        for run in (runs[0], runs[-1]):
            keys.do(f"Pick run {run}", "Space")
            expect(tab.locator(f"#pick-{run}")).to_be_checked()
            keys.still_somewhere()
        with tab.context.expect_page() as opened:
            keys.do("Open the report")
        opened.value.wait_for_url("**/report/*")
        assert "clearing saw" in opened.value.inner_text("body")
        opened.value.close()
        tab.bring_to_front()
        keys.do("Before and after")
        keys.still_somewhere()
        keys.to("Engine whose builds are named")
        keys.press("ArrowDown")
        expect(tab.locator("#library select").first).not_to_have_value("")
        keys.still_somewhere()
        builds = tab.locator("#builds option").evaluate_all("all => all.map(o => o.value)")
        keys.fill("Before", builds[0])
        keys.fill("After", builds[1])
        keys.press("Enter")
        expect(tab.locator("#library .verdict-line")).to_contain_text("real")
        assert nameless(tab) == []
        keys.press("Escape")  # out of the field, in which 3 is a figure
        keys.do("Set up")
        keys.do("Settings")
        keys.to("Group")
        tab.keyboard.type("sweep")
        expect(tab.locator("#setup caption")).to_have_text("Settings of the board: sweep")
        keys.fill("sweep_time", "12 s")
        keys.press("Tab", "Enter")
        expect(tab.locator("#said")).to_contain_text("sweep_time is set")
        assert served.context.worker.settings(fresh=True)["sweep_time"] == 12000
        keys.do("Calibration")
        for place, mass in enumerate(("0 kg", "5 kg", "0 kg"), 1):
            if place > 1:
                keys.do("Hang weight" if mass == "5 kg" else "Weight off")
                if mass == "5 kg":
                    keys.press("Enter")
                tab.wait_for_timeout(2500)  # it comes to rest
            keys.fill("Weight that hangs now, with unit", mass)
            keys.press("Enter")
            expect(tab.locator("#setup tbody tr")).to_have_count(place)
            keys.still_somewhere()
        keys.do("Keep it and use it")
        expect(tab.locator("#said")).to_contain_text("knows span and arm")
        keys.no_mouse()
        with Archive(tmp_path) as archive:
            made = archive.record(Calibration, archive.active("calibration").number)
        assert made.arm_m == pytest.approx(0.25, abs=0.001)
        assert tab.said == []
        print(f"\n{len(keys.stops)} places had the focus, each seen")
