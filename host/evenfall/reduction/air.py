"""Air at the intake: humid air, height, and the correction of torque to a reference day.

One family covers the presets.  With pressure p (dry or total) and temperature T:

    d = (p_ref / p)**m * (T / T_ref)**n        (density term)
    factor = d + friction * (d - 1)

`friction` 0 corrects what was measured; 0.18 is the SAE J1349 form
1.180 d - 0.180, which corrects what the engine indicates at an assumed 85 %
mechanical efficiency.  Corrected torque = observed torque * factor.

The presets' constants agree with secondary texts; none of the standards
themselves was seen.  Ranges marked so rest on the same texts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenfall.errors import InputError
from evenfall.model import AIR_UNKNOWN, Air, FloatArray, Run
from evenfall.units import GRAVITY, from_si, to_si

R_DRY = 287.0501  # J/(kg K): 8.314462618 / 0.02896546 (CIPM-2007 molar mass)
R_VAPOUR = 461.523  # J/(kg K): 8.314462618 / 0.01801528
USUAL_SEA_LEVEL_PA = (97500.0, 104500.0)
BAROMETERS_AGREE_PA = 600.0  # two barometers, and the weather of some hours between them
OLD_RANGE = (0.93, 1.07)  # of a factor whose standard states none: as the newer ones, common practice
ICAO_P0 = 101325.0
ICAO_T0 = 288.15
ICAO_LAPSE = 0.0065  # K/m
ICAO_RHO0 = ICAO_P0 / (287.05287 * ICAO_T0)


@dataclass(frozen=True)
class Standard:
    """One preset of the family; pressures in Pa, temperatures in K."""

    key: str
    title: str
    dry: bool  # p is dry pressure, else total
    p_ref: float
    t_ref: float
    p_power: float
    t_power: float
    friction: float = 0.0
    factor_range: tuple[float, float] = (0.0, math.inf)
    t_range: tuple[float, float] = (0.0, math.inf)
    source: str = ""


def _iso1585_form(key: str, title: str, **ranges: Any) -> Standard:
    """(99 kPa / dry pressure)^1.2 (T / 298 K)^0.6, for factors of 0.93 to 1.07: two standards share it."""
    return Standard(key, title, True, 99000.0, 298.0, 1.2, 0.6, factor_range=(0.93, 1.07), **ranges)


STANDARDS = {
    s.key: s
    for s in (
        _iso1585_form(
            "iso1585",
            "ISO 1585",
            source="secondary text; range of the factor: common practice, no source",
        ),
        _iso1585_form(
            "r134",
            "Regulation 134/2014",
            t_range=(283.2, 318.2),
            source="Commission Delegated Regulation (EU) 134/2014, Annex II, for a test's temperatures; "
            "the formula is that of ISO 1585; range of the factor: common practice, no source",
        ),
        Standard(
            "j1349",
            "SAE J1349",
            True,
            99000.0,
            298.0,
            1.0,
            0.5,
            friction=0.18,
            factor_range=OLD_RANGE,
            source="secondary text; range of the factor: common practice, no source",
        ),
        Standard(
            "j607",
            "SAE J607",
            True,
            to_si(29.92, "inHg", "pressure"),
            to_si(60.0, "F", "temperature"),
            1.0,
            0.5,
            factor_range=OLD_RANGE,
            source="secondary text, reference in its inch units; range: common practice, no source",
        ),
        Standard(
            "din70020",
            "DIN 70020",
            False,
            101300.0,
            293.0,
            1.0,
            0.5,
            factor_range=OLD_RANGE,
            source="secondary text; range: common practice, no source",
        ),
        Standard("none", "no correction", False, 101325.0, 298.0, 0.0, 0.0, source="as read"),
    )
}


DROPPED = {"shop": "29.92 inHg and 68 F, for which there was no source"}  # keys until version 0.2


def standard_named(name: str) -> Standard:
    """The preset of that key or title ('iso1585', 'ISO 1585', 'SAE J1349'); InputError lists them."""
    if name in DROPPED:
        raise InputError(
            f"the air standard '{name}' ({DROPPED[name]}) was dropped; take one of {', '.join(STANDARDS)}",
            ": evenfall air standard NAME for new runs, evenfall runs file RUN --standard NAME for old ones",
        )
    plain = "".join(c for c in name.lower() if c.isalnum())
    for s in STANDARDS.values():
        title = "".join(c for c in s.title.lower() if c.isalnum())
        if plain in (s.key, title):
            return s
    raise InputError(f"air standard '{name}' is not known; choose one of {', '.join(STANDARDS)}")


def saturation_pressure(temperature_K: FloatArray | float) -> FloatArray:
    """Saturation pressure of water over liquid, Pa.

    Wagner and Pruss 1993, the saturation line of IAPWS SR1-86(1992); valid
    273.16 to 647 K, used down to -20 C as supercooled water.
    """
    T = np.asarray(temperature_K, float)
    x = 1 - T / 647.096
    s = (
        -7.85951783 * x
        + 1.84408259 * x**1.5
        - 11.7866497 * x**3
        + 22.6807411 * x**3.5
        - 15.9618719 * x**4
        + 1.80122502 * x**7.5
    )
    result: FloatArray = 22.064e6 * np.exp(647.096 / T * s)
    return result


def vapour_pressure(air: Air) -> float:
    """Partial pressure of water vapour, Pa."""
    return air.relative_humidity * float(saturation_pressure(air.temperature_K))


def density(air: Air) -> float:
    """Density of the humid air, kg/m3, as a mixture of ideal gases."""
    vapour = vapour_pressure(air)
    return (air.pressure_Pa - vapour) / (R_DRY * air.temperature_K) + vapour / (R_VAPOUR * air.temperature_K)


def density_altitude_m(air: Air) -> float:
    """Height in the ICAO standard atmosphere (troposphere) with this density, m.

    h = T0/L (1 - (rho/rho0)**(1/(g/(R L) - 1))), constants of ICAO Doc 7488.
    """
    exponent = 1 / (GRAVITY / (287.05287 * ICAO_LAPSE) - 1)
    return float(ICAO_T0 / ICAO_LAPSE * (1 - (density(air) / ICAO_RHO0) ** exponent))


def factor(standard: Standard, pressure_Pa: float, temperature_K: float, humidity: float) -> float:
    """The correction factor at these conditions (relative humidity 0..1)."""
    p = pressure_Pa
    if standard.dry:
        p -= humidity * float(saturation_pressure(temperature_K))
    d = (standard.p_ref / p) ** standard.p_power * (temperature_K / standard.t_ref) ** standard.t_power
    return float(d + standard.friction * (d - 1))


@dataclass(frozen=True)
class Correction:
    """The factor of one day, with its standard uncertainty and where it left the standard's range."""

    standard: Standard
    factor: float
    u: float
    outside: list[str]  # sentences; empty when inside every stated range

    @property
    def in_range(self) -> bool:
        return not self.outside


