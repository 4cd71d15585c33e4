"""The models that a scenario chooses, against general references; the source stands beside each check."""

from __future__ import annotations

import itertools
import math
from typing import Any

import CoolProp.CoolProp as CoolProp
import numpy as np
import pytest
from evenfall_bench.image import describe
from evenfall_bench.models import MODELS, Streams, hose, line, part
from evenfall_bench.models.common import RPM
from evenfall_bench.physics import Bench, spline_weights
from evenfall_bench.scenario import SCHEMA, ScenarioError, complete
from scipy import integrate, linalg, signal
from scipy.interpolate import BSpline

STILL = {
    "engine": {"cycle_scatter": 0.0, "run_scatter": 0.0, "wander": 0.0, "firing_ripple": 0.0},
    "supply": {"ripple": 0.0, "noise": 0.0},
    "drive": {"chain_ripple": 0.0, "sprocket_ripple": 0.0, "shake_share": 0.0},
    "load_cell": {"vibration_N": 0.0, "force_noise_N": 0.0},
    "amplifier": {"noise_nV": 0.0},
    "hall": {"jitter_us": 0.0},
    "servo": {"deadband_us": 0.0, "backlash_us": 0.0},
    "valve": {"hose_delay_s": 0.0},
    "clutch": {"fitted": False},
}


def scenario(**tables: dict[str, Any]) -> dict[str, Any]:
    partial = {name: dict(keys) for name, keys in STILL.items()}
    for name, keys in tables.items():
        partial.setdefault(name, {}).update(keys)
    return complete(partial)


def made(table: str, **tables: dict[str, Any]) -> Any:
    return part(table, scenario(**tables), Streams(1))


def test_every_model_says_its_equation_and_its_source() -> None:
    for table, models in MODELS.items():
        assert SCHEMA[table][1][0].name == "model" and SCHEMA[table][1][0].default in models
        for name, model in models.items():
            assert all(len(text) > 10 for text in model.TEXT), (table, name)
            # a source is named, said to be from memory, or admitted missing
            assert any(w in model.TEXT.source for w in ("any text", "no source", "memory", "ISO", "texts"))
            Bench.build({table: {"model": name}}, 1).run_until(0.5)


def test_a_key_of_another_model_is_refused() -> None:
    with pytest.raises(ScenarioError, match=r"brake.fill_lag_s belongs to model 'lagging' or 'two patterns'"):
        complete({"brake": {"fill_lag_s": 0.1}})


# --- servo ---


def test_second_order_servo_steps_as_scipy_says() -> None:
    # step response of w0^2 / (s^2 + 2 z w0 s + w0^2)
    servo = made(
        "servo", servo={"model": "second order", "natural_Hz": 6.0, "damping": 0.7, "slew_us_s": 50000.0}
    )
    servo.set_pulse(1100.0)
    servo.next_frame = 0.0
    out = np.array([servo.step(i * 1e-3, 0.0) for i in range(400)]) - 1000.0
    w0 = 2 * math.pi * 6.0
    _, expected = signal.step(signal.lti([w0**2], [1, 2 * 0.7 * w0, w0**2]), T=np.arange(401) * 1e-3)
    assert out == pytest.approx(100.0 * expected[1:], abs=2.5)


def test_loaded_servo_is_slower_in_a_straight_line_with_the_load() -> None:
    # speed-torque line of a DC motor (any text)
    times = []
    for bar in (0.0, 1.5, 3.0):
        servo = made("servo", servo={"model": "second order", "slew_us_s": 2000.0, "load_share": 0.4})
        servo.set_pulse(2000.0)
        servo.next_frame = 0.0
        n = next(i for i in range(2000) if servo.step(i * 1e-3, bar * 1e5) > 1700.0)
        times.append(n)
    speeds = 1.0 / np.array(times)
    assert speeds[1] / speeds[0] == pytest.approx(0.8, rel=0.03)
    assert speeds[2] / speeds[0] == pytest.approx(0.6, rel=0.03)


