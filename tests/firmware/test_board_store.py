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
        assert outcomes["truncated"] > 10  # a truncated run keeps what was synchronised
        assert outcomes["none"] < 20
        if share == 4:
            assert outcomes["whole"] >= 1


@pytest.mark.parametrize("case", ["full", "foreign", "worn", "settings"])
def test_limits_of_the_store(case):
    assert on_board("store_limits.py", case)[-1]


@pytest.mark.study
def test_flash_life():
    """At 100,000 erases a block (the usual rating of serial NOR flash, from memory; see the part's sheet)."""
    runs, size, erases, worst = map(int, on_board("store_limits.py", "life", heap_kib=16384)[-1].split())
    rating, blocks, per_day = 100_000, 352, 50
    years_even = rating * blocks / (erases / runs) / per_day / 365
    years_worst = rating / (worst / runs) / per_day / 365
    print(
        f"run of {size} bytes: {erases / runs:.1f} erases; worst block {worst / runs:.2f} a run; "
        f"{per_day} runs a day: {years_even:.0f} years spread evenly, {years_worst:.0f} by the worst block"
    )
    assert years_worst > 20
