"""Load cell and its amplifiers."""

from __future__ import annotations

import math
from collections.abc import Callable
from operator import mul
from typing import Any

from .common import RPM, WATER_DENSITY_KG_M3, Streams, Text
from .drive import RigidDrive

CODE_MAX = 0x7FFFFF
CODE_MIN = -0x800000
PHASES = 64  # steps of the amplifier's weight tables within one physics step

# values of the input "cell"
WORKS, OPEN, CLAMPED, STUCK, SILENT, CLAMPED_LOW = (float(i) for i in range(6))


def spline_weights(period_steps: float, phase: float, order: int = 4) -> list[float]:
    """Weights of the last force samples in one conversion, oldest first; they sum to 1.

    `phase` (0..1) is how far, in steps, the conversion ends after the end of the newest
    step.  The continuous kernel of `order` boxcars is the B-spline of degree order - 1 and support
    `order` periods; it is sampled at the middle of each step.
    """
    n = math.ceil(order * period_steps + phase)
    ages = [(age + 0.5 + phase) / period_steps for age in range(n - 1, -1, -1)]
    weights = [_cubic(u) for u in ages] if order == 4 else [_b_spline(u, order) for u in ages]
    total = sum(weights)
    return [w / total for w in weights]


def _cubic(age: float) -> float:
    """The cubic B-spline over 0..4."""
    u = abs(age - 2.0)
    if u < 1.0:
        return 2.0 / 3.0 - u * u + 0.5 * u**3
    return (2.0 - u) ** 3 / 6.0 if u < 2.0 else 0.0


def _b_spline(age: float, order: int) -> float:
    """The B-spline of `order` boxcars over 0..order, by the recursion of Cox and de Boor."""
    if order == 1:
        return 1.0 if 0.0 <= age < 1.0 else 0.0
    if not 0.0 <= age < order:
        return 0.0
    rest = (order - age) * _b_spline(age - 1.0, order - 1)
    return (age * _b_spline(age, order - 1) + rest) / (order - 1)


class LoadCell:
    """Force on the cell: x'' + 2 z w x' + w^2 (x - F) = 0, stepped exactly for F constant over the step.

    F = torque / arm + hoses + drift + shake of chain and engine + noise: the housing on rubber is
    a second-order system.
    """

    TEXT = Text(
        "x'' + 2 damping w0 x' + w0^2 (x - F) = 0, w0 = 2 pi resonance_Hz, exact for F constant over"
        " the step; F ="
        " torque / arm + hoses + drift + shake + noise",
        "resonance 25 to 60 Hz, damping 0.05 to 0.2, vibration 0.5 to 2 N at 10,000 rpm",
        "second-order system: any text; numbers: common practice, no source",
    )

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


class TrunnionCell(LoadCell):
    """A housing with friction, jet and heat, and a cell that vibration reaches directly.

    * Trunnion bearings: Coulomb friction of friction_share x torque + friction_Nm, a play operator between
      the water's torque and the cell.
    * Jet: the inflow meets the housing with rho Q^2 / A, A the area of jet_mm, on the arm jet_arm_m (sign:
      with or against the torque).
    * Span: x (1 + span_tc x rise), rise first order to cell_rise_K in cell_time_s from the bench's start.
    * Creep: a share creep of the force comes late, first order in creep_s.
    * Vibration past the housing: direct_N at 10,000 rpm, ~ w^2, at direct_order times the crank; a cell
      that is not straight under vibration reads rectify_N more at 10,000 rpm, ~ w^4.
    """

    TEXT = Text(
        "as housing, and: play operator of friction_share T + friction_Nm; jet rho Q^2 / (pi/4"
        " jet_mm^2) jet_arm_m;"
        " x (1 + span_tc rise); creep first order; + direct_N (n / 10,000)^2 sin(direct_order angle)"
        " after the housing;"
        " + rectify_N (n / 10,000)^4",
        "friction_share 0.002 to 0.005; jet 4 to 6 mm on 0.05 to 0.1 m; span_tc 2e-5 to 2e-4 per K;"
        " creep 0.0002 to"
        " 0.001 in 30 to 300 s; direct 0.5 to 5 N; rectify 0.002 to 0.005 of the force",
        "Coulomb friction, momentum of a jet: any text; creep and span in the order of OIML R 60"
        " classes (from"
        " memory); the rest: common practice, no source",
    )

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        cell = s["load_cell"]
        self.dt = float(s["bench"]["step_s"])
        self.friction_share, self.friction_Nm = cell["friction_share"], cell["friction_Nm"]
        self.felt_Nm = 0.0
        area = math.pi / 4.0 * (cell["jet_mm"] * 1e-3) ** 2
        self.jet = WATER_DENSITY_KG_M3 * cell["jet_arm_m"] / area if area else 0.0  # N.m per (m3/s)^2
        self.span_tc, self.rise_K, self.rise_s = cell["span_tc_K"], cell["cell_rise_K"], cell["cell_time_s"]
        self.creep_share, self.creep_s = cell["creep"], cell["creep_s"]
        self.creep_N = 0.0
        self.direct = cell["direct_N"] / (10000.0 * RPM) ** 2
        self.order = cell["direct_order"]
        self.rectify = cell["rectify_N"] / (10000.0 * RPM) ** 4

    def step(
        self, t: float, tb: float, te: float, drive: RigidDrive, inlet_Pa: float, flow_m3_s: float
    ) -> float:
        """Force on the cell, N, after the step that begins at t."""
        friction = self.friction_share * tb + self.friction_Nm
        if tb - self.felt_Nm > friction:
            self.felt_Nm = tb - friction
        elif tb - self.felt_Nm < -friction:
            self.felt_Nm = tb + friction
        felt = self.felt_Nm + self.jet * flow_m3_s * flow_m3_s
        force = super().step(t, felt, te, drive, inlet_Pa, flow_m3_s)
        if self.creep_share:
            self.creep_N += (self.creep_share * force - self.creep_N) * self.dt / self.creep_s
            force += self.creep_N
        square = drive.w * drive.w
        force += self.direct * square * math.sin(self.order * drive.angle) + self.rectify * square * square
        if self.span_tc:
            force *= 1.0 + self.span_tc * self.rise_K * (1.0 - math.exp(-t / self.rise_s))
        return force


class Amplifier:
    """Bridge amplifier: boxcars of one output period each (four: sinc^4), noise, clamp codes.

    With four, support and settling are four periods and the group delay is two, as the data sheets
    of 24-bit bridge converters give (settling 50 ms at 80 samples/s); `spline_weights`.
    """

    def __init__(self, s: dict[str, Any], chance: Streams, second: bool = False) -> None:
        """`second`: the one on the bus, which reads the same cell; it makes nothing when none is fitted."""
        amp, cell = s["amplifier"], s["load_cell"]
        self.dt = dt = float(s["bench"]["step_s"])
        self.order: int = amp["filter_order"]
        if second:
            self.period = 1.0 / (amp["second_rate_Hz"] or 320.0)
            self.next_ready = self.order * self.period if amp["second_rate_Hz"] else 1e18
        else:
            self.period = 1.0 / (amp["rate_Hz"] * (1.0 + amp["rate_error"]))
            self.next_ready = self.period * amp["phase"] + self.order * self.period
        self.tables = [spline_weights(self.period / dt, i / PHASES, self.order) for i in range(PHASES + 1)]
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
        return math.ceil(self.order * self.period / self.dt)

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
