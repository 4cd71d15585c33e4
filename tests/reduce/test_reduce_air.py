"""Humid air, height and correction factors, against formulas by hand and reference libraries."""

from __future__ import annotations

import math
from dataclasses import replace

import ambiance
import metpy.calc
import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from evenfall.errors import InputError
from evenfall.model import Air
from evenfall.reduction import air as humid
from evenfall.reduction import reduce
from evenfall.workflow import reduce_service
from hypothesis import given
from hypothesis import strategies as st
from metpy.units import units as metpy_units

psychrolib.SetUnitSystem(psychrolib.SI)
outside = pytest.mark.outside
DAYS = [  # Pa, K, relative humidity
    (101325.0, 288.15, 0.0),
    (99000.0, 298.15, 0.3),
    (95000.0, 303.15, 0.8),
    (84000.0, 278.15, 0.5),
    (102500.0, 273.65, 0.9),
]


def day(p, T, h):
    return Air(p, T, h)


@outside("ASHRAE formula in psychrolib (GetSatVapPres)")
@pytest.mark.parametrize("celsius", [0.5, 5, 15, 25, 35, 45])
def test_saturation_agrees_with_psychrolib(celsius):
    """Saturation pressure of water"""
    mine = float(humid.saturation_pressure(celsius + 273.15))
    assert mine == pytest.approx(psychrolib.GetSatVapPres(celsius), rel=1e-3)


@outside("IAPWS-95 in CoolProp (saturated water)")
@pytest.mark.parametrize("kelvin", [274.0, 288.15, 298.15, 313.15, 333.15])
def test_saturation_agrees_with_coolprop(kelvin):
    """Saturation pressure of water"""
    mine = float(humid.saturation_pressure(kelvin))
    assert mine == pytest.approx(PropsSI("P", "T", kelvin, "Q", 0, "Water"), rel=3e-4)


@outside("Buck 1996, Magnus (WMO) and Sonntag at 25 C: 31.685, 31.601, 31.699 hPa, secondary text")
def test_saturation_at_25_degrees_lies_among_published_values():
    """Saturation pressure at 25 C"""
    mine = float(humid.saturation_pressure(298.15)) / 100
    assert 31.601 < mine < 31.70


@outside("MetPy saturation_vapor_pressure (Ambaum 2020)")
def test_saturation_agrees_with_metpy():
    """Saturation pressure of water"""
    for celsius in (5, 20, 35):
        other = metpy.calc.saturation_vapor_pressure(celsius * metpy_units.degC).to("Pa").magnitude
        assert float(humid.saturation_pressure(celsius + 273.15)) == pytest.approx(other, rel=4.5e-3)


@outside("CoolProp HAPropsSI (humid-air volume per mass of humid air)")
@pytest.mark.parametrize(("p", "T", "h"), DAYS)
def test_density_agrees_with_coolprop(p, T, h):
    """Density of humid air"""
    other = 1 / HAPropsSI("Vha", "P", p, "T", T, "R", h)
    assert humid.density(day(p, T, h)) == pytest.approx(other, rel=1e-3)


@outside("psychrolib GetMoistAirDensity")
@pytest.mark.parametrize(("p", "T", "h"), DAYS)
def test_density_agrees_with_psychrolib(p, T, h):
    """Density of humid air"""
    ratio = psychrolib.GetHumRatioFromRelHum(T - 273.15, h, p)
    assert humid.density(day(p, T, h)) == pytest.approx(
        psychrolib.GetMoistAirDensity(T - 273.15, ratio, p), rel=1.5e-3
    )


@outside("MetPy density (mixing ratio from relative humidity)")
@pytest.mark.parametrize(("p", "T", "h"), DAYS)
def test_density_agrees_with_metpy(p, T, h):
    """Density of humid air"""
    u = metpy_units
    ratio = metpy.calc.mixing_ratio_from_relative_humidity(p * u.Pa, T * u.K, h * u.dimensionless)
    other = metpy.calc.density(p * u.Pa, T * u.K, ratio).to("kg/m^3").magnitude
    assert humid.density(day(p, T, h)) == pytest.approx(other, rel=1.5e-3)


