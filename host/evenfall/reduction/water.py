"""Heat the brake puts into its water."""

from __future__ import annotations

import numpy as np

from evenfall.model import FloatArray

HEAT_CAPACITY = 4182.0  # J/(kg K), liquid water at 20 C
RISE_LIMIT_K = 30.0  # through the brake; common practice, no source


def flow_rise_K(power_W: FloatArray | float, flow_kg_s: float) -> FloatArray:
    """Temperature rise of water flowing through the brake: dT = P / (m' c), all heat into the water."""
    result: FloatArray = np.asarray(power_W, float) / (flow_kg_s * HEAT_CAPACITY)
    return result


def tank_rise_K(energy_J: float, water_kg: float) -> float:
    """Rise of a tank that the brake's water returns to: dT = E / (m c), nothing lost to the air."""
    return energy_J / (water_kg * HEAT_CAPACITY)


def brake_energy_J(time_s: FloatArray, brake_power_W: FloatArray) -> float:
    """Work done on the water over the sweep, trapezoids."""
    return float(np.trapezoid(brake_power_W, time_s))


def runs_in_tank(energy_J: float, water_kg: float, rise_K: float = RISE_LIMIT_K) -> float:
    """How many such runs a tank takes before it has warmed by `rise_K`."""
    return rise_K / tank_rise_K(energy_J, water_kg)
