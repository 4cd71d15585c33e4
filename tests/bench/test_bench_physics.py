"""The bench's physics against facts from outside; the source stands beside each check."""

from __future__ import annotations

import math

import CoolProp.CoolProp as CoolProp
import numpy as np
import pint
import psychrolib
import pytest
from evenfall_bench.physics import (
    CODE_MAX,
    CODE_MIN,
    RPM,
    TRUTH_FIELDS,
    WATER_DENSITY_KG_M3,
    WATER_HEAT_J_KGK,
    Bench,
    air_mass_factor,
    saturation_Pa,
    spline_weights,
)
from evenfall_bench.scenario import engines
from scipy import signal
from scipy.interpolate import BSpline

QUIET = {
    "engine": {"cycle_scatter": 0.0, "run_scatter": 0.0, "wander": 0.0, "firing_ripple": 0.0},
    "supply": {"ripple": 0.0, "noise": 0.0},
    "drive": {"chain_ripple": 0.0, "sprocket_ripple": 0.0},
    "load_cell": {"vibration_N": 0.0, "force_noise_N": 0.0},
    "amplifier": {"noise_nV": 0.0},
    "hall": {"jitter_us": 0.0},
    "valve": {"hose_delay_s": 0.0},
    "clutch": {"fitted": False},
}

STANDS = {"clutch": {"fitted": True}}  # idling with the clutch open: the brake stands still


def bench(seed: int = 1, **tables: dict[str, object]) -> Bench:
    """A quiet bench with some keys changed."""
    scenario = {name: dict(keys) for name, keys in QUIET.items()}
    for name, keys in tables.items():
        scenario.setdefault(name, {}).update(keys)
    return Bench.build(scenario, seed)


def column(b: Bench, name: str) -> np.ndarray:
    return np.array([r[TRUTH_FIELDS.index(name)] for r in b.truth])


def test_energy_in_is_energy_out() -> None:
    # first law: work of the engine = work into the brake + losses + change of kinetic energy
    b = bench(
        drive={"engine_teeth": 12, "brake_teeth": 9, "efficiency": 0.95}, brake={"outside_drag_Nm": 0.05}
    )
    b.run_until(0.5)
    first = dict(b.now)
    b.set_throttle(1.0)
    b.run_until(4.0)
    b.set_servo_us(1480.0)
    b.run_until(9.0)
    b.set_throttle(0.0)
    b.run_until(12.0)
    last = b.now
    change = {k: last[k] - first[k] for k in ("engine_work_J", "brake_work_J", "lost_work_J", "kinetic_J")}
    assert change["engine_work_J"] > 5000.0
    out = change["brake_work_J"] + change["lost_work_J"] + change["kinetic_J"]
    assert out == pytest.approx(change["engine_work_J"], rel=1e-8)


def test_all_brake_work_becomes_heat_in_the_water() -> None:
    # steady flow: rise = P / (Q rho c_p), c_p and rho of water from CoolProp
    kelvin, pascal = 293.15, 101325.0
    assert WATER_HEAT_J_KGK == pytest.approx(
        CoolProp.PropsSI("C", "T", kelvin, "P", pascal, "Water"), rel=1e-3
    )
    assert WATER_DENSITY_KG_M3 == pytest.approx(
        CoolProp.PropsSI("D", "T", kelvin, "P", pascal, "Water"), rel=1e-3
    )
    b = bench(water={"tank_l": 0.0})
    b.set_throttle(1.0)
    b.set_servo_us(1430.0)
    b.run_until(25.0)
    n = b.now
    power = n["brake_torque_Nm"] * n["brake_speed_rpm"] * math.pi / 30.0
    rise = power / (
        n["flow_m3_s"] * WATER_DENSITY_KG_M3 * CoolProp.PropsSI("C", "T", kelvin, "P", pascal, "Water")
    )
    assert power > 1000.0
    assert n["water_K"] - 288.15 == pytest.approx(rise, rel=5e-3)


def test_a_few_gallons_serve_many_sweeps() -> None:
    # common practice, no source: ten sweeps of a small saw warm 15 US gallons by little
    litres = pint.UnitRegistry().Quantity(15, "gallon").to("liter").magnitude
    b = bench(water={"tank_l": litres})
    b.set_throttle(1.0)
    b.set_servo_us(1450.0)
    b.run_until(100.0)
    assert 0.5 < b.now["tank_K"] - 288.15 < 5.0


