"""The firmware's sweep controller on the bench's physics, both in CPython: fast, for studies.

The loop is the board's: poll every 2.7 ms, edges to `sensing.Speed`, each conversion to the
controller, its answer to the servo.  Not the whole firmware - that is what `evenfall-bench` runs.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np

PROJECT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(PROJECT / p) for p in ("firmware/lib", "bench_sim", "protocol")]

from evenfall_bench.physics import Bench  # noqa: E402
from evenfall_bench.truth import over_turns  # noqa: E402
from evenfall_board.guard import Guard  # noqa: E402
from evenfall_board.sensing import Speed  # noqa: E402
from evenfall_board.sweep import HOLD, RAMP, RELEASE, Sweep  # noqa: E402
from evenfall_wire.codes import FAULTS  # noqa: E402
from evenfall_wire.settings import SETTINGS  # noqa: E402

MASK = (1 << 30) - 1
POLL_S = 0.0027
DEFAULTS = {s[1]: s[3] for s in SETTINGS}


class Controller(Protocol):
    """What the loop asks of a controller; `sweep.Sweep` and the two rivals have it."""

    phase: int
    set_half_rpm: int
    speed_tick: int

    def begin(self, tick: int, speed_half_rpm: int, servo_us: int) -> None: ...
    def step(self, tick: int, speed_half_rpm: int, torque_mNm: int) -> int: ...


@dataclass
class Run:
    """One run: times s, speeds crank rpm, torque N.m at the brake; errors in % of set speed.

    The true speed is the mean over the turn around each moment: within a turn every engine
    swings, and no valve could or should follow that.
    """

    time_s: list[float] = field(default_factory=list)
    set_rpm: list[float] = field(default_factory=list)
    true_rpm: list[float] = field(default_factory=list)
    servo_us: list[int] = field(default_factory=list)
    torque_Nm: list[float] = field(default_factory=list)
    phase: list[int] = field(default_factory=list)
    done: bool = False
    sweep_s: float = math.nan  # set start to the true speed's crossing of the end speed
    rms_percent: float = math.nan  # true speed against set speed
    worst_percent: float = math.nan
    top_share: float = 0.0  # highest true speed after the start, of the start speed
    run_factor: float = 1.0
    verdict: tuple[int, ...] = ()
    fault: str = ""  # first that the board's guard would have raised before the throttle closed


class Loop:
    """A bench that makes run after run with its engine warm.

    `warm_share`: opening of the valve while the engine spins up; the board's own is a quarter.
    """

    warm_share = 0.0

    def __init__(self, scenario: dict[str, Any], seed: int) -> None:
        self._use(Bench.build(scenario, seed))

    def _use(self, bench: Any) -> None:
        self.bench = bench
        s = self.bench.scenario
        drive, cell = s["drive"], s["load_cell"]
        self.ratio = drive["engine_teeth"] / drive["brake_teeth"]
        self._mNm = cell["arm_m"] / cell["counts_per_N"] * 1000.0
        self._zero = cell["zero_count"]
        self.settings = {**DEFAULTS, **s["board"]}
        gear = {k: drive[k] for k in ("engine_teeth", "brake_teeth")}
        self._speed = Speed({**DEFAULTS, **gear, "magnets": s["hall"]["magnets"]})
        self._t = 0.0
        self._guard = Guard(self.settings, 80)
        self._round_s = 0.0

    def inertia(self) -> float:
        """True inertia as the controller meets it: brake torque per crank acceleration, kg m2."""
        s = self.bench.scenario
        r = self.ratio
        return (s["engine"]["inertia_kg_m2"] + s["brake"]["inertia_kg_m2"] * r * r) / r

    def poll(self) -> list[tuple[int, int, int]]:
        """Let POLL_S pass; conversions as (tick, half rpm, mN.m)."""
        self._t += POLL_S
        self.bench.run_until(self._t)
        for edge in self.bench.take_edges():
            self._speed.edge(int(edge * 4e6) & MASK)
        half_rpm = self._speed.update(int(self.bench.time_s * 4e6) & MASK)
        return [
            (int(t * 4e6) & MASK, half_rpm, round((c - self._zero) * self._mNm))
            for t, c in self.bench.take_samples()
        ]

    # longer than 60 lines: one run from throttle to standstill, step by step
    def run(self, controller: Controller, spin_s: float = 3.0, limit_s: float = 60.0) -> Run:
        """Throttle open, spin up, let the controller sweep, close the throttle, come to rest."""
        bench = self.bench
        out = Run()
        bench.new_run()
        known = len(bench.truth)
        shut, full = self.settings["servo_shut"], self.settings["servo_open"]
        warm_us = round(shut + (full - shut) * self.warm_share)
        bench.set_servo_us(warm_us)
        bench.set_throttle(1.0)
        end = self._t + spin_s
        samples: list[tuple[int, int, int]] = []
        ready = 2 * self.settings["end_speed"] + 1000
        while self._t < end or not samples:
            samples = self.poll()
            # as the armed board: an engine that the warm valve holds down is let go by and by
            if self._t >= end and warm_us != shut and self._speed.half_rpm < ready:
                end = self._t + 1.0
                warm_us -= math.copysign(1, full - shut)
                bench.set_servo_us(warm_us)
        out.run_factor = bench.run_factor
        guard = self._guard
        guard.reset()
        controller.begin(samples[-1][0], samples[-1][1], int(warm_us))
        end = self._t + limit_s
        close_at = math.inf
        while self._t < end and self._t < close_at + 2.5:
            taken = self.poll()
            samples = taken or samples
            for tick, half_rpm, mNm in taken:
                controller.speed_tick = self._speed.mid_tick
                us = controller.step(tick, half_rpm, mNm)
                bench.set_servo_us(us)
                out.time_s.append(bench.time_s)
                out.set_rpm.append(controller.set_half_rpm / 2)
                out.servo_us.append(us)
                out.torque_Nm.append(mNm / 1000)
                out.phase.append(controller.phase)
                if hasattr(controller, "delay_ms"):
                    guard.delay_ms = controller.delay_ms()
                steady, sweeping = controller.phase == HOLD, controller.phase == RAMP
                found = guard.control_step(half_rpm, controller.set_half_rpm, mNm, us, steady, sweeping)
                if found and not out.fault and self._t < close_at:
                    out.fault = FAULTS[found]
            if controller.phase < RELEASE and self._t - self._round_s > 0.01 and samples:
                passed_ms = round((self._t - self._round_s) * 1000)
                known = hasattr(controller, "inertia") and controller.phase == RAMP
                found = guard.breakdown(
                    self._speed.half_rpm,
                    controller.set_half_rpm,
                    passed_ms,
                    samples[-1][2] if samples else 0,
                    controller.inertia() if known else 0,
                )
                if found and not out.fault:
                    out.fault = FAULTS[found]
                self._round_s = self._t
            if controller.phase >= RELEASE and close_at == math.inf:
                close_at = self._t + 0.7
            if self._t >= close_at:
                bench.set_throttle(0.0)
        bench.set_throttle(0.0)
        bench.set_servo_us(self.settings["servo_shut"])
        out.true_rpm = self._true_speed(bench.truth[known:], out.time_s)
        self._judge(out)
        end = self._t + 1.5
        while self._t < end:
            self.poll()
        return out

    def _true_speed(self, truth: list[Any], at_s: list[float]) -> list[float]:
        """Crank rpm, the mean over the turn around each moment."""
        at, rpm = zip(*((t, v) for t, v, *_ in over_turns(truth)), strict=True)
        return list(np.interp(at_s, at, rpm).tolist())

    def _judge(self, p: Run) -> None:
        on_ramp = [i for i, phase in enumerate(p.phase) if phase == RAMP]
        if not on_ramp:
            return
        first, last = on_ramp[0], on_ramp[-1]
        p.done = p.phase[-1] >= RELEASE
        errors = [100.0 * (p.true_rpm[i] / p.set_rpm[i] - 1.0) for i in on_ramp]
        p.rms_percent = math.sqrt(sum(e * e for e in errors) / len(errors))
        p.worst_percent = max(map(abs, errors))
        p.top_share = max(p.true_rpm[i] for i in on_ramp) / p.set_rpm[first]
        # straight line through the true speed around the end: one rough turn ends no sweep
        goal = self.settings["end_speed"] * 1.0
        lo, hi = max(first, last - 24), min(len(p.time_s) - 1, last + 12)
        n = hi - lo + 1
        t = [p.time_s[i] - p.time_s[last] for i in range(lo, hi + 1)]
        w = p.true_rpm[lo : hi + 1]
        if self.settings["upward"]:
            goal = self.settings["start_speed"] * 1.0
        if p.done and n > 6:
            mt, mw = sum(t) / n, sum(w) / n
            slope = sum((a - mt) * (b - mw) for a, b in zip(t, w, strict=True)) / sum(
                (a - mt) ** 2 for a in t
            )
            at = mt + (goal - mw) / slope
            # a speed that wavers about its goal has no such line: then the board's own end stands
            if (slope > 0) != bool(self.settings["upward"]) or not t[0] <= at <= t[-1]:
                at = 0.0
            p.sweep_s = p.time_s[last] + at - p.time_s[first]

    def runs(self, count: int, learned: dict[int, int] | None = None) -> list[Run]:
        """`count` runs of the firmware's own controller, learning from each to the next."""
        slots = {} if learned is None else learned
        made = []
        for _ in range(count):
            c = Sweep(self.settings, slots)
            p = self.run(c)
            p.verdict = c.verdict()
            slots.update(dict(c.learn()))
            made.append(p)
        return made