# --- water ---


def test_water_column_accelerates_as_an_integrated_equation_says() -> None:
    # rigid water column L dQ/dt = p0 - (R + 1/c^2) Q^2 (any hydraulics text), integrated by scipy
    s = scenario(supply={"line_loss_bar": 0.4, "line_m": 60.0, "line_bore_mm": 13.0})
    pipe = line(s, Streams(1))
    c = 6e-8
    flows = [pipe.step(3e5, c, 0.0) for _ in range(1500)]
    area = math.pi / 4 * 0.013**2
    inertance = CoolProp.PropsSI("D", "T", 293.15, "P", 3e5, "Water") * 60.0 / area
    loss = 0.4e5 / (s["valve"]["full_flow_l_min"] / 60e3) ** 2
    exact = integrate.solve_ivp(
        lambda _, q: (3e5 - (loss + 1 / c**2) * q**2) / inertance, (0, 1.5), [0.0],
        t_eval=np.arange(1, 1501) * 1e-3, rtol=1e-9, atol=1e-15,
    ).y[0]  # fmt: skip
    assert flows == pytest.approx(exact, rel=0.01, abs=0.01 * exact[-1])


def test_shutting_a_valve_on_a_long_pipe_raises_the_pressure_by_the_inertance() -> None:
    # slow closing, rigid column: rise = L dQ/dt on average over the closing (any hydraulics text)
    pipe = line(scenario(supply={"line_m": 100.0, "line_bore_mm": 13.0}), Streams(1))
    for _ in range(4000):
        pipe.step(3e5, 6e-8, 0.0)
    first = pipe.flow_m3_s
    rises = []
    for i in range(1000):
        pipe.step(3e5, 6e-8 * (1 - (i + 1) / 1000) + 1e-12, 0.0)
        rises.append(pipe.inlet_Pa - 3e5)
    inertance = 998.2 * 100.0 / (math.pi / 4 * 0.013**2)
    assert np.mean(rises) == pytest.approx(inertance * (first - pipe.flow_m3_s) / 1.0, rel=0.01)
    assert max(rises) > 1e4


def test_without_impedance_the_line_is_the_orifice() -> None:
    plain = line(scenario(), Streams(1))
    loaded = line(scenario(supply={"line_loss_bar": 1e-9}), Streams(1))
    assert type(plain) is not type(loaded)
    assert loaded.step(2.5e5, 5e-8, 3e4) == pytest.approx(plain.step(2.5e5, 5e-8, 3e4), rel=1e-6)


def test_pressure_tank_empties_isothermally() -> None:
    # volume of the air at both pressures from CoolProp's real air at one temperature
    keys = {"model": "pressure switch", "pressure_bar": 3.5, "tank_air_l": 0.8, "pump_l_min": 0.1}
    supply = made("supply", supply=keys)
    supply.runs = False
    draw = 0.05e-3
    steps = next(i for i in range(100_000) if supply.step(i * 1e-3, draw) <= 2.0001e5)
    dense, thin = (CoolProp.PropsSI("D", "T", 288.15, "P", 101325 + p, "Air") for p in (3.5e5, 2.0e5))
    drawn = 0.8e-3 * (1.0 - thin / dense)
    assert steps * 1e-3 * draw == pytest.approx(drawn, rel=5e-3)


def test_pump_brings_the_pressure_back_and_stops() -> None:
    supply = made("supply", supply={"model": "pressure switch", "pressure_bar": 2.0, "tank_air_l": 0.5})
    pressures = np.array([supply.step(i * 1e-3, 5e-5) for i in range(60_000)]) / 1e5
    assert pressures.min() == pytest.approx(2.0, abs=0.02) and pressures.max() == pytest.approx(3.5, abs=0.02)
    turns = np.flatnonzero(np.diff(np.sign(np.diff(pressures))))
    assert len(turns) > 4


