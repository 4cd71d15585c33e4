"""Records the runs that `evenfall demo --recorded` shows: python tests/host/record_demo.py

Three runs of the trail crew's clearing saw as found and three after an invented change, made by the real
firmware on the simulated bench, pulled and exported as any run is.  Invented data.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from evenfall.archive.archive import Archive
from evenfall.cli import run
from evenfall.workflow import demo

ROOT = Path(__file__).resolve().parents[2]
TARGET = ROOT / "host/evenfall/workflow/recorded"
RUNS = 3
GAIN = 1.05  # of the invented change


def scenario_after(folder: Path) -> str:
    """The crew's scenario with the engine's torque raised."""
    name = ROOT / f"bench_sim/evenfall_bench/scenarios/{demo.SCENARIO}.toml"
    text = name.read_text().replace("[engine]\n", f"[engine]\ntorque_factor = {GAIN}\n", 1)
    path = folder / "after.toml"
    path.write_text(text)
    return str(path)


def record(folder: Path, scenario: str, seed: int, build: str) -> None:
    """Run the bench, pull its runs under that build."""
    port = folder / "board"
    with demo.bench_running(port, scenario, seed, RUNS, print) as check:
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
        record(folder, demo.SCENARIO, 1, demo.BUILD_BEFORE)
        record(folder, scenario_after(folder), 2, demo.BUILD_AFTER)
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
