"""Water supplies: pressure at the valve's inlet."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import Streams


class RippleSupply:
    """p = p0 (1 + noise + ripple sin(2 pi f t)); noise is a first-order Gauss-Markov process."""

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        supply = s["supply"]
        dt = float(s["bench"]["step_s"])
        self.level_Pa = supply["pressure_bar"] * 1e5
        self.ripple, self.ripple_w = supply["ripple"], 2.0 * math.pi * supply["ripple_Hz"]
        self.noise_keep = math.exp(-dt / supply["noise_time_s"])
        self.noise_push = supply["noise"] * math.sqrt(1.0 - self.noise_keep**2)
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

    def step(self, t: float) -> float:
        """Pressure in Pa over the step that begins at t."""
        noise = self.noise * self.noise_keep
        self.noise = noise = noise + (self.gauss(0.0, self.noise_push) if self.noise_push else 0.0)
        if self.gone:
            self.pressure_Pa *= 0.995
        else:
            self.pressure_Pa = (
                self.level_Pa * self.factor * (1.0 + noise + self.ripple * math.sin(self.ripple_w * t))
            )
        return self.pressure_Pa