def test_taps_take_their_share_half_of_the_time() -> None:
    # two exponential waiting times of one mean: open half of the time (renewal theory, any text)
    supply = made("supply", supply={"model": "taps", "tap_drop": 0.25, "tap_every_s": 1.0})
    pressures = np.array([supply.step(i * 1e-3, 0.0) for i in range(400_000)]) / 3e5
    assert pressures.min() == pytest.approx(0.75, abs=1e-3) and pressures.max() == pytest.approx(
        1.0, abs=1e-3
    )
    assert pressures.mean() == pytest.approx(0.875, abs=0.02)


def test_a_hose_that_drains_keeps_the_water_and_delays_it() -> None:
    ml = 8.5
    s = scenario(valve={"hose_hold_ml": ml})
    for flow in (40e-6, 10e-6):
        pipe = hose(s, Streams(1))
        out = np.array([pipe.step(flow) for _ in range(4000)])
        held = (flow * len(out) - out.sum()) * 1e-3  # what went in and did not come out
        assert held == pytest.approx(ml * 1e-6 * (flow / 40e-6) ** (2 / 3), rel=0.01)
        # kinematic routing: a small change travels in dV/dQ (any hydrology text)
        up = np.array([pipe.step(flow * 1.02) for _ in range(6000)])
        response = np.cumsum(up - flow) / np.sum(up - flow)
        lag = np.sum(1.0 - (up - flow) / (0.02 * flow)) * 1e-3
        dv = ml * 1e-6 * (1.02 ** (2 / 3) - 1.0) * (flow / 40e-6) ** (2 / 3) / (0.02 * flow)
        assert lag == pytest.approx(dv, rel=0.02) and response[0] < 1e-6
        if flow == 40e-6:
            assert 0.13 < lag < 0.25


# --- valve ---


def test_equal_percentage_means_equal_percentages() -> None:
    # definition of the characteristic: equal steps of travel multiply the flow by one factor
    valve = made("valve", valve={"model": "equal percentage", "rangeability": 50.0})
    least = 1.0 / 50.0
    flows = [valve.curve[round(200 * x)] * (1 - least) + least for x in (0.0, 0.25, 0.5, 0.75, 1.0)]
    assert np.diff(np.log(flows)) == pytest.approx(np.full(4, math.log(50.0) / 4), rel=1e-9)


def test_quick_opening_gives_most_flow_early() -> None:
    quick, linear = (made("valve", valve={"model": m, "leak": 0.0}) for m in ("quick opening", "linear"))
    full = linear.step(2000.0)
    assert quick.step(1250.0) / full == pytest.approx(0.5) and linear.step(1250.0) / full == pytest.approx(
        0.25
    )


def test_a_sticking_stem_waits_jumps_and_follows() -> None:
    # the two-parameter form: stick band S, slip jump J; moving, the stem lags by S - J
    valve = made("valve", valve={"stick_us": 12.0, "jump_us": 9.0, "model": "linear"})
    places = []
    for i in range(400):
        valve.step(1400.0 + 0.25 * i)
        places.append(valve.opening * 1000.0 + 1000.0 - (1400.0 + 0.25 * i))
    lag = -np.array(places)
    valve2 = made("valve", valve={"stick_us": 12.0, "jump_us": 9.0, "model": "linear"})
    valve2.stem_us = valve2.stem_from_us = 1400.0
    openings = []
    for us in [*np.arange(1400.0, 1440.0, 0.25), *np.full(80, 1440.0), *np.arange(1440.0, 1400.0, -0.25)]:
        valve2.step(float(us))
        openings.append(valve2.opening * 1000.0 + 1000.0)
    steps = np.diff(openings)
    assert lag[-1] == pytest.approx(3.0, abs=0.3)
    assert steps.max() == pytest.approx(9.0, abs=0.6) and steps.min() == pytest.approx(-9.0, abs=6.5)
    assert openings[40] == 1400.0 and max(openings) == pytest.approx(1437.0, abs=0.3)


