"""Water brakes: fill, torque and heat."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import RPM, WATER_DENSITY_KG_M3, WATER_HEAT_J_KGK, Streams

BOIL_K = 273.15 + 97.0
WALL_M3 = 2e-5  # water-equivalent of the rotor and housing that heat with the content


class AffinityBrake:
    """T = k fill w^2 + drag; capacity dfill/dt = q_in - q_out, q_out ~ (w + standing) fill^m.

    Affinity laws of turbomachines: torque ~ density x speed^2 x diameter^5 x a factor that grows
    with fill.  The outlet is an orifice under the rotor's centrifugal head: m = 1/2 for a head
    that grows with fill.  All torque x speed goes into the water it holds.
    """

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        b, water = s["brake"], s["water"]
        self.dt = float(s["bench"]["step_s"])
        rated_w = b["full_torque_rpm"] * RPM
        self.capacity_m3 = b["capacity_l"] * 1e-3
        self.k_torque: float = b["full_torque_Nm"] / rated_w**2
        self.outflow_k = self.capacity_m3 / b["drain_time_s"] / rated_w
        self.outflow_m = b["outflow_exponent"]
        self.root_outflow = self.outflow_m == 0.5
        self.standing = b["standing_drain"] * b["full_torque_rpm"] * RPM
        self.back_k: float = b["back_pressure_bar"] * 1e5 / rated_w**2
        self.windage: float = b["windage_Nm"] / rated_w**2
        self.bearing: float = b["bearing_drag_Nm"]
        self.fill: float = b["start_fill"]
        self.outflow_m3_s = 0.0
        self.water_K = self.tank_K = 273.15 + water["temperature_C"]
        self.tank_l = water["tank_l"]
        self.heat_J = 0.0
        self.inputs: dict[str, Callable[[float], None]] = {}

    def back_pressure_Pa(self, w: float) -> float:
        """Against the inflow, at brake shaft speed w (rad/s)."""
        return self.back_k * self.fill * w * w

    def fill_step(self, q_in: float, w: float) -> None:
        """One step of the water held, under an inflow in m3/s."""
        fill = self.fill
        drain = math.sqrt(fill) if self.root_outflow else fill**self.outflow_m
        self.outflow_m3_s = q_out = self.outflow_k * (w + self.standing) * drain
        fill += (q_in - q_out) * self.dt / self.capacity_m3
        self.fill = 0.0 if fill < 0.0 else 1.0 if fill > 1.0 else fill

    def torque_Nm(self, w: float) -> float:
        """What the housing feels."""
        k = self.k_torque if self.water_K < BOIL_K else 0.3 * self.k_torque
        return (k * self.fill + self.windage) * w * w + (self.bearing if w > 0.0 else 0.0)

    def heat_step(self, work_J: float, q_in: float) -> None:
        """The content is mixed; the tank takes the outflow."""
        dt = self.dt
        content = (self.fill * self.capacity_m3 + WALL_M3) * WATER_DENSITY_KG_M3
        self.water_K += (
            work_J / (content * WATER_HEAT_J_KGK)
            + q_in * dt * WATER_DENSITY_KG_M3 * (self.tank_K - self.water_K) / content
        )
        self.heat_J += work_J
        if self.tank_l:
            self.tank_K += self.outflow_m3_s * dt / (self.tank_l * 1e-3) * (self.water_K - self.tank_K)
