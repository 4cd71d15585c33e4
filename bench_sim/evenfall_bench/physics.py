"""The engine bench as physics: pure Python floats in SI, deterministic by seed.

`Bench` takes a complete scenario (scenario.complete) and advances in fixed steps
(1 ms).  It knows nothing of firmware: in go servo pulses, throttle and the kill line,
out come amplifier conversions and Hall edges with their times, and the truth.

    bench = Bench.build({"engine": {"use": "clearing saw 45"}}, seed=3)
    bench.set_throttle(1.0)
    bench.run_until(2.0)
    bench.set_servo_us(1400.0)
    for time_s, code in bench.take_samples(): ...

Sources.  Where none is named the model is common practice, without a source.

Left out, because neither the cell at 80 samples/s nor the pickup shows it: the course of
torque within a turn beyond its first harmonic, play and swing of the chain, pressure waves
in the hose, the compressibility of air in the brake, uneven wetting of the rotor.

* Shaft: J dw/dt = sum of torques; torque x angle = work.  The step uses the mean
  speed of the step for angle and work, so that work in = work out + change of kinetic
  energy holds to rounding (tests/bench/test_bench_physics.py).
* Air: an engine breathes through a restriction at a given pressure ratio, so its mass
  flow goes as p / sqrt(T) (compressible orifice flow, e.g. J. B. Heywood, Internal
  Combustion Engine Fundamentals, appendix C, from memory).  Torque follows the dry
  air.  Saturation pressure: Magnus form with the constants of WMO-No. 8 (6.112 hPa,
  17.62, 243.12 C).  The engine maps hold at 99 kPa dry and 298.15 K.
* Brake: a hydrodynamic brake absorbs torque ~ density x speed^2 x diameter^5 x a
  factor that grows with fill (affinity laws of turbomachines); here k x fill x speed^2.
  Its outlet is an orifice under the rotor's centrifugal head, so outflow ~ speed x
  fill^m with m = 1/2 for a head that grows with fill.
* Valve: turbulent orifice, flow ~ area x sqrt(pressure difference) (ISO 5167 form).
* Heat: all brake torque x speed goes into the water; c = 4182 J/(kg K), rho = 998 kg/m3
  (20 C, checked against CoolProp in the tests).
* Load cell: the housing on rubber is a second-order system driven by the force;
  stepped exactly for a force constant over the step.
* Amplifier: four boxcars of one output period each (sinc^4): support and settling four
  periods, group delay two, as the data sheets of 24-bit bridge converters give
  (settling 50 ms at 80 samples/s).  Its weights are a cubic B-spline.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Generator
from itertools import pairwise
from operator import mul
from random import Random
from typing import Any

from . import scenario as _scenario

WATER_HEAT_J_KGK = 4182.0
WATER_DENSITY_KG_M3 = 998.2
CODE_MAX = 0x7FFFFF
CODE_MIN = -0x800000
REFERENCE_DRY_PA = 99000.0
REFERENCE_K = 298.15
RPM = math.pi / 30.0  # rad/s per rpm
PHASES = 64  # steps of the amplifier's weight tables within one physics step

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


def saturation_Pa(temperature_K: float) -> float:
    """Vapour pressure over water; Magnus form, WMO-No. 8 (CIMO guide) constants."""
    celsius = temperature_K - 273.15
    return 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))


def air_mass_factor(pressure_Pa: float, temperature_K: float, humidity: float) -> float:
    """Mass flow of dry air relative to 99 kPa dry and 298.15 K: (p_dry/p0) sqrt(T0/T)."""
    dry = pressure_Pa - humidity * saturation_Pa(temperature_K)
    return dry / REFERENCE_DRY_PA * math.sqrt(REFERENCE_K / temperature_K)


def interpolate(points: list[list[float]], x: float) -> float:
    """Piecewise linear through (x, y) points, held at the first, extended past the last."""
    if x <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    (x0, y0), (x1, y1) = points[-2:]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


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


class Bench:
    """One bench; see the module's text.  Times are seconds from its start."""

    def __init__(self, scenario: dict[str, Any], seed: int = 0) -> None:
        """`scenario` must be complete (scenario.complete); use `build` for a partial one."""
        self.scenario = scenario
        self.seed = seed
        self.dt = float(scenario["bench"]["step_s"])
        self.time_s = 0.0
        self.samples: list[tuple[float, int]] = []
        self.samples2: list[tuple[float, int]] = []
        self.edges: list[float] = []
        self.truth: list[tuple[float, ...]] = []
        self.truth_limit = 0  # records kept at most, the newest; 0: all
        self.now: dict[str, float] = {}
        self.pull_factor = 1.0
        self.pulls = 0
        self.pressure_Pa = float(scenario["weather"]["pressure_Pa"])
        self.temperature_K = 273.15 + float(scenario["weather"]["temperature_C"])
        self.humidity = float(scenario["weather"]["humidity"])
        self._agenda: list[tuple[float, int, str, float]] = []
        self._serial = 0
        self._loop = self._run()
        next(self._loop)

    @classmethod
    def build(cls, partial: dict[str, Any], seed: int = 0) -> Bench:
        """A bench from a partial scenario; unknown keys raise scenario.ScenarioError."""
        return cls(_scenario.complete(partial), seed)

    # --- what goes in -----------------------------------------------------

    def set(self, name: str, value: float = 1.0, at_s: float | None = None) -> None:
        """Put an input or fault on the agenda, now or at a later time (see `_run`)."""
        self._serial += 1
        when = self.time_s if at_s is None else max(at_s, self.time_s)
        heapq.heappush(self._agenda, (when, self._serial, name, float(value)))

    def set_servo_us(self, pulse_us: float) -> None:
        """Pulse width on the servo wire; 0 means no pulses."""
        self.set("servo_us", pulse_us)

    def set_throttle(self, opening: float) -> None:
        """Throttle target 0..1; the hand moves it at the scenario's rate."""
        self.set("throttle", opening)

    def new_pull(self) -> None:
        """Draw the engine's own factor of the next pull (pull-to-pull scatter)."""
        self.pulls += 1
        self.set("pull", self.pulls)

    # --- what comes out ---------------------------------------------------

    def run_until(self, time_s: float) -> None:
        """Advance whole steps until `time_s` is reached or passed by less than a step."""
        if time_s > self.time_s:
            self._loop.send(time_s)

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
        return self.now["speed_rpm"]

    def engine_state(self) -> dict[str, float]:
        """What scales the torque map now; a pull's truth needs it."""
        air = air_mass_factor(self.pressure_Pa, self.temperature_K, self.humidity)
        friction = self.scenario["engine"]["friction_share"]
        return {
            "air_factor": air * (1.0 + friction) - friction,
            "engine_factor": self.now["warm"] * self.pull_factor,
            "pressure_Pa": self.pressure_Pa,
            "temperature_K": self.temperature_K,
            "humidity": self.humidity,
        }

    def map_torque_Nm(self, speed_rpm: float, state: dict[str, float] | None = None) -> float:
        """Torque at full throttle without cycle scatter, now or in a kept `engine_state`."""
        s = state or self.engine_state()
        base = interpolate(self.scenario["engine"]["torque_map"], speed_rpm)
        return base * s["air_factor"] * s["engine_factor"]

    # --- the one loop -----------------------------------------------------

    def _run(self) -> Generator[None, float, None]:
        """A coroutine: send it the time to reach.  Its locals are the state of the bench."""
        s = self.scenario
        engine, clutch, drive, brake = s["engine"], s["clutch"], s["drive"], s["brake"]
        valve, servo, supply, water = s["valve"], s["servo"], s["supply"], s["water"]
        cell, amp, hall, weather = s["load_cell"], s["amplifier"], s["hall"], s["weather"]
        dt = self.dt
        sqrt, cos, sin, exp, pi2 = math.sqrt, math.cos, math.sin, math.exp, 2.0 * math.pi

        # one random stream per cause, so that two controllers meet the same engine
        def stream(name: str) -> Random:
            return Random(f"{self.seed}/{name}")

        gauss_cycle, gauss_supply = stream("cycle").gauss, stream("supply").gauss
        gauss_amp, gauss_hall = stream("amplifier").gauss, stream("hall").gauss
        gauss_amp2, chance = stream("amplifier 2").gauss, stream("edges").random
        gauss_wander, gauss_cell = stream("wander").gauss, stream("cell").gauss

        # engine: table every 25 rpm, far past the end of the map; its last cell goes on in a straight line
        map_points = engine["torque_map"]
        cell_w = 25.0 * RPM
        longest = max(25000.0, 1.5 * map_points[-1][0])
        wot = [interpolate(map_points, 25.0 * i) for i in range(int(longest / 25.0) + 2)]
        last_cell = len(wot) - 2
        peak = max(t for _, t in map_points)
        idle_w, stall_w = engine["idle_rpm"] * RPM, engine["stall_rpm"] * RPM
        idle_gain = 0.6 * peak / idle_w
        closed_drag = -engine["closed_drag_share"] * peak
        cycle_rel, wander_rel = engine["cycle_scatter"], engine["wander"]
        wander_keep = exp(-dt / engine["wander_time_s"])
        wander_push = wander_rel * sqrt(1.0 - wander_keep**2)
        firing = engine["firing_ripple"]
        friction = engine["friction_share"]
        limiter_w = engine["limiter_rpm"] * RPM if engine["limiter_rpm"] else 1e9
        j_engine = engine["inertia_kg_m2"]
        j_locked_part = brake["inertia_kg_m2"]
        ratio = drive["engine_teeth"] / drive["brake_teeth"]  # brake speed per engine speed
        efficiency = drive["efficiency"]
        j_brake = j_locked_part * ratio * ratio  # referred to the crank
        j_all = j_engine + j_brake
        chain_rev = drive["engine_teeth"] / drive["chain_links"]  # chain turns per crank turn
        chain_ripple, sprocket_ripple, tooth_ripple = (
            drive["chain_ripple"],
            drive["sprocket_ripple"],
            drive["tooth_ripple"],
        )
        teeth = drive["engine_teeth"]
        tooth_max_w = 0.4 * pi2 / dt / teeth
        rough = 1.0
        shake_share = drive["shake_share"]
        has_clutch = clutch["fitted"]
        engage_w = clutch["engage_rpm"] * RPM
        clutch_k = clutch["capacity_Nm"] / max((clutch["capacity_rpm"] * RPM) ** 2 - engage_w**2, 1.0)

        # brake
        capacity = brake["capacity_l"] * 1e-3
        k_torque = brake["full_torque_Nm"] / (brake["full_torque_rpm"] * RPM) ** 2
        outflow_k = capacity / brake["drain_time_s"] / (brake["full_torque_rpm"] * RPM)
        outflow_m = brake["outflow_exponent"]
        standing = brake["standing_drain"] * brake["full_torque_rpm"] * RPM
        root_outflow = outflow_m == 0.5
        back_k = brake["back_pressure_bar"] * 1e5 / (brake["full_torque_rpm"] * RPM) ** 2
        windage = brake["windage_Nm"] / (brake["full_torque_rpm"] * RPM) ** 2
        bearing, outside_drag = brake["bearing_drag_Nm"], brake["outside_drag_Nm"]
        boil_K = 273.15 + 97.0

        # valve and supply
        full_flow = valve["full_flow_l_min"] / 60e3 / sqrt(valve["full_flow_bar"] * 1e5)
        points = valve["curve"]
        curve = [interpolate(points, i / 200.0) for i in range(201)] + [interpolate(points, 1.0)]
        leak = valve["leak"]
        level = supply["pressure_bar"] * 1e5
        ripple, ripple_w = supply["ripple"], pi2 * supply["ripple_Hz"]
        noise_keep = exp(-dt / supply["noise_time_s"])
        noise_push = supply["noise"] * sqrt(1.0 - noise_keep**2)
        delay_steps = round(valve["hose_delay_s"] / dt)
        hose = [0.0] * max(delay_steps, 1)
        hose_at = 0

        # servo, in pulse microseconds until the linkage
        shut_us, open_us = servo["shut_us"], servo["open_us"]
        slew = servo["slew_us_s"] * dt
        deadband, play = servo["deadband_us"], servo["backlash_us"] / 2.0
        frame_s = 1.0 / servo["rate_Hz"]
        offset_us = servo["offset_us"]
        pulse = latched = servo_us = horn_us = float(shut_us)
        next_frame = servo["frame_phase"] * frame_s
        servo_ok = True
        span_us = open_us - shut_us

        # cell: exact step of x'' + 2 z w x' + w^2 (x - F) = 0, F constant over the step
        w0, z = pi2 * cell["resonance_Hz"], cell["damping"]
        wd = w0 * sqrt(1.0 - z * z)
        decay, c, sn = exp(-z * w0 * dt), cos(wd * dt), sin(wd * dt)
        a11, a12 = decay * (c + z * w0 / wd * sn), decay * sn / wd
        a21, a22 = -decay * w0 * w0 / wd * sn, decay * (c - z * w0 / wd * sn)
        arm = cell["arm_m"]
        hose_bar, hose_const = cell["hose_N_bar"] / 1e5, cell["hose_N"]
        shaking = cell["vibration_N"] / (10000.0 * RPM) ** 2
        drift = cell["drift_N_s"]
        knock = cell["force_noise_N"] / sqrt(dt * 1000.0)
        x = v = 0.0
        # the cell starts at rest under its standing load, not with a jump
        x = hose_const + hose_bar * level

        counts_per_N, zero_code = cell["counts_per_N"], cell["zero_count"]
        saturation_N = cell["stop_N"]

        # amplifiers
        period = 1.0 / (amp["rate_Hz"] * (1.0 + amp["rate_error"]))
        tables = [spline_weights(period / dt, i / PHASES) for i in range(PHASES + 1)]
        noise_counts = amp["noise_nV"] / amp["nV_per_count"]
        spike_p = amp["spike_chance"]
        next_ready = period * amp["phase"] + 4.0 * period
        second = bool(amp["second_rate_Hz"])
        period2 = 1.0 / (amp["second_rate_Hz"] or 320.0)
        tables2 = [spline_weights(period2 / dt, i / PHASES) for i in range(PHASES + 1)]
        noise2 = noise_counts * 2.0
        next_ready2 = 4.0 * period2 if second else 1e18
        history = [x] * (math.ceil(4.0 * max(period, period2) / dt) + 3)
        keep = len(history)
        cell_mode = 0.0  # 0 works, 1 open, 2 clamped high, 3 stuck, 4 silent, 5 clamped low
        stuck_code = 0

        # Hall
        magnets = hall["magnets"]
        gap = pi2 / magnets
        gauss_place = stream("magnets").gauss
        placement = [gauss_place(0.0, hall["placement_deg"]) * pi2 / 360.0 for _ in range(magnets)]
        jitter, missed, extra = hall["jitter_us"] * 1e-6, hall["missed"], hall["extra"]
        hall_ok = True
        magnet = 0
        next_angle = gap + placement[0]

        # weather
        pressure, temperature, humidity = self.pressure_Pa, self.temperature_K, self.humidity
        warm_loss, warm_time = engine["warmup_loss"], engine["warmup_time_s"]
        pull_rel = engine["pull_scatter"]
        pull_rng = stream("pull")
        heat = engine["start_warm"]  # 0 cold .. 1 warm
        warm = 1.0 - warm_loss * (1.0 - heat)
        pull_factor = 1.0

        def make_air() -> float:
            air = air_mass_factor(pressure, temperature, humidity)
            return air * (1.0 + friction) - friction

        air_gain = make_air()
        gain = air_gain * warm * pull_factor * engine["torque_factor"]
        torque_factor = engine["torque_factor"]

        # state
        step = 0
        t = 0.0
        we = idle_w  # the engine idles when the bench is switched on
        wb = 0.0 if has_clutch and idle_w < engage_w else idle_w  # driven side, referred to the crank
        locked = not (has_clutch and idle_w < engage_w)
        coupled = True
        theta = theta_b = 0.0  # crank, brake shaft
        next_cycle = pi2
        cycle = 1.0
        wander = 0.0
        firing_on = True
        ignition = True
        fill = brake["start_fill"]
        noise = 0.0
        throttle = throttle_to = 0.0
        throttle_rate = dt / s["operator"]["throttle_time_s"]
        pw = level
        q_in = 0.0
        water_K = inlet_K = 273.15 + water["temperature_C"]
        tank = water["tank_l"]
        supply_factor, supply_gone = 1.0, False
        extra_leak = 0.0
        brake_heat = engine_work = brake_work = lost_work = 0.0
        every = max(1, round(s["bench"]["truth_s"] / dt))
        next_truth = every
        sum_te = sum_tb = 0.0
        t_event = 1e18
        agenda = self._agenda
        samples, samples2, edges, truth = self.samples, self.samples2, self.edges, self.truth
        slow_every = max(1, round(0.1 / dt))
        next_slow = slow_every
        te = tb = position = 0.0

        while True:
            # hand the state out and wait for the next time to reach
            self.time_s = t
            self.now = {
                "time_s": t,
                "speed_rpm": we / RPM,
                "brake_speed_rpm": wb * ratio / RPM,
                "engine_torque_Nm": te,
                "brake_torque_Nm": tb,
                "fill": fill,
                "valve": position,
                "servo_us": servo_us,
                "flow_m3_s": q_in,
                "supply_Pa": pw,
                "water_K": water_K,
                "tank_K": inlet_K,
                "force_N": x,
                "throttle": throttle,
                "warm": warm * torque_factor,
                "engine_work_J": engine_work,
                "brake_work_J": brake_work,
                "brake_heat_J": brake_heat,
                "lost_work_J": lost_work,
                "kinetic_J": 0.5 * (j_engine * we * we + j_brake * wb * wb),
                "crank_angle_rad": theta,
                "locked": float(locked),
            }
            t_stop = yield
            t_event = agenda[0][0] if agenda else 1e18
            stop_step = math.ceil(t_stop / dt - 1e-9)
            while step < stop_step:
                if t >= t_event:
                    while agenda and agenda[0][0] <= t:
                        _, _, name, value = heapq.heappop(agenda)
                        if name == "servo_us":
                            pulse = value
                        elif name == "servo_hz":
                            frame_s = 1.0 / value
                            next_frame = min(next_frame, t + frame_s)
                        elif name == "throttle":
                            throttle_to = value
                        elif name == "ignition":
                            ignition = value > 0.5
                        elif name == "pull":
                            pull_factor = 1.0 + pull_rng.gauss(0.0, pull_rel)
                            self.pull_factor = pull_factor
                        elif name == "torque_factor":
                            torque_factor = value
                        elif name == "hall_lost":
                            hall_ok = value < 0.5
                        elif name == "hall_missed":
                            missed = value
                        elif name == "hall_extra":
                            extra = value
                        elif name == "cell":
                            cell_mode = value
                        elif name == "servo_stuck":
                            servo_ok = value < 0.5
                        elif name == "supply_lost":
                            supply_gone = value > 0.5
                        elif name == "supply_factor":
                            supply_factor = value
                        elif name == "leak":
                            extra_leak = value
                        elif name == "valve_offset_us":
                            offset_us = value
                        elif name == "load_lost":
                            coupled = value < 0.5
                            locked = locked and coupled
                        elif name == "stall":
                            firing_on = value < 0.5
                            if firing_on and we < stall_w:
                                we = idle_w
                        elif name == "rough_chain":
                            rough = value
                        elif name == "cell_push_N":
                            hose_const = value
                        elif name == "weather_Pa":
                            pressure = self.pressure_Pa = value
                        elif name == "weather_K":
                            temperature = self.temperature_K = value
                        else:
                            raise ValueError(f"the bench has no input called {name!r}")
                        gain = make_air() * warm * pull_factor * torque_factor
                    t_event = agenda[0][0] if agenda else 1e18

                # --- water: supply, valve, fill ---
                noise = noise * noise_keep + (gauss_supply(0.0, noise_push) if noise_push else 0.0)
                if supply_gone:
                    pw *= 0.995
                else:
                    pw = level * supply_factor * (1.0 + noise + ripple * sin(ripple_w * t))
                if t >= next_frame:
                    next_frame += frame_s
                    if pulse > 0.0:
                        latched = pulse
                if servo_ok:
                    error = latched - servo_us
                    if error > deadband:
                        servo_us += slew if error > slew else error
                    elif error < -deadband:
                        servo_us -= slew if error < -slew else -error
                if servo_us > horn_us + play:
                    horn_us = servo_us - play
                elif servo_us < horn_us - play:
                    horn_us = servo_us + play
                position = (horn_us + offset_us - shut_us) / span_us
                if position < 0.0:
                    position = 0.0
                elif position > 1.0:
                    position = 1.0
                xi = position * 200.0
                i = int(xi)
                area = curve[i] + (curve[i + 1] - curve[i]) * (xi - i)
                wbs = wb * ratio  # brake shaft speed
                dp = pw - back_k * fill * wbs * wbs
                if dp > 0.0:
                    q_in = full_flow * (leak + extra_leak + (1.0 - leak) * area) * sqrt(dp)
                else:
                    q_in = 0.0
                if delay_steps:
                    hose[hose_at], q_in = q_in, hose[hose_at]
                    hose_at += 1
                    if hose_at == delay_steps:
                        hose_at = 0
                q_out = outflow_k * (wbs + standing) * (sqrt(fill) if root_outflow else fill**outflow_m)
                fill += (q_in - q_out) * dt / capacity
                if fill < 0.0:
                    fill = 0.0
                elif fill > 1.0:
                    fill = 1.0

                # --- engine ---
                if throttle != throttle_to:
                    d = throttle_to - throttle
                    if d > throttle_rate:
                        throttle += throttle_rate
                    elif d < -throttle_rate:
                        throttle -= throttle_rate
                    else:
                        throttle = throttle_to
                if wander_push:
                    wander = wander * wander_keep + gauss_wander(0.0, wander_push)
                if theta >= next_cycle:
                    next_cycle += pi2
                    cycle = 1.0 + gauss_cycle(0.0, cycle_rel)
                xi = we / cell_w
                i = int(xi)
                if i > last_cell:
                    i = last_cell
                closed = idle_gain * (idle_w - we)
                if closed < closed_drag:
                    closed = closed_drag
                if firing_on and ignition and we > stall_w and we < limiter_w:
                    full = wot[i]
                    full += (wot[i + 1] - full) * (xi - i)
                    te = throttle * full * gain * (cycle + wander) + (1.0 - throttle) * closed
                    if firing:
                        te += firing * te * cos(theta)
                elif we > 0.0:
                    te = closed_drag
                else:
                    te = 0.0

                # --- drive and brake ---
                k_now = k_torque if water_K < boil_K else 0.3 * k_torque
                tb = (k_now * fill + windage) * wbs * wbs + (bearing if wbs > 0.0 else 0.0)
                load = tb + (outside_drag if wbs > 0.0 else 0.0)
                angle_chain = theta * chain_rev
                wave = chain_ripple * cos(angle_chain)
                if sprocket_ripple:
                    wave += sprocket_ripple * cos(theta_b)
                if tooth_ripple and we < tooth_max_w:
                    wave += tooth_ripple * cos(theta * teeth)
                wave *= rough
                load_c = load * ratio / efficiency  # referred to the crank
                if locked:
                    need = (te - load_c) * j_brake / j_all + load_c  # through the clutch
                    if has_clutch:
                        cap = clutch_k * (we * we - engage_w * engage_w)
                        if need > cap or -need > cap:
                            locked = False
                    acc = (te * (1.0 + wave) - load_c) / j_all
                    w1 = we + acc * dt
                    if w1 < 0.0:
                        w1 = 0.0
                    wm = 0.5 * (we + w1)
                    wmb = wm
                    we = wb = w1
                    te_in = te * (1.0 + wave)
                    slip_loss = 0.0
                else:
                    cap = clutch_k * (we * we - engage_w * engage_w) if we > engage_w else 0.0
                    if not has_clutch:
                        cap = 1e3 * peak
                    if not coupled:
                        cap = 0.0
                    slip = we - wb
                    # just let go: the side that pulled more runs ahead
                    tc = cap if slip > 0.0 or (slip == 0.0 and te > load_c) else -cap
                    w1 = we + (te - tc) / j_engine * dt
                    w2 = wb + (tc - load_c) / j_brake * dt
                    if w1 < 0.0:
                        w1 = 0.0
                    if w2 < 0.0:
                        w2 = 0.0
                    if (w1 - w2) * slip < 0.0 and cap > 0.0:
                        # they meet within the step: momentum decides the common speed
                        w1 = w2 = (j_engine * w1 + j_brake * w2) / j_all
                        locked = True
                    wm, wmb = 0.5 * (we + w1), 0.5 * (wb + w2)
                    slip_loss = tc * (wm - wmb) * dt
                    we, wb = w1, w2
                    te_in = te
                dtheta = wm * dt
                dtheta_b = wmb * ratio * dt
                engine_work += te_in * dtheta
                done = tb * dtheta_b
                brake_work += done
                lost_work += (load - tb) * dtheta_b + load * dtheta_b * (1.0 / efficiency - 1.0) + slip_loss
                theta += dtheta
                theta_before = theta_b
                theta_b += dtheta_b
                sum_te += te_in
                sum_tb += tb

                # --- water heat: the brake's content is mixed, the tank takes the outflow ---
                content = (fill * capacity + 2e-5) * WATER_DENSITY_KG_M3
                water_K += (
                    done / (content * WATER_HEAT_J_KGK)
                    + q_in * dt * WATER_DENSITY_KG_M3 * (inlet_K - water_K) / content
                )
                brake_heat += done
                if tank:
                    inlet_K += q_out * dt / (tank * 1e-3) * (water_K - inlet_K)

                # --- cell ---
                force = tb / arm + hose_const + hose_bar * pw + drift * t
                if shake_share:
                    force += shake_share * te * wave / arm
                if shaking:
                    force += shaking * we * we * sin(theta)
                if knock:
                    force += gauss_cell(0.0, knock)
                d = x - force
                x = force + a11 * d + a12 * v
                v = a21 * d + a22 * v
                history.append(x)
                step += 1
                t_next = step * dt

                # --- conversions that end in this step ---
                if next_ready <= t_next:
                    weights = tables[int((next_ready - t) / dt * PHASES)]
                    n = len(weights)
                    # the step just made is the newest sample only when the conversion ends after it
                    mean = sum(map(mul, weights, history[-n - 1 : -1]))
                    if mean > saturation_N:
                        mean = saturation_N
                    code = round(zero_code + counts_per_N * mean + gauss_amp(0.0, noise_counts))
                    if spike_p and chance() < spike_p:
                        code = (1 << int(8 + 15 * chance())) - 1
                    if cell_mode:
                        if cell_mode == 3.0:
                            code = stuck_code
                        elif cell_mode == 5.0:
                            code = CODE_MIN
                        else:
                            code = CODE_MAX
                    if code > CODE_MAX:
                        code = CODE_MAX
                    elif code < CODE_MIN:
                        code = CODE_MIN
                    stuck_code = code
                    if cell_mode != 4.0:
                        samples.append((next_ready, code))
                    next_ready += period
                if next_ready2 <= t_next:
                    weights = tables2[int((next_ready2 - t) / dt * PHASES)]
                    n = len(weights)
                    mean = sum(map(mul, weights, history[-n - 1 : -1]))
                    code = round(zero_code + counts_per_N * mean + gauss_amp2(0.0, noise2))
                    if cell_mode:
                        code = stuck_code if cell_mode == 3.0 else CODE_MAX
                    code = CODE_MAX if code > CODE_MAX else CODE_MIN if code < CODE_MIN else code
                    if cell_mode != 4.0:
                        samples2.append((next_ready2, code))
                    next_ready2 += period2

                # --- edges in this step ---
                while theta_b >= next_angle:
                    when = t + dt * (next_angle - theta_before) / dtheta_b
                    magnet += 1
                    next_angle = gap * (magnet + 1) + placement[magnet % magnets]
                    if jitter:
                        when += gauss_hall(0.0, jitter)
                    if hall_ok and (not missed or chance() >= missed):
                        if not edges or when > edges[-1]:
                            edges.append(when)
                        if extra and chance() < extra:
                            edges.append(when + (0.1 + 0.3 * chance()) * gap / (wbs + 1.0))

                if step >= next_slow:
                    next_slow += slow_every
                    if firing_on and ignition:
                        heat += (1.0 - heat) * slow_every * dt * throttle / warm_time
                    warm = 1.0 - warm_loss * (1.0 - heat)
                    pressure += weather["pressure_drift_Pa_s"] * slow_every * dt
                    temperature += weather["temperature_drift_K_s"] * slow_every * dt
                    self.pressure_Pa, self.temperature_K = pressure, temperature
                    gain = make_air() * warm * pull_factor * torque_factor
                    del history[:-keep]
                    if self.truth_limit and len(truth) > self.truth_limit:
                        del truth[: -self.truth_limit // 2]
                if step >= next_truth:
                    next_truth += every
                    truth.append(
                        (
                            t_next,
                            we / RPM,
                            wb * ratio / RPM,
                            sum_te / every,
                            sum_tb / every,
                            fill,
                            position,
                            q_in,
                            pw,
                            water_K,
                            x,
                            throttle,
                            1.0 if firing_on and ignition and we > stall_w else 0.0,
                        )
                    )
                    sum_te = sum_tb = 0.0
                t = t_next