_KNOWN: dict[tuple[str, Air], Correction] = {}


def correction(air: Air, standard: str) -> Correction:
    """Factor, uncertainty (first order, JCGM 100 clause 5.1.2) and range check; checks the air first."""
    key = (standard, air)
    if key in _KNOWN:
        return _KNOWN[key]
    check_air(air)
    s = standard_named(standard)
    p, T, h = air.pressure_Pa, air.temperature_K, air.relative_humidity
    value = factor(s, p, T, h)
    slopes = (
        (factor(s, p + 50, T, h) - factor(s, p - 50, T, h)) / 100 * air.pressure_u_Pa,
        (factor(s, p, T + 0.5, h) - factor(s, p, T - 0.5, h)) * air.temperature_u_K,
        (factor(s, p, T, h + 0.01) - factor(s, p, T, h - 0.01)) / 0.02 * air.humidity_u,
    )
    outside = []
    low, high = s.factor_range
    if not low <= value <= high:
        outside.append(f"the factor {value:.3f} is outside {low:g} to {high:g}, the range of {s.title}")
    low, high = s.t_range
    if not low <= T <= high:
        outside.append(
            f"the intake air at {T - 273.15:.1f} C is outside {low - 273:.0f} to {high - 273:.0f} C, "
            f"the range of {s.title}"
        )
    result = Correction(s, value, math.hypot(*slopes), outside)
    if len(_KNOWN) > 2000:
        _KNOWN.clear()
    _KNOWN[key] = result
    return result


