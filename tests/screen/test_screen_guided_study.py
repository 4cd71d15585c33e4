"""Guided session, first start, valve and kills of the program, at the simulated bench in real time.

Minutes long: `pytest -m study -s tests/screen/test_screen_guided_study.py`.
"""

from __future__ import annotations

import contextlib
import re
import signal
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest
from chromium import need_chromium
from evenfall.archive.archive import FILE_NAME, Archive, Query
from evenfall.board.link import Link
from evenfall.errors import EvenfallError
from evenfall.workflow.demo import SCENARIO, add_demo_set_up, bench_running, wait_for_runs
from screen_rig import expect, hand, picture, practice_screen, program, until, window

pytestmark = pytest.mark.study


def enter(tab: Any, address: str) -> Any:
    tab.goto(address)
    words = tab.locator("#state-words")
    expect(words).to_have_text("At rest", timeout=30_000)
    return words


def one_run(served: Any, tab: Any) -> None:
    """Arm, sweep, shut; back when the run is in the archive."""
    before = served.context.worker.snapshot()["newest_run"]
    reading = lambda: served.context.worker.snapshot()["reading"]  # noqa: E731
    until(lambda: reading()["state"] == "rest" and reading()["fault"] == "none", 60)
    served.context.worker.call("arm", lambda line: line.command("arm"))
    served.context.hands("throttle open")
    passed: list[tuple[str, str]] = []

    def over() -> bool:
        now = (reading()["state"], reading()["fault"])
        if now not in passed:
            passed.append(now)
        return now[0] == "release"

    try:
        until(over, 90)
    except AssertionError:
        raise AssertionError(f"no sweep: {passed}, {served.context.hands('state')}") from None
    served.context.hands("throttle close")
    until(lambda: served.context.worker.snapshot()["newest_run"] != before, 90, "the run did not come")


