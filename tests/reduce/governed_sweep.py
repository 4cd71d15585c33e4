"""Sweeps in which the engine's scatter moves the shaft; shares no code with the reduction.

The engine's torque changes from turn to turn (`turn_scatter`, relative standard deviation of one turn).
A governor holds the ramp with a finite bandwidth, so a strong turn speeds the shaft up before the brake
answers: rate and torque of a bin then err together.  Equations: J dw/dt = T_engine - T_brake (Euler),
T_brake = first-order lag of (feedforward + K (w - w_set)), explicit steps of 0.5 ms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from evenfall.model import Calibration, Run, Setup

STEP_S = 0.0005
PERIOD_STEPS = 24  # one conversion: 12 ms
HOLD_S = 1.2
ARM_M = 0.25
SPAN = 42_000.0  # counts per newton
ZERO = 50_000.0
RAD_S = np.pi / 30


@dataclass(frozen=True)
class Plant:
    """An invented engine on its brake."""

    inertia_kg_m2: float = 2e-3
    torque_Nm: float = 3.0
    bow_Nm: float = 1.0  # height of the curve's hump
    top_rpm: float = 11_000.0
    end_rpm: float = 5_000.0
    governor_Hz: float = 1.5
    lag_s: float = 0.05

    def torque(self, rpm):
        return self.torque_Nm + self.bow_Nm * np.exp(-(((rpm - 7800.0) / 2200.0) ** 2))


def sweep_runs(
    plant: Plant,
    sweep_s: float,
    turn_scatter: float,
    count: int,
    seed: int,
    run_scatter: float = 0.0,
    zero_N: float = 0.0,
) -> list[Run]:
    """`count` runs of one engine swept in `sweep_s`; each with its own turns (`run_scatter`: of whole
    runs; `zero_N`: how far the zero is off, standard deviation)."""
    rng = np.random.default_rng([seed, round(sweep_s * 1000), round(turn_scatter * 1e6)])
    J = plant.inertia_kg_m2
    total = round((HOLD_S + sweep_s + 0.3) / STEP_S)
    rate = (plant.top_rpm - plant.end_rpm) * RAD_S / sweep_s
    strong = 1 + turn_scatter * rng.normal(size=(count, int(plant.top_rpm / 60 * (HOLD_S + sweep_s + 1))))
    strong *= 1 + run_scatter * rng.normal(size=(count, 1))
    speed = np.full(count, plant.top_rpm * RAD_S)
    angle = np.zeros(count)
    brake = plant.torque(speed / RAD_S)
    gain = J * 2 * np.pi * plant.governor_Hz
    speeds, brakes, angles = (np.empty((total, count)) for _ in range(3))
    rows = np.arange(count)
    for i in range(total):
        t = i * STEP_S - HOLD_S
        falling = rate if t > 0 else 0.0
        wanted = plant.top_rpm * RAD_S - max(t, 0.0) * rate
        turn = (angle / (2 * np.pi)).astype(int)
        engine = plant.torque(speed / RAD_S) * strong[rows, turn]
        command = plant.torque(wanted / RAD_S) + J * falling + gain * (speed - wanted)
        brake += (command - brake) * STEP_S / plant.lag_s
        after = speed + (engine - brake) / J * STEP_S
        angle += (speed + after) / 2 * STEP_S
        speed = after
        speeds[i], brakes[i], angles[i] = speed, brake, angle
    return [
        _observe(
            plant, brakes[:, k] + zero_N * ARM_M * rng.normal(), angles[:, k], sweep_s, seed * 1000 + k, rng
        )
        for k in range(count)
    ]


def _observe(plant: Plant, brake, angle, sweep_s: float, number: int, rng) -> Run:
    """What cell, amplifier (four moving averages of one conversion) and pickup make of it."""
    seen = brake / ARM_M
    for _ in range(4):
        sums = np.concatenate((np.full(PERIOD_STEPS, 0.0), np.cumsum(seen)))
        seen = (sums[PERIOD_STEPS:] - sums[:-PERIOD_STEPS]) / PERIOD_STEPS
    ready = np.arange(4 * PERIOD_STEPS + int(rng.integers(PERIOD_STEPS)), seen.size, PERIOD_STEPS)
    counts = np.rint(ZERO + SPAN * seen[ready] + rng.normal(0, 40, ready.size)).astype(np.int64)
    time = (np.arange(brake.size) + 1) * STEP_S
    turns = np.arange(1, int(angle[-1] / (2 * np.pi)))
    return Run(
        run_id=number, board_uid="e66164084b123456", firmware="made", started_unix_s=1_700_000_000 + number,
        trigger="button",
        settings={"engine_teeth": 10, "brake_teeth": 10, "magnets": 1, "arm_length": round(ARM_M * 1e6),
                  "span": round(SPAN * 1000), "steady_time": 500},
        load_time_s=time[ready], load_count=counts, edge_time_s=np.interp(turns * 2 * np.pi, angle, time),
        trace_time_s=np.zeros(0), trace_set_speed_rpm=np.zeros(0), trace_speed_rpm=np.zeros(0),
        trace_valve_us=np.zeros(0), trace_flags=np.zeros(0, np.int64), events=[], air=[],
        zeros=[(-2.0, ZERO, 212.0, 160)],
        verdict={"verdict": "good", "reason": "none", "sweep_start_tick": HOLD_S,
                 "sweep_end_tick": HOLD_S + sweep_s},
        complete=True,
    )  # fmt: skip


def calibration() -> Calibration:
    return Calibration(zero_count=ZERO, span_count_per_N=SPAN, span_u_rel=0.001, arm_m=ARM_M, arm_u_m=0.0002)


def setup() -> Setup:
    return Setup()
