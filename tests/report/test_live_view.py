"""The live view: on the real firmware of the simulated bench, through its port."""

from __future__ import annotations

import fcntl
import io
import json
import os
import re
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from evenfall.board import code_texts
from evenfall.board.link import Link
from evenfall.cli.live import fetcher, last_runs
from evenfall.errors import LinkError
from evenfall.model import Air
from evenfall.output.text import SI
from evenfall.workflow import live_view
from evenfall.workflow.live_view import LastRun, View, Watcher, air_line, power_W, render
from evenfall_wire import codes
from rich.console import Console

BENCH = Path(sys.executable).with_name("evenfall-bench")
# at the pace of the clock: as short as a sweep can be
SCENARIO = """
[engine]
use = "clearing saw"
[weather]
sensor = true
[board]
sweep_time = 5000
"""


class Bench:
    """`evenfall-bench run` as a program, at the pace of the clock; on and off like a plug."""

    def __init__(self, folder: Path, runs: int) -> None:
        self.port = str(folder / "port")
        self.image = folder / "flash.img"
        self.scenario = folder / "bench.toml"
        self.scenario.write_text(SCENARIO)
        self.runs = runs
        self.program: subprocess.Popen[bytes] | None = None

    def on(self) -> None:
        words = [str(BENCH), "run", "--realtime", "--port-link", self.port, "--image", str(self.image)]
        words += ["--runs", str(self.runs), "--scenario", str(self.scenario)]
        self.program = subprocess.Popen(
            words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def off(self) -> None:
        if self.program is not None:
            self.program.send_signal(signal.SIGINT)
            try:
                self.program.wait(120)
            except subprocess.TimeoutExpired:
                self.program.kill()
                self.program.wait(120)
            self.program = None


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


@pytest.fixture
def bench(folder: Path, request: pytest.FixtureRequest) -> Iterator[Bench]:
    made = Bench(folder, getattr(request, "param", 0))
    yield made
    made.off()


class NotedLink(Link):
    """A real line that notes what was asked in which state."""

    asked: list[tuple[str, str]] = []
    state = "?"

    def request(self, name: str, head: Sequence[Any] = (), *rest: Any, **named: Any) -> Any:
        type(self).asked.append((name, type(self).state))
        return super().request(name, head, *rest, **named)

    def status(self) -> dict[str, Any]:
        found = super().status()
        type(self).state = found["state"]
        return found


def until(watcher: Watcher, wanted: Any, seconds: float = 120.0) -> View:
    stop = time.monotonic() + seconds
    while True:
        view = watcher.step()
        if wanted(view):
            return view
        assert time.monotonic() < stop, f"not seen in {seconds} s; last: {view}"
        time.sleep(min(watcher.pause_s, 0.2))


def shown(view: View, runs: Sequence[LastRun] = (), **options: Any) -> str:
    console = Console(file=io.StringIO(), width=110, record=True)
    console.print(render(view, runs, **options))
    return console.export_text()


def test_it_finds_the_board_again_by_itself(bench: Bench) -> None:
    watcher = Watcher(lambda: Link(bench.port))
    first = watcher.step()
    assert not first.connected and "there is no port" in first.sentence
    assert watcher.pause_s == live_view.AGAIN_S
    assert "NO BOARD" in shown(first)
    bench.on()
    view = until(watcher, lambda v: v.connected and v.teeth is not None)
    assert view.status is not None and view.reconnects == 0
    assert "load cell silent" not in shown(view)
    bench.off()
    lost = until(watcher, lambda v: not v.connected)
    assert lost.status is not None and "s old" in shown(lost)
    bench.on()
    again = until(watcher, lambda v: v.connected)
    assert again.reconnects == 1 and again.sentence == ""
    watcher.close()


def test_the_command_in_a_terminal_and_without_one(bench: Bench, tmp_path: Path) -> None:
    bench.on()
    first = Watcher(lambda: Link(bench.port))
    until(first, lambda v: v.connected)
    first.close()
    words = [
        str(BENCH.with_name("evenfall")),
        "live",
        "--port",
        bench.port,
        "--archive",
        str(tmp_path / "none"),
    ]
    outer, inner = os.openpty()
    fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 110, 0, 0))
    program = subprocess.Popen([*words, "--seconds", "2"], stdin=inner, stdout=inner, stderr=inner)
    os.close(inner)
    seen = b""
    try:
        while piece := os.read(outer, 65536):
            seen += piece
    except OSError:  # how Linux says that the other side of a pty is closed
        pass
    os.close(outer)
    text = seen.decode(errors="replace")
    assert program.wait(120) == 0, text[-800:]
    assert "\x1b[?1049h" in text and "\x1b[?1049l" in text, "the screen is put back as it was"
    assert "crank speed" in text and "none yet" in text
    plain = subprocess.run(words, capture_output=True, text=True, timeout=180)
    assert plain.returncode == 2 and "needs a terminal" in plain.stderr
    once = subprocess.run([*words, "--json"], capture_output=True, text=True, timeout=180)
    assert json.loads(once.stdout)["state"] in codes.STATES