def test_a_guided_session_on_the_page(tmp_path: Path) -> None:
    """Every step by what the page offers, A-B-B-A; left in between and gone on; the report opens."""
    # longer than 60 lines: one story, its steps in their order
    need_chromium("screen")
    with practice_screen(tmp_path) as served, window() as tab:
        enter(tab, served.keys.new_address())
        tab.keyboard.press("4")
        expect(tab.locator("#session")).to_contain_text("A-B-B-A")
        picture(tab, "session-begin-1280")
        hand(tab, "Begin")
        at = tab.locator("#session .verdict-line")
        field = tab.locator("#guided-answer")

        def stands_at(step: str) -> None:
            expect(at).to_contain_text(re.compile(rf"of \d+: {step}"), timeout=90_000)

        def choose(step: str, text: str) -> None:
            stands_at(step)
            tab.locator(".question button", has_text=re.compile(text)).first.click(timeout=60_000)

        def type_in(step: str, text: str | None = None) -> None:
            stands_at(step)
            number = field.get_attribute("data-number", timeout=60_000)
            if text is not None:
                field.fill(text)
            tab.keyboard.press("Enter") if text is not None else hand(tab, "Go on")
            expect(tab.locator(f'#guided-answer[data-number="{number}"]')).to_have_count(0, timeout=60_000)

        expect(at).to_contain_text("1 of 16: Self-test", timeout=20_000)
        while "Self-test" in at.inner_text().split("then")[0]:  # what was not seen is asked for
            log = tab.locator("#session [role=log]")
            said = log.inner_text().strip() if log.count() else ""
            for ends, words in (
                ("two turns.", "turn"),
                ("button now.", "button"),
                ("disarmed again.", "button"),
            ):
                if said.endswith(ends):
                    with contextlib.suppress(EvenfallError):  # it turns still
                        served.context.hands(words)
            shown = tab.locator(".question button")
            if shown.count():
                also = tab.locator(".question button", has_text="go on all the same")
                (also if also.count() else shown.first).click()
            time.sleep(1)
        type_in("Zero")
        stands_at("Check weight")  # the zero is taken by then
        served.context.hands("hang 5 kg")
        time.sleep(2)
        type_in("Check weight", "5 kg")
        expect(tab.locator("#session [role=log]")).to_contain_text("% off", timeout=30_000)
        served.context.hands("take off")
        asked = tab.locator("#session .question")
        expect(asked).to_contain_text(re.compile("Take the weight off|Go on with that"), timeout=30_000)
        if "Go on with that" in asked.inner_text():  # the demonstration's calibration is not this cell's
            choose("Check weight", "go on all the same")
        type_in("Check weight")
        picture(tab, "session-1280", full_page=True)
        hand(tab, "Leave the session; it goes on later")
        expect(at).to_contain_text("goes on at")
        hand(tab, "Go on")
        stands_at("Engine and build")
        type_in("Engine and build")
        type_in("Engine and build")
        type_in("Engine and build", "bench crew")
        type_in("Engine and build", "2")
        choose("Warm-up", "go on to the next step")
        for block in ("Before", "After"):
            if block == "After":
                type_in("The change", "needle raised")
                type_in("The change")
                choose("Warm-up again", "go on to the next step")
            for _ in range(2):
                stands_at(block)
                one_run(served, tab)
                choose(block, "a run is made")
            expect(tab.locator("#session [role=log]")).to_contain_text("Run", timeout=60_000)
            if block == "After":
                tab.locator(".tabs button").first.click()
                expect(tab.locator("#guided-strip")).to_contain_text("Guided session, After")
                tab.locator(".tabs button").nth(3).click()
            choose(block, "go on to the next step")
        picture(tab, "session-turns-1280", full_page=True)
        tab.set_viewport_size({"width": 390, "height": 844})
        picture(tab, "session-390", full_page=True)
        tab.set_viewport_size({"width": 1280, "height": 800})
        choose("In turn", "go on to the report")
        expect(at).to_have_text("The session is done.", timeout=120_000)
        picture(tab, "session-done-1280", full_page=True)
        with tab.context.expect_page() as opened:
            tab.get_by_role("link", name="Open the report").click()
        opened.value.wait_for_load_state()
        assert "needle raised" in opened.value.inner_text("body")
        with Archive(tmp_path) as archive:
            builds = [r["build"] for r in archive.find(Query(excluded=None))]
            assert archive.open_plan() is None and len(archive.check_weights()) == 1
        assert builds == ["needle raised"] * 2 + ["as found"] * 2
        assert tab.said == []


def test_the_first_start_sees_each_part(tmp_path: Path) -> None:
    """Button, shaft and arm turn to 'seen' by themselves as they are used."""
    need_chromium("screen")
    with practice_screen(tmp_path) as served, window() as tab:
        words = enter(tab, served.keys.new_address())
        tab.keyboard.press("3")
        parts = tab.locator("#setup .steps")
        for name in ("Press the button at the bench", "Turn the brake's shaft by hand", "Push on the arm"):
            expect(parts).to_contain_text(f"{name}: not seen yet")
        served.context.hands("button")
        expect(parts).to_contain_text("Press the button at the bench: seen", timeout=10_000)
        tab.keyboard.press("s")
        expect(words).to_have_text("At rest", timeout=10_000)
        served.context.hands("hang 5 kg")
        expect(parts).to_contain_text("Push on the arm: seen", timeout=10_000)
        served.context.hands("take off")
        expect(parts).to_contain_text("Turn the brake's shaft by hand: not seen yet")
        served.context.hands("turn")
        expect(parts).to_contain_text("Turn the brake's shaft by hand: seen", timeout=20_000)
        picture(tab, "first-start-seen-1280", full_page=True)


