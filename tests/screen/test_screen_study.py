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
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from evenfall.archive.archive import Archive, Query
from evenfall.board.link import PortGoneError
from evenfall.screen.owner import Owner
from evenfall.screen.practice import practising
from evenfall.screen.server import Bench
from screen_rig import filled, need_chromium, opened, practice_screen, serving, window

pytestmark = pytest.mark.study
PICTURES = os.environ.get("EVENFALL_PICTURES")  # folder to keep pictures of the page in
EVENFALL = Path(sys.executable).with_name("evenfall")


def expect(what: Any) -> Any:
    from playwright.sync_api import expect as wait

    return wait(what)


def hand(tab: Any, name: str) -> None:
    tab.get_by_role("button", name=name, exact=True).click()


def picture(tab: Any, name: str, **options: Any) -> None:
    if PICTURES:
        tab.screenshot(path=str(Path(PICTURES) / f"{name}.png"), **options)


STATES = {
    "rest": "At rest",
    "ready": "ARMED",
    "steady": "HOLDING TOP SPEED",
    "sweep": "SWEEP",
    "release": "LOAD OFF",
    "store": "Storing the run",
}


@pytest.mark.parametrize("state", STATES)
def test_the_cable_pulled_in_each_state(tmp_path: Path, state: str) -> None:
    """The page says so at once, finds the board by itself, and the run is in the archive whole."""
    need_chromium()
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
        if state in ("rest", "ready"):
            hand(tab, "Throttle shut")
            tab.keyboard.press("a")
            hand(tab, "Throttle open")
            expect(words).to_have_text("LOAD OFF", timeout=60_000)
        hand(tab, "Throttle shut")
        expect(tab.locator("#after-line")).to_contain_text("Run 1:", timeout=90_000)
        print(f"\ncable out at {state}: said after {said:.1f} s, found again {found:.1f} s after it was back")
        with Archive(tmp_path) as archive:
            (row,) = archive.find(Query(excluded=None))
            run = archive.run(row["run"])
            assert row["acknowledged_unix_s"] and run.complete and not run.damage
            assert row["verdict"] in ("good", "fair"), "the board went on by itself"


@contextmanager
def program(folder: Path, port: Path, http_port: int) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """`evenfall screen` as its user starts it; the process and the address it printed."""
    command = [str(EVENFALL), "screen", "--port", str(port), "--archive", str(folder)]
    process = subprocess.Popen(
        [*command, "--http-port", str(http_port), "--no-browser"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout
    try:
        line = process.stdout.readline()
        found = re.search(r"http\S+", line)
        assert found, line
        yield process, found.group(0)
    finally:
        process.kill()
        process.wait()


def test_the_program_killed_in_a_sweep_and_started_again(tmp_path: Path) -> None:
    """The page says that it ended; the board goes on; the next start fetches the run."""
    need_chromium()
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


def no_board() -> Any:
    raise PortGoneError("no board found; this computer shows no serial port. Plug it in")


def test_ten_thousand_runs_in_the_library(tmp_path: Path) -> None:
    """Each page, search and order of the list in the browser; the list never travels whole."""
    need_chromium()
    sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))
    from test_archive_size import build

    with Archive(tmp_path) as archive:
        build(archive, 10_000)
    with serving(Bench(Owner(no_board, tmp_path), tmp_path)) as served, window() as tab:
        tab.goto(served.keys.new_address())
        took = {}

        def timed(name: str, do: Any) -> None:
            with tab.expect_response(re.compile("/see/runs")) as answer:
                began = time.monotonic()
                do()
            tab.wait_for_selector("#library tbody tr")
            took[name] = time.monotonic() - began
            assert len(answer.value.body()) < 20_000, "25 lines"

        timed("first page", lambda: tab.keyboard.press("2"))
        for _ in range(3):
            timed("next page", lambda: hand(tab, "Further"))
        timed("by power", lambda: tab.select_option("#find-sort", "power"))
        timed("of one engine", lambda: tab.select_option("#find-engine", "engine 77"))
        timed("of one word", lambda: (tab.fill("#find-words", "pipe"), tab.keyboard.press("Enter")))
        print(
            "\n10,000 runs, from the press to the lines: "
            + ", ".join(f"{k} {v:.2f} s" for k, v in took.items())
        )
        assert max(took.values()) < 10  # a hang, not a speed, would fail this


def test_frame_time_of_a_slow_laptop(tmp_path: Path) -> None:
    """A sweep at ten updates a second with the processor slowed down six times (Chromium's own throttle)."""
    need_chromium()
    filled(tmp_path / "made", 2)
    with practice_screen(tmp_path / "archive") as served, window() as tab:
        tab.goto(served.keys.new_address())
        words = tab.locator("#state-words")
        expect(words).to_have_text("At rest", timeout=20_000)
        tools = tab.context.new_cdp_session(tab)
        tools.send("Performance.enable")
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
            f"{1000 * busy / drawn:.1f} ms of the page's time each ({100 * busy / 8:.0f} % busy), "
            f"frames {gaps[len(gaps) // 2]:.1f} ms median, {gaps[int(len(gaps) * 0.99)]:.1f} ms for 99 %, "
            f"{len(tasks)} tasks over 50 ms (longest {max(tasks, default=0):.0f} ms)"
        )
        assert drawn > 40, "it fell behind"
        tools.send("Emulation.setCPUThrottlingRate", {"rate": 1})
        hand(tab, "Throttle shut")


def metrics(tools: Any) -> dict[str, float]:
    return {m["name"]: m["value"] for m in tools.send("Performance.getMetrics")["metrics"]}
