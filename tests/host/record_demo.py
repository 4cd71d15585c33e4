"""Records the runs that `evenfall demo --recorded` shows: python tests/host/record_demo.py

Three runs of the trail crew's clearing saw as found and three after an invented change, made by the real
firmware on the simulated bench, pulled and exported as any run is.  Invented data.
"""

from __future__ import annotations

import calendar
import tempfile
import time
from pathlib import Path

from evenfall.archive.archive import Archive
from evenfall.board.link import Link
from evenfall.cli import run
from evenfall.workflow import demo

ROOT = Path(__file__).resolve().parents[2]
TARGET = ROOT / "host/evenfall/workflow/recorded"
RUNS = 3
GAIN = 1.05  # of the invented change
BEFORE = calendar.timegm((2026, 5, 9, 13, 30, 0))  # an invented Saturday
AFTER = BEFORE + 2 * 3600  # the port was raised meanwhile
READY_S = 200.0  # of the bench's time, a few seconds of ours: room to set the board's clock


def scenario(folder: Path, gain: float) -> str:
    """The crew's scenario with the engine's torque raised, and time before the first run."""
    name = ROOT / f"bench_sim/evenfall_bench/scenarios/{demo.SCENARIO}.toml"
    text = name.read_text().replace("[engine]\n", f"[engine]\ntorque_factor = {gain}\n", 1)
    path = folder / f"gain-{gain}.toml"
    path.write_text(f"{text}\n[operator]\nready_s = {READY_S}\n")
    return str(path)


def set_clock(port: Path, unix_s: int) -> None:
    """Set the board's clock before its first run."""
    while not port.exists():
        time.sleep(0.02)
    with Link(str(port)) as line:
        line.set_clock(unix_s)
        assert line.status()["uptime_s"] < READY_S, "the first run has begun: repeat on a quieter machine"


def record(folder: Path, gain: float, seed: int, build: str, unix_s: int) -> None:
    """Run the bench, pull its runs under that build."""
    port = folder / "board"
    with demo.bench_running(port, scenario(folder, gain), seed, RUNS, print) as check:
        set_clock(port, unix_s)
        demo.wait_for_runs(port, RUNS, check, print)
        words = ["pull", "--port", str(port), "--archive", str(folder / "kept"), "--no-plot"]
        assert run([*words, "--engine", demo.ENGINE, "--build", build]) == 0


def main() -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        with Archive(folder / "kept") as archive:
            demo.add_demo_set_up(archive)
            archive.add_build(
                demo.ENGINE, demo.BUILD_AFTER, "exhaust port raised by 0.5 mm (invented)", "the crew"
            )
        record(folder, 1.0, 1, demo.BUILD_BEFORE, BEFORE)
        record(folder, GAIN, 2, demo.BUILD_AFTER, AFTER)
        TARGET.mkdir(exist_ok=True)
        with Archive(folder / "kept") as archive:
            for number in range(1, 2 * RUNS + 1):
                (TARGET / f"run-{number}.json").write_bytes(archive.export(number))
        run(
            [
                "compare",
                demo.BUILD_BEFORE,
                demo.BUILD_AFTER,
                "--archive",
                str(folder / "kept"),
                "--engine",
                demo.ENGINE,
            ]
        )


if __name__ == "__main__":
    main()
