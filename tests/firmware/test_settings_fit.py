"""No settings are accepted with which the board could not start."""

from __future__ import annotations

import json
import random
import sys

import pytest
from evenfall_wire.settings import BY_NAME, SETTINGS
from firmware_rig import PROJECT

sys.path.append(str(PROJECT / "firmware/lib"))
from evenfall_board import settings


def record_bytes(values: dict[str, int]) -> int:
    """RAM for the records of one sweep, by the words of recorder.py."""
    load_hz = 360 if values["amplifier"] == 1 else 90
    rpm = (values["overspeed"] + values["end_speed"]) / 2
    edges = rpm / 60 * values["engine_teeth"] / values["brake_teeth"] * values["magnets"]
    parts = ("before_trigger", "steady_time", "sweep_time", "after_sweep")
    return (6 * load_hz + 4 * edges + 12 * 27) * sum(values[n] for n in parts) / 1000


@pytest.mark.parametrize(("name", "value"), [("magnets", 10), ("engine_teeth", 200), ("brake_teeth", 1)])
def test_a_drive_with_too_many_edges_is_refused(tmp_path, name: str, value: int) -> None:
    """The board accepted these and ended in Board.__init__ at the next start, for good."""
    board = settings.Settings(str(tmp_path / "settings.json"))
    error, number = board.change([(BY_NAME[name][0], value)])
    assert error == "out_of_bounds" and number in {
        BY_NAME[n][0] for n in ("magnets", "engine_teeth", "brake_teeth")
    }
    assert board.values == settings.defaults()


def test_random_settings_leave_a_board_that_can_start(tmp_path) -> None:
    """Sets that are accepted fit; sets found in the file are made to fit, and what fell back is named."""
    rng = random.Random(7)
    path = tmp_path / "settings.json"
    accepted = 0
    for _ in range(3000):
        some = rng.sample([s for s in SETTINGS if s[6] != "pins"], rng.randint(1, 8))
        pairs = [(s[0], rng.randint(s[4], s[5])) for s in some]
        board = settings.Settings(str(path))
        if board.change(pairs)[0] == "none":
            accepted += 1
            assert record_bytes(board.values) < 1.05 * settings.MAX_RECORD_BYTES
        names = {s[0]: s[1] for s in SETTINGS}
        path.write_text(json.dumps({**settings.defaults(), **{names[n]: v for n, v in pairs}}))
        board.load()
        assert settings.contradictions(board.values) == []
        assert record_bytes(board.values) < 1.05 * settings.MAX_RECORD_BYTES
    assert accepted > 300
