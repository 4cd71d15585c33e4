"""The inlet valve, the line it draws from, and the hose to the brake."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import WATER_DENSITY_KG_M3, Streams, Text, interpolate

STILL_STEPS = 50  # a linkage that stood for so long lets the stem stick
CELLS = 200  # of the table of the valve's curve


class Valve:
    """Conductance c = c_full (leak + (1 - leak) curve(opening)); flow = c sqrt(dp) (`OrificeLine`).

    The stem may stick (two-parameter stiction): at rest it stands until the linkage has gone
    `stick_us` away, then slips to within stick_us - jump_us of it and follows until the linkage stops or
    turns.  Closing, the area may be larger than opening by `asymmetry` (flow that holds to the wall);
    it changes over 2 % of travel.
    """

    TEXT = Text(
        "Q = c sqrt(dp), c = c_full (leak + (1 - leak) curve(opening)), the curve given as points",
        "a ball valve's curve is the default; leak 0.01 to 0.05",
        "ISO 5167 form; stiction: Choudhury, Thornhill, Shah, Control Engineering Practice 13 (2005)"
        " (from memory);"
        " numbers: common practice, no source",
    )

    def __init__(self, s: dict[str, Any], _: Streams) -> None:
        valve, servo = s["valve"], s["servo"]
        self.full_flow: float = valve["full_flow_l_min"] / 60e3 / math.sqrt(valve["full_flow_bar"] * 1e5)
        shape = [self.share(valve, i / CELLS) for i in range(CELLS + 1)]
        self.curve = [*shape, shape[-1]]
        self.leak: float = valve["leak"]
        self.extra_leak = 0.0
        self.shut_us = float(servo["shut_us"])
        self.span_us = servo["open_us"] - servo["shut_us"]
        self.offset_us = servo["offset_us"]
        self.opening = 0.0  # 0 shut .. 1 open
        self.stick_us, self.slide_us = valve["stick_us"], max(0.0, valve["stick_us"] - valve["jump_us"])
        self.stem_us = self.stem_from_us = self.shut_us
        self.moves = 0  # the stem: -1, 0, +1
        self.still_steps = 0
        self.asymmetry = valve["asymmetry"]
        self.closing = 0.0  # 0 opening .. 1 closing
        self.inputs: dict[str, Callable[[float], None]] = {
            "leak": self.set_leak,
            "valve_offset_us": self.set_offset,
        }

    @staticmethod
    def share(valve: dict[str, Any], x: float) -> float:
        """Share of the full area at opening x."""
        return interpolate(valve["curve"], x)

    def set_leak(self, share: float) -> None:
        """Share of the full area that leaks beside the scenario's own."""
        self.extra_leak = share

    def set_offset(self, offset_us: float) -> None:
        """How far the linkage is set off."""
        self.offset_us = offset_us

    def step(self, horn_us: float) -> float:
        """Conductance, m3/s per root of Pa, with the servo's horn at that place."""
        if self.stick_us:
            horn_us = self._stick(horn_us)
        opening = (horn_us + self.offset_us - self.shut_us) / self.span_us
        if opening < 0.0:
            opening = 0.0
        elif opening > 1.0:
            opening = 1.0
        if self.asymmetry:
            self.closing = min(1.0, max(0.0, self.closing - (opening - self.opening) / 0.02))
        self.opening = opening
        xi = opening * CELLS
        i = int(xi)
        curve = self.curve
        area = curve[i] + (curve[i + 1] - curve[i]) * (xi - i)
        if self.asymmetry:
            area *= 1.0 + self.asymmetry * self.closing
        return self.full_flow * (self.leak + self.extra_leak + (1.0 - self.leak) * area)

    def _stick(self, horn_us: float) -> float:
        """Place of the stem behind a linkage at `horn_us`."""
        step = horn_us - self.stem_from_us
        self.stem_from_us = horn_us
        if self.moves:
            self.still_steps = self.still_steps + 1 if abs(step) < 1e-9 else 0
            if step * self.moves < 0.0 or self.still_steps > STILL_STEPS:
                self.moves = 0
        if not self.moves and abs(horn_us - self.stem_us) > self.stick_us:
            self.moves = 1 if horn_us > self.stem_us else -1
            self.still_steps = 0
        if self.moves:
            goal = horn_us - self.moves * self.slide_us
            if (goal - self.stem_us) * self.moves > 0.0:
                self.stem_us = goal
        return self.stem_us


class LinearValve(Valve):
    """Inherent flow characteristic: share = opening."""

    TEXT = Text(
        "as orifice, curve(x) = x",
        "a slotted or V-port plug",
        "IEC 60534 inherent flow characteristic: linear (from memory)",
    )

    @staticmethod
    def share(valve: dict[str, Any], x: float) -> float:
        """Share of the full area at opening x."""
        return x


