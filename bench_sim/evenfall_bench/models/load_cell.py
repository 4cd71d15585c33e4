"""Load cell and its amplifiers."""

from __future__ import annotations

import math
from collections.abc import Callable
from operator import mul
from typing import Any

from .common import RPM, Streams
from .drive import RigidDrive

CODE_MAX = 0x7FFFFF
CODE_MIN = -0x800000
PHASES = 64  # steps of the amplifier's weight tables within one physics step

# values of the input "cell"
WORKS, OPEN, CLAMPED, STUCK, SILENT, CLAMPED_LOW = (float(i) for i in range(6))


def spline_weights(period_steps: float, phase: float) -> list[float]:
    """Weights of the last force samples in one conversion, oldest first; they sum to 1.

    `phase` (0..1) is how far, in steps, the conversion ends after the end of the newest
    step.  The continuous kernel of four boxcars is the cubic B-spline of support four
    periods; it is sampled at the middle of each step.
    """
    n = math.ceil(4.0 * period_steps + phase)
    weights = []
    for age in range(n - 1, -1, -1):
        u = abs((age + 0.5 + phase) / period_steps - 2.0)
        if u < 1.0:
            w = 2.0 / 3.0 - u * u + 0.5 * u**3
        elif u < 2.0:
            w = (2.0 - u) ** 3 / 6.0
        else:
            w = 0.0
        weights.append(w)
    total = sum(weights)
    return [w / total for w in weights]


class LoadCell:
    """Force on the cell: x'' + 2 z w x' + w^2 (x - F) = 0, stepped exactly for F constant over the step.

    F = torque / arm + hoses + drift + shake of chain and engine + noise: the housing on rubber is
    a second-order system.
    """

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        cell, drive = s["load_cell"], s["drive"]
        dt = float(s["bench"]["step_s"])
        w0, z = 2.0 * math.pi * cell["resonance_Hz"], cell["damping"]
        wd = w0 * math.sqrt(1.0 - z * z)
        decay, c, sn = math.exp(-z * w0 * dt), math.cos(wd * dt), math.sin(wd * dt)
        self.a11, self.a12 = decay * (c + z * w0 / wd * sn), decay * sn / wd
        self.a21, self.a22 = -decay * w0 * w0 / wd * sn, decay * (c - z * w0 / wd * sn)
        self.arm_m = cell["arm_m"]
        self.hose_N_Pa, self.hose_N = cell["hose_N_bar"] / 1e5, cell["hose_N"]
        self.shaking = cell["vibration_N"] / (10000.0 * RPM) ** 2
        self.shake_share = drive["shake_share"]
        self.drift = cell["drift_N_s"]
        self.noise = cell["force_noise_N"] / math.sqrt(dt * 1000.0)
        self.gauss = chance("cell").gauss
        # it starts at rest under its standing load, not with a jump
        self.force_N: float = self.hose_N + self.hose_N_Pa * (s["supply"]["pressure_bar"] * 1e5)
        self.rate = 0.0
        self.inputs: dict[str, Callable[[float], None]] = {"cell_push_N": self.set_push}

    def set_push(self, newton: float) -> None:
        """Something leans on the arm."""
        self.hose_N = newton

    def step(
        self, t: float, tb: float, te: float, drive: RigidDrive, inlet_Pa: float, flow_m3_s: float
    ) -> float:
        """Force on the cell, N, after the step that begins at t.

        tb, te: torque of the brake and the engine, N.m; `drive` after its step.
        """
        force = tb / self.arm_m + self.hose_N + self.hose_N_Pa * inlet_Pa + self.drift * t
        if self.shake_share:
            force += self.shake_share * te * drive.wave / self.arm_m
        if self.shaking:
            force += self.shaking * drive.w * drive.w * math.sin(drive.angle)
        if self.noise:
            force += self.gauss(0.0, self.noise)
        d = self.force_N - force
        x: float = force + self.a11 * d + self.a12 * self.rate
        self.rate = self.a21 * d + self.a22 * self.rate
        self.force_N = x
        return x


class Amplifier:
    """Bridge amplifier: four boxcars of one output period each (sinc^4), noise, clamp codes.

    Support and settling four periods, group delay two, as the data sheets of 24-bit bridge
    converters give (settling 50 ms at 80 samples/s); `spline_weights`.
    """

    def __init__(self, s: dict[str, Any], chance: Streams, second: bool = False) -> None:
        """`second`: the one on the bus, which reads the same cell; it makes nothing when none is fitted."""
        amp, cell = s["amplifier"], s["load_cell"]
        self.dt = dt = float(s["bench"]["step_s"])
        self.second = second
        if second:
            self.period = 1.0 / (amp["second_rate_Hz"] or 320.0)
            self.next_ready = 4.0 * self.period if amp["second_rate_Hz"] else 1e18
        else:
            self.period = 1.0 / (amp["rate_Hz"] * (1.0 + amp["rate_error"]))
            self.next_ready = self.period * amp["phase"] + 4.0 * self.period
        self.tables = [spline_weights(self.period / dt, i / PHASES) for i in range(PHASES + 1)]
        self.noise = amp["noise_nV"] / amp["nV_per_count"] * (2.0 if second else 1.0)
        self.gauss = chance("amplifier 2" if second else "amplifier").gauss
        self.spikes = 0.0 if second else amp["spike_chance"]
        self.chance = chance("edges").random
        self.counts_per_N, self.zero_count = cell["counts_per_N"], cell["zero_count"]
        self.stop_N = 1e18 if second else cell["stop_N"]
        self.mode = WORKS
        self.last_code = 0
        self.samples: list[tuple[float, int]] = []

    @property
    def support(self) -> int:
        """Force samples that one conversion looks back over."""
        return math.ceil(4.0 * self.period / self.dt)

    def set_mode(self, mode: float) -> None:
        """One of WORKS, OPEN, CLAMPED, STUCK, SILENT, CLAMPED_LOW."""
        self.mode = mode

    def convert(self, t: float, history: list[float]) -> None:
        """The conversion that ends in the step that begins at t; `history`: force after each step."""
        weights = self.tables[int((self.next_ready - t) / self.dt * PHASES)]
        # the step just made is the newest sample only when the conversion ends after it
        mean = sum(map(mul, weights, history[-len(weights) - 1 : -1]))
        if mean > self.stop_N:
            mean = self.stop_N
        code = round(self.zero_count + self.counts_per_N * mean + self.gauss(0.0, self.noise))
        if self.spikes and self.chance() < self.spikes:
            code = (1 << int(8 + 15 * self.chance())) - 1
        if self.mode:
            if self.mode == STUCK:
                code = self.last_code
            else:
                code = CODE_MIN if self.mode == CLAMPED_LOW else CODE_MAX
        code = CODE_MAX if code > CODE_MAX else CODE_MIN if code < CODE_MIN else code
        self.last_code = code
        if self.mode != SILENT:
            self.samples.append((self.next_ready, code))
        self.next_ready += self.period
