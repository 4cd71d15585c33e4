"""The engine bench as physics: pure Python floats in SI, deterministic by seed.

`Bench` takes a complete scenario (scenario.complete), builds the parts that it chooses
(models/) and advances them in fixed steps (1 ms).  It knows nothing of firmware: in go servo
pulses, throttle and the kill line, out come amplifier conversions and Hall edges with their
times, and the truth.

    bench = Bench.build({"engine": {"use": "clearing saw"}}, seed=3)
    bench.set_throttle(1.0)
    bench.run_until(2.0)
    bench.set_servo_us(1400.0)
    for time_s, code in bench.take_samples(): ...

One step, part by part (`_advance`):

    supply -> pressure --+
    servo -> valve ------+--> line -> flow -> hose -> brake's fill -> brake's torque --+
    engine (speed, angle) -> torque ---------------------------------------------------+--> drive
    drive -> speeds, angles -> heat of the water, load cell -> amplifiers, Hall edges, truth

Sources stand with each part.  Where none is named the model is common practice, without a source.

* Air: an engine breathes through a restriction at a given pressure ratio, so its mass
  flow goes as p / sqrt(T) (compressible orifice flow, e.g. J. B. Heywood, Internal
  Combustion Engine Fundamentals, appendix C, from memory).  Torque follows the dry
  air.  Saturation pressure: Magnus form with the constants of WMO-No. 8 (6.112 hPa,
  17.62, 243.12 C).  The engine maps hold at 99 kPa dry and 298.15 K.
* Water: c = 4182 J/(kg K), rho = 998 kg/m3 (20 C, checked against CoolProp in the tests).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from typing import Any

from . import scenario as _scenario
from .models import Amplifier, Hall, Streams, hose, line, part
from .models.common import RPM, WATER_DENSITY_KG_M3, WATER_HEAT_J_KGK, interpolate
from .models.engine import air_mass_factor, saturation_Pa
from .models.load_cell import CODE_MAX, CODE_MIN, spline_weights

__all__ = [
    "CODE_MAX",
    "CODE_MIN",
    "RPM",
    "TRUTH_FIELDS",
    "WATER_DENSITY_KG_M3",
    "WATER_HEAT_J_KGK",
    "Bench",
    "air_mass_factor",
    "interpolate",
    "saturation_Pa",
    "spline_weights",
]

SLOW_S = 0.1  # warmth and weather move on this often

TRUTH_FIELDS = (
    "time_s",
    "speed_rpm",  # crank
    "brake_speed_rpm",
    "engine_torque_Nm",  # mean over the record's interval, at the crank
    "brake_torque_Nm",  # mean, at the brake shaft: what the housing feels
    "fill",
    "valve",  # 0 shut, 1 open, at the valve itself
    "flow_m3_s",
    "supply_Pa",
    "water_K",
    "force_N",  # on the cell, housing dynamics included
    "throttle",
    "firing",  # 1 while the engine fires
)


class Bench:
    """One bench; see the module's text.  Times are seconds from its start."""

    def __init__(self, scenario: dict[str, Any], seed: int = 0) -> None:
        """`scenario` must be complete (scenario.complete); use `build` for a partial one."""
        self.scenario = scenario
        self.seed = seed
        self.dt = float(scenario["bench"]["step_s"])
        self.time_s = 0.0
        self.truth: list[tuple[float, ...]] = []
        self.truth_limit = 0  # records kept at most, the newest; 0: all
        self.runs = 0

        chance = Streams(seed)
        self.engine = part("engine", scenario, chance)
        self.drive = part("drive", scenario, chance)
        self.brake = part("brake", scenario, chance)
        self.supply = part("supply", scenario, chance)
        self.servo = part("servo", scenario, chance)
        self.valve = part("valve", scenario, chance)
        self.line = line(scenario, chance)
        self.hose = hose(scenario, chance)
        self.cell = part("load_cell", scenario, chance)
        self.amplifier = Amplifier(scenario, chance)
        self.amplifier2 = Amplifier(scenario, chance, second=True)
        self.hall = Hall(scenario, chance)
        self.samples, self.samples2 = self.amplifier.samples, self.amplifier2.samples
        self.edges = self.hall.edges

        self.inputs: dict[str, Callable[[float], None]] = {
            "cell": self._set_cell_mode,
            "stall": self._set_stalled,
        }
        for each in (
            self.engine,
            self.drive,
            self.brake,
            self.supply,
            self.servo,
            self.valve,
            self.cell,
            self.hall,
        ):
            self.inputs.update(each.inputs)
        self._agenda: list[tuple[float, int, str, float]] = []
        self._serial = 0
        self._step = 0
        self._keep = max(self.amplifier.support, self.amplifier2.support) + 3
        self._history = [self.cell.force_N] * self._keep
        self._flow_m3_s = self._engine_Nm = self._brake_Nm = 0.0
        self._sum_engine_Nm = self._sum_brake_Nm = 0.0
        self._every = max(1, round(scenario["bench"]["truth_s"] / self.dt))
        self._next_truth = self._every
        self._slow_every = max(1, round(SLOW_S / self.dt))
        self._next_slow = self._slow_every

    @classmethod
    def build(cls, partial: dict[str, Any], seed: int = 0) -> Bench:
        """A bench from a partial scenario; unknown keys raise scenario.ScenarioError."""
        return cls(_scenario.complete(partial), seed)

    # --- what goes in -----------------------------------------------------

    def set(self, name: str, value: float = 1.0, at_s: float | None = None) -> None:
        """Put an input or fault of `inputs` on the agenda, now or at a later time."""
        self._serial += 1
        when = self.time_s if at_s is None else max(at_s, self.time_s)
        heapq.heappush(self._agenda, (when, self._serial, name, float(value)))

    def set_servo_us(self, pulse_us: float) -> None:
        """Pulse width on the servo wire; 0 means no pulses."""
        self.set("servo_us", pulse_us)

    def set_throttle(self, opening: float) -> None:
        """Throttle target 0..1; the hand moves it at the scenario's rate."""
        self.set("throttle", opening)

    def new_run(self) -> None:
        """Draw the engine's own factor of the next run (scatter from run to run)."""
        self.runs += 1
        self.set("run", self.runs)

    def _set_cell_mode(self, mode: float) -> None:
        self.amplifier.set_mode(mode)
        self.amplifier2.set_mode(mode)

    def _set_stalled(self, stalled: float) -> None:
        """1: the engine no longer fires; 0: it is started, and idles."""
        self.engine.firing_on = stalled < 0.5
        if self.engine.firing_on and self.drive.w < self.engine.stall_w:
            self.drive.w = self.engine.idle_w

    def _obey(self, t: float) -> float:
        """Do what the agenda has until `t`; returns when its next entry is due."""
        agenda = self._agenda
        while agenda and agenda[0][0] <= t:
            _, _, name, value = heapq.heappop(agenda)
            if name not in self.inputs:
                raise ValueError(f"the bench has no input called {name!r}")
            self.servo.now_s = t
            self.inputs[name](value)
            self.engine.set_gain()
        return agenda[0][0] if agenda else 1e18

    # --- what comes out ---------------------------------------------------

    def run_until(self, time_s: float) -> None:
        """Advance whole steps until `time_s` is reached or passed by less than a step."""
        if time_s > self.time_s:
            self._advance(math.ceil(time_s / self.dt - 1e-9))

    def step(self, dt_s: float | None = None) -> None:
        """Advance by `dt_s` (default one step)."""
        self.run_until(self.time_s + (self.dt if dt_s is None else dt_s) - 1e-12)

    def take_samples(self) -> list[tuple[float, int]]:
        """Conversions since the last call: (data-ready time s, signed code)."""
        out, self.samples[:] = self.samples[:], []
        return out

    def take_edges(self) -> list[float]:
        """Hall edge times since the last call, s."""
        out, self.edges[:] = self.edges[:], []
        return out

    @property
    def speed_rpm(self) -> float:
        """True crank speed."""
        return float(self.drive.w / RPM)

    @property
    def now(self) -> dict[str, float]:
        """The state by name; the energies count from the start."""
        engine, drive, brake = self.engine, self.drive, self.brake
        return {
            "time_s": self.time_s,
            "speed_rpm": drive.w / RPM,
            "brake_speed_rpm": drive.w_brake * drive.ratio / RPM,
            "engine_torque_Nm": self._engine_Nm,
            "brake_torque_Nm": self._brake_Nm,
            "fill": brake.fill,
            "valve": self.valve.opening,
            "servo_us": self.servo.servo_us,
            "flow_m3_s": self._flow_m3_s,
            "supply_Pa": self.line.inlet_Pa,
            "water_K": brake.water_K,
            "tank_K": brake.tank_K,
            "force_N": self.cell.force_N,
            "throttle": engine.throttle,
            "warm": engine.warm_factor,
            "engine_work_J": drive.engine_work_J,
            "brake_work_J": drive.brake_work_J,
            "brake_heat_J": brake.heat_J,
            "lost_work_J": drive.lost_work_J,
            "kinetic_J": drive.kinetic_J(),
            "crank_angle_rad": drive.angle,
            "locked": float(drive.locked),
        }

    @property
    def run_factor(self) -> float:
        """The engine's own factor of this run."""
        return float(self.engine.run_factor)

    @property
    def pressure_Pa(self) -> float:
        """Station pressure."""
        return float(self.engine.pressure_Pa)

    @property
    def temperature_K(self) -> float:
        """Intake air."""
        return float(self.engine.temperature_K)

    @property
    def humidity(self) -> float:
        """Relative, 0..1."""
        return float(self.engine.humidity)

    def engine_state(self) -> dict[str, float]:
        """What scales the torque map now; a run's truth needs it."""
        return {
            "air_factor": self.engine.air_factor(),
            "engine_factor": self.engine.warm_factor * self.engine.run_factor,
            "pressure_Pa": self.pressure_Pa,
            "temperature_K": self.temperature_K,
            "humidity": self.humidity,
            **self.engine.state(),
        }

    def map_torque_Nm(self, speed_rpm: float, state: dict[str, float] | None = None) -> float:
        """Torque at full throttle without cycle scatter, now or in a kept `engine_state`."""
        s = state or self.engine_state()
        return float(self.engine.map_Nm(speed_rpm, s) * s["air_factor"] * s["engine_factor"])

    # --- the one loop -----------------------------------------------------

    def _advance(self, stop_step: int) -> None:
        """Make steps until their number is `stop_step`."""
        engine, drive, brake, hall = self.engine, self.drive, self.brake, self.hall
        supply_step, servo_step, valve_step = self.supply.step, self.servo.step, self.valve.step
        line_step, hose_step, cell_step = self.line.step, self.hose.step, self.cell.step
        pipe, amplifier, amplifier2, history = self.line, self.amplifier, self.amplifier2, self._history
        dt, ratio, step = self.dt, drive.ratio, self._step
        t = step * dt
        t_event = self._agenda[0][0] if self._agenda else 1e18
        while step < stop_step:
            if t >= t_event:
                t_event = self._obey(t)
            # water
            supply_Pa = supply_step(t, pipe.flow_m3_s)
            conductance = valve_step(servo_step(t, supply_Pa))
            brake_w = drive.w_brake * ratio
            flow = hose_step(line_step(supply_Pa, conductance, brake.back_pressure_Pa(brake_w)))
            brake.fill_step(flow, brake_w)
            # torques and the shaft
            te = engine.step(drive.w, drive.angle)
            tb = brake.torque_Nm(brake_w)
            drive.step(te, tb, brake_w)
            brake.heat_step(drive.brake_step_J, flow)
            self._sum_engine_Nm += drive.torque_in
            self._sum_brake_Nm += tb
            # what is measured
            history.append(cell_step(t, tb, te, drive, pipe.inlet_Pa, flow))
            step += 1
            t_next = step * dt
            if amplifier.next_ready <= t_next:
                amplifier.convert(t, history)
            if amplifier2.next_ready <= t_next:
                amplifier2.convert(t, history)
            if drive.brake_angle >= hall.next_angle:
                hall.pass_magnets(t, drive.brake_angle_before, drive.brake_angle, drive.brake_turn, brake_w)
            # records
            if step >= self._next_slow:
                self._next_slow += self._slow_every
                engine.slow_step(self._slow_every)
                del history[: -self._keep]
                if self.truth_limit and len(self.truth) > self.truth_limit:
                    del self.truth[: -self.truth_limit // 2]
            if step >= self._next_truth:
                self._flow_m3_s = flow
                self._record(t_next)
            t = t_next
        self._step, self.time_s = step, t
        self._engine_Nm, self._brake_Nm, self._flow_m3_s = te, tb, flow

    def _record(self, t: float) -> None:
        """Keep the truth of the interval that ends at t."""
        drive, every = self.drive, self._every
        self._next_truth += every
        self.truth.append(
            (
                t,
                drive.w / RPM,
                drive.w_brake * drive.ratio / RPM,
                self._sum_engine_Nm / every,
                self._sum_brake_Nm / every,
                self.brake.fill,
                self.valve.opening,
                self._flow_m3_s,
                self.line.inlet_Pa,
                self.brake.water_K,
                self.cell.force_N,
                self.engine.throttle,
                1.0 if self.engine.fires(drive.w) else 0.0,
            )
        )
        self._sum_engine_Nm = self._sum_brake_Nm = 0.0
