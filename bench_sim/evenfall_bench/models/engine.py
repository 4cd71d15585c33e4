"""Engines: torque at the crank from throttle, speed, air and chance."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import RPM, Streams, Text, interpolate

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

    TEXT = Text(
        "T = throttle x map(w) x air x warmth x run factor x (cycle + wander) + (1 - throttle) x idle"
        " governor;"
        " cycle drawn anew each turn, wander first-order Gauss-Markov; past the map its last cell goes on"
        " in a straight line",
        "cycle_scatter 0.03 to 0.10, wander 0.003 at 2 s, run_scatter 0.002, firing_ripple 0.3 to 1",
        "air: compressible orifice flow, Heywood, appendix C (from memory); numbers: common practice,"
        " no source",
    )

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        e = s["engine"]
        self.dt = dt = float(s["bench"]["step_s"])
        weather = s["weather"]
        self.points: list[list[float]] = self.curve(e)
        # a table, far past the end of the map; its last cell goes on in a straight line
        longest = max(25000.0, 1.5 * self.points[-1][0])
        self.table = [interpolate(self.points, TABLE_RPM * i) for i in range(int(longest / TABLE_RPM) + 2)]
        self.last_cell = len(self.table) - 2
        self.cell_w = TABLE_RPM * RPM
        peak = max(t for _, t in e["torque_map"])
        self.peak_Nm: float = peak
        self.idle_w, self.stall_w = e["idle_rpm"] * RPM, e["stall_rpm"] * RPM
        self.limiter_w = e["limiter_rpm"] * RPM if e["limiter_rpm"] else 1e9
        self.idle_gain = 0.6 * peak / self.idle_w
        self.closed_drag = -e["closed_drag_share"] * peak
        self.cycle_scatter = e["cycle_scatter"]
        self.gauss_cycle = chance("cycle").gauss
        self.next_cycle = TURN
        self.cycle = 1.0
        self.wander_decay = math.exp(-dt / e["wander_time_s"])
        self.wander_gain = e["wander"] * math.sqrt(1.0 - self.wander_decay**2)
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

    @staticmethod
    def curve(engine: dict[str, Any]) -> list[list[float]]:
        """[crank rpm, N.m] at full throttle in reference air, from the engine's table."""
        points: list[list[float]] = engine["torque_map"]
        return points

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

    def state(self) -> dict[str, float]:
        """What moves the curve beside air and gain; goes into a run's truth, and back into `map_Nm`."""
        return {}

    def map_Nm(self, speed_rpm: float, state: dict[str, float]) -> float:
        """Mean torque in reference air at full throttle, in a kept `state`."""
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
        if self.wander_gain:
            self.wander = self.wander * self.wander_decay + self.gauss_wander(0.0, self.wander_gain)
        if angle >= self.next_cycle:
            self.next_cycle += TURN
            self.cycle = self.draw_cycle(w)
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

    def draw_cycle(self, w: float) -> float:
        """Factor of the torque over the turn that begins at crank speed w."""
        return 1.0 + self.gauss_cycle(0.0, self.cycle_scatter)

    def slow_step(self, steps: int) -> None:
        """What changes slowly, over the last `steps` steps: warmth and weather."""
        dt = self.dt
        if self.firing_on and self.ignition:
            self.heat += (1.0 - self.heat) * steps * dt * self.throttle / self.warmup_time_s
        self.warm = 1.0 - self.warmup_loss * (1.0 - self.heat)
        self.pressure_Pa += self.pressure_drift * steps * dt
        self.temperature_K += self.temperature_drift * steps * dt
        self.set_gain()


TAIL_SHARE = 0.25  # of peak torque: from there the free engine leaves the loaded map
FOUR_STROKE_RPM = 500.0  # over which four-stroking comes and goes


