"""The bench screen under what a workshop does to it: cables, killed programs, large archives, slow laptops.

In real time at the simulated bench, so minutes long: `pytest -m study -s tests/screen`.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from by_keys import nameless
from chromium import need_chromium
from evenfall.archive.archive import Archive, Query
from evenfall.board.link import Link
from evenfall.screen.port_worker import PortWorker
from evenfall.screen.practice import practising
from evenfall.screen.server import Context
from evenfall.workflow.fetch_service import fetch_waiting
from screen_rig import (
    ENGINE,
    EVENFALL,
    expect,
    filled,
    hand,
    no_board,
    opened,
    picture,
    practice_screen,
    program,
    serving,
    window,
)

pytestmark = pytest.mark.study
RUNS = int(os.environ.get("EVENFALL_STUDY_PULLS", "100000"))


STATES = {
    "rest": "At rest",
    "ready": "ARMED",
    "steady": "HOLDING TOP SPEED",
    "sweep": "SWEEP",
    "release": "SWEEP OVER",
    "store": "Storing the run",
}


@pytest.mark.parametrize("state", STATES)
def test_the_cable_pulled_in_each_state(tmp_path: Path, state: str) -> None:
    """The page says so at once, finds the board by itself, and the run is in the archive whole."""
    need_chromium("screen")
    with practice_screen(tmp_path) as served, window() as tab:
        tab.goto(served.keys.new_address())
        words = tab.locator("#state-words")
        expect(words).to_have_text("At rest", timeout=20_000)
        if state != "rest":
            tab.keyboard.press("a")
            expect(words).to_have_text("ARMED", timeout=10_000)
        if state not in ("rest", "ready"):
            hand(tab, "Throttle open")
            for at in ("steady", "sweep", "release"):
                if state == "store" or list(STATES).index(at) <= list(STATES).index(state):
                    expect(words).to_have_text(STATES[at], timeout=30_000)
        if state == "store":
            hand(tab, "Throttle shut")
            expect(words).to_have_text(STATES["store"], timeout=20_000)
        pulled = time.monotonic()
        hand(tab, "Pull cable")
        expect(words).to_contain_text("NO BOARD", timeout=10_000)
        said = time.monotonic() - pulled
        time.sleep(2.0)
        hand(tab, "Cable back")
        put_back = time.monotonic()
        expect(words).not_to_contain_text("NO BOARD", timeout=20_000)
        found = time.monotonic() - put_back
        if state == "rest":
            tab.keyboard.press("a")
            expect(words).to_have_text("ARMED", timeout=10_000)
        if state in ("rest", "ready"):
            hand(tab, "Throttle open")
        if state not in ("release", "store"):
            expect(words).to_have_text("SWEEP OVER", timeout=60_000)
            expect(tab.locator("#power")).not_to_have_text("–")
        hand(tab, "Throttle shut")
        expect(tab.locator("#after-line")).to_contain_text("Run 1:", timeout=90_000)
        print(f"\ncable out at {state}: said after {said:.1f} s, found again {found:.1f} s after it was back")
        with Archive(tmp_path) as archive:
            (row,) = archive.find(Query(excluded=None))
            run = archive.run(row["run"])
            assert row["acknowledged_unix_s"] and run.complete and not run.damage
            assert row["verdict"] in ("good", "fair"), "the board went on by itself"


def test_the_program_killed_in_a_sweep_and_started_again(tmp_path: Path) -> None:
    """The page says that it ended; the board goes on; the next start fetches the run."""
    need_chromium("screen")
    folder = tmp_path / "archive"
    with practising(tmp_path / "furnished", lambda _: None) as practice, window() as tab:
        with program(folder, practice.port, 0) as (process, address):
            tab.goto(address)
            words = tab.locator("#state-words")
            expect(words).to_have_text("At rest", timeout=20_000)
            tab.keyboard.press("a")
            expect(words).to_have_text("ARMED")
            practice.hands("throttle open")
            expect(words).to_have_text("SWEEP", timeout=30_000)
            process.send_signal(signal.SIGKILL)
            expect(words).to_have_text("THE PROGRAM HAS ENDED", timeout=10_000)
            picture(tab, "program-ended")
        time.sleep(12)  # the sweep goes on without it
        practice.hands("throttle close")
        with program(folder, practice.port, 0) as (_, address):
            again = opened(tab.context.browser)
            again.goto(address)
            expect(again.locator("#after-line")).to_contain_text("Run 1:", timeout=60_000)
        with Archive(folder) as archive:
            (row,) = archive.find(Query(excluded=None))
            assert row["verdict"] in ("good", "fair") and not archive.run(row["run"]).damage


def test_a_hundred_thousand_runs_in_the_library(tmp_path: Path) -> None:
    """Pages, searches and orders of the list in the browser; the list never travels whole."""
    need_chromium("screen")
    sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))
    from test_archive_size import build

    with Archive(tmp_path) as archive:
        build(archive, RUNS)
    with serving(Context(PortWorker(no_board, tmp_path), tmp_path)) as served, window() as tab:
        tab.goto(served.keys.new_address())
        took: dict[str, float] = {}
        asked: dict[str, float] = {}

        def timed(name: str, do: Any) -> None:
            with tab.expect_response(re.compile("/query/runs")) as answer:
                began = time.monotonic()
                do()
            tab.wait_for_selector("#library table")
            took[name] = time.monotonic() - began
            assert len(answer.value.body()) < 20_000, "25 lines"

        timed("first page", lambda: tab.keyboard.press("2"))
        for _ in range(3):
            timed("next page", lambda: hand(tab, "Further"))
        timed("by power", lambda: tab.select_option("#find-sort", "power"))
        timed("of one engine", lambda: tab.select_option("#find-engine", "engine 77"))
        timed("of one word", lambda: (tab.fill("#find-words", "pipe"), tab.keyboard.press("Enter")))
        for name, path in (
            ("the last page", f"/query/runs?page={RUNS // 25 - 1}"),
            ("a rare word", "/query/runs?words=special5000"),
            ("a tag", "/query/runs?tag=oil"),
            ("a range of power", "/query/runs?power_from=5000&power_to=5050"),
            ("excluded, too, by torque", "/query/runs?excluded=also&sort=torque"),
            ("sessions", "/query/sessions"),
            ("the session", "/query/session?session=1"),
            ("engines", "/query/engines"),
            ("a chart", "/query/chart?engine=engine%207&build=build%203"),
        ):
            began = time.monotonic()
            length = tab.evaluate("async (p) => (await (await fetch(p)).text()).length", path)
            asked[name] = time.monotonic() - began
            assert length < 300_000, name
        print(
            f"\n{RUNS:,} runs, from the press to the lines: "
            + ", ".join(f"{k} {v:.2f} s" for k, v in took.items())
            + "; from the question to the whole answer: "
            + ", ".join(f"{k} {v:.2f} s" for k, v in asked.items())
        )
        assert max(took.values()) < 10  # a hang, not a speed, would fail this


def test_frame_time_of_a_slow_laptop(tmp_path: Path) -> None:
    """A sweep at ten updates a second with the processor slowed down six times (Chromium's own throttle)."""
    need_chromium("screen")
    filled(tmp_path / "made", 2)
    with practice_screen(tmp_path / "archive") as served, window() as tab:
        tab.goto(served.keys.new_address())
        words = tab.locator("#state-words")
        expect(words).to_have_text("At rest", timeout=20_000)
        tools = tab.context.new_cdp_session(tab)
        tools.send("Performance.enable", {"timeDomain": "threadTicks"})  # the page's own processor time
        tools.send("Emulation.setCPUThrottlingRate", {"rate": 6})
        tab.evaluate(
            """() => {
              window.gaps = []; window.tasks = [];
              let last = performance.now();
              const step = (t) => { window.gaps.push(t - last); last = t; requestAnimationFrame(step); };
              requestAnimationFrame(step);
              new PerformanceObserver((l) => window.tasks.push(...l.getEntries().map((e) => e.duration)))
                .observe({ entryTypes: ["longtask"] });
            }"""
        )
        tab.keyboard.press("a")
        expect(words).to_have_text("ARMED")
        hand(tab, "Throttle open")
        expect(words).to_have_text("SWEEP", timeout=30_000)
        tab.evaluate("() => { window.gaps.length = 0; window.tasks.length = 0; }")
        before = metrics(tools)
        points = len(tab.locator("#track polyline").last.get_attribute("points").split())
        time.sleep(8)
        after = metrics(tools)
        drawn = len(tab.locator("#track polyline").last.get_attribute("points").split()) - points
        gaps, tasks = sorted(tab.evaluate("() => window.gaps")), tab.evaluate("() => window.tasks")
        busy = after["TaskDuration"] - before["TaskDuration"]
        print(
            f"\nprocessor slowed down 6 times, 8 s of a sweep: {drawn} updates drawn, "
            f"{1000 * busy / drawn:.1f} ms of processor time each ({100 * busy / 8:.0f} % busy), "
            f"frames {gaps[len(gaps) // 2]:.1f} ms median, {gaps[int(len(gaps) * 0.99)]:.1f} ms for 99 %, "
            f"{len(tasks)} tasks over 50 ms (longest {max(tasks, default=0):.0f} ms)"
        )
        assert drawn > 40, "it fell behind"
        tools.send("Emulation.setCPUThrottlingRate", {"rate": 1})
        hand(tab, "Throttle shut")


def test_a_fault_is_said_and_cleared(tmp_path: Path) -> None:
    """The throttle shut in the middle of a sweep: banner, tone, clear by key, then the run."""
    need_chromium("screen")
    with practice_screen(tmp_path) as served, window() as tab:
        tab.goto(served.keys.new_address())
        words = tab.locator("#state-words")
        expect(words).to_have_text("At rest", timeout=20_000)
        tab.keyboard.press("a")
        expect(words).to_have_text("ARMED", timeout=10_000)
        hand(tab, "Throttle open")
        expect(words).to_have_text("SWEEP", timeout=30_000)
        time.sleep(3)
        hand(tab, "Throttle shut")
        expect(tab.locator("#fault")).to_contain_text("load went away", timeout=20_000)
        expect(words).to_have_text("STOPPED BY A FAULT", timeout=30_000)
        picture(tab, "fault-1280")
        assert tab.evaluate(LIGHT) == []
        expect(tab.locator("#speed")).to_have_text("0", timeout=30_000)
        give_up = time.monotonic() + 40
        while words.inner_text() != "At rest" and time.monotonic() < give_up:
            tab.keyboard.press("c")  # refused in words while the shaft still moves a little
            tab.wait_for_timeout(1000)
        expect(words).to_have_text("At rest", timeout=20_000)
        expect(tab.locator("#fault")).to_be_hidden()
        expect(tab.locator("#after-line")).to_contain_text("Run 1:", timeout=30_000)
        played = tab.evaluate("async () => (await import('/page/tones.js')).played")
        assert "fault" in played


def test_a_port_in_use_is_not_no_board(tmp_path: Path) -> None:
    """Another program holds the port: the page says so, and goes on by itself when it lets go."""
    need_chromium("screen")
    import serial

    with practising(tmp_path, lambda _: None) as practice, window() as tab:
        holder = serial.Serial(str(practice.port), exclusive=True)
        with serving(Context(PortWorker(lambda: Link(str(practice.port)), tmp_path), tmp_path)) as served:
            tab.goto(served.keys.new_address())
            expect(tab.locator("#state-words")).to_contain_text("THE PORT IS IN USE", timeout=20_000)
            expect(tab.locator("#state-next")).to_contain_text("in use by another program")
            picture(tab, "port-in-use")
            holder.close()
            expect(tab.locator("#state-words")).to_have_text("At rest", timeout=20_000)


def test_a_newcomers_first_sweep(tmp_path: Path) -> None:
    """From the command to the new run in the window, pressing only what the page marks."""
    # longer than 60 lines: one story, its steps in their order
    need_chromium("screen")
    began = time.monotonic()
    process = subprocess.Popen(
        [
            str(EVENFALL),
            "screen",
            "--practice",
            "--no-browser",
            "--http-port",
            "0",
            "--archive",
            str(tmp_path),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout
    try:
        found = re.search(r"http\S+", process.stdout.readline())
        assert found
        with window() as tab:
            tab.goto(found.group(0))
            words = tab.locator("#state-words")

            def state(text: str, name: str, marked: str | None = None) -> None:
                expect(words).to_have_text(text, timeout=30_000)
                if name == "sweep":
                    time.sleep(5)
                tab.wait_for_timeout(300)
                picture(tab, f"live-{name}-1280")
                if marked:
                    wanted = tab.locator("button.wanted:visible:not(.stop)")
                    expect(wanted).to_have_count(1)
                    expect(wanted).to_contain_text(marked)
                    wanted.click()

            state("At rest", "rest", "Arm")
            state("ARMED", "armed", "Throttle open")
            state("SWEEP", "sweep")
            state("SWEEP OVER", "release", "Throttle shut")
            expect(tab.locator("#after-line")).to_contain_text("Run 1:", timeout=30_000)
            print(f"\nfrom `evenfall screen --practice` to the first run: {time.monotonic() - began:.0f} s")
            picture(tab, "after-run-1280")
            tab.keyboard.press("k")
            tab.keyboard.press("a")
            hand(tab, "Throttle open")
            expect(words).to_have_text("SWEEP", timeout=30_000)
            tab.set_viewport_size({"width": 390, "height": 844})
            time.sleep(5)
            picture(tab, "live-sweep-390")
            expect(words).to_have_text("SWEEP OVER", timeout=30_000)
            hand(tab, "Throttle shut")
            expect(tab.locator("#after-line")).to_contain_text("Run 2:", timeout=30_000)
            picture(tab, "after-run-390")
            tab.set_viewport_size({"width": 1280, "height": 800})
            tab.wait_for_timeout(500)
            picture(tab, "after-second-run-1280")
            expect(tab.locator("#after-warnings details")).not_to_have_attribute("open", "")
            tab.pdf()
            expect(tab.locator("#after-warnings details")).to_have_attribute("open", "")  # on paper
            tab.emulate_media(media="print")
            tab.set_viewport_size({"width": 794, "height": 1123})
            tab.wait_for_timeout(500)
            picture(tab, "print")
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(20)


def metrics(tools: Any) -> dict[str, float]:
    return {m["name"]: m["value"] for m in tools.send("Performance.getMetrics")["metrics"]}


def test_set_up_by_the_page(tmp_path: Path) -> None:
    """Self-test with its live prompts, weights up and down, check weight, a setting."""
    need_chromium("screen")
    from evenfall.model import Calibration

    with practice_screen(tmp_path) as served, window() as tab:
        said, rows = tab.locator("#said"), tab.locator("#setup tbody tr")
        tab.goto(served.keys.new_address())
        expect(tab.locator("#state-words")).to_have_text("At rest", timeout=20_000)
        tab.keyboard.press("3")
        hand(tab, "Press the button")
        expect(tab.locator("#setup")).to_contain_text("Press the button at the bench: seen", timeout=10_000)
        expect(tab.locator("#line")).to_contain_text("ARMED")
        tab.keyboard.press("s")
        expect(tab.locator("#line")).to_contain_text("At rest")
        hand(tab, "Test each part")
        expect(tab.locator("#setup caption").first).to_have_text("Last self-test", timeout=90_000)
        picture(tab, "first-start", full_page=True)
        tabs = tab.locator(".subtabs:visible")
        tabs.get_by_role("button", name="Calibration").click()
        for place, mass in enumerate((0, 2, 4, 5, 4, 2, 0), 1):
            served.context.hands(f"hang {mass} kg" if mass else "take off")
            time.sleep(2.5)  # the weight comes to rest
            tab.fill("#mass", f"{mass} kg")
            hand(tab, "Read it")
            expect(rows).to_have_count(place, timeout=20_000)
        tab.fill("#mass", "7 kg")
        hand(tab, "Read it")
        expect(tab.locator("#setup [role=alert]")).to_contain_text(
            "off the line of the others", timeout=20_000
        )
        expect(rows).to_have_count(7)
        picture(tab, "calibration", full_page=True)
        hand(tab, "Leave it out, hang again")
        expect(tab.locator("#setup [role=alert]")).to_have_count(0)
        hand(tab, "Keep it and use it")
        expect(said).to_contain_text("knows span and arm", timeout=20_000)
        with Archive(tmp_path) as archive:
            made = archive.record(Calibration, archive.active("calibration").number)
            was = archive.records(Calibration)[-1]["span_count_per_N"]
        assert made.arm_m == pytest.approx(0.25, abs=0.001)
        assert made.span_count_per_N == pytest.approx(was, rel=0.005), "the bench's cell is that of the crew"
        assert served.context.worker.settings(fresh=True)["span"] == round(made.span_count_per_N * 1000)
        tabs.get_by_role("button", name="Check weight").click()
        hand(tab, "Read without weight")
        expect(tab.get_by_role("button", name="Read with weight")).to_be_enabled(timeout=20_000)
        served.context.hands("hang 5 kg")
        time.sleep(1.5)
        hand(tab, "Read with weight")
        expect(said).to_contain_text("The check weight reads", timeout=20_000)
        tabs.get_by_role("button", name="Settings").click()
        tab.select_option("#setup select", "sweep")
        expect(tab.locator("#setup caption")).to_have_text("Settings of the board: sweep")
        picture(tab, "settings", full_page=True)
        tab.fill("input[aria-label=sweep_time]", "12 s")
        tab.locator("tr", has_text="sweep_time").get_by_role("button", name="Set").click()
        expect(said).to_contain_text("sweep_time is set", timeout=20_000)
        assert served.context.worker.settings(fresh=True)["sweep_time"] == 12000
        assert tab.said == []


LIGHT = """() => {
  const parse = (c) => (c.match(/[\\d.]+/g) ?? []).map(Number);
  const luminance = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  const out = [];
  for (const e of document.querySelectorAll("body *")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.checkVisibility() || e.closest("noscript")) continue;
    const style = getComputedStyle(e);
    const a = luminance(parse(e.closest("svg") ? style.fill : style.color)), b = luminance(ground(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (!(ratio >= 7)) out.push([e.tagName, e.textContent.trim().slice(0, 40), ratio.toFixed(2)]);
  }
  return out;
}"""
SMALL = """() => [...document.querySelectorAll("button, select, input, textarea, label.tick")]
  .filter((e) => e.checkVisibility() && e.type !== "checkbox")
  .filter((e) => { const b = e.getBoundingClientRect(); return b.width < 47.9 || b.height < 47.9; })
  .map((e) => [e.tagName, e.textContent, e.id])"""


@pytest.mark.outside(
    "WCAG 2.2: 1.4.6 contrast 7:1 (formula of relative luminance), 2.5.5 targets 44 px (ours 48), "
    "1.4.10 no sideways scrolling, 4.1.2 names; from memory"
)
@pytest.mark.parametrize("width", [1280, 390])
def test_contrast_targets_names_and_width_of_every_part(tmp_path: Path, width: int) -> None:
    """Looked up in the browser itself, over every part of the page with a library of invented runs."""
    need_chromium("screen")
    filled(tmp_path, 12)
    with serving(Context(PortWorker(no_board, tmp_path), tmp_path)) as served, window(width, 800) as tab:
        tab.goto(served.keys.new_address())
        expect(tab.locator("#state-words")).to_contain_text("NO BOARD", timeout=20_000)

        def check(name: str) -> None:
            tab.wait_for_timeout(400)
            picture(tab, f"{name}-{width}", full_page=True)
            assert tab.evaluate(LIGHT) == [], name
            assert tab.evaluate(SMALL) == [], name
            assert tab.evaluate("() => document.documentElement.scrollWidth") <= width, name
            assert nameless(tab) == [], name

        check("live-no-board")
        tab.keyboard.press("2")
        tab.wait_for_selector("#library tbody tr")
        for place, run in enumerate((12, 11, 3, 2, 1, 8), 1):
            tab.check(f"#pick-{run}")
            expect(tab.locator("tr.picked")).to_have_count(place)
        check("library-six")
        subtab = tab.locator(".subtabs:visible")
        subtab.get_by_role("button", name="Before and after").click()
        tab.select_option(".finder select", ENGINE)
        for n, build in enumerate(("stock", "cut pipe")):
            tab.locator(".finder input").nth(n).fill(build)
        hand(tab, "Compare")
        expect(tab.locator(".verdict-line")).to_contain_text("real", timeout=30_000)
        check("before-after")
        for name in ("Sessions", "Control chart", "Calibrations"):
            subtab.get_by_role("button", name=name).click()
            check(name.lower().replace(" ", "-"))
        tab.locator(".tabs").get_by_role("button", name="Set up").click()
        for name in ("First start", "Calibration", "Check weight", "Air", "Engine", "Drive"):
            subtab.get_by_role("button", name=name).click()
            check("setup-" + name.lower().replace(" ", "-"))


def test_ten_questions_a_second_leave_the_sweep_as_it_is(tmp_path: Path) -> None:
    """Two sweeps of the same bench, asked ten times and twice a second: what the board says of each."""
    told = {}
    for rate_hz in (10, 2):
        folder = tmp_path / str(rate_hz)
        with practising(folder, lambda _: None) as practice, Link(str(practice.port)) as line:
            line.zero()
            line.command("arm")
            practice.hands("throttle open")
            states, give_up = [""], time.monotonic() + 90
            while states[-1] != "rest" and time.monotonic() < give_up:
                state = line.status()["state"]
                if state != states[-1]:
                    states.append(state)
                    if state == "release":
                        practice.hands("throttle close")
                time.sleep(1 / rate_hz)
            fetch_waiting(line, folder)
        with Archive(folder) as archive:
            (row,) = archive.find(Query(excluded=None))
            told[rate_hz] = archive.run(row["run"]).verdict
            counted = [e for e in archive.run(row["run"]).events if e[1] == "load_gap"]
            assert not counted, "no load sample was lost to the questions"
    print("\n" + "; ".join(f"asked {hz} times a second: {verdict}" for hz, verdict in told.items()))
    assert told[10] and told[10]["verdict"] == "good"