@pytest.mark.slow
@pytest.mark.parametrize("bench", [1], indirect=True)
def test_during_a_run_only_the_status_is_asked_and_gently(bench: Bench, folder: Path) -> None:
    NotedLink.asked.clear()
    watcher = Watcher(lambda: NotedLink(bench.port))
    bench.on()
    until(watcher, lambda v: v.connected and v.status["state"] in ("steady", "sweep"))
    start, before = time.monotonic(), len(NotedLink.asked)
    while time.monotonic() - start < 4:
        view = watcher.step()
        time.sleep(watcher.pause_s)
        if view.status["state"] not in code_texts.BUSY_STATES:
            break
    asked = NotedLink.asked[before:]
    during = [name for name, state in NotedLink.asked if state in code_texts.BUSY_STATES]
    assert set(during) == {"get_status"}
    assert len(asked) <= 2.2 * (time.monotonic() - start) + 2
    # the run is stored; with a fetcher the view takes it, at rest
    watcher.fetch = fetcher(folder / "archive")
    view = until(watcher, lambda v: v.fetched)
    watcher.close()
    assert view.fetched == "run 1" and view.status["state"] == "rest"
    assert {state for name, state in NotedLink.asked if name in ("list_runs", "read_run", "ack_run")} == {
        "rest"
    }
    (run,) = last_runs(folder / "archive")
    assert run.peak_power_W is not None and run.peak_power_W > 1000


def status(**values: Any) -> dict[str, Any]:
    base = {
        "state": "sweep",
        "fault": "none",
        "speed": 9000.0,
        "set_speed": 9010.0,
        "torque": 4.0,
        "valve": 1500,
        "flags": ["load_ok", "speed_ok", "clock_set", "kill_ready", "store_ok", "settings_ok"],
        "runs_unacked": 2,
        "flash_free": 800,
        "pressure": 97_200.0,
        "temperature": 20.0,
        "humidity": 45.0,
        "load_overruns": 0,
        "load_bad_words": 0,
        "edge_overruns": 0,
    }
    return {**base, **values}


def test_power_is_torque_times_brake_speed() -> None:
    """4 N.m at the brake, crank 9,000 rpm, 10:20 teeth: brake at 4,500 rpm, 4 * 471.24 = 1,885 W."""
    assert power_W(status(), (10, 20)) == pytest.approx(1884.96, abs=0.01)
    assert power_W(status(), None) is None
    text = shown(View(True, "", status(), teeth=(10, 20)), units=SI)
    assert "1.88 kW" in text and "4.00 N·m" in text and "9,000 rpm" in text


def test_what_needs_a_look_is_said() -> None:
    text = shown(View(True, "", status(flags=["load_ok"], fault="water_lost"), reconnects=3))
    for words in (
        "FAULT: The valve is open and the brake takes no load",
        "clock not set",
        "3 times",
        "sweeping",
    ):
        assert words in text
    text = shown(View(True, "", status()))
    assert re.search(r"look at\s+nothing", text) and "FAULT" not in text
    lost = status(load_overruns=4, edge_overruns=1)
    assert re.search(r"lost samples\s+5", shown(View(True, "", lost)))


def test_air_from_board_typed_or_missing() -> None:
    assert "no air reading" in air_line(status(), "iso1585", None)
    typed = air_line(status(), "iso1585", Air(99_000.0 + 1_000.0, 298.15, 0.3157))
    # Source: ISO 1585 as in Regulation (EU) 134/2014 annex II: the factor is 1 at 99 kPa dry, 298 K
    assert "factor 1.000" in typed and "typed" in typed
    board = air_line(status(flags=["air_ok"]), "iso1585", None)
    assert "972 hPa" in board and "board" in board
    broken = air_line(status(flags=["air_ok"], pressure=29.92), "iso1585", None)
    assert "29.9" in broken or "pressure" in broken


def test_names_from_the_archive_cannot_move_the_cursor() -> None:
    run = LastRun("7 \x1b[2J[bold]saw[/bold]", "now", "good", 3000.0, 9500.0)
    text = shown(View(False, "gone \x1b[31m"), [run])
    assert "\x1b[2J" not in text and "[bold]saw[/bold]" in text


def test_a_line_that_fails_while_opening_is_closed() -> None:
    class Half:
        closed = 0

        def open(self) -> None:
            raise LinkError("port x is in use by another program")

        def close(self) -> None:
            Half.closed += 1

        def status(self) -> dict[str, Any]:
            raise AssertionError

        def settings(self) -> dict[str, int]:
            raise AssertionError

    view = Watcher(Half).step()
    assert not view.connected and "in use" in view.sentence and Half.closed == 1


@pytest.mark.parametrize("state", ["rest", "sweep", "safe"])
def test_the_view_fits_24_rows_of_80_columns_whole(state: str) -> None:
    """Every heading and every line is there; nothing is cut, nothing lies below the screen."""
    seen = status(state=state, fault="load_open" if state == "safe" else "none", load_overruns=3)
    view = View(True, "", seen, 0.1, (14, 12), tuple((9000.0 - 30 * i, 3.0) for i in range(48)), 2, "run 12")
    runs = [
        LastRun("12 auger 12 stock pipe", "2026-09-22 14:10", "good", 2900.0, 9800.0)
    ] * live_view.MAX_RUNS
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(render(view, runs))
    text = console.export_text()
    assert len(text.splitlines()) <= 24
    assert "…" not in text
    for heading in ("crank speed", "set speed", "brake torque", "brake power", "peak power", "Ctrl-C"):
        assert heading in text


def test_a_failed_run_and_a_torque_of_nothing_have_no_minus() -> None:
    view = View(True, "", status(torque=-0.001), 0.1, (14, 12), (), 0, "")
    runs = [LastRun("5 auger", "2026-09-22 14:10", "recorded only", -20.0, 3000.0)]
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(render(view, runs))
    text = console.export_text()
    assert "-0.0" not in text and "3,000 rpm" not in text and "recorded only" in text
