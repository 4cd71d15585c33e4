"""Runs and settings on real littlefs in the real interpreter: power cuts, full, worn, foreign."""

from __future__ import annotations

import ast

import pytest
from firmware_rig import on_board

ACTIONS = ("store", "acknowledge", "delete", "settings", "learned", "start", "make_room")


@pytest.mark.parametrize("share", [0, 1, 2, 4])
@pytest.mark.parametrize("action", ACTIONS)
def test_power_cut_at_every_flash_operation(action, share):
    """`share` quarters of the cut erase or write still happen; the script checks everything after it."""
    last = on_board("power_cut.py", action, str(share))[-1]
    count, states = last.split(" ", 1)
    outcomes = ast.literal_eval(states)
    assert sum(outcomes.values()) == int(count)
    if action == "store":
        assert int(count) > 40
        assert outcomes["torn"] > 10  # a torn run keeps what was synchronised
        assert outcomes["none"] < 20
        if share == 4:
            assert outcomes["whole"] >= 1


@pytest.mark.parametrize("case", ["full", "foreign", "worn", "settings"])
def test_limits_of_the_store(case):
    assert on_board("store_limits.py", case)[-1]
