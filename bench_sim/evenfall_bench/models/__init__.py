"""The parts of the bench.  Each table of a scenario chooses its part by the key `model`.

Every part is built once from the complete scenario and then asked for one step at a time.
What can be done to a part while the bench runs stands in its `inputs`: name -> function of
one number.  `physics.Bench` puts the parts together.
"""

from __future__ import annotations

from typing import Any

from .brake import AffinityBrake
from .common import Streams
from .drive import RigidDrive
from .engine import MapEngine
from .hall import Hall
from .load_cell import Amplifier, LoadCell
from .servo import SlewServo
from .supply import RippleSupply
from .valve import Hose, OrificeLine, Valve

# table -> model -> the part
MODELS: dict[str, dict[str, type[Any]]] = {
    "engine": {"map": MapEngine},
    "drive": {"rigid": RigidDrive},
    "brake": {"affinity": AffinityBrake},
    "valve": {"orifice": Valve},
    "supply": {"ripple": RippleSupply},
    "servo": {"slew": SlewServo},
    "load_cell": {"housing": LoadCell},
}


def part(table: str, scenario: dict[str, Any], chance: Streams) -> Any:
    """The part that a scenario chooses for one of its tables."""
    return MODELS[table][scenario[table]["model"]](scenario, chance)


__all__ = ["MODELS", "Amplifier", "Hall", "Hose", "OrificeLine", "Streams", "part"]