class TwoStroke(MapEngine):
    """A map with what two-strokes do beside it; every effect is off at its default.

    * free speed: from 25 % of peak torque on the falling flank in a straight line to zero at
      free_rpm, then on to the friction torque -friction at 1.25 free_rpm, and no further.
    * pipe hit: x (1 - loss (1 - S)), S = (1 + tanh(2.197 (n - pipe_rpm) / width)) / 2, so that the
      rise from 10 to 90 % takes `width`.
    * warm pipe: the curve is stretched in speed by sqrt(T / T_hot) (speed of sound), from
      1 - pipe_cold when cold to 1, first order in pipe_time_s at full throttle; it cools as it warmed.
    * four-stroking: in a band of speed a turn that follows a fired one misses with chance p; mean
      torque x 1 / (1 + p).
    * correlated cycles: first-order autoregressive, c' = r c + sqrt(1 - r^2) draw.
    """

    TEXT = Text(
        "as map, and: tail to free_rpm, then -free_friction; x (1 - loss (1 - S)), S = (1 + tanh(2.197"
        " (n - pipe_rpm) / width)) / 2; speed axis x sqrt(T_pipe / T_hot); a turn after a fired one"
        " misses with"
        " chance p in the four-stroking band, mean x 1 / (1 + p); c' = r c + sqrt(1 - r^2) draw",
        "free_rpm 1.15 to 1.4 x the map's end, free_friction_share 0.1 to 0.3; pipe_loss 0.2 to 0.5"
        " within 500 to"
        " 1,500 rpm; pipe_cold 0.02 to 0.06 in 2 to 10 s; four_stroke_share 0.05 to 0.5;"
        " cycle_correlation -0.3 to 0.5",
        "speed of sound with the root of temperature: any gas dynamics text; the rest: common practice,"
        " no source",
    )

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        e = s["engine"]
        self.stretch = 1.0
        self.skip_from, self.skip_to = e["four_stroke_from_rpm"], e["four_stroke_to_rpm"]
        self.skip_share: float = e["four_stroke_share"]
        self.skip = chance("four-stroking").random
        self.fired = True
        self.correlation = e["cycle_correlation"]
        self.kick = math.sqrt(1.0 - self.correlation**2)
        self.scatter = 0.0
        self.pipe_cold, self.pipe_time_s = e["pipe_cold"], e["pipe_time_s"]
        self.pipe_heat = 0.0 if self.pipe_cold else 1.0
        self.cool_time_s = e["cool_time_s"]
        super().__init__(s, chance)
        self.hot_cell_w = self.cell_w
        self._stretch_curve()

    @staticmethod
    def curve(engine: dict[str, Any]) -> list[list[float]]:
        """[crank rpm, N.m] at full throttle in reference air, pipe hot, no four-stroking."""
        points = [list(p) for p in engine["torque_map"]]
        peak = max(t for _, t in points)
        free = engine["free_rpm"]
        if free:
            top = max(range(len(points)), key=lambda i: points[i][1])
            while points[top][1] > TAIL_SHARE * peak and top < len(points) - 1:
                top += 1
            (n0, t0), (n1, t1) = points[top - 1], points[top]
            leave = n0 + (n1 - n0) * (t0 - TAIL_SHARE * peak) / max(t0 - t1, 1e-9)
            points = [*points[:top], [leave, TAIL_SHARE * peak], [max(free, leave + 100.0), 0.0]]
            friction = -engine["free_friction_share"] * peak
            last = points[-1][0]
            points += [[1.25 * last, friction], [2.5 * last, friction]]
        if engine["pipe_loss"]:
            fine = [TABLE_RPM * i for i in range(1, int(points[-1][0] / TABLE_RPM) + 1)]
            middle, width, loss = engine["pipe_rpm"], engine["pipe_width_rpm"], engine["pipe_loss"]
            points = [
                [
                    n,
                    interpolate(points, n)
                    * (1.0 - loss * 0.5 * (1.0 - math.tanh(2.197 * (n - middle) / width))),
                ]
                for n in fine
            ]
        return points

    def skip_chance(self, rpm: float) -> float:
        """Chance that the turn after a fired one misses."""
        up = (rpm - self.skip_from) / FOUR_STROKE_RPM
        down = (self.skip_to - rpm) / FOUR_STROKE_RPM
        return self.skip_share * max(0.0, min(1.0, up, down))

    def state(self) -> dict[str, float]:
        """The stretch of the speed axis."""
        return {"speed_factor": self.stretch}

    def map_Nm(self, speed_rpm: float, state: dict[str, float]) -> float:
        """Mean torque in reference air at full throttle, in a kept `state`."""
        torque = interpolate(self.points, speed_rpm / state.get("speed_factor", 1.0))
        return torque / (1.0 + self.skip_chance(speed_rpm)) if self.skip_share else torque

    def draw_cycle(self, w: float) -> float:
        """Factor of the torque over the turn that begins at crank speed w; 0: it misses."""
        self.scatter = self.correlation * self.scatter + self.kick * self.gauss_cycle(0.0, self.cycle_scatter)
        if self.skip_share and self.fired and self.throttle > 0.5 and self.skip() < self.skip_chance(w / RPM):
            self.fired = False
            return 0.0
        self.fired = True
        return 1.0 + self.scatter

    def slow_step(self, steps: int) -> None:
        """Warmth, weather and the pipe."""
        super().slow_step(steps)
        seconds = steps * self.dt
        works = self.firing_on and self.ignition
        if self.cool_time_s:
            self.heat -= self.heat * seconds * (1.0 - self.throttle) / self.cool_time_s
        if self.pipe_cold:
            goal = self.throttle if works else 0.0
            self.pipe_heat += (goal - self.pipe_heat) * seconds / (self.pipe_time_s + seconds)
            self._stretch_curve()

    def _stretch_curve(self) -> None:
        cold = (1.0 - self.pipe_cold) ** 2  # temperature against hot
        self.stretch = math.sqrt(cold + (1.0 - cold) * self.pipe_heat)
        self.cell_w = self.hot_cell_w * self.stretch