def test_power_is_torque_times_speed_in_shop_units() -> None:
    # hp from lbf.ft and rpm by pint's unit definitions, against the bench's own work per second
    ureg = pint.UnitRegistry()
    b = bench()
    b.set_throttle(1.0)
    b.set_servo_us(1450.0)
    b.run_until(8.0)
    work, start = b.now["engine_work_J"], b.time_s
    b.run_until(9.0)
    watts = (b.now["engine_work_J"] - work) / (b.time_s - start)
    torque = column(b, "engine_torque_Nm")[-200:].mean()
    speed = column(b, "speed_rpm")[-200:].mean()
    pounds = ureg.Quantity(torque, "N*m").to("lbf*ft")
    radians = ureg.Quantity(speed, "rpm").to("rad/s")
    assert (pounds * radians).to("hp").magnitude == pytest.approx(
        ureg.Quantity(watts, "W").to("hp").magnitude, rel=2e-3
    )


@pytest.mark.parametrize(("name", "hp"), [("trimmer", 1.5), ("clearing saw", 2.9), ("big race saw", 33.0)])
def test_engines_make_the_power_they_are_named_for(name: str, hp: float) -> None:
    ureg = pint.UnitRegistry()
    watts = max(t * ureg.Quantity(n, "rpm").to("rad/s").magnitude for n, t in engines()[name]["torque_map"])
    assert ureg.Quantity(watts, "W").to("hp").magnitude == pytest.approx(hp, rel=0.01)


def test_flow_goes_with_the_root_of_pressure() -> None:
    # turbulent orifice (ISO 5167 form, any hydraulics text): four times the pressure, twice the flow
    flows = []
    for bar in (1.0, 4.0):
        b = bench(supply={"pressure_bar": bar}, brake={"back_pressure_bar": 0.0})
        b.set_servo_us(1500.0)
        b.run_until(1.0)
        flows.append(b.now["flow_m3_s"])
    assert flows[1] / flows[0] == pytest.approx(2.0, rel=1e-12)


def test_brake_torque_goes_with_the_square_of_speed() -> None:
    # affinity laws of turbomachines (any text): torque ~ speed^2 at a given fill
    b = bench(
        brake={"start_fill": 1.0, "full_torque_Nm": 8.0, "windage_Nm": 1e-9, "bearing_drag_Nm": 1e-9},
        valve={"leak": 0.4},
        engine={"idle_rpm": 3000.0},
    )
    b.run_until(0.1)
    assert b.now["fill"] == pytest.approx(1.0, abs=1e-6)
    ratio = b.now["brake_torque_Nm"] / 8.0
    assert ratio == pytest.approx((b.now["brake_speed_rpm"] / 5000.0) ** 2, rel=0.02)


def test_saturation_pressure_agrees_with_two_libraries() -> None:
    # CoolProp (IAPWS-95) and psychrolib (ASHRAE Handbook 2017, ch. 1)
    psychrolib.SetUnitSystem(psychrolib.SI)
    for celsius in (0.1, 10.0, 25.0, 40.0):
        kelvin = celsius + 273.15
        assert saturation_Pa(kelvin) == pytest.approx(
            CoolProp.PropsSI("P", "T", kelvin, "Q", 0, "Water"), rel=0.006
        )
        assert saturation_Pa(kelvin) == pytest.approx(psychrolib.GetSatVapPres(celsius), rel=0.006)


def test_air_mass_flow_follows_density_times_sound_speed() -> None:
    # at equal Mach number mass flow ~ rho x c; both from CoolProp's real air
    def flow(pascal: float, kelvin: float) -> float:
        return CoolProp.PropsSI("D", "T", kelvin, "P", pascal, "Air") * CoolProp.PropsSI(
            "A", "T", kelvin, "P", pascal, "Air"
        )

    reference = flow(99000.0, 298.15)
    for pascal, kelvin in ((84000.0, 306.0), (101000.0, 278.0), (99000.0, 313.0)):
        assert air_mass_factor(pascal, kelvin, 0.0) == pytest.approx(
            flow(pascal, kelvin) / reference, rel=2e-3
        )
    assert air_mass_factor(99000.0, 298.15, 0.0) == 1.0


def test_thin_air_costs_torque_by_the_same_factor() -> None:
    torques = []
    for pascal in (99000.0, 80000.0):
        b = bench(
            weather={"pressure_Pa": pascal, "temperature_C": 25.0, "humidity": 0.0},
            brake={"inertia_kg_m2": 1.0},
        )
        b.set_throttle(1.0)
        b.run_until(2.0)
        torques.append((b.map_torque_Nm(7000.0), b.now["engine_torque_Nm"], b.speed_rpm))
    assert torques[1][0] / torques[0][0] == pytest.approx(80.0 / 99.0, rel=1e-12)
    assert torques[0][1] > torques[1][1]


