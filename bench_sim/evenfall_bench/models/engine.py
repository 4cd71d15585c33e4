"""Engines: torque at the crank from throttle, speed, air and chance."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import RPM, Streams, interpolate

REFERENCE_DRY_PA = 99000.0
REFERENCE_K = 298.15
TABLE_RPM = 25.0  # spacing of the torque table
TURN = 2.0 * math.pi


def saturation_Pa(temperature_K: float) -> float:
    """Vapour pressure over water; Magnus form, WMO-No. 8 (CIMO guide) constants."""
    celsius = temperature_K - 273.15
    return 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))


def air_mass_factor(pressure_Pa: float, temperature_K: float, humidity: float) -> float:
    """Mass flow of dry air relative to 99 kPa dry and 298.15 K: (p_dry/p0) sqrt(T0/T)."""
    dry = pressure_Pa - humidity * saturation_Pa(temperature_K)
    return dry / REFERENCE_DRY_PA * math.sqrt(REFERENCE_K / temperature_K)


class MapEngine:
    """T = throttle x map(w) x gain x (cycle + wander) + (1 - throttle) x idle governor.

    gain = air x warmth x factor of this run; `cycle` is drawn anew at each turn of the crank,
    `wander` is a first-order Gauss-Markov process.  A firing wave once per turn rides on it.
    """

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        e = s["engine"]
        self.dt = dt = float(s["bench"]["step_s"])
        weather = s["weather"]
        self.points: list[list[float]] = e["torque_map"]
        # a table, far past the end of the map; its last cell goes on in a straight line
        longest = max(25000.0, 1.5 * self.points[-1][0])
        self.table = [interpolate(self.points, TABLE_RPM * i) for i in range(int(longest / TABLE_RPM) + 2)]
        self.last_cell = len(self.table) - 2
        self.cell_w = TABLE_RPM * RPM
        peak = max(t for _, t in self.points)
        self.peak_Nm = peak
        self.idle_w, self.stall_w = e["idle_rpm"] * RPM, e["stall_rpm"] * RPM
        self.limiter_w = e["limiter_rpm"] * RPM if e["limiter_rpm"] else 1e9
        self.idle_gain = 0.6 * peak / self.idle_w
        self.closed_drag = -e["closed_drag_share"] * peak
        self.cycle_scatter = e["cycle_scatter"]
        self.gauss_cycle = chance("cycle").gauss
        self.next_cycle = TURN
        self.cycle = 1.0
        self.wander_keep = math.exp(-dt / e["wander_time_s"])
        self.wander_push = e["wander"] * math.sqrt(1.0 - self.wander_keep**2)
        self.gauss_wander = chance("wander").gauss
        self.wander = 0.0
        self.ripple = e["firing_ripple"]
        self.friction_share: float = e["friction_share"]
        self.throttle = self.throttle_to = 0.0
        self.throttle_rate = dt / s["operator"]["throttle_time_s"]
        self.firing_on = self.ignition = True

        self.warmup_loss, self.warmup_time_s = e["warmup_loss"], e["warmup_time_s"]
        self.heat = e["start_warm"]  # 0 cold .. 1 warm
        self.warm: float = 1.0 - self.warmup_loss * (1.0 - self.heat)
        self.run_scatter = e["run_scatter"]
        self.gauss_run = chance("pull").gauss
        self.run_factor = 1.0
        self.torque_factor: float = e["torque_factor"]
        self.pressure_Pa = float(weather["pressure_Pa"])
        self.temperature_K = 273.15 + float(weather["temperature_C"])
        self.humidity = float(weather["humidity"])
        self.pressure_drift = weather["pressure_drift_Pa_s"]
        self.temperature_drift = weather["temperature_drift_K_s"]
        self.gain = 1.0
        self.set_gain()
        self.inputs: dict[str, Callable[[float], None]] = {
            "throttle": self.set_throttle,
            "ignition": self.set_ignition,
            "run": self.new_run,
            "torque_factor": self.set_torque_factor,
            "weather_Pa": self.set_pressure,
            "weather_K": self.set_temperature,
        }

    # --- what can be done to it ---

    def set_throttle(self, opening: float) -> None:
        """Where the hand moves the throttle to, 0..1."""
        self.throttle_to = opening

    def set_ignition(self, on: float) -> None:
        """1: the kill line lets the ignition work."""
        self.ignition = on > 0.5

    def new_run(self, _: float) -> None:
        """Draw the factor of the next run."""
        self.run_factor = 1.0 + self.gauss_run(0.0, self.run_scatter)

    def set_torque_factor(self, factor: float) -> None:
        """Multiplies the map."""
        self.torque_factor = factor

    def set_pressure(self, pascal: float) -> None:
        """Station pressure."""
        self.pressure_Pa = pascal

    def set_temperature(self, kelvin: float) -> None:
        """Intake air."""
        self.temperature_K = kelvin

    # --- what it does ---

    def air_factor(self) -> float:
        """Torque in this air against that at 99 kPa dry and 298.15 K."""
        air = air_mass_factor(self.pressure_Pa, self.temperature_K, self.humidity)
        return air * (1.0 + self.friction_share) - self.friction_share

    def set_gain(self) -> None:
        """Put together what multiplies the map now."""
        self.gain = self.air_factor() * self.warm * self.run_factor * self.torque_factor

    @property
    def warm_factor(self) -> float:
        """What warmth and the true gain make of the map."""
        return self.warm * self.torque_factor

    def map_Nm(self, speed_rpm: float) -> float:
        """The map in reference air at full throttle."""
        return interpolate(self.points, speed_rpm)

    def fires(self, w: float) -> bool:
        """Whether it fires at that crank speed (rad/s), the limiter apart."""
        return self.firing_on and self.ignition and w > self.stall_w

    def step(self, w: float, angle: float) -> float:
        """Torque in N.m over the step that begins at crank speed w (rad/s) and angle (rad)."""
        if self.throttle != self.throttle_to:
            d = self.throttle_to - self.throttle
            rate = self.throttle_rate
            if d > rate:
                self.throttle += rate
            elif d < -rate:
                self.throttle -= rate
            else:
                self.throttle = self.throttle_to
        if self.wander_push:
            self.wander = self.wander * self.wander_keep + self.gauss_wander(0.0, self.wander_push)
        if angle >= self.next_cycle:
            self.next_cycle += TURN
            self.cycle = 1.0 + self.gauss_cycle(0.0, self.cycle_scatter)
        if self.firing_on and self.ignition and self.stall_w < w < self.limiter_w:
            xi = w / self.cell_w
            i = int(xi)
            if i > self.last_cell:
                i = self.last_cell
            closed = self.idle_gain * (self.idle_w - w)
            if closed < self.closed_drag:
                closed = self.closed_drag
            full = self.table[i]
            full += (self.table[i + 1] - full) * (xi - i)
            throttle = self.throttle
            torque: float = (
                throttle * full * self.gain * (self.cycle + self.wander) + (1.0 - throttle) * closed
            )
            if self.ripple:
                torque += self.ripple * torque * math.cos(angle)
            return torque
        return self.closed_drag if w > 0.0 else 0.0

    def slow_step(self, steps: int) -> None:
        """What changes slowly, over the last `steps` steps: warmth and weather."""
        dt = self.dt
        if self.firing_on and self.ignition:
            self.heat += (1.0 - self.heat) * steps * dt * self.throttle / self.warmup_time_s
        self.warm = 1.0 - self.warmup_loss * (1.0 - self.heat)
        self.pressure_Pa += self.pressure_drift * steps * dt
        self.temperature_K += self.temperature_drift * steps * dt
        self.set_gain()
