"""Air corrections as published, and how far each is from the bench's own air law.

The bench's engines follow dry air mass, (p_dry / p0) sqrt(T0 / T).  A standard corrects with other
exponents, or with an assumed friction: its corrected torque then differs from the bench's torque at
the standard's reference, by no fault of the host.  Constants: secondary texts, none of the standards
was seen; "29.92 inHg, 68 F, dry": common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

from .models.engine import air_mass_factor, saturation_Pa


class Standard(NamedTuple):
    """(p_ref / p)^m (T / T_ref)^n, then f = d + friction (d - 1); p dry or total."""

    dry: bool
    reference_Pa: float
    reference_K: float
    m: float
    n: float
    friction: float = 0.0


STANDARDS = {
    "ISO 1585": Standard(True, 99000.0, 298.0, 1.2, 0.6),
    "SAE J1349": Standard(True, 99000.0, 298.0, 1.0, 0.5, 0.18),
    "SAE J607": Standard(True, 101320.7, 288.706, 1.0, 0.5),
    "DIN 70020": Standard(False, 101300.0, 293.0, 1.0, 0.5),
    "29.92 inHg, 68 F, dry": Standard(True, 101320.7, 293.15, 1.0, 0.5),  # NIST SP 811: 3386.389 Pa/inHg
}


def factor(standard: Standard, pressure_Pa: float, temperature_K: float, humidity: float) -> float:
    """Corrected torque over observed torque."""
    pressure = pressure_Pa - (humidity * saturation_Pa(temperature_K) if standard.dry else 0.0)
    d = (standard.reference_Pa / pressure) ** standard.m * (
        temperature_K / standard.reference_K
    ) ** standard.n
    return d + standard.friction * (d - 1.0)


def law(standard: Standard, state: dict[str, float], friction_share: float = 0.0) -> float:
    """What the bench's engine makes at the standard's reference, dry, over what it makes in this air.

    state: of `Bench.engine_state`.
    """
    air = air_mass_factor(standard.reference_Pa, standard.reference_K, 0.0)
    return (air * (1.0 + friction_share) - friction_share) / state["air_factor"]


def differences_percent(state: dict[str, float], friction_share: float = 0.0) -> dict[str, float]:
    """Each standard's corrected torque against the bench's torque at that standard's reference."""
    air = (state["pressure_Pa"], state["temperature_K"], state["humidity"])
    return {
        name: 100.0 * (factor(standard, *air) / law(standard, state, friction_share) - 1.0)
        for name, standard in STANDARDS.items()
    }
