"""The parts of the bench.  Each table of a scenario chooses its part by the key `model`.

Every part is built once from the complete scenario and then asked for one step at a time.
What can be done to a part while the bench runs stands in its `inputs`: name -> function of
one number.  `physics.Bench` puts the parts together.
"""

from __future__ import annotations

from typing import Any

from .brake import AffinityBrake, LaggingBrake, TwoPatternBrake
from .common import Streams, Text
from .drive import ElasticDrive, RigidDrive
from .engine import MapEngine, TwoStroke
from .hall import Hall
from .load_cell import Amplifier, LoadCell, TrunnionCell
from .servo import SecondOrderServo, SlewServo
from .supply import PressureSwitchSupply, RippleSupply, TapsSupply
from .valve import EqualPercentageValve, LinearValve, QuickOpeningValve, Valve, hose, line

# table -> model -> the part; the first of each is the default
MODELS: dict[str, dict[str, type[Any]]] = {
    "engine": {"map": MapEngine, "two-stroke": TwoStroke},
    "drive": {"rigid": RigidDrive, "elastic": ElasticDrive},
    "brake": {"affinity": AffinityBrake, "lagging": LaggingBrake, "two patterns": TwoPatternBrake},
    "valve": {
        "orifice": Valve,
        "linear": LinearValve,
        "equal percentage": EqualPercentageValve,
        "quick opening": QuickOpeningValve,
    },
    "supply": {"ripple": RippleSupply, "taps": TapsSupply, "pressure switch": PressureSwitchSupply},
    "servo": {"slew": SlewServo, "second order": SecondOrderServo},
    "load_cell": {"housing": LoadCell, "trunnion": TrunnionCell},
}


def part(table: str, scenario: dict[str, Any], chance: Streams) -> Any:
    """The part that a scenario chooses for one of its tables."""
    return MODELS[table][scenario[table]["model"]](scenario, chance)


__all__ = ["MODELS", "Amplifier", "Hall", "Streams", "Text", "hose", "line", "part"]