def check_air(air: Air) -> None:
    """Refuse air that cannot be: NaN, a unit slip, humidity in percent; InputError says which."""
    p, T, h = air.pressure_Pa, air.temperature_K, air.relative_humidity
    for value, what in ((p, "air pressure"), (T, "air temperature"), (h, "relative humidity")):
        if not math.isfinite(value):
            raise InputError(f"{what} is not a number ({value}); read the instrument again and type it")
    if not 50000 <= p <= 110000:
        raise InputError(
            f"air pressure {p / 100:g} hPa cannot be at the ground (500 to 1100 hPa){_unit_guess(p)}; "
            "type the station pressure with its unit, e.g. '29.92 inHg' or '1013 hPa'"
        )
    if not 233.15 <= T <= 333.15:
        hint = ""
        if -40 <= T <= 60:
            hint = f"; {T:g} looks like degrees C"
        elif 60 < T <= 130:
            hint = f"; {T:g} looks like degrees F"
        raise InputError(
            f"air temperature {T - 273.15:.1f} C is outside -40 to 60 C{hint}; type it with its unit"
        )
    if not 0 <= h <= 1:
        hint = f"; {h:g} looks like percent, write '{h:g} %'" if 1 < h <= 100 else ""
        raise InputError(f"relative humidity {h:g} is outside 0 to 1{hint}")
    for value, what in (
        (air.pressure_u_Pa, "uncertainty of the pressure"),
        (air.temperature_u_K, "uncertainty of the temperature"),
        (air.humidity_u, "uncertainty of the humidity"),
    ):
        if not (math.isfinite(value) and value >= 0):
            raise InputError(f"{what} is {value}; it must be zero or more")


def _unit_guess(pressure_Pa: float) -> str:
    """What a wrong pressure looks like, tried on the bare number in the units it may have been read in."""
    for number in (pressure_Pa, pressure_Pa / 100, pressure_Pa / 1000):
        for unit in ("inHg", "kPa", "hPa"):
            if 85000 <= to_si(number, unit, "pressure") <= 108000:
                return f"; {number:g} looks like {unit}"
    return ""


def station_from_altimeter(altimeter_Pa: float, height_m: float) -> float:
    """Station pressure from an altimeter setting (QNH), Pa.

    The setting is the station pressure reduced to sea level down the ICAO
    atmosphere, so this climbs back: p = (A**n - p0**n L h / T0)**(1/n),
    n = R L / g = 0.190263.
    """
    n = 287.05287 * ICAO_LAPSE / GRAVITY
    return float((altimeter_Pa**n - ICAO_P0**n * ICAO_LAPSE * height_m / ICAO_T0) ** (1 / n))


def station_from_sea_level(sea_level_Pa: float, height_m: float, temperature_K: float) -> float:
    """Station pressure from a weather service's mean-sea-level pressure, Pa.

    Hypsometric equation with the column's mean temperature taken at the
    standard lapse from the station's: p = p0 exp(-g h / (R (T + L h / 2))).
    """
    column = temperature_K + ICAO_LAPSE * height_m / 2
    return float(sea_level_Pa * math.exp(-GRAVITY * height_m / (R_DRY * column)))


