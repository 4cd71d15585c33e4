"""Water supplies: pressure at the valve's inlet."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import Streams, Text


class RippleSupply:
    """p = p0 (1 + noise + ripple sin(2 pi f t)); noise is a first-order Gauss-Markov process."""

    TEXT = Text(
        "p = p0 (1 + noise + ripple sin(2 pi f t)), noise first-order Gauss-Markov",
        "2 to 4 bar, ripple 0.02 to 0.08 at 1 to 2 Hz, noise 0.01 to 0.03",
        "common practice, no source",
    )

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        supply = s["supply"]
        dt = float(s["bench"]["step_s"])
        self.level_Pa = supply["pressure_bar"] * 1e5
        self.ripple, self.ripple_w = supply["ripple"], 2.0 * math.pi * supply["ripple_Hz"]
        self.noise_decay = math.exp(-dt / supply["noise_time_s"])
        self.noise_gain = supply["noise"] * math.sqrt(1.0 - self.noise_decay**2)
        self.gauss = chance("supply").gauss
        self.noise = 0.0
        self.factor = 1.0
        self.gone = False
        self.pressure_Pa: float = self.level_Pa
        self.inputs: dict[str, Callable[[float], None]] = {
            "supply_lost": self.set_lost,
            "supply_factor": self.set_factor,
        }

    def set_lost(self, lost: float) -> None:
        """1: no water; the pressure dies away in 0.2 s."""
        self.gone = lost > 0.5

    def set_factor(self, factor: float) -> None:
        """Multiplies the pressure."""
        self.factor = factor

    def step(self, t: float, flow_m3_s: float) -> float:
        """Pressure in Pa over the step that begins at t, while that flow is drawn."""
        noise = self.noise * self.noise_decay
        self.noise = noise = noise + (self.gauss(0.0, self.noise_gain) if self.noise_gain else 0.0)
        if self.gone:
            self.pressure_Pa *= 0.995
        else:
            self.pressure_Pa = (
                self.level_Pa * self.factor * (1.0 + noise + self.ripple * math.sin(self.ripple_w * t))
            )
        return self.pressure_Pa


class TapsSupply(RippleSupply):
    """Ripple, and other taps that open and close: each takes a share of the pressure, first order in"
    " 0.08 s."""

    TEXT = Text(
        "as ripple, x product of (1 - tap_drop) over the open taps, first order in 0.08 s; each of"
        " tap_count opens"
        " and closes at random, on average every tap_every_s",
        "tap_drop 0.1 to 0.25, one or two taps, every 3 to 10 s",
        "common practice, no source",
    )
    SETTLE_S = 0.08

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        supply = s["supply"]
        self.dt = float(s["bench"]["step_s"])
        self.drop, self.every_s = supply["tap_drop"], supply["tap_every_s"]
        self.exponential = chance("taps").expovariate
        self.open = [False] * supply["tap_count"]
        self.next_s = [self.exponential(1.0 / self.every_s) for _ in self.open]
        self.taps = 1.0

    def step(self, t: float, flow_m3_s: float) -> float:
        """Pressure in Pa over the step that begins at t."""
        goal = 1.0
        for i, due in enumerate(self.next_s):
            if t >= due:
                self.open[i] = not self.open[i]
                self.next_s[i] = t + self.exponential(1.0 / self.every_s)
            if self.open[i]:
                goal *= 1.0 - self.drop
        self.taps += (goal - self.taps) * self.dt / (self.SETTLE_S + self.dt)
        return super().step(t, flow_m3_s) * self.taps if not self.gone else super().step(t, flow_m3_s)


class PressureSwitchSupply(RippleSupply):
    """A well pump with a pressure tank and a pressure switch.

    The air cushion follows Boyle's law, p_abs V = const (slow, so isothermal); V grows by what is
    drawn less what the pump gives, pump_l_min x (1 - (p / pump_max)^2) while it runs.  The switch starts
    it at cut_in and stops it at cut_out.
    """

    TEXT = Text(
        "p_abs V_air = const; dV_air/dt = q_drawn - q_pump; q_pump = pump_l_min (1 - (p /"
        " pump_max_bar)^2) while the"
        " switch is on: from cut_in_bar until cut_out_bar; x (1 + noise + ripple)",
        "cut_in 2 bar, cut_out 3.5 bar, tank_air 0.2 to 2 l, pump 10 to 40 l/min at no pressure,"
        " pump_max 5 bar",
        "Boyle's law, pump curve with the square of flow: any text; numbers: common practice, no source",
    )
    AIR_PA = 101325.0

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        supply = s["supply"]
        self.dt = float(s["bench"]["step_s"])
        self.cut_in, self.cut_out = supply["cut_in_bar"] * 1e5, supply["cut_out_bar"] * 1e5
        self.pump_m3_s, self.pump_max = supply["pump_l_min"] / 60e3, supply["pump_max_bar"] * 1e5
        self.tank_Pa = min(max(self.level_Pa, self.cut_in), self.cut_out)
        self.boyle = (self.cut_in + self.AIR_PA) * supply["tank_air_l"] * 1e-3
        self.air_m3 = self.boyle / (self.tank_Pa + self.AIR_PA)
        self.runs = chance("pump").random() < 0.5

    def step(self, t: float, flow_m3_s: float) -> float:
        """Pressure in Pa over the step that begins at t, while that flow is drawn."""
        if self.tank_Pa <= self.cut_in:
            self.runs = True
        elif self.tank_Pa >= self.cut_out:
            self.runs = False
        pump = 0.0
        if self.runs and not self.gone:
            pump = self.pump_m3_s * max(0.0, 1.0 - (self.tank_Pa / self.pump_max) ** 2)
        self.air_m3 = max(self.air_m3 + (flow_m3_s - pump) * self.dt, 1e-6)
        self.tank_Pa = max(self.boyle / self.air_m3 - self.AIR_PA, 0.0)
        self.level_Pa = self.tank_Pa
        return super().step(t, flow_m3_s)
