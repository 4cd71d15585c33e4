"""The guard over many sweeps: how soon a lost chain cuts the engine, and no false alarm on a sound bench.

pytest -m study -s tests/firmware/test_guard_study.py          (part of `make bench`)
"""

from __future__ import annotations

import sys
import tomllib

import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall_bench import families, scenario
from firmware_rig import PROJECT

sys.path.insert(0, str(PROJECT / "firmware" / "lib"))

from evenfall_board import guard

pytestmark = pytest.mark.study
SOUND = ["race-saw", "big-race-saw", "trimmer", "post-auger", "felling-saw", "worn-bench"]
CLEAN_SEEDS = range(1, 21)
LOST_SEEDS = range(31, 34)
AFTER_S = (0.02, 0.3, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0)
HELD_S = (0.3, 0.6, 0.9)


def bench_of(name):
    return tomllib.loads(scenario.bundled()[name].read_text())


@pytest.mark.parametrize("name", SOUND)
def test_no_false_alarm(name):
    verdicts = {}
    for seed in CLEAN_SEEDS:
        with Rig(bench_of(name), seed=seed) as rig:
            rig.until("sweep", 30)
            while rig.now < 60 and not rig.status()["runs_unacked"]:
                assert rig.status()["fault"] == "none", (name, seed, rig.status()["fault"], rig.now)
                rig.run(0.25)
            ((run_id, *_),) = rig.runs()
            verdict = run_file.decode_run(rig.read(run_id)).verdict["verdict"]
            verdicts[verdict] = verdicts.get(verdict, 0) + 1
    print(f"\n{name}: {len(CLEAN_SEEDS)} sweeps, no fault, verdicts {verdicts}")
    assert "aborted" not in verdicts


def test_no_chain_is_called_off_that_is_on():
    """Benches nobody tuned against, where the controller may lose the engine (`stalled`), never the chain."""
    faults = {}
    for seed in range(1, 81):
        with Rig(families.draw(seed), seed=seed) as rig:
            fault = "none"
            while rig.now < 45 and fault == "none" and not rig.status()["runs_unacked"]:
                rig.run(0.3)
                fault = rig.status()["fault"]
        faults[fault] = faults.get(fault, 0) + 1
    print(f"\nrandom benches: {faults}")
    assert "load_lost" not in faults


def times_ms(name, state, after):
    """From the chain's loss to the fall of the kill line, for each seed."""
    times = []
    for seed in LOST_SEEDS:
        with Rig(bench_of(name), seed=seed) as rig:
            rig.until(state, 30, step=0.02)
            rig.run(after)
            if rig.status()["state"] != state:
                continue
            since, before = rig.now, len(rig.kill)
            rig.board.fault("load_lost")
            rig.run(0.7)
            assert len(rig.kill) > before, (name, state, after, seed)
            assert rig.status()["fault"] in ("load_lost", "stalled")
            times.append((rig.kill[before][0] - since) * 1000)
    return times


@pytest.mark.parametrize("name", SOUND)
def test_chain_off(name):
    in_sweep = {after: times_ms(name, "sweep", after) for after in AFTER_S}
    held = {after: times_ms(name, "steady", after) for after in HELD_S}
    found = [t for times in in_sweep.values() for t in times]
    print(f"\n{name}: {len(found)} times in the sweep, {min(found):.0f} to {max(found):.0f} ms; ", end="")
    print("by time in the sweep: " + ", ".join(f"{a:g} s {max(t):.0f}" for a, t in in_sweep.items() if t))
    late = [t for times in held.values() for t in times]
    print(f"    while the top speed is held: {min(late):.0f} to {max(late):.0f} ms")
    assert max(found) <= guard.ROW["load_lost"][guard.LIMIT_MS]
    assert max(late) <= 600