@outside("ICAO standard atmosphere in ambiance")
@pytest.mark.parametrize("height", [0.0, 300.0, 1500.0, 3000.0])
def test_density_altitude_of_the_standard_atmosphere_is_the_height(height):
    """Density altitude"""
    a = ambiance.Atmosphere(height)
    # ambiance takes geometric, the formula geopotential height: 0.5 m apart at 3000 m is their difference
    got = humid.density_altitude_m(Air(float(a.pressure[0]), float(a.temperature[0]), 0.0))
    assert got == pytest.approx(height, abs=3.0)


@outside("NOAA density-altitude rule of 120 ft per degree C, common practice")
def test_density_altitude_rises_120_feet_per_degree():
    """Density altitude against temperature"""
    rise = humid.density_altitude_m(Air(101325, 289.15, 0)) - humid.density_altitude_m(Air(101325, 288.15, 0))
    assert rise / 0.3048 == pytest.approx(120, rel=0.05)


@outside("MetPy altimeter_to_station_pressure (Smithsonian tables)")
@pytest.mark.parametrize("height", [0, 250, 900, 1600])
def test_station_pressure_from_altimeter_setting(height):
    """Station pressure from an altimeter setting"""
    other = metpy.calc.altimeter_to_station_pressure(1013.25 * metpy_units.hPa, height * metpy_units.m)
    mine = humid.station_from_altimeter(101325.0, height)
    # MetPy keeps the 0.3 hPa of the old barometer tables
    assert mine == pytest.approx(other.to("Pa").magnitude, abs=45)


@outside("psychrolib GetStationPressure")
@pytest.mark.parametrize("height", [0.0, 250.0, 900.0, 1600.0])
def test_station_pressure_from_sea_level_pressure(height):
    """Station pressure from mean-sea-level pressure"""
    other = psychrolib.GetStationPressure(101325.0, height, 15.0)
    assert humid.station_from_sea_level(101325.0, height, 288.15) == pytest.approx(other, rel=5e-4)


@outside("ICAO standard atmosphere in ambiance")
@pytest.mark.parametrize("height", [0.0, 500.0, 2000.0])
def test_station_pressure_on_a_standard_day(height):
    """Station pressure at a height"""
    other = float(ambiance.Atmosphere(height).pressure[0])
    assert humid.station_from_altimeter(101325.0, height) == pytest.approx(other, rel=2e-4)


# Worked by hand from each formula, five figures: (key, p total kPa, T K, vapour kPa, factor)
BY_HAND = [
    ("iso1585", 96.0, 303.15, 1.0, (99 / 95.0) ** 1.2 * (303.15 / 298) ** 0.6, 1.06159),
    ("j1349", 96.0, 303.15, 1.0, 1.18 * (99 / 95.0) * (303.15 / 298) ** 0.5 - 0.18, 1.06025),
    ("j607", 96.0, 303.15, 1.0, (101.3207 / 95.0) * (303.15 / 288.7056) ** 0.5, 1.09289),
    ("din70020", 96.0, 303.15, 1.0, (101.3 / 96.0) * (303.15 / 293) ** 0.5, 1.07334),
]


@pytest.mark.parametrize(("key", "p", "T", "vapour", "formula", "figure"), BY_HAND)
@outside("ISO 1585, SAE J1349, SAE J607 and DIN 70020 formulas worked by hand, secondary text")
def test_factor_by_hand(key, p, T, vapour, formula, figure):
    """Correction factor of each standard"""
    assert formula == pytest.approx(figure, abs=2e-5)
    h = vapour * 1000 / float(humid.saturation_pressure(T))
    assert humid.factor(humid.STANDARDS[key], p * 1000, T, h) == pytest.approx(figure, abs=2e-5)


@outside("Regulation (EU) 134/2014: reference 298.2 K, dry 99 kPa = 100 kPa less 1 kPa vapour")
def test_reference_day_of_the_regulation():
    """Factor at the regulation's reference day"""
    h = 1000 / float(humid.saturation_pressure(298.2))
    assert humid.factor(humid.STANDARDS["r134"], 100000, 298.2, h) == pytest.approx(1, abs=5e-4)