def test_amplifier_kernel_is_four_boxcars() -> None:
    # a sinc^4 filter is four moving averages in a row: numpy's convolution, scipy's cubic B-spline
    n = 50
    box = np.ones(n) / n
    four = np.convolve(np.convolve(box, box), np.convolve(box, box))
    fine = np.array(spline_weights(float(n), 0.0))
    assert len(fine) == 4 * n
    assert np.interp(np.arange(200), np.arange(197) + 1.5, four) == pytest.approx(fine, abs=2e-5)
    knots = np.arange(5.0)
    spline = BSpline.basis_element(knots)((np.arange(4 * n) + 0.5) / n) / n
    assert fine == pytest.approx(spline, abs=1e-7)


def test_amplifier_settles_in_four_periods_and_lags_two() -> None:
    # data sheets of the class: settling 50 ms at 80 samples/s = 4 periods; so the lag is 2
    period = 12.5
    for phase in (0.0, 0.37, 0.99):
        w = np.array(spline_weights(period, phase))
        ages = np.arange(len(w) - 1, -1, -1) + 0.5 + phase
        assert w.sum() == pytest.approx(1.0, abs=1e-12)
        assert (w * ages).sum() / period == pytest.approx(2.0, abs=0.01)
        assert len(w) <= math.ceil(4 * period + phase)
    # zeros of the filter lie at multiples of the output rate (scipy's frequency response)
    w = np.array(spline_weights(50.0, 0.0))
    _, response = signal.freqz(w, worN=[2 * np.pi / 50.0, 4 * np.pi / 50.0, 2 * np.pi / 500.0])
    assert abs(response[:2]).max() < 1e-4
    assert abs(response[2]) == pytest.approx(np.sinc(0.1) ** 4, rel=1e-3)


def test_step_on_the_cell_is_settled_after_50_ms_at_80_per_second() -> None:
    b = bench(
        **STANDS,
        load_cell={"damping": 0.9, "resonance_Hz": 400.0, "counts_per_N": 10000.0, "zero_count": 0.0},
    )
    b.run_until(1.0)
    b.take_samples()
    b.set("cell_push_N", 10.0)
    at = b.time_s
    b.run_until(1.2)
    samples = b.take_samples()
    before = [c for t, c in samples if t <= at + 0.0005]
    later = [c for t, c in samples if t > at + 0.056]
    between = [c for t, c in samples if at + 0.013 < t < at + 0.037]
    assert not before or max(before) < 500
    assert later and all(c == pytest.approx(100000, rel=1e-3) for c in later)
    assert between and all(1000 < c < 99000 for c in between)


def test_housing_on_rubber_rings_as_scipy_says() -> None:
    frequency, damping = 22.0, 0.12
    b = bench(**STANDS, load_cell={"resonance_Hz": frequency, "damping": damping}, bench={"truth_s": 0.001})
    b.run_until(0.2)
    n = len(b.truth)
    b.set("cell_push_N", 5.0)
    b.run_until(0.5)
    force = column(b, "force_N")[n:]
    w = 2 * np.pi * frequency
    system = signal.lti([w * w], [1.0, 2 * damping * w, w * w])
    time, expected = signal.step(system, T=np.arange(len(force)) * 1e-3)
    assert force == pytest.approx(5.0 * np.interp(time + 1e-3, time, expected), abs=0.02)


def test_noise_is_what_the_data_sheet_says() -> None:
    # 90 nV rms at 80 samples/s and gain 128, full scale 20 mV = 2^23 codes (data sheet of the class)
    b = bench(**STANDS, amplifier={"noise_nV": 90.0})
    b.run_until(25.0)
    codes = np.array([c for _, c in b.take_samples()])
    assert codes.std() == pytest.approx(90e-9 / (20e-3 / 2**23), rel=0.06)


def test_rate_and_its_tolerance() -> None:
    b = bench(amplifier={"rate_error": 0.05})
    b.run_until(10.0)
    times = np.array([t for t, _ in b.take_samples()])
    assert np.diff(times) == pytest.approx(1.0 / 84.0, rel=1e-8)


def test_clamp_codes() -> None:
    # data sheet of the class: 0x7FFFFF and 0x800000 outside the range
    for zero, code in ((2e7, CODE_MAX), (-2e7, CODE_MIN)):
        b = bench()
        b.scenario["load_cell"]["zero_count"] = zero
        b = Bench(b.scenario, 1)
        b.run_until(0.3)
        assert {c for _, c in b.take_samples()} == {code}
    assert (CODE_MAX, CODE_MIN & 0xFFFFFF) == (0x7FFFFF, 0x800000)


def test_edges_count_the_turns() -> None:
    b = bench(hall={"magnets": 3})
    b.set_throttle(1.0)
    b.run_until(1.0)
    b.take_edges()
    angle = b.now["crank_angle_rad"]
    b.run_until(6.0)
    turns = (b.now["crank_angle_rad"] - angle) / (2 * math.pi)
    edges = np.array(b.take_edges())
    assert len(edges) == pytest.approx(3 * turns, abs=1.01)
    speed = 60.0 / (edges[-1] - edges[-4])
    assert speed == pytest.approx(b.speed_rpm, rel=1e-3)


