"""Runs and settings on real littlefs in the real interpreter: power cuts, full, worn, foreign."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from evenfall.archive.archive import Archive, Query
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


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_flashes_with_growing_bad_blocks_give_every_run(tmp_path, seed):
    """The board's own store writes while blocks go bad, at last the superblock's: nothing can be mounted."""
    said = on_board("worn_flash.py", str(seed), str(tmp_path / "flash.img"))
    assert "mounted" not in said
    stored = int(said[-1])
    runs = [(tmp_path / f"flash.img.{n}").read_bytes() for n in range(1, stored + 1)]
    assert stored >= 8
    command = [
        Path(sys.executable).with_name("evenfall"),
        "board",
        "rescue",
        "--image",
        tmp_path / "flash.img",
    ]
    done = subprocess.run([*command, "--archive", tmp_path / "kept"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    with Archive(tmp_path / "kept") as archive:
        kept = {archive.raw(r["run"]) for r in archive.find(Query())}
    assert kept >= set(runs)


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