def test_asymmetry_is_seen_closing() -> None:
    valve = made("valve", valve={"model": "linear", "asymmetry": 0.1, "leak": 0.0})
    up = [valve.step(1000.0 + i) for i in range(600)][500]
    down = [valve.step(1600.0 - i) for i in range(200)][100]
    assert down / up == pytest.approx(1.1, rel=1e-6)


# --- brake ---


def test_lagging_brake_without_lag_is_the_affinity_brake() -> None:
    speeds = []
    for model in ("affinity", "lagging"):
        b = Bench(scenario(brake={"model": model}), 1)
        b.set_throttle(1.0)
        b.set_servo_us(1430.0)
        b.run_until(6.0)
        speeds.append((b.speed_rpm, b.now["fill"], b.now["brake_torque_Nm"]))
    assert speeds[0] == pytest.approx(speeds[1], rel=1e-6)


@pytest.mark.parametrize(("a", "b"), [(0.7, 1.7), (1.6, 2.3)])
def test_exponents_are_the_slopes_on_log_paper(a: float, b: float) -> None:
    keys = {"model": "lagging", "fill_exponent": a, "speed_exponent": b}
    brake = made("brake", brake={**keys, "windage_Nm": 1e-12, "bearing_drag_Nm": 1e-12})
    torque = {}
    for fill, w in itertools.product((0.2, 0.4), (400.0, 800.0)):
        brake.active = fill
        torque[fill, w] = brake.torque_Nm(w)
    assert math.log2(torque[0.4, 400.0] / torque[0.2, 400.0]) == pytest.approx(a, rel=1e-6)
    assert math.log2(torque[0.2, 800.0] / torque[0.2, 400.0]) == pytest.approx(b, rel=1e-6)


@pytest.mark.parametrize(("key", "start", "end", "tau"), [
    ("fill_lag_s", 0.0, 0.5, 0.08), ("drain_lag_s", 0.5, 0.0, 0.03), ("fill_lag_turns", 0.0, 0.5, None),
])  # fmt: skip
def test_torque_lags_the_water_first_order(key: str, start: float, end: float, tau: float | None) -> None:
    # 1 - exp(-t / tau) by scipy's lti; five turns of a shaft at 6,000 rpm are 50 ms
    w = 6000.0 * RPM
    brake = made("brake", brake={"model": "lagging", key: tau or 5.0, "drain_time_s": 20.0})
    brake.fill, brake.active = end, start
    tau = tau or 0.05
    seen = []
    for _ in range(300):
        brake.fill = end
        brake.fill_step(brake.outflow_m3_s, w)
        seen.append(brake.active)
    _, expected = signal.step(signal.lti([1.0], [tau, 1.0]), T=np.arange(301) * 1e-3)
    assert seen == pytest.approx(start + (end - start) * expected[1:], abs=0.006)


def test_two_patterns_have_a_hysteresis() -> None:
    brake = made(
        "brake",
        brake={"model": "two patterns", "pattern_down": 0.15, "pattern_up": 0.25, "pattern_drop": 0.1},
    )
    factor = {}
    for name, fill in (("low", 0.1), ("up", 0.2), ("high", 0.3), ("down", 0.2)):
        for _ in range(500):
            brake.fill = fill
            brake.fill_step(0.0, 0.0)
        factor[name] = brake.pattern
    assert factor == pytest.approx({"low": 0.9, "up": 0.9, "high": 1.0, "down": 1.0}, abs=1e-3)


def test_bursts_come_as_often_and_last_as_long_as_said() -> None:
    brake = made("brake", brake={"model": "lagging", "burst": 0.05, "burst_s": 0.15, "bursts_per_s": 1.0})
    bursts = []
    for _ in range(400_000):
        brake.fill_step(0.0, 500.0)
        bursts.append(brake.burst)
    edges = np.flatnonzero(np.diff(np.abs(bursts)) > 0)
    # an alternating renewal process: one per (1 / rate + mean length)
    assert len(edges) == pytest.approx(400.0 / 1.15, rel=0.2)
    assert set(np.round(np.unique(bursts), 6)) == {-0.05, 0.0, 0.05}