@pytest.mark.parametrize("key", [k for k in humid.STANDARDS if k != "none"])
def test_factor_is_one_at_its_own_reference(key):
    s = humid.STANDARDS[key]
    assert humid.factor(s, s.p_ref, s.t_ref, 0.0) == pytest.approx(1.0, abs=1e-12)


@given(
    st.sampled_from([k for k in humid.STANDARDS if k != "none"]),
    st.floats(70000, 105000),
    st.floats(263, 318),
    st.floats(0, 1),
)
def test_factor_falls_with_pressure_and_rises_with_heat_and_damp(key, p, T, h):
    s = humid.STANDARDS[key]
    here = humid.factor(s, p, T, h)
    assert humid.factor(s, p + 500, T, h) < here
    assert humid.factor(s, p, T + 1, h) > here
    if s.dry and h < 0.95:
        assert humid.factor(s, p, T, h + 0.05) > here


@given(st.floats(85000, 103000), st.floats(275, 313), st.floats(0, 1))
def test_damp_air_is_lighter(p, T, h):
    assert humid.density(Air(p, T, h)) <= humid.density(Air(p, T, 0.0))


@given(st.floats(95000, 104000), st.floats(0, 3000))
def test_altimeter_reading_is_monotone_and_exact_at_sea_level(p, height):
    assert humid.station_from_altimeter(p, 0.0) == pytest.approx(p)
    assert humid.station_from_altimeter(p, height + 10) < humid.station_from_altimeter(p, height)


def test_uncertainty_of_the_factor_follows_the_pressure():
    """1 % of pressure is 1 % of a factor that goes as 1/p."""
    a = Air(101325, 293, 0.0, pressure_u_Pa=1013.25, temperature_u_K=0, humidity_u=0)
    got = humid.correction(a, "din70020")
    assert got.u == pytest.approx(0.01 * got.factor, rel=1e-3)


def test_out_of_range_is_shown_and_marked():
    got = humid.correction(Air(88000, 310, 0.8), "ISO 1585")
    assert got.factor > 1.07
    assert not got.in_range
    assert "0.93 to 1.07" in got.outside[0]
    assert humid.correction(Air(99000, 298, 0.0), "iso1585").in_range


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pressure_Pa": math.nan}, "not a number"),
        ({"pressure_Pa": 2992.0}, "29.92 looks like inHg"),  # 29.92 typed as hPa
        ({"pressure_Pa": 29.92}, "looks like inHg"),
        ({"pressure_Pa": 1013.25}, "looks like hPa"),
        ({"pressure_Pa": 101.325}, "looks like kPa"),
        ({"temperature_K": 21.0}, "looks like degrees C"),
        ({"temperature_K": 70.0}, "looks like degrees F"),
        ({"temperature_K": math.inf}, "not a number"),
        ({"relative_humidity": 45.0}, "write '45 %'"),
        ({"relative_humidity": -0.1}, "outside 0 to 1"),
        ({"pressure_u_Pa": -1.0}, "zero or more"),
    ],
)
def test_impossible_air_is_refused_in_a_sentence(change, words):
    with pytest.raises(InputError, match=words.replace("(", r"\(")) as caught:
        humid.correction(replace(Air(100000, 295, 0.4), **change), "iso1585")
    assert "\n" not in str(caught.value)


def test_unknown_standard_lists_the_known():
    with pytest.raises(InputError, match=r"iso1585.*din70020"):
        humid.correction(Air(100000, 295, 0.4), "iso 9999")


def test_sea_level_pressure_taken_for_station_pressure_is_noticed():
    warnings = humid.height_warnings(101325, 1200)
    assert warnings and "sea-level" in warnings[0] and "877 hPa" in warnings[0]
    assert humid.height_warnings(87700, 1200) == []
    assert humid.height_warnings(101325, 20) == []
    assert humid.height_warnings(99000, 150) == []
    assert "far from" in humid.height_warnings(70000, 100)[0]


