"""Weights hung on the arm of the simulated bench, read by the real firmware, through its port.

The cell's true span is the bench's own; the weights' force is their mass in standard gravity.
"""

from __future__ import annotations

import io
import json
import re
import time

import evenfall.cli
import evenfall.cli.calibrate as commands
import pytest
from evenfall.archive.archive import Archive
from evenfall.model import Calibration
from evenfall_bench import scenario
from line_rig import LiveBench

STANDARD_GRAVITY = 9.80665  # m/s2, 3rd General Conference on Weights and Measures, 1901
SPAN = 12_345.0  # counts per newton
SETTLE_S = 0.4  # simulated; the amplifier needs 50 ms, the mount a few tenths

pytestmark = pytest.mark.slow


class Hands(io.StringIO):
    """Standard input of a person at the bench: hangs a weight, waits, then types the line; at last Ctrl-C."""

    def __init__(self, bench: LiveBench, steps: list[tuple[float | None, str]]) -> None:
        super().__init__()
        self._bench, self._steps = bench, iter(steps)

    def readline(self, *_: object) -> str:
        mass_kg, line = next(self._steps, (None, None))
        if line is None:
            raise KeyboardInterrupt  # pressed in the middle
        if mass_kg is not None:
            self._bench.do(lambda s: s.bench.set("cell_push_N", mass_kg * STANDARD_GRAVITY))
            board = self._bench.session.board
            still = board.time_s + SETTLE_S
            limit = time.monotonic() + 120
            while board.time_s < still and time.monotonic() < limit:
                time.sleep(0.01)
        return line + "\n"


@pytest.fixture
def bench(tmp_path):
    standing = {
        "load_cell": {"counts_per_N": SPAN, "zero_count": 150_000.0, "vibration_N": 0.0},
        "engine": {"idle_rpm": 2000.0},
    }
    with LiveBench(scenario.complete(standing), tmp_path) as live:
        yield live


@pytest.fixture
def evenfall_with(bench, tmp_path, monkeypatch, capsys):
    """run(steps, *words) -> (exit code, stdout, stderr); each reading takes half a second, not four."""
    monkeypatch.setenv("EVENFALL_ARCHIVE", str(tmp_path / "kept"))
    monkeypatch.setenv("EVENFALL_PORT", bench.url)
    monkeypatch.setattr(commands.load_counts, "__defaults__", (0.5,))

    def run(steps, *words):
        monkeypatch.setattr("sys.stdin", Hands(bench, steps))
        capsys.readouterr()
        code = evenfall.cli.run(list(words))
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return code, out, err

    return run


@pytest.mark.internal("the simulated bench's true span and standard gravity")
def test_span_and_check_weight_from_the_boards_port(bench, evenfall_with, tmp_path):
    """Span from weights hung on the bench"""
    up_and_down = [(0.0, "0 kg"), (2.0, "2 kg"), (5.0, "5 kg"), (2.0, "2 kg"), (0.0, "0 kg"), (None, "")]
    code, out, err = evenfall_with(up_and_down, "calibrate", "span", "--arm", "250 mm", "--json")
    assert code == 0, err
    assert "Hang a weight" in err
    told = json.loads(out)
    assert told["calibration"]["span_count_per_N"] == pytest.approx(SPAN, rel=1e-3)
    assert told["calibration"]["arm_m"] == pytest.approx(0.25)
    assert max(abs(r) for r in told["residual_N"]) < 0.02
    assert told["number"] is not None

    # the same weight later: within tolerance, logged
    code, out, err = evenfall_with([(0.0, ""), (5.0, "")], "calibrate", "check", "5 kg", "--json")
    assert code == 0, err
    (error,) = json.loads(out)["error_rel"]
    assert abs(error) < 1e-3
    with Archive(tmp_path / "kept") as archive:
        ((_, mass_kg, count),) = archive.check_weights()
    assert mass_kg == 5.0
    assert count == pytest.approx(5.0 * STANDARD_GRAVITY * SPAN, rel=1e-3)

    # a weight that is 2 % less than said: a warning, and an exit code that says so
    code, out, _ = evenfall_with([(0.0, ""), (4.9, "")], "calibrate", "check", "5 kg")
    assert code == 1
    assert "Warning: " in out
    assert float(re.search(r"reads (\S+) %", out)[1]) == pytest.approx(-2.0, abs=0.05)


def test_water_off_and_on_goes_on_where_it_was_interrupted(bench, evenfall_with, tmp_path):
    """Typed readings leave those of the round in progress alone."""
    folder = tmp_path / "kept"
    with Archive(folder) as archive:
        archive.activate("calibration", archive.add_record(Calibration(150_000.0, SPAN, made_unix_s=1), ""))
    first = [(0.0, "0 kg"), (None, ""), (None, ""), (5.0, "5 kg"), (None, "")]
    code, _, err = evenfall_with(first, "calibrate", "hose")
    assert code == 130, err
    code, _, err = evenfall_with([], "calibrate", "hose", "--reading", "0 kg=150000:150100")
    assert code == 0, err
    assert (folder / "hose-in-progress.csv").read_text().count("\n") == 2
    rest = [(None, "yes"), (5.0, "5 kg"), (None, ""), (5.2, ""), (None, "")]
    code, out, err = evenfall_with(rest, "calibrate", "hose", "--json")
    assert code == 0 and "one reading" in err, err
    told = json.loads(out)
    assert told["mass_kg"] == [0.0, 5.0]
    assert told["push_N"] == pytest.approx([0.0, 0.2 * STANDARD_GRAVITY], abs=0.05)
    assert not (folder / "hose-in-progress.csv").exists()
    assert (folder / f"hose-{told['number']}.csv").read_text().count("\n") == 3


def test_a_cell_that_does_not_answer_is_said_at_once(bench, evenfall_with):
    """The amplifier falls silent while a weight is hung: nothing is kept."""
    bench.do(lambda s: s.bench.set("cell", 4.0))  # silent
    code, out, err = evenfall_with([(0.0, "0 kg"), (None, "")], "calibrate", "span", "--arm", "250 mm")
    assert code not in (0, None)
    assert "load cell does not answer" in err
    code, out, _ = evenfall_with([], "calibrate", "list", "--json")
    assert json.loads(out) == []
