"""The inlet valve, the line it draws from, and the hose to the brake."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import Streams, interpolate

CELLS = 200  # of the table of the valve's curve


class Valve:
    """Conductance c = c_full (leak + (1 - leak) curve(opening)); flow = c sqrt(dp) (`OrificeLine`)."""

    def __init__(self, s: dict[str, Any], _: Streams) -> None:
        valve, servo = s["valve"], s["servo"]
        self.full_flow: float = valve["full_flow_l_min"] / 60e3 / math.sqrt(valve["full_flow_bar"] * 1e5)
        points = valve["curve"]
        self.curve = [interpolate(points, i / CELLS) for i in range(CELLS + 1)] + [interpolate(points, 1.0)]
        self.leak: float = valve["leak"]
        self.extra_leak = 0.0
        self.shut_us = float(servo["shut_us"])
        self.span_us = servo["open_us"] - servo["shut_us"]
        self.offset_us = servo["offset_us"]
        self.opening = 0.0  # 0 shut .. 1 open
        self.inputs: dict[str, Callable[[float], None]] = {
            "leak": self.set_leak,
            "valve_offset_us": self.set_offset,
        }

    def set_leak(self, share: float) -> None:
        """Share of the full area that leaks beside the scenario's own."""
        self.extra_leak = share

    def set_offset(self, offset_us: float) -> None:
        """How far the linkage is set off."""
        self.offset_us = offset_us

    def step(self, horn_us: float) -> float:
        """Conductance, m3/s per root of Pa, with the servo's horn at that place."""
        opening = (horn_us + self.offset_us - self.shut_us) / self.span_us
        if opening < 0.0:
            opening = 0.0
        elif opening > 1.0:
            opening = 1.0
        self.opening = opening
        xi = opening * CELLS
        i = int(xi)
        curve = self.curve
        area = curve[i] + (curve[i + 1] - curve[i]) * (xi - i)
        return self.full_flow * (self.leak + self.extra_leak + (1.0 - self.leak) * area)


class OrificeLine:
    """Q = c sqrt(p - p_back): a turbulent orifice (ISO 5167 form) on a supply without impedance."""

    def __init__(self, s: dict[str, Any], _: Streams) -> None:
        self.inlet_Pa: float = s["supply"]["pressure_bar"] * 1e5

    def step(self, supply_Pa: float, conductance: float, back_Pa: float) -> float:
        """Flow in m3/s."""
        self.inlet_Pa = supply_Pa
        dp = supply_Pa - back_Pa
        return conductance * math.sqrt(dp) if dp > 0.0 else 0.0


class Hose:
    """A dead time between the valve and the brake."""

    def __init__(self, s: dict[str, Any], _: Streams) -> None:
        self.steps = round(s["valve"]["hose_delay_s"] / float(s["bench"]["step_s"]))
        self.ring = [0.0] * max(self.steps, 1)
        self.at = 0

    def step(self, q: float) -> float:
        """What leaves while `q` enters, m3/s."""
        if not self.steps:
            return q
        at = self.at
        out, self.ring[at] = self.ring[at], q
        self.at = at + 1 if at + 1 < self.steps else 0
        return out
