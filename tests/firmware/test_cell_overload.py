"""An overload of the load cell is named as one, and told from a broken wire."""

from __future__ import annotations

import sys

import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall_wire import codes, settings
from firmware_rig import PROJECT

sys.path.insert(0, str(PROJECT / "firmware" / "lib"))

from evenfall_board import guard

DEFAULTS = {entry[1]: entry[3] for entry in settings.SETTINGS}
FAR = 1 << 24  # a force limit that the amplifier's range does not reach
HZ = 80
END = codes.CLAMP_HIGH
IDLE = {"operator": {"ready_s": 600.0}}


def faults(counts, limit=FAR, turning=False, cell=None):
    """What the guard says to these counts one after the other, without repeats."""
    cell = cell or guard.Guard(DEFAULTS, HZ)
    said = [codes.FAULTS[cell.load(c, c, limit, turning)] for c in counts]
    return [f for f, before in zip(said, ["none", *said[:-1]], strict=True) if f != before]


def climb(seconds, top=10_000_000, low=20_000):
    """A push that grows to `top` counts and is kept; what is beyond the range reads as its end."""
    n = max(1, int(seconds * HZ))
    up = [low + (top - low) * i // n for i in range(n + 1)]
    return [max(min(c, END), codes.CLAMP_LOW) for c in up] + [END if top > 0 else codes.CLAMP_LOW] * 5


@pytest.mark.parametrize("turning", [False, True])
@pytest.mark.parametrize("seconds", [0.1, 0.2, 1.0, 5.0])
@pytest.mark.parametrize("top", [10_000_000, -10_000_000])
def test_a_push_to_the_end_of_the_range_is_an_overload(seconds, turning, top):
    limit = FAR << 4 if top < 0 else FAR  # the check for a load backwards is another
    assert faults(climb(seconds, top), limit, turning)[0] == "cell_overload"


@pytest.mark.parametrize("turning", [False, True])
def test_a_wire_that_breaks_is_none(turning):
    """Through the filter's settling of four conversions: at most three readings on the way."""
    step = [700_000, 715_000] * 20 + [2_500_000, 5_000_000, 7_000_000] + [END] * 5
    assert faults(step, turning=turning) == ["load_clamped" if turning else "load_open"]


def test_a_force_beyond_the_set_limit_is_an_overload_inside_the_range():
    assert faults([100_000] * 9 + [1_200_000] * 5, limit=1_000_000) == ["cell_overload"]
    assert faults([100_000] * 9 + [1_200_000] * 3 + [100_000] * 9, limit=1_000_000) == []
    assert faults([100_000] * 9 + [-90_000] * 5, limit=1_000_000, turning=True) == ["load_open"]


def test_an_overload_that_is_still_there_keeps_its_name_when_cleared():
    cell = guard.Guard(DEFAULTS, HZ)
    assert faults(climb(1.0), cell=cell)[0] == "cell_overload"
    cell.reset()
    assert faults([END] * 5, cell=cell) == ["cell_overload"]
    assert faults([20_000, 21_000] * 5 + [END] * 5, cell=cell) == ["load_open"], "a wire, later"


def test_somebody_leans_on_the_arm():
    """On the bench, at standstill: named in time, kept while it lasts, cleared when it is gone."""
    with Rig(IDLE) as rig:
        rig.run(2.5)
        for newton in range(20, 401, 20):
            rig.board.fault("cell_push", newton)
            rig.run(0.05)
        status = rig.status()
        assert (status["fault"], status["state"]) == ("cell_overload", "safe")
        rig.ask("command", (codes.COMMANDS.index("clear_fault"), 0))
        rig.run(0.5)
        assert rig.status()["fault"] == "cell_overload"
        rig.board.fault("cell_push", 0)
        rig.run(0.5)
        rig.ask("command", (codes.COMMANDS.index("clear_fault"), 0))
        rig.run(1.0)
        assert rig.status()["fault"] == "none"


def test_somebody_leans_on_the_arm_in_a_sweep():
    with Rig() as rig:
        rig.until("sweep", 25)
        rig.run(2.0)
        for newton in range(20, 401, 20):
            rig.board.fault("cell_push", newton)
            rig.run(0.04)
        assert rig.status()["fault"] == "cell_overload"
        end = rig.now + 30
        while rig.now < end and not rig.status()["runs_unacked"]:
            rig.run(0.5)
        run = run_file.decode_run(rig.read(rig.runs()[0][0]))
        assert [e.value for e in run.events if e.name == "fault"] == [codes.FAULTS.index("cell_overload")]