def test_the_valve_is_measured_from_the_page(tmp_path: Path) -> None:
    """Armed, told, begun by the throttle: state, cautions, a run that counts nowhere."""
    need_chromium("screen")
    with practice_screen(tmp_path) as served, window() as tab:
        words = enter(tab, served.keys.new_address())
        tab.keyboard.press("3")
        tab.locator("#setup .subtabs").get_by_role("button", name="Valve").click()
        expect(tab.locator("#valve-do")).to_be_disabled()
        tab.locator("#valve-arm").click()
        expect(tab.locator("#valve-do")).to_be_enabled(timeout=10_000)
        tab.locator("#valve-do").click()
        expect(tab.locator("#setup .verdict-line")).to_contain_text("ARMED to measure the valve")
        picture(tab, "valve-armed-1280", full_page=True)
        tab.keyboard.press("1")
        expect(tab.locator("#state-next")).to_contain_text("the valve is measured, no sweep is made")
        hand(tab, "Throttle open")
        expect(words).to_have_text("MEASURING THE VALVE", timeout=30_000)
        time.sleep(8)
        picture(tab, "valve-measuring-1280")
        expect(words).to_have_text("VALVE MEASURED", timeout=60_000)
        played = tab.evaluate("async () => (await import('/page/tones.js')).played")
        assert played[-1] == "done"
        hand(tab, "Throttle shut")
        expect(tab.locator("#after-line")).to_contain_text("Run 1", timeout=60_000)
        picture(tab, "valve-run-1280")
        with Archive(tmp_path) as archive:
            (row,) = archive.find(Query(excluded=None))
        assert "characterise" in row["flags"]


def test_the_program_killed_while_it_fetches(tmp_path: Path) -> None:
    """Three runs wait; killed each time a twentieth more of them has come: nothing is lost or doubled."""
    folder, port = tmp_path / "archive", tmp_path / "board"
    with Archive(folder) as archive:
        add_demo_set_up(archive)
    with bench_running(port, SCENARIO, 3, 3, lambda _: None) as check:
        wait_for_runs(port, 3, check, lambda _: None)
        with Link(str(port)) as line:
            entries = {e.run_id: e.size for e in line.runs()}
        assert len(entries) == 3
        seen, whole = [], sum(entries.values())
        for kill in range(1, 20):
            with program(folder, port, 0) as (process, _):
                give_up = time.monotonic() + 20
                while _came(folder, entries) < kill * whole / 20 and time.monotonic() < give_up:
                    time.sleep(0.001)
                process.send_signal(signal.SIGKILL)
                process.wait()
            with Archive(folder) as archive:
                kept = len(archive.find(Query(excluded=None)))
                assert archive.check() == []
            seen.append(f"{100 * _came(folder, entries) / whole:.0f} % ({kept})")
        assert len(set(seen)) > 6, "the kills fell into the fetch"
        with program(folder, port, 0) as (process, _):
            until(lambda: not _waiting(folder, 3), 90, "the runs did not come")
            process.send_signal(signal.SIGINT)
            process.wait(20)
        with Archive(folder) as archive:
            rows = archive.find(Query(excluded=None))
            runs = [archive.run(r["run"]) for r in rows]
            assert archive.check() == []
        assert sorted(r.run_id for r in runs) == sorted(entries), "none lost, none twice"
        assert all(r.complete and not r.damage for r in runs)
        assert all(r["acknowledged_unix_s"] for r in rows)
        with Link(str(port)) as line:
            assert all("acknowledged" in e.flags for e in line.runs())
    print(f"\nof three runs had come at each kill of the screen's program (whole in the archive): {seen}")


def _came(folder: Path, entries: dict[int, int]) -> int:
    """Bytes of the runs that are here: whole ones in the archive, parts beside it."""
    db = sqlite3.connect(f"file:{folder / FILE_NAME}?mode=ro", uri=True)
    with contextlib.closing(db):
        whole = [entries[n] for (n,) in db.execute("SELECT board_run FROM runs")]
    parts = [(p, int(p.stem.split("-")[1])) for p in folder.rglob("*.part")]
    done = {n for n, size in entries.items() if size in whole}
    with contextlib.suppress(FileNotFoundError):  # one that has just become whole
        return sum(whole) + sum(p.stat().st_size for p, n in parts if n not in done)
    return sum(whole)


def _waiting(folder: Path, count: int) -> bool:
    with Archive(folder) as archive:
        rows = archive.find(Query(excluded=None))
    return len(rows) < count or not all(r["acknowledged_unix_s"] for r in rows)
