"""Faults at random moments on random benches: how soon the ignition is cut, and how fast the shaft got.

EVENFALL_FAULTS=200 pytest -m study -s tests/firmware/test_fault_moments.py     (part of `make bench`)

Each trial draws a bench of the family over all models, a phase, a moment in it and a fault.  A servo that
sticks or water that fails shows only once the speed is off; so such a fault may also end with the run's
own end.  What must not be: an engine that runs on, over its limit or without the board having noticed.
"""

from __future__ import annotations

import os
from random import Random
from typing import Any

import pytest
from bench_rig import Rig
from evenfall_bench.family_study import scenario_of

pytestmark = pytest.mark.study
TRIALS = int(os.environ.get("EVENFALL_FAULTS", "60"))
KINDS = {
    "chain off": "load_lost",
    "servo stuck": "servo_stuck",
    "water lost": "supply_lost",
    "pickup lost": "hall_lost",
}
PHASES = {"steady": 4.0, "sweep": 9.8, "release": 0.6}  # s in it at most
WATCHED_S = {"chain off": 2.5, "servo stuck": 14.0, "water lost": 14.0, "pickup lost": 1.0}
LIMIT_S = {
    "chain off": {"steady": 2.5, "sweep": 0.6, "release": 0.3},  # as BOARD.md has them
    "pickup lost": dict.fromkeys(PHASES, 0.35),
}


def ended(rig: Rig) -> bool:
    """The board has ended the sweep by itself: the load stays on until the person shuts the throttle."""
    return rig.status()["state"] not in ("steady", "sweep")


def trial(number: int) -> dict[str, Any] | None:
    """What became of fault `number`; None when the bench did not come to that phase."""
    rng = Random(f"moments/{number}")
    kind, phase = rng.choice(list(KINDS)), rng.choice(list(PHASES))
    bench = scenario_of("all", rng.randrange(10_000, 20_000))
    with Rig(bench, seed=number) as rig:
        limit_rpm = rig.scenario["board"]["overspeed"]
        try:
            rig.until(phase, 45, step=0.05)
        except AssertionError:
            return None
        rig.run(rng.uniform(0.0, PHASES[phase]))
        now = rig.status()["state"]
        if now != phase:
            return None
        at, before = rig.now, len(rig.kill)
        rig.board.fault(KINDS[kind])
        top_rpm, fault, closed = 0.0, "none", False
        while rig.now < at + WATCHED_S[kind] and len(rig.kill) == before and not closed:
            rig.run(0.01)
            top_rpm = max(top_rpm, rig.bench.speed_rpm)
            if phase == "release" or (kind in ("servo stuck", "water lost") and rig.now > at + 1.0):
                closed = bool(rig.operator.closed_s) or (phase != "release" and ended(rig))
        for _ in range(30):  # what the ignition's end leaves
            rig.run(0.01)
            top_rpm = max(top_rpm, rig.bench.speed_rpm)
        cut = rig.kill[before][0] - at if len(rig.kill) > before else None
        fault = rig.status()["fault"]
    return {
        "kind": kind,
        "phase": phase,
        "cut_s": cut,
        "closed": closed,
        "fault": fault,
        "top": top_rpm / limit_rpm,
        "number": number,
    }


def test_faults_at_random_moments() -> None:
    rows = [row for row in map(trial, range(TRIALS)) if row]
    print(f"\n{len(rows)} of {TRIALS} trials; the others' benches were not in that phase")
    print("| fault | phase | trials | cut | ms: median, longest | sweep ended | neither | top, % of limit |")
    print("|---|---|---|---|---|---|---|---|")
    late = []
    for kind in KINDS:
        for phase in PHASES:
            mine = [r for r in rows if (r["kind"], r["phase"]) == (kind, phase)]
            cuts = sorted(r["cut_s"] for r in mine if r["cut_s"] is not None)
            open_ = [r for r in mine if r["cut_s"] is None]
            ms = f"{1000 * cuts[len(cuts) // 2]:.0f}, {1000 * cuts[-1]:.0f}" if cuts else "-"
            over = sum(r["closed"] for r in open_)
            top = 100 * max((r["top"] for r in mine), default=0.0)
            neither = len(open_) - over
            print(f"| {kind} | {phase} | {len(mine)} | {len(cuts)} | {ms} | {over} | {neither} | {top:.0f} |")
            limit = LIMIT_S.get(kind, {}).get(phase)
            late += [
                r for r in mine if limit and (r["cut_s"] is None or r["cut_s"] > limit) and not r["closed"]
            ]
    for r in rows:
        if (r["cut_s"] is None and not r["closed"]) or r in late or r["top"] > 1.05:
            print(r)
    assert not late
