"""Units, local gravity and water heat, against pint, scipy, published values and CoolProp."""

from __future__ import annotations

import math

import pint
import pytest
import scipy.constants
from CoolProp.CoolProp import PropsSI
from evenfall import units
from evenfall.errors import InputError
from evenfall.reduction import gravity, water
from hypothesis import given
from hypothesis import strategies as st

outside = pytest.mark.outside
ureg = pint.UnitRegistry()
PINT = {
    "Pa": "Pa", "hPa": "hPa", "mbar": "mbar", "kPa": "kPa", "inHg": "inHg", "mmHg": "mmHg", "psi": "psi",
    "K": "K", "C": "degC", "F": "degF", "m": "m", "cm": "cm", "mm": "mm", "in": "inch", "ft": "foot",
    "kg": "kg", "g": "g", "lb": "lb", "oz": "oz", "Nm": "N*m", "lb-ft": "lbf*ft", "lb-in": "lbf*inch",
    "W": "W", "kW": "kW", "hp": "hp", "hp-metric": "metric_horsepower", "deg": "deg", "rad": "rad",
}  # fmt: skip
SI = {"pressure": "Pa", "temperature": "K", "length": "m", "mass": "kg", "torque": "N*m", "power": "W"}


@outside("pint's unit registry")
@pytest.mark.parametrize(("kind", "unit"), [(k, u) for k in SI for u in units.UNITS[k] if u in PINT])
def test_unit_agrees_with_pint(kind, unit):
    """Factor of each US unit"""
    other = ureg.Quantity(17.3, PINT[unit]).to(SI[kind]).magnitude
    assert units.to_si(17.3, unit, kind) == pytest.approx(other, rel=2e-6)


@outside("scipy.constants (hp, inch, lb, psi, g)")
def test_constants_agree_with_scipy():
    """Horsepower, inch, pound, psi, standard gravity"""
    c = scipy.constants
    assert units.HORSEPOWER == pytest.approx(c.hp, rel=1e-9)
    assert (units.INCH, units.POUND, units.GRAVITY) == pytest.approx((c.inch, c.lb, c.g), rel=1e-12)
    assert units.to_si(1, "psi", "pressure") == pytest.approx(c.psi)


@outside("the trade's hp = lb-ft x rpm / 5252.1, common practice")
def test_power_rule_of_the_trade():
    """Power from torque and speed in US units"""
    watts = units.to_si(3.0, "lb-ft", "torque") * 9000 * units.RPM
    assert units.from_si(watts, "hp", "power") == pytest.approx(3.0 * 9000 / 5252.1, rel=1e-5)


@given(st.sampled_from([(k, u) for k in units.UNITS for u in units.UNITS[k]]), st.floats(-1e6, 1e6))
def test_units_round_trip(kind_unit, value):
    kind, unit = kind_unit
    back = units.from_si(units.to_si(value, unit, kind), unit, kind)
    assert back == pytest.approx(value, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("29.92 inHg", "pressure", 101320.75),
        ("1013.25hPa", "pressure", 101325.0),
        ("68 F", "temperature", 293.15),
        ("20 °C", "temperature", 293.15),
        ("9.84 in", "length", 0.249936),
        ("45 %", "ratio", 0.45),
        (".5 kg", "mass", 0.5),
    ],
)
def test_typed_values(text, kind, value):
    assert units.typed(text, kind, "it") == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("29.92", "pressure", "has no unit"),
        ("abc", "pressure", "not a number"),
        ("5 furlong", "length", "not known"),
        ("", "mass", "not a number"),
        ("1e999 kg", "mass", "too large"),
        ("nan hPa", "pressure", "not a number"),
    ],
)
def test_typed_nonsense_is_refused(text, kind, words):
    with pytest.raises(InputError, match=words):
        units.typed(text, kind, "the value")


@outside("NIMA TR8350.2 (WGS 84): 9.7803253359 at the equator, 9.8321849378 m/s2 at the pole")
def test_gravity_at_equator_and_pole():
    """Gravity on the ellipsoid"""
    assert gravity.local_gravity(0) == pytest.approx(9.7803253359, abs=1e-9)
    assert gravity.local_gravity(90) == pytest.approx(9.8321849378, abs=1e-8)


@outside("Standard gravity 9.80665 is that of about 45.5 degrees at sea level, handbook, from memory")
def test_gravity_is_standard_near_45_degrees():
    """Latitude of standard gravity"""
    assert gravity.local_gravity(45.5) == pytest.approx(9.80665, abs=3e-4)


@outside("Gravity datum Potsdam, 9.8126 m/s2 at 52.38 N, 87 m (IGSN 71), from memory")
def test_gravity_at_a_measured_place():
    """Gravity at a measured place"""
    assert gravity.local_gravity(52.38, 87) == pytest.approx(9.8126, abs=5e-4)


@given(st.floats(-90, 90), st.floats(-400, 5900))
def test_gravity_is_symmetric_and_falls_with_height(latitude, height):
    here = gravity.local_gravity(latitude, height)
    assert here == pytest.approx(gravity.local_gravity(-latitude, height))
    assert gravity.local_gravity(latitude, height + 50) < here
    g, u = gravity.gravity_or_standard(None, None)
    assert abs(gravity.local_gravity(latitude, 0) - g) <= u * math.sqrt(3) + 5e-4


def test_gravity_refuses_nonsense():
    with pytest.raises(InputError, match="latitude"):
        gravity.local_gravity(123)
    with pytest.raises(InputError, match="height"):
        gravity.local_gravity(45, 20000)


@outside("IAPWS-95 in CoolProp (heat capacity of water at 20 C)")
def test_water_heat_capacity():
    """Heat capacity of water"""
    assert PropsSI("C", "T", 293.15, "P", 101325, "Water") == pytest.approx(water.HEAT_CAPACITY, rel=1e-3)


@outside("enthalpy difference of water in CoolProp")
def test_flow_rise_agrees_with_enthalpy():
    """Warming of the brake's water by flow"""
    rise = float(water.flow_rise_K(7457.0, 0.1))  # 10 hp into 6 L/min
    h = [PropsSI("H", "T", T, "P", 2e5, "Water") for T in (288.15, 288.15 + rise)]
    assert h[1] - h[0] == pytest.approx(74570.0, rel=2e-3)


@outside("a few gallons of water serve many runs, common practice, no source")
def test_a_few_gallons_last_many_runs():
    """Runs that a small tank takes"""
    energy = 5 * units.HORSEPOWER * 10  # 5 hp for ten seconds
    assert water.runs_in_tank(energy, 5 * 3.785) > 30
