"""A bench from textbook equations only, to try the controller on physics that its bench model does not share.

It offers what `sweep_loop.Loop` asks of a bench.  Nothing here is taken from evenfall_bench or from the
controller; the numbers are invented and round.  Equations:

    engine      parabola about its peak-torque speed; turns scatter, with a slow wander (first-order
                Gauss-Markov process)
    shaft       J dw/dt = T_engine - ratio x T_brake
    brake       T = T_full (w/w_ref)^p f^q  (power law of hydrodynamic brakes), f: share filled
    lag         brake torque follows the water by a first-order lag
    outflow     capacity x rate x (w/w_ref) f^m
    valve       flow = full flow x curve(opening) x sqrt(pressure), behind a pure dead time
    servo       pulse frames, slew limit, play
    cell        mean over two samples, white noise
    pickup      one edge per turn of the brake
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from random import Random
from typing import Any

STEP_S = 0.001
W_REF = 5000 * math.pi / 30  # rad/s


@dataclass
class Plant:
    """Units in the names; torque at the crank for the engine, at the brake for the brake."""

    name: str = "plant"
    peak_Nm: float = 2.6
    peak_rpm: float = 7500.0
    free_rpm: float = 12000.0  # no torque there
    low_loss: float = 1.0  # curvature below the peak: share lost at zero speed
    hit_rpm: float = 0.0  # a tuned pipe's hit: below it, torque is halved
    inertia_kgm2: float = 0.003
    scatter: float = 0.02  # of each turn
    wander: float = 0.01
    wander_s: float = 1.0
    full_Nm: float = 6.0  # brake, full at W_REF
    speed_exponent: float = 2.0
    fill_exponent: float = 1.0
    outflow_exponent: float = 0.5
    drain_per_s: float = 1.4  # outflow when full at W_REF over the capacity
    drag_Nm: float = 0.03
    lag_s: float = 0.0
    dead_time_s: float = 0.01
    valve_size: float = 1.6  # full flow over the full brake's outflow at W_REF
    valve_exponent: float = 1.6  # flow ~ opening ** this; below 1: quick-opening
    leak: float = 0.01
    pressure: float = 1.0
    ripple: float = 0.02
    ripple_Hz: float = 1.4
    burst: float = 0.0  # relative, each 50 .. 300 ms
    ratio: float = 1.0  # brake speed over crank speed
    servo_full_s: float = 0.3  # shut to open
    play_us: float = 8.0
    frame_s: float = 0.02
    cell_noise: float = 0.004  # of the peak torque


def saw(**changes: Any) -> Plant:
    """About 3 hp."""
    return Plant(**{"name": "3 hp", **changes})


def racer(**changes: Any) -> Plant:
    """About 20 hp."""
    return Plant(
        **{
            "name": "20 hp",
            "peak_Nm": 13.5,
            "peak_rpm": 9500.0,
            "free_rpm": 13500.0,
            "inertia_kgm2": 0.004,
            "scatter": 0.04,
            "full_Nm": 32.0,
            "drag_Nm": 0.1,
            **changes,
        }
    )


class TextbookBench:
    """The plant in time; the interface of the bench that `Loop` uses."""

    def __init__(self, plant: Plant, seed: int) -> None:
        self.plant = p = plant
        self.rng = Random(seed)
        self.scenario: dict[str, Any] = {
            "bench": {"title": p.name},
            "drive": {"engine_teeth": round(20 * p.ratio), "brake_teeth": 20},
            "load_cell": {"arm_m": 1.0, "counts_per_N": 1e5, "zero_count": 0},
            "hall": {"magnets": 1},
            "board": {},
        }
        self.time_s = 0.0
        self.run_factor = 1.0
        self.truth: list[tuple[float, float, float, float]] = []
        self.w = 400.0
        self.fill = 0.0
        self.torque = 0.0
        self.lagged = 0.0
        self.pulse = self.want = 1000.0
        self.linkage = 0.0
        self.throttle = 0.0
        self.turn = 0.0
        self.brake_turn = 0.0
        self.factor = 1.0
        self.slow = 0.0
        self.burst = 0.0
        self.burst_until = 0.0
        self.pipe: deque[float] = deque([0.0] * max(1, round(p.dead_time_s / STEP_S)))
        self.edges: list[float] = []
        self.samples: list[tuple[float, int]] = []
        self.cell: deque[float] = deque([0.0] * 25)
        self.next_sample = 0.0
        self.next_frame = 0.0
        self.frame_pulse = 1000.0

    @property
    def speed_rpm(self) -> float:
        return self.w * 30 / math.pi

    def set(self, name: str, value: float) -> None:
        setattr(self.plant, name, value)

    def new_run(self) -> None:
        self.run_factor = 1.0

    def set_servo_us(self, us: float) -> None:
        self.want = us

    def set_throttle(self, share: float) -> None:
        self.throttle = share

    def take_edges(self) -> list[float]:
        out, self.edges = self.edges, []
        return out

    def take_samples(self) -> list[tuple[float, int]]:
        out, self.samples = self.samples, []
        return out

    def engine_Nm(self, rpm: float) -> float:
        p = self.plant
        if rpm > p.peak_rpm:
            x = (rpm - p.peak_rpm) / (p.free_rpm - p.peak_rpm)
            t = 1 - x * x
        else:
            x = (p.peak_rpm - rpm) / p.peak_rpm
            t = 1 - p.low_loss * x * x
        if p.hit_rpm:
            t *= 0.5 + 0.5 / (1 + math.exp(-(rpm - p.hit_rpm) / 130))
        t *= p.peak_Nm * self.throttle * self.factor
        if self.throttle < 0.5:
            t -= 0.1 * p.peak_Nm * min(rpm / 3000, 1.0)
        return t

    def run_until(self, t: float) -> None:
        while self.time_s < t:
            self._step()

    def _step(self) -> None:
        p = self.plant
        rng = self.rng
        t = self.time_s = self.time_s + STEP_S
        if t >= self.next_frame:
            self.next_frame += p.frame_s
            self.frame_pulse = self.want
        reach = 1000.0 / p.servo_full_s * STEP_S
        self.pulse += min(max(self.frame_pulse - self.pulse, -reach), reach)
        half = p.play_us / 2
        self.linkage = min(max(self.linkage, self.pulse - half), self.pulse + half)
        u = min(max((self.linkage - 1000.0) / 1000.0, 0.0), 1.0)
        area = p.leak + (1 - p.leak) * u**p.valve_exponent
        noise = 1 + p.ripple * math.sin(2 * math.pi * p.ripple_Hz * t)
        self.pipe.append(p.valve_size * area * math.sqrt(max(p.pressure * noise, 0.0)))
        inflow = self.pipe.popleft() * p.drain_per_s
        wb = self.w * p.ratio
        speed = wb / W_REF
        outflow = p.drain_per_s * (0.05 + speed) * max(self.fill, 0.0) ** p.outflow_exponent
        self.fill = min(max(self.fill + (inflow - outflow) * STEP_S, 0.0), 1.0)
        if p.burst and t >= self.burst_until:
            self.burst = p.burst * rng.choice((-1.0, 1.0))
            self.burst_until = t + rng.uniform(0.05, 0.3)
        still = p.full_Nm * speed**p.speed_exponent * self.fill**p.fill_exponent * (1 + self.burst)
        if p.lag_s:
            self.lagged += (still - self.lagged) * STEP_S / p.lag_s
        else:
            self.lagged = still
        self.torque = self.lagged + p.drag_Nm
        rpm = self.speed_rpm
        engine = self.engine_Nm(rpm)
        self.w = max(self.w + (engine - p.ratio * self.torque) / p.inertia_kgm2 * STEP_S, 50.0)
        self.turn += self.w * STEP_S
        if self.turn >= 2 * math.pi:
            self.turn -= 2 * math.pi
            dt = 2 * math.pi / self.w
            self.slow += -self.slow * dt / p.wander_s + p.wander * math.sqrt(2 * dt / p.wander_s) * rng.gauss(
                0, 1
            )
            self.factor = max(1 + self.slow + p.scatter * rng.gauss(0, 1), 0.0)
        self.brake_turn += wb * STEP_S
        if self.brake_turn >= 2 * math.pi:
            self.brake_turn -= 2 * math.pi
            self.edges.append(t - self.brake_turn / wb)
        self.cell.append(self.torque)
        self.cell.popleft()
        if t >= self.next_sample:
            self.next_sample += 0.0125
            force = sum(self.cell) / len(self.cell) + p.cell_noise * p.peak_Nm * rng.gauss(0, 1)
            self.samples.append((t, round(force * 1e5)))
        self.truth.append((t, self.fill, rpm, engine))


def mean_over_turns(truth: list[tuple[float, float, float, float]]) -> list[tuple[float, float]]:
    """(time, crank rpm averaged over 20 ms about it)."""
    out = []
    total = 0.0
    rpm = [row[2] for row in truth]
    for i in range(len(rpm)):
        total += rpm[i]
        if i >= 20:
            total -= rpm[i - 20]
            out.append((truth[i][0] - 0.01, total / 20))
    return out


__all__ = ["Plant", "TextbookBench", "mean_over_turns", "racer", "saw"]
