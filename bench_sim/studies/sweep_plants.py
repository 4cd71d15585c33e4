"""The sweep controller on plants that are not its own model: `python bench_sim/studies/sweep_plants.py`.

Each row changes one thing of `textbook_plant` (or of evenfall-bench's, named `bench ...`); per engine of
about 3 and 20 hp the tracking error of each run in %, sweep time in s and, where there is one, the fault that
the board's guard would have raised.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from sweep_loop import RAMP, Loop, Run
from textbook_plant import Plant, TextbookBench, mean_over_turns, racer, saw

ROWS: dict[str, dict[str, Any]] = {
    "base": {},
    "lag 20": {"lag_s": 0.02},
    "lag 40": {"lag_s": 0.04},
    "lag 80": {"lag_s": 0.08},
    "lag 200": {"lag_s": 0.2},
    "dead time 30": {"dead_time_s": 0.03},
    "dead time 60": {"dead_time_s": 0.06},
    "dead time 100": {"dead_time_s": 0.1},
    "dead time 150": {"dead_time_s": 0.15},
    "dead time 60, lag 60": {"dead_time_s": 0.06, "lag_s": 0.06},
    "slow servo, play 60 us": {"servo_full_s": 0.6, "play_us": 60.0},
    "bursts 5 %": {"burst": 0.05},
    "pipe hit": {"hit_rpm": 7500.0},
    "valve x4": {"valve_size": 6.4},
    "valve x0.3": {"valve_size": 0.48},
    "quick-opening": {"valve_exponent": 0.5},
    "geared up 1:2": {"ratio": 2.0},
    "geared down 2:1": {"ratio": 0.5},
    "fill^1.5, speed^1.7": {"fill_exponent": 1.5, "speed_exponent": 1.7},
    "fill^0.7, speed^2.3": {"fill_exponent": 0.7, "speed_exponent": 2.3},
    "all, moderate": {
        "dead_time_s": 0.04,
        "lag_s": 0.04,
        "burst": 0.03,
        "servo_full_s": 0.45,
        "play_us": 30.0,
    },
}
LAGS = {"model": "lagging"}
BENCH: dict[str, dict[str, Any]] = {
    "bench base": {},
    **{
        f"bench lag {ms}": {"brake": {**LAGS, "fill_lag_s": ms / 1000, "drain_lag_s": ms / 1000}}
        for ms in (20, 40, 80, 200)
    },
    "bench lag 5 and 10 turns": {"brake": {**LAGS, "fill_lag_turns": 5.0, "drain_lag_turns": 10.0}},
    **{f"bench dead time {ms}": {"valve": {"hose_delay_s": ms / 1000}} for ms in (30, 60, 100, 150)},
    "bench hose holds 8 ml": {"valve": {"hose_hold_ml": 8.0}},
    "bench servo half as quick, play 60": {"servo": {"slew_us_s": 1750.0, "backlash_us": 60.0}},
    "bench servo of second order": {"servo": {"model": "second order", "natural_Hz": 6.0}},
    "bench sticking valve": {"valve": {"stick_us": 20.0, "jump_us": 10.0, "asymmetry": 0.1}},
    "bench bursts 5 %": {"brake": {**LAGS, "burst": 0.05, "bursts_per_s": 4.0}},
    "bench two patterns": {"brake": {"model": "two patterns"}},
    "bench taps": {"supply": {"model": "taps", "tap_count": 2, "tap_every_s": 3.0}},
    "bench well pump": {"supply": {"model": "pressure switch"}},
    "bench pipe's hit": {"engine": {"model": "two-stroke", "pipe_loss": 0.5}},
    "bench quick-opening": {"valve": {"model": "quick opening"}},
    "bench equal percentage": {"valve": {"model": "equal percentage"}},
    "bench all, moderate": {
        "brake": {**LAGS, "fill_lag_s": 0.03, "drain_lag_s": 0.05, "burst": 0.03, "bursts_per_s": 4.0},
        "valve": {"hose_delay_s": 0.04, "stick_us": 10.0, "jump_us": 5.0},
        "servo": {"slew_us_s": 2500.0, "backlash_us": 25.0},
        "supply": {"model": "taps", "tap_drop": 0.15},
    },
}


class PlantLoop(Loop):
    """`Loop` on a textbook plant."""

    def __init__(self, plant: Plant, seed: int) -> None:
        self._use(TextbookBench(plant, seed))

    def _true_speed(self, truth: list[Any], at_s: list[float]) -> list[float]:
        at, rpm = zip(*mean_over_turns(truth), strict=True)
        return list(np.interp(at_s, at, rpm).tolist())


def cell(runs: list[Run]) -> str:
    """`0.41 0.25 0.24 (9.97 10.00)`; what went wrong after it."""
    rms = " ".join(f"{p.rms_percent:.2f}" for p in runs)
    times = [p.sweep_s for p in runs[1:] if not math.isnan(p.sweep_s)]
    text = f"{rms} ({min(times):.2f}-{max(times):.2f})" if times else rms
    wrong = [f"run {k + 1} {p.fault}" for k, p in enumerate(runs) if p.fault]
    wrong += [f"run {k + 1} no sweep" for k, p in enumerate(runs) if RAMP not in p.phase]
    return text + "".join(f"; {w}" for w in wrong)


def loops(name: str, seed: int) -> Iterator[Loop]:
    if name in BENCH:
        for engine in ("post auger", "race saw"):
            row = BENCH[name]
            yield Loop({**row, "engine": {"use": engine, **row.get("engine", {})}}, seed)
    else:
        for engine in (saw, racer):
            yield PlantLoop(engine(**ROWS[name]), seed)


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("names", nargs="*", help="rows; default all")
    parser.add_argument("--runs", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    if unknown := [name for name in args.names if name not in (*ROWS, *BENCH)]:
        parser.error(f"unknown row {unknown[0]!r}; known are {', '.join([*ROWS, *BENCH])}")
    print("| changed physics | 3 hp: rms % per run (times of later runs, s) | 20 hp |\n|---|---|---|")
    for name in args.names or [*ROWS, *BENCH]:
        print("|", name, end=" ", flush=True)
        for loop in loops(name, args.seed):
            print("|", cell(loop.runs(args.runs)), end=" ", flush=True)
        print("|")


if __name__ == "__main__":
    main()