# --- engine ---


def spin(engine: Any, rpm: float, turns: int, seconds: float | None = None) -> float:
    """Mean torque over some turns at a constant speed."""
    w, angle, total, n = rpm * RPM, 0.0, 0.0, 0
    engine.throttle = engine.throttle_to = 1.0
    while angle < turns * 2 * math.pi:
        total += engine.step(w, angle)
        angle += w * 1e-3
        n += 1
    return total / n


def test_four_stroking_takes_what_renewal_theory_says() -> None:
    # a miss follows a fired turn with chance p, never a miss: share of misses p / (1 + p) (any text)
    keys = {"model": "two-stroke", "four_stroke_share": 0.4, "four_stroke_from_rpm": 7000.0}
    engine = made(
        "engine", engine=keys, weather={"pressure_Pa": 99000.0, "temperature_C": 25.0, "humidity": 0.0}
    )
    plain = made("engine", weather={"pressure_Pa": 99000.0, "temperature_C": 25.0, "humidity": 0.0})
    ratio = spin(engine, 9000.0, 6000) / spin(plain, 9000.0, 50)
    assert ratio == pytest.approx(1.0 / 1.4, rel=0.01)
    assert engine.map_Nm(9000.0, {}) / plain.map_Nm(9000.0, {}) == pytest.approx(1.0 / 1.4, rel=1e-9)
    assert spin(engine, 6500.0, 50) == pytest.approx(spin(plain, 6500.0, 50), rel=1e-9)


def test_pipe_hits_within_its_width() -> None:
    keys = {"model": "two-stroke", "pipe_loss": 0.5, "pipe_rpm": 8000.0, "pipe_width_rpm": 600.0}
    engine, plain = made("engine", engine=keys), made("engine")
    share = {n: engine.map_Nm(n, {}) / plain.map_Nm(n, {}) for n in (6000.0, 7700.0, 8300.0, 9900.0)}
    assert [share[6000.0], share[9900.0]] == pytest.approx([0.5, 1.0], abs=0.005)
    assert [share[7700.0], share[8300.0]] == pytest.approx([0.55, 0.95], abs=0.005)  # 10 and 90 % of the rise


def test_a_cold_pipe_tunes_lower_with_the_speed_of_sound() -> None:
    # c ~ sqrt(T): CoolProp's real air at 450 K and 600 K, one pressure
    slow, fast = (CoolProp.PropsSI("A", "T", t, "P", 101325, "Air") for t in (450.0, 600.0))
    engine = made("engine", engine={"model": "two-stroke", "pipe_cold": 1.0 - math.sqrt(450.0 / 600.0)})
    assert engine.stretch == pytest.approx(slow / fast, rel=0.02)
    engine.throttle = engine.throttle_to = 1.0
    for _ in range(600):
        engine.slow_step(100)
    assert engine.stretch == pytest.approx(1.0, abs=1e-3)


def test_without_load_the_engine_runs_past_its_map_to_the_free_speed() -> None:
    b = Bench(scenario(engine={"model": "two-stroke", "free_rpm": 15500.0, "free_friction_share": 0.2}), 1)
    peak = b.engine.peak_Nm
    b.set_throttle(1.0)
    b.run_until(2.0)
    b.set("load_lost", 1.0)
    b.run_until(8.0)
    assert b.speed_rpm == pytest.approx(15500.0, rel=0.01)
    assert b.engine.map_Nm(1.25 * 15500.0, {}) == pytest.approx(-0.2 * peak, rel=1e-9)
    assert b.engine.map_Nm(25000.0, {}) == pytest.approx(-0.2 * peak, rel=1e-9)
    # up to a quarter of peak torque on the falling flank the map is the map
    plain = made("engine")
    top = next(n for n in range(12000, 0, -10) if plain.map_Nm(n, {}) >= 0.26 * peak)
    assert all(b.engine.map_Nm(n, {}) == pytest.approx(plain.map_Nm(n, {})) for n in range(2000, top, 500))