class FixedPI:
    """Rival: the same straight line, one pair of gains for all engines, opening in microseconds.

    Gains set by hand on the clearing saw of engines.toml: the most that runs without ringing there.
    """

    def __init__(self, settings: dict[str, int], kp_us: float = 3000.0, ki_us: float = 2500.0) -> None:
        self.phase = HOLD
        self.set_half_rpm = 0
        self._s = settings
        self._kp, self._ki = kp_us, ki_us

    def begin(self, tick: int, speed_half_rpm: int, servo_us: int) -> None:
        self._held = speed_half_rpm * 31 / 32
        self.set_half_rpm = int(self._held)
        self._tick = self._begin = tick
        self._i = 0.0
        self._steady = 0.0
        self._approach = True

    def step(self, tick: int, speed_half_rpm: int, torque_mNm: int) -> int:
        dt = min(((tick - self._tick) & MASK) / 4e6, 0.1)
        self._tick = tick
        end = self._s["end_speed"] * 2
        if self.phase == RAMP:
            gone = ((tick - self._start) & MASK) / 4e6
            share = min(gone * 1000 / self._s["sweep_time"], 1.2)
            self.set_half_rpm = max(int(self._held + (end - self._held) * share), end // 2)
        e = (speed_half_rpm - self.set_half_rpm) / self.set_half_rpm
        if self._approach:
            self._i += 250.0 * dt
            self._approach = e > 0.006
        part = self._i + self._kp * e
        if 0 < part < 1000 or (part <= 0) == (e > 0):
            self._i += self._ki * e * dt * (not self._approach)
        if self.phase == HOLD:
            self._steady = self._steady + dt if abs(e) < 0.01 else 0.0
            if self._steady > 1.0 or ((tick - self._begin) & MASK) > 32000000:
                self.phase, self._start = RAMP, tick
        elif self.phase == RAMP and speed_half_rpm <= end:
            self.phase = RELEASE
        elif self.phase == RAMP and ((tick - self._start) & MASK) / 4000 > 1.5 * self._s["sweep_time"]:
            self.phase = RELEASE
        return self._s["servo_shut"] + int(min(max(self._i + self._kp * e, 0), 1000))


class Script:
    """Rival: the openings of an earlier good run of this very bench, played back over time."""

    def __init__(self, settings: dict[str, int], model: Run) -> None:
        self.phase = HOLD
        self.set_half_rpm = int(model.set_rpm[0] * 2)
        on_ramp = model.phase.index(RAMP)
        width = 12
        us = model.servo_us
        smooth = [
            sum(us[max(0, i - width) : i + width + 1]) / len(us[max(0, i - width) : i + width + 1])
            for i in range(len(us))
        ]
        self._ramp_s = model.time_s[on_ramp] - model.time_s[0]
        self._points = [
            (t - model.time_s[0], u, s) for t, u, s in zip(model.time_s, smooth, model.set_rpm, strict=True)
        ]
        self._end = settings["end_speed"] * 2
        self._limit_s = self._ramp_s + settings["sweep_time"] * 1.5e-3
        self._at = 0

    def begin(self, tick: int, speed_half_rpm: int, servo_us: int) -> None:
        self._begin = tick

    def step(self, tick: int, speed_half_rpm: int, torque_mNm: int) -> int:
        gone = ((tick - self._begin) & MASK) / 4e6
        while self._at < len(self._points) - 1 and self._points[self._at][0] < gone:
            self._at += 1
        _, us, set_rpm = self._points[self._at]
        self.set_half_rpm = int(set_rpm * 2)
        if self.phase == HOLD and gone >= self._ramp_s:
            self.phase = RAMP
        elif self.phase == RAMP and (speed_half_rpm <= self._end or gone > self._limit_s):
            self.phase = RELEASE
        return int(us)