class EqualPercentageValve(Valve):
    """Inherent flow characteristic: equal steps of opening multiply the flow alike."""

    TEXT = Text(
        "as orifice, curve(x) = (R^(x - 1) - 1/R) / (1 - 1/R), R the rangeability (shut is shut)",
        "rangeability 20 to 50",
        "IEC 60534 inherent flow characteristic: equal percentage R^(x - 1) (from memory)",
    )

    @staticmethod
    def share(valve: dict[str, Any], x: float) -> float:
        """Share of the full area at opening x."""
        r: float = valve["rangeability"]
        least = 1.0 / r
        return (r ** (x - 1.0) - least) / (1.0 - least)


class QuickOpeningValve(Valve):
    """Inherent flow characteristic: most of the flow early in the travel."""

    TEXT = Text(
        "as orifice, curve(x) = sqrt(x)",
        "a globe tap with a flat disc, a solenoid plug",
        "quick opening, root of travel: process control texts (from memory)",
    )

    @staticmethod
    def share(valve: dict[str, Any], x: float) -> float:
        """Share of the full area at opening x."""
        return math.sqrt(x)


class OrificeLine:
    """Q = c sqrt(p - p_back): a turbulent orifice (ISO 5167 form) on a supply without impedance."""

    def __init__(self, s: dict[str, Any], _: Streams) -> None:
        self.inlet_Pa: float = s["supply"]["pressure_bar"] * 1e5
        self.flow_m3_s = 0.0

    def step(self, supply_Pa: float, conductance: float, back_Pa: float) -> float:
        """Flow in m3/s."""
        self.inlet_Pa = supply_Pa
        dp = supply_Pa - back_Pa
        self.flow_m3_s = flow = conductance * math.sqrt(dp) if dp > 0.0 else 0.0
        return flow


class ImpedanceLine(OrificeLine):
    """p0 - R Q^2 - L dQ/dt = (Q / c)^2 + p_back: friction and inertia of the water in the pipe.

    R from the loss at the valve's full flow, L = rho length / area.  Solved implicitly for Q: no
    step is too long for it.  An elastic pipe's waves are left out (rigid water column).
    """

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        supply = s["supply"]
        self.dt = float(s["bench"]["step_s"])
        full = s["valve"]["full_flow_l_min"] / 60e3
        self.resistance: float = supply["line_loss_bar"] * 1e5 / full**2
        area = math.pi / 4.0 * (supply["line_bore_mm"] * 1e-3) ** 2
        self.inertance: float = WATER_DENSITY_KG_M3 * supply["line_m"] / area

    def step(self, supply_Pa: float, conductance: float, back_Pa: float) -> float:
        """Flow in m3/s."""
        square = self.resistance + 1.0 / max(conductance, 1e-12) ** 2
        per_step = self.inertance / self.dt
        drive = supply_Pa - back_Pa + per_step * self.flow_m3_s
        if drive <= 0.0:
            flow = 0.0
        else:
            flow = 2.0 * drive / (per_step + math.sqrt(per_step * per_step + 4.0 * square * drive))
        self.flow_m3_s = flow
        self.inlet_Pa = flow * flow / max(conductance, 1e-12) ** 2 + back_Pa
        return flow


def line(s: dict[str, Any], chance: Streams) -> OrificeLine:
    """The line that the supply's keys ask for."""
    supply = s["supply"]
    return (ImpedanceLine if supply["line_loss_bar"] or supply["line_m"] else OrificeLine)(s, chance)


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


class DrainingHose(Hose):
    """A hose that drains and fills again: after the dead time, a cascade of four equal reservoirs.

    Each holds V and lets go q = q_ref (V / V_ref)^(3/2), so the water on its way grows with the
    flow as hold_ml x (q / q_ref)^(2/3), and a change arrives after about two thirds of hold / flow,
    spread out (Nash cascade of hydrology).  q_ref is 40 ml/s.
    """

    CELLS = 4
    REFERENCE_M3_S = 40e-6

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        self.dt = float(s["bench"]["step_s"])
        self.cell_m3 = s["valve"]["hose_hold_ml"] * 1e-6 / self.CELLS
        self.held = [0.0] * self.CELLS

    def step(self, q: float) -> float:
        """What leaves while `q` enters, m3/s."""
        q = super().step(q)
        dt, cell, held = self.dt, self.cell_m3, self.held
        for i, volume in enumerate(held):
            volume += q * dt
            out = self.REFERENCE_M3_S * (volume / cell) ** 1.5
            # implicit in the outflow's slope, so that a small hose stays stable
            out /= 1.0 + 1.5 * out * dt / max(volume, 1e-12)
            held[i] = volume - out * dt
            q = out
        return q


def hose(s: dict[str, Any], chance: Streams) -> Hose:
    """The hose that the valve's keys ask for."""
    return (DrainingHose if s["valve"]["hose_hold_ml"] else Hose)(s, chance)