def test_turns_that_know_of_each_other_keep_their_scatter() -> None:
    # first-order autoregression keeps the variance; lag-one correlation is r (any time series text)
    keys = {"model": "two-stroke", "cycle_scatter": 0.05, "cycle_correlation": 0.4}
    engine = made("engine", engine=keys)
    draws = np.array([engine.draw_cycle(900.0) for _ in range(40_000)])
    assert draws.std() == pytest.approx(0.05, rel=0.03)
    assert np.corrcoef(draws[1:], draws[:-1])[0, 1] == pytest.approx(0.4, abs=0.02)


# --- drive ---


def test_chain_swings_at_the_frequency_of_two_masses() -> None:
    # eigenvalues of the two-mass oscillator, by scipy
    keys = {"model": "elastic", "stiffness_Nm_rad": 225.0, "damping_Nms_rad": 0.0, "slack_deg": 0.0}
    drive = made("drive", drive=keys)
    drive.w, drive.w_brake, drive.twist = 800.0, 795.0, 0.0
    slips = []
    for _ in range(1000):
        drive.step(0.0, 0.0, 0.0)
        slips.append(drive.w - drive.w_brake)
    j1, j2 = drive.j_engine, drive.j_brake
    k = np.array([[225.0, -225.0], [-225.0, 225.0]])
    omega = math.sqrt(max(linalg.eigh(k, np.diag([j1, j2]), eigvals_only=True)))
    crossings = np.flatnonzero(np.diff(np.sign(slips)))
    seen = math.pi * (len(crossings) - 1) / ((crossings[-1] - crossings[0]) * 1e-3)
    assert seen == pytest.approx(omega, rel=0.02)


def test_elastic_drive_loses_no_energy() -> None:
    b = Bench(
        scenario(
            drive={"model": "elastic", "efficiency": 0.97, "loss_Nm": 0.02}, engine={"firing_ripple": 0.5}
        ),
        1,
    )
    b.run_until(0.5)
    first = dict(b.now)
    b.set_throttle(1.0)
    b.run_until(3.0)
    b.set_servo_us(1450.0)
    b.run_until(7.0)
    last = b.now
    change = {k: last[k] - first[k] for k in ("engine_work_J", "brake_work_J", "lost_work_J", "kinetic_J")}
    out = change["brake_work_J"] + change["lost_work_J"] + change["kinetic_J"]
    assert change["engine_work_J"] > 3000.0
    assert out == pytest.approx(change["engine_work_J"], rel=2e-3)
    # in steady running the brake gets torque x efficiency less the loss
    assert change["lost_work_J"] > 0.03 * change["brake_work_J"] * 0.9


def test_elastic_drive_with_a_clutch_slips_and_holds() -> None:
    b = Bench(scenario(drive={"model": "elastic"}, clutch={"fitted": True}), 1)
    assert b.now["brake_speed_rpm"] == 0.0
    b.set_throttle(1.0)
    b.set_servo_us(1400.0)
    b.run_until(6.0)
    assert b.now["brake_speed_rpm"] == pytest.approx(b.speed_rpm, rel=0.01)
    b.set("load_lost", 1.0)
    b.run_until(7.0)
    assert b.now["brake_speed_rpm"] < 0.7 * b.speed_rpm


# --- load cell and amplifier ---