def test_missed_edges_are_binomial() -> None:
    # share of missed edges within four standard deviations of the binomial distribution
    whole, some = bench(), bench(hall={"missed": 0.1})
    for b in (whole, some):
        b.set_throttle(1.0)
        b.run_until(10.0)
    n, m = len(whole.take_edges()), len(some.take_edges())
    assert abs((n - m) - 0.1 * n) < 4 * math.sqrt(n * 0.1 * 0.9)


def test_clutch_lets_go_and_the_brake_coasts() -> None:
    b = bench(clutch={"fitted": True, "engage_rpm": 3800.0})
    b.set_throttle(1.0)
    b.run_until(3.0)
    assert b.now["brake_speed_rpm"] == pytest.approx(b.speed_rpm, rel=1e-8)
    b.set_throttle(0.0)
    b.run_until(8.0)
    assert b.speed_rpm == pytest.approx(2800.0, abs=20.0)
    assert b.now["brake_speed_rpm"] != pytest.approx(2800.0, abs=5.0)


def test_chain_off_lets_the_engine_run_up_and_the_brake_down() -> None:
    b = bench()
    b.set_throttle(1.0)
    b.set_servo_us(1500.0)
    b.run_until(6.0)
    before, brake = b.speed_rpm, b.now["brake_speed_rpm"]
    b.set("load_lost", 1.0)
    b.run_until(7.0)
    assert b.speed_rpm > before * 1.3
    assert b.now["brake_speed_rpm"] < brake * 0.8


def test_servo_waits_for_its_frame_then_slews() -> None:
    b = bench(servo={"slew_us_s": 2000.0, "deadband_us": 0.0, "backlash_us": 0.0}, bench={"truth_s": 0.001})
    b.run_until(0.1)
    b.set_servo_us(1600.0)
    b.run_until(0.6)
    valve = column(b, "valve")
    moving = np.flatnonzero(np.diff(valve) > 0)
    assert 0 <= moving[0] - 99 <= 21  # within one 20 ms frame
    assert len(moving) == pytest.approx(300, abs=2)  # 600 us at 2000 us/s
    assert valve[-1] == pytest.approx(0.6, abs=1e-9)


def test_backlash_is_the_width_of_the_play() -> None:
    b = bench(servo={"deadband_us": 0.0, "backlash_us": 20.0})
    ends = []
    for us in (1600.0, 1500.0):
        b.set_servo_us(us)
        b.run_until(b.time_s + 1.0)
        ends.append(b.now["valve"])
    assert ends[0] == pytest.approx(0.590, abs=1e-9)
    assert ends[1] == pytest.approx(0.510, abs=1e-9)


def run(seed: int, **tables: dict[str, object]) -> Bench:
    b = Bench.build({**tables}, seed)
    b.set_throttle(1.0)
    b.run_until(2.0)
    b.set_servo_us(1450.0)
    b.run_until(4.0)
    return b


def test_same_seed_same_bench_to_the_last_bit() -> None:
    a, b, c = run(7), run(7), run(8)
    assert a.truth == b.truth
    assert a.take_samples() == b.take_samples()
    assert a.take_edges() == b.take_edges()
    assert a.truth != c.truth


def test_same_times_in_other_pieces_change_nothing() -> None:
    a, b = Bench.build({}, 3), Bench.build({}, 3)
    a.set_throttle(1.0)
    b.set_throttle(1.0)
    a.run_until(2.0)
    while b.time_s < 2.0:
        b.run_until(b.time_s + 0.0027)
    both = min(len(a.truth), len(b.truth))
    assert both > 1990 and a.truth[:both] == b.truth[:both]


def test_causes_of_chance_are_independent() -> None:
    # other sensor noise, same engine: controllers meet the same engine in a study
    a, b = run(7), run(7, amplifier={"noise_nV": 500.0}, hall={"missed": 0.1, "jitter_us": 5.0})
    assert a.truth == b.truth
    assert a.take_samples() != b.take_samples()


def test_step_size_hardly_matters() -> None:
    # halving the step of an explicit scheme must not move the result (numerical analysis, any text)
    speeds = []
    for step in (0.001, 0.0005):
        b = bench(bench={"step_s": step}, servo={"deadband_us": 0.0})
        b.set_throttle(1.0)
        b.run_until(3.0)
        b.set_servo_us(1450.0)
        b.run_until(15.0)
        speeds.append(b.speed_rpm)
    assert speeds[0] == pytest.approx(speeds[1], rel=1e-3)


def test_rpm_constant() -> None:
    assert pytest.approx(pint.UnitRegistry().Quantity(1, "rpm").to("rad/s").magnitude, rel=1e-12) == RPM
