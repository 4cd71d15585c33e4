"""`evenfall session` as a program, typed at, with the board's real firmware on the simulated bench."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from evenfall.archive.archive import Archive, Query
from evenfall.board.link import Link
from evenfall.errors import EvenfallError
from evenfall_bench.control import ask

TOOLS = Path(sys.executable).parent
SCENARIO = '[bench]\ntitle = "a day"\n[engine]\nuse = "post auger"\ntorque_factor = {factor}\n'


class Typed:
    """A program whose prompts are waited for and answered."""

    def __init__(self, words: list[str]) -> None:
        self.program = subprocess.Popen(
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONUNBUFFERED": "1", "COLUMNS": "200"},
        )
        self.said = ""
        self.read = 0
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.program.stdout
        while piece := os.read(self.program.stdout.fileno(), 65536):
            self.said += piece.decode(errors="replace")

    def expect(self, words: str, seconds: float = 300.0) -> None:
        stop = time.monotonic() + seconds
        while words not in self.said[self.read :]:
            assert time.monotonic() < stop, f"'{words}' never came; the last was:\n{self.said[-1500:]}"
            assert self.program.poll() is None, f"ended before '{words}':\n{self.said[-1500:]}"
            time.sleep(0.05)
        self.read = self.said.index(words, self.read) + len(words)

    def answer(self, question: str, line: str) -> None:
        self.expect(question)
        self.expect(": ")
        self.type(line)

    def type(self, line: str) -> None:
        assert self.program.stdin
        self.program.stdin.write((line + "\n").encode())
        self.program.stdin.flush()


class Bench:
    """The bench as a program; every start is a power-up of the same board."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = str(folder / "port")
        self.control = folder / "control"
        self.program: subprocess.Popen[bytes] | None = None

    def start(self, factor: float, runs: int) -> None:
        """Power up; come back when `pulls` new runs are stored and the board rests."""
        self.stop()
        scenario = self.folder / "scenario.toml"
        scenario.write_text(SCENARIO.format(factor=factor))
        words = [str(TOOLS / "evenfall-bench"), "run", "--scenario", str(scenario), "--runs", str(runs)]
        words += ["--image", str(self.folder / "flash.img"), "--port-link", self.port]
        words += ["--control", str(self.control)]
        self.program = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        stop = time.monotonic() + 300
        while True:
            try:
                with Link(self.port) as line:
                    status = line.status()
                if status["state"] == "rest" and status["runs_unacked"] >= runs:
                    return
            except EvenfallError:
                pass
            assert time.monotonic() < stop, "the bench made no run"
            time.sleep(0.5)

    def pause(self, seconds: float) -> None:
        """Until so much has passed on the bench."""

        def time_s() -> float:
            return float(re.search(r"([\d.]+) s ", ask(self.control, "state"))[1])  # type: ignore[index]

        end, stop = time_s() + seconds, time.monotonic() + 120
        while time_s() < end:
            assert time.monotonic() < stop, "the bench stands still"
            time.sleep(0.02)

    def stop(self) -> None:
        if self.program is not None:
            self.program.send_signal(signal.SIGINT)
            try:
                self.program.wait(120)
            except subprocess.TimeoutExpired:
                self.program.kill()
                self.program.wait(120)
            self.program = None


@pytest.mark.slow
def test_a_day_with_a_change_of_five_per_cent(tmp_path: Path) -> None:
    # longer than 60 lines: one story, its steps in their order
    archive_dir = tmp_path / "archive"
    words = [
        str(TOOLS / "evenfall"),
        "session",
        "--port",
        str(tmp_path / "port"),
        "--archive",
        str(archive_dir),
    ]
    bench = Bench(tmp_path)
    try:
        bench.start(1.0, 0)
        day = Typed(words)
        day.expect("Not known yet: teeth and magnets")
        day.answer("Your choice", "later")
        day.expect("1/13 Self-test")
        # used by the person, seen by the board; what is not seen within half a minute: test_first_start.py
        for request, hand in (
            ("Press the board's button now", "button"),
            ("Press once more", "button"),
            ("Turn the brake's shaft by hand", "turn 2"),
        ):
            day.expect(request)
            bench.pause(0.5)
            ask(bench.control, hand)
            day.expect("  seen")
        _pass_self_test(day)
        day.expect("2/13 Zero")
        day.answer("Enter when it is so", "")
        day.answer("Its mass with unit", "skip")
        day.expect("4/13 Air")
        _air(day)
        for question, line in (
            ("Engine", "post auger"),
            ("Build as it is now", "stock pipe"),
            ("Who is at the bench", "bench crew"),
            ("Runs before and after", "2"),
            ("Your choice", "done"),  # the simulated engine is warm
        ):
            day.answer(question, line)
        day.expect("7/13 Inertia")
        day.expect("8/13 Before")
        day.expect("Your choice")
        bench.start(1.0, 2)
        day.type("fetch")
        day.expect("2 runs count.")
        day.program.kill()  # the lid closes
        day.program.wait()
        day = Typed(words)
        day.expect("goes on at 'before'")
        day.expect("2 runs count.")
        day.answer("Your choice", "done")
        day.answer("What was changed", "pipe cut by 8 mm")
        day.answer("Name of the new build", "cut pipe")
        day.answer("Your choice", "done")
        day.expect("11/13 After")
        day.expect("Your choice")
        bench.start(1.05, 2)
        day.type("fetch")
        day.expect("2 runs count.")
        day.answer("Your choice", "done")
        day.expect("12/13 Order A-B-B-A")
        day.answer("Your choice", "report")
        day.expect("The report: ")
        assert day.program.wait(60) == 0
    finally:
        bench.stop()
    sheet = Path(day.said.split("The report: ")[1].splitlines()[0])
    assert "post auger: cut pipe against stock pipe" in sheet.read_text()
    with Archive(archive_dir) as archive:
        # by number: the bench's virtual time runs faster than this computer's clock, which dates the runs
        runs = sorted(archive.find(Query()), key=lambda r: -r["run"])
        assert [p["build"] for p in runs] == ["cut pipe"] * 2 + ["stock pipe"] * 2
        assert all(p["acknowledged_unix_s"] for p in runs)
        after, before = (sum(p["peak_power_W"] for p in half) for half in (runs[:2], runs[2:]))
        assert 1.02 < after / before < 1.08
        assert archive.open_plan() is None


def _pass_self_test(day: Typed) -> None:
    """The self-test is over; a part that the simulation leaves to the person is waved through."""
    stop = time.monotonic() + 300
    while "2/13 Zero" not in day.said[day.read :] and "Go on?" not in day.said[day.read :]:
        assert time.monotonic() < stop, day.said[-1500:]
        if "(yes, no)" in day.said[day.read :]:
            day.answer("(yes, no)", "yes")
        time.sleep(0.1)
    if "Go on?" in day.said[day.read :]:
        day.answer("Go on?", "yes")


def _air(day: Typed) -> None:
    """Typed, when the simulated board has no barometer."""
    stop = time.monotonic() + 300
    while "Pressure with unit" not in day.said and "5/13 Engine" not in day.said:
        assert time.monotonic() < stop, day.said[-1500:]
        time.sleep(0.1)
    if "Pressure with unit" in day.said:
        day.answer("Pressure with unit", "972 hPa")
        day.answer("Temperature with unit", "18 C")
        day.answer("Relative humidity", "55 %")