def sea_level_from_station(pressure_Pa: float, height_m: float) -> float:
    """Altimeter setting of a place, Pa: `station_from_altimeter` the other way."""
    n = 287.05287 * ICAO_LAPSE / GRAVITY
    return float((pressure_Pa**n + ICAO_P0**n * ICAO_LAPSE * height_m / ICAO_T0) ** (1 / n))


def height_warnings(pressure_Pa: float, height_m: float) -> list[str]:
    """Warn when a pressure said to be the station's looks reduced to sea level.

    Weather moves the sea-level pressure between about 975 and 1045 hPa (common
    practice, no source).  A station pressure that would mean more than that,
    and would do as a sea-level value itself, is most likely one.  Below about
    260 m an ordinary 1013 hPa cannot be told.
    """
    expected = station_from_altimeter(ICAO_P0, height_m)
    low, high = USUAL_SEA_LEVEL_PA
    sea_level = sea_level_from_station(pressure_Pa, height_m)
    if low <= sea_level <= high:
        return []
    if sea_level > high and low <= pressure_Pa <= high:
        share = 1 - station_from_altimeter(pressure_Pa, height_m) / pressure_Pa
        return [
            f"{pressure_Pa / 100:.0f} hPa looks like a sea-level value: at {height_m:.0f} m the barometer "
            f"itself stands near {expected / 100:.0f} hPa. Uncorrected, power would read about "
            f"{share * 100:.0f} % low; give it as --altimeter or --sea-level instead."
        ]
    return [
        f"{pressure_Pa / 100:.0f} hPa is far from the {expected / 100:.0f} hPa usual at {height_m:.0f} m: "
        "check the barometer and the height."
    ]


def site_warnings(run: Run, air: Air, height_m: float | None) -> list[str]:
    """What speaks against the pressure a run is corrected with: the board's barometer, the place's height.

    Nothing is said where neither is known.  The barometer, being here and now, goes first.
    """
    if air.source == AIR_UNKNOWN:
        return []
    board = air_from_run(run)
    if board is not None and air.source != "board":
        apart = air.pressure_Pa - board.pressure_Pa
        if abs(apart) > BAROMETERS_AGREE_PA:
            way = "above" if apart > 0 else "below"
            words = (
                f"The air pressure given, {air.pressure_Pa / 100:.0f} hPa, is {abs(apart) / 100:.0f} hPa "
                f"{way} the board's barometer ({board.pressure_Pa / 100:.0f} hPa)"
            )
            if apart > 0:
                words += " (reduced to sea level? turn it with evenfall air station)"
            return [f"{words}; power is off by about {abs(apart) / board.pressure_Pa * 100:.1f} %."]
        return []
    if height_m is None:
        return []
    return [
        sentence.replace("give it as --altimeter or --sea-level instead", "turn it with evenfall air station")
        for sentence in height_warnings(air.pressure_Pa, height_m)
    ]


def air_from_run(run: Run) -> Air | None:
    """The board's own sensor, mean over the run; None when it stored nothing usable."""
    rows = np.array([row[1:] for row in run.air], float).reshape(-1, 3)
    rows = rows[np.isfinite(rows).all(axis=1) & (rows[:, 0] > 30000)]
    if not len(rows):
        return None
    p, t, h = rows.mean(axis=0)
    return Air(
        pressure_Pa=float(p),
        temperature_K=float(t) + 273.15,
        relative_humidity=float(np.clip(h / 100, 0, 1)),
        pressure_u_Pa=100.0,  # makers' sheets of the class: +-1 hPa absolute
        temperature_u_K=0.6,
        humidity_u=0.03,
        source="board",
    )


def describe(air: Air) -> str:
    """One line in US and SI units."""
    return (
        f"{from_si(air.pressure_Pa, 'inHg', 'pressure'):.2f} inHg ({air.pressure_Pa / 100:.1f} hPa), "
        f"{from_si(air.temperature_K, 'F', 'temperature'):.1f} F ({air.temperature_K - 273.15:.1f} C), "
        f"{air.relative_humidity * 100:.0f} % ({air.source}{', ' + air.where if air.where else ''})"
    )