@outside("altimeter settings at 300 m and 600 m by MetPy's altimeter_to_station_pressure, the other way")
@pytest.mark.parametrize("height_m", [300.0, 600.0, 1500.0])
def test_altimeter_setting_of_a_station_pressure(height_m):
    """Sea-level pressure of a station pressure"""
    for sea_level in (98800.0, 101325.0, 103500.0):
        here = float(
            metpy.calc.altimeter_to_station_pressure(sea_level * metpy_units.Pa, height_m * metpy_units.m)
            .to("Pa")
            .m
        )
        assert humid.sea_level_from_station(here, height_m) == pytest.approx(sea_level, rel=1e-3)


def place_notes(run, air, **known):
    calibration = reduce.Calibration(50000.0, 42000.0)
    r = reduce.reduce_run(run, calibration, reduce.Setup(**known), air, "iso1585")
    return [n for n in r.notes if "hPa" in n]


def test_a_typed_sea_level_pressure_is_warned_of_where_the_run_is_reduced(made_run):
    typed = Air(101300.0, 293.15, 0.5)
    # no height and no barometer: nothing is known, nothing is said
    assert place_notes(made_run, typed) == []
    (note,) = place_notes(made_run, typed, height_m=600.0)
    assert "looks like a sea-level value" in note and "943 hPa" in note and "7 % low" in note
    assert place_notes(made_run, typed, height_m=60.0) == []
    assert place_notes(made_run, Air(94300.0, 293.15, 0.5), height_m=600.0) == []
    # the board's barometer is here and now; the height then adds nothing
    with_board = replace(made_run, air=[(0.0, 94500.0, 20.0, 40.0), (9.0, 94500.0, 20.0, 40.0)])
    for known in ({}, {"height_m": 600.0}):
        (note,) = place_notes(with_board, typed, **known)
        assert "68 hPa above the board's barometer (945 hPa)" in note and "7.2 %" in note
    assert place_notes(with_board, Air(94300.0, 293.15, 0.5), height_m=600.0) == []
    assert place_notes(with_board, Air(94500.0, 293.15, 0.4, source="board")) == []
    assert place_notes(with_board, reduce_service.NO_AIR) == []
    with pytest.raises(InputError, match="outside -500 to 5000 m"):
        place_notes(made_run, typed, height_m=60000.0)


def test_weather_between_storm_and_high_raises_no_doubt_about_the_height():
    for height in (0.0, 100.0, 300.0, 600.0, 1500.0):
        for weather in (98800.0, 100500.0, 101325.0, 103500.0):
            assert humid.height_warnings(humid.station_from_altimeter(weather, height), height) == []


def test_board_air_is_the_mean_of_its_readings(made_run):
    got = humid.air_from_run(replace(made_run, air=[(0, 99000, 20.0, 40.0), (1, 99200, 21.0, 42.0)]))
    assert got is not None
    assert (got.pressure_Pa, got.relative_humidity) == (99100, pytest.approx(0.41))
    assert got.temperature_K == pytest.approx(293.65)
    assert humid.air_from_run(replace(made_run, air=[])) is None
    assert humid.air_from_run(replace(made_run, air=[(0, np.nan, 20.0, 40.0)])) is None


def test_each_standard_warns_outside_its_own_range():
    hot = Air(101500, 319.0, 0.0)  # 45.9 C: beyond the regulation's 318 K
    assert "45 C" in humid.correction(hot, "r134").outside[0]
    assert humid.correction(hot, "iso1585").in_range
    thin = Air(88000, 300.0, 0.3)  # a factor of about 1.15 and more
    for key in ("iso1585", "r134", "j1349", "j607", "din70020"):
        assert "outside 0.93 to 1.07" in humid.correction(thin, key).outside[0]


def test_a_basis_without_a_source_is_dropped_and_says_what_to_do():
    with pytest.raises(InputError, match="was dropped; take one of iso1585") as caught:
        humid.correction(Air(99000, 298, 0.0), "shop")
    assert "runs file RUN --standard NAME" in caught.value.for_command_line
    for standard in humid.STANDARDS.values():
        assert standard.source and "ranges from memory" not in standard.source
