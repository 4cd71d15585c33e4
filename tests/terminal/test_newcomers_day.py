"""A newcomer's day in a terminal of 80 columns and 24 lines, at the practice bench.

The quick part is the first start; the whole day, to the printed page, is a study:
`EVENFALL_PICTURES=DIR pytest -m study -s tests/terminal` keeps pictures of the screens that are named here.
No line may be wider than the screen, and nothing said since the person typed last may have left it.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from evenfall_bench.control import ask
from real_terminal import Terminal, until

PROJECT = Path(__file__).resolve().parents[2]
TOOLS = Path(sys.executable).parent
WEIGHTS = ("0 kg", "2 kg", "5,0 kg", "2 kg", "0 kg")  # a decimal comma among them
MIN_WEIGHTS = ("0 kg", "5,0 kg", "0 kg")


class Day:
    """The person: one terminal for `evenfall`, the hands at the bench by `evenfall-bench act`."""

    def __init__(self, folder: Path) -> None:
        home = folder / "home"
        home.mkdir()
        path = f"{TOOLS}:/usr/bin:/bin"
        self.env = {"HOME": str(home), "PATH": path, "LANG": "C.UTF-8", "TZ": "UTC"}
        self.archive = home / "evenfall"
        self.control, self.port = folder / "control", folder / "board"
        words = ["live", "--runs", "0", "--control", str(self.control), "--port-link", str(self.port)]
        self.log = (folder / "bench.log").open("w")
        self.bench = subprocess.Popen(
            [TOOLS / "evenfall-bench", *words], stdout=self.log, stderr=self.log, env=self.env
        )
        until(lambda: self.control.exists() and self.port.exists(), 60, "the practice bench")
        self.terminal = Terminal(home, self.env)
        pictures = os.environ.get("EVENFALL_PICTURES")
        self.terminal.pictures = Path(pictures) if pictures else None

    def close(self) -> None:
        self.bench.kill()
        self.bench.wait()
        self.log.close()

    def hands(self, words: str) -> str:
        command = [TOOLS / "evenfall-bench", "act", "--control", str(self.control), *words.split()]
        done = subprocess.run(command, capture_output=True, text=True, env=self.env, timeout=60)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def answer(self, question: str, text: str = "", picture: str = "", seconds: float = 60.0) -> str:
        """Wait for a question that has these words, look at what was said, answer; give what was said."""
        said = self.terminal.wait_for(rf"{question}[\s\S]*: $", seconds)
        if picture:
            self.terminal.picture(picture)
        self.terminal.type(text)
        return said

    def pause(self, seconds: float) -> None:
        """Until so much has passed on the bench, which a busy computer lets fall behind the clock."""

        def time_s() -> float:
            return float(re.search(r"([\d.]+) s ", self.state())[1])  # type: ignore[index]

        end = time_s() + seconds
        until(lambda: time_s() >= end, 60 + 10 * seconds, f"{seconds} s on the bench")

    def speed_rpm(self) -> float:
        return float(re.search(r"(\d+) rpm", self.state())[1])  # type: ignore[index]

    def state(self) -> str:
        """What `act state` says, without a program for each look."""
        return ask(self.control, "state")

    def sweep(self) -> None:
        """Arm by the button, open the throttle, shut it when the sweep is over; the run is stored."""
        self.hands("start")  # the self-test has cut the ignition
        self.hands("button")
        self.pause(0.7)
        self.hands("throttle open")
        until(lambda: self.speed_rpm() > 8000, 60, "the top speed")
        until(lambda: self.speed_rpm() < 5100, 60, "the end of the sweep")
        self.pause(1.0)
        self.hands("throttle close")
        self.pause(12.0)  # hold load, release, standstill, zero, flash


@pytest.fixture
def day(tmp_path: Path) -> Iterator[Day]:
    made = Day(tmp_path)
    with made.terminal:
        yield made
        made.close()
        terminal = made.terminal
    assert terminal.wide == [], "lines wider than the screen"
    assert terminal.scrolled == [], "more was said than the screen holds"


def first_start(day: Day, weights: tuple[str, ...] = WEIGHTS) -> None:
    """From an empty archive to a bench that is calibrated, in `evenfall session`."""
    t = day.terminal
    t.run(f"evenfall config port={day.port} bench='crew bench'")
    t.picture("01-config")
    t.type("evenfall session")
    day.answer("Set the bench up now", "now")
    t.wait_for("Press the board's button now")
    day.hands("button")
    t.wait_for(r"seen\s+That armed the board. Press once more")
    day.pause(0.5)
    day.hands("button")
    t.wait_for(r"Turn the brake's shaft by hand")
    day.pause(0.3)
    day.hands("turn 2")
    day.answer("watch them, then Enter", "", "02-seen")
    said = day.answer("LED blink three times", "yes", "03-self-test")
    assert said.count(" passed ") >= 7 and "80 samples in a second" in said.replace("81", "80")
    assert "2 presses since the start" in said and re.search(r"[1-9] edges seen", said)
    day.answer("ignition cut", "yes")
    day.answer("Did the valve go", "yes", "04-valve")
    day.answer("Teeth of the engine's sprocket", "10")
    day.answer("Teeth of the brake's sprocket", "10")
    day.answer("Magnets", "")
    day.answer("A name for this set-up", "crew drive")
    day.answer("Arm: shaft centre", "250 mm", "05-teeth-and-arm")
    for mass in weights:
        t.wait_for("read. Hung: $")
        day.hands("take off" if mass == "0 kg" else "hang " + mass.replace(",", "."))
        day.pause(1.2)
        t.type(mass)
    t.wait_for(f"{len(weights)} read. Hung: $")
    t.picture("06-weights")
    t.type("")
    said = t.wait_for(r"Zero[\s\S]*Enter when it is so: $")
    assert re.search(r"Calibration \d+: \S+ counts/N ± 0\.\d+ % \(95 %\)", said)
    t.picture("07-calibrated")


def test_the_first_start_in_a_small_terminal(day: Day) -> None:
    first_start(day, MIN_WEIGHTS)
    t = day.terminal
    # somebody forgot a weight on the arm: the zero is not taken over in silence
    day.hands("hang 1 kg")
    day.pause(1.2)
    t.type("")
    said = day.answer("Go on with this zero", "no")
    assert re.search(r"lies \+9\.\d N from that of the active\s+calibration, as \d\.\d+ kg", said)
    day.hands("take off")
    day.pause(1.2)
    day.answer("is not done", "again")
    day.answer("Enter when it is so", "")
    said = day.answer("Its mass with unit", "skip")
    assert "Zero 1" in said
    day.answer(r"Engine\s+Engine", "post auger")
    day.answer("Build as it is now", "")
    day.answer("Who is at the bench", "crew")
    day.answer("Runs before and after", "2")
    day.answer("choice", "leave")
    t.wait_for(r"\n\$ $")
    # and it goes on where it stopped, with nothing asked twice
    t.type("evenfall session")
    said = day.answer("choice", "leave")
    assert "goes on at 'warm up'" in said and "Teeth" not in said


def make_runs(day: Day, at_least: int, picture: str = "") -> str:
    """Sweeps until the session has so many more runs; then on to its next step."""
    t = day.terminal
    for n in range(at_least):
        t.wait_for("choice.*: $")
        day.sweep()
        t.type("fetch")
        said = t.wait_for(r"Run \d+, [\s\S]*choice.*: $", 60)
        assert re.search(r"Peak power: \d\.\d\d", said), said
        if picture and n == at_least - 1:
            t.picture(picture)
    t.type("done")
    return said


@pytest.mark.study
def test_the_whole_day_to_the_printed_page(day: Day, tmp_path: Path) -> None:
    """About ten minutes: eleven sweeps of the practice bench in real time."""
    # longer than 60 lines: one story, its steps in their order
    first_start(day)
    t = day.terminal
    t.type("")
    t.wait_for("Its mass with unit")
    day.hands("hang 5 kg")
    day.pause(1.2)
    t.type("5 kg")
    said = t.wait_for("Take the weight off.*: $")
    assert re.search(r"The weight reads [+-]0\.0\d % off", said)
    t.picture("08-check-weight")
    day.hands("take off")
    t.type("")
    day.answer(r"Engine\s+Engine", "post auger", "09-air")
    day.answer("Build as it is now", "as found")
    day.answer("Who is at the bench", "crew")
    day.answer("Runs before and after", "2", "10-engine")
    make_runs(day, 2, "11-warm")
    day.answer("Find it now", "now", "12-inertia")
    make_runs(day, 2)
    said = t.wait_for(r"Before[\s\S]*choice.*: $")
    assert re.search(r"Inertia at the crank \d\.\d+ ± \d\.\d+ g·m²", said), said
    t.picture("13-inertia-found")
    make_runs(day, 2, "14-before")
    day.answer("What was changed", "cooler plug")
    day.answer("Name of the new build", "cooler plug", "15-change")
    day.hands("fault engine_gain 1.06")  # what the change does on this bench
    make_runs(day, 1)
    make_runs(day, 2, "16-after")
    day.answer("Run in turn", "report", "17-order")
    said = t.wait_for(r"The report:\s[\s\S]*\n\$ $", 60)
    t.picture("18-report")
    assert re.search(r"[Gg]ain \d\.\d+ ± \d\.\d+ hp", said), said

    # one more run by hand, fetched without the session; then what is usually looked at
    day.sweep()
    said = t.run("evenfall pull")
    t.picture("19-pull")
    assert "Peak power" in t.text() and "Verdict of the board" in t.text()
    for number, (command, last) in enumerate(
        (
            ("evenfall runs list", "verdict"),
            ("evenfall runs show 10", "Peak power"),
            ("evenfall compare 'as found' 'cooler plug' --engine 'post auger'", "inside the noise|: real"),
            ("evenfall repeat 8-10", "repeatability"),
            ("evenfall health 10", "zero and direction"),
            ("evenfall budget 10", "all together"),
            ("evenfall setup list", "crew drive"),
            ("evenfall calibrate list", "first start"),
            ("evenfall chart 'post auger' 'as found'", "6 sessions"),
            ("evenfall board status", "clock"),
            ("evenfall board settings sweep", "sweep_time"),
            ("evenfall page 8-10", "runs-8-10"),
        ),
        20,
    ):
        said = t.run(command)
        assert re.search(last, t.text()), f"not on the screen at the end of {command}:\n{t.text()}"
        t.picture(f"{number}-{'-'.join(w for w in command.split()[1:3] if w.isalpha())}")
        if "chart" not in command:  # it wants six sessions
            assert "Error" not in said and "evenfall: " not in said, said
    (page,) = (day.archive / "pages").glob("*8-10*.html")
    assert page.stat().st_size > 10_000
    printed = tmp_path / "page.pdf"
    done = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", f"--print-to-pdf={printed}", page.as_uri()],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert printed.exists(), done.stderr