def test_trunnion_friction_is_between_up_and_down() -> None:
    cell = made("load_cell", load_cell={"model": "trunnion", "friction_share": 0.005, "arm_m": 0.25})
    drive = made("drive")
    force = {}
    for name, torques in (("up", np.linspace(0.0, 4.0, 500)), ("down", np.linspace(6.0, 4.0, 500))):
        for tb in [*torques, *np.full(600, 4.0)]:
            force[name] = cell.step(0.0, float(tb), 0.0, drive, 0.0, 0.0)
    assert force["down"] - force["up"] == pytest.approx(2 * 0.005 * 4.0 / 0.25, rel=0.05)
    assert (force["down"] + force["up"]) / 2 == pytest.approx(4.0 / 0.25, rel=1e-3)


def test_jet_pushes_with_its_momentum() -> None:
    # momentum of a jet rho Q v (any text): 0.1 l/s at 5 m/s on 0.08 m is 0.04 N.m
    bore = math.sqrt(4 * 1e-4 / 5.0 / math.pi) * 1000.0
    cell = made(
        "load_cell", load_cell={"model": "trunnion", "jet_mm": bore, "jet_arm_m": 0.08, "arm_m": 0.25}
    )
    drive = made("drive")
    for _ in range(3000):
        force = cell.step(0.0, 0.0, 0.0, drive, 0.0, 1e-4)
    assert force * 0.25 == pytest.approx(0.04, rel=0.01)


def test_span_drifts_with_the_cell_and_creep_comes_late() -> None:
    keys = {"model": "trunnion", "span_tc_K": 1e-4, "cell_rise_K": 20.0, "cell_time_s": 10.0}
    cell, drive = made("load_cell", load_cell=keys), made("drive")
    for i in range(40_000):
        force = cell.step(i * 1e-3, 2.5, 0.0, drive, 0.0, 0.0)
    assert force / 10.0 == pytest.approx(1.0 + 1e-4 * 20.0 * (1 - math.exp(-4.0)), rel=1e-6)
    creeping = made("load_cell", load_cell={"model": "trunnion", "creep": 0.001, "creep_s": 5.0})
    for _ in range(30_000):
        force = creeping.step(0.0, 2.5, 0.0, drive, 0.0, 0.0)
    assert force / 10.0 - 1.0 == pytest.approx(0.001 * (1 - math.exp(-6.0)), rel=0.02)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_filters_of_lower_order_are_lower_splines(order: int) -> None:
    # scipy's B-splines; group delay order / 2 periods
    n = 40
    fine = np.array(spline_weights(float(n), 0.0, order))
    assert len(fine) == order * n
    spline = BSpline.basis_element(np.arange(order + 1.0))((np.arange(order * n) + 0.5) / n) / n
    assert fine == pytest.approx(spline, abs=1e-4)
    ages = np.arange(len(fine) - 1, -1, -1) + 0.5
    assert (fine * ages).sum() / n == pytest.approx(order / 2.0, abs=1e-6)


def test_a_short_filter_lets_vibration_alias() -> None:
    # sinc^n at 81 Hz of 80 samples/s: attenuation by scipy's frequency response
    gains = []
    for order in (1, 4):
        w = np.array(spline_weights(12.5, 0.0, order))
        _, h = signal.freqz(w, worN=[2 * np.pi * 0.081])
        gains.append(abs(h[0]))
    assert gains[0] > 10 * gains[1]
    b = Bench(
        scenario(
            load_cell={"model": "trunnion", "direct_N": 5.0, "counts_per_N": 10000.0, "resonance_Hz": 35.0},
            amplifier={"filter_order": 1},
        ),
        1,
    )
    b.set_throttle(1.0)
    b.run_until(3.0)
    codes = np.array([c for _, c in b.take_samples()])[-40:]
    assert codes.std() > 100


def test_what_is_told_is_not_what_is() -> None:
    true = describe(complete({}))
    told = describe(complete({"told": {"arm_error": 0.002, "span_error": -0.003}}))
    assert told["arm_length"] / true["arm_length"] == pytest.approx(1.002, abs=1e-5)
    assert told["span"] / true["span"] == pytest.approx(0.997, abs=1e-5)
