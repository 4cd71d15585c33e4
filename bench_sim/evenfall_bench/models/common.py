"""What the parts share: constants, one random stream per cause, interpolation."""

from __future__ import annotations

import math
from bisect import bisect_left
from operator import itemgetter
from random import Random
from typing import NamedTuple

RPM = math.pi / 30.0  # rad/s per rpm
WATER_HEAT_J_KGK = 4182.0
WATER_DENSITY_KG_M3 = 998.2


class Text(NamedTuple):
    """What SCENARIOS.md says of a model."""

    equation: str
    typical: str
    source: str


class Streams:
    """Random streams by cause, so that two controllers meet the same engine in a study."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._made: dict[str, Random] = {}

    def __call__(self, cause: str) -> Random:
        """The stream of that cause; the same seed and cause give the same numbers."""
        if cause not in self._made:
            self._made[cause] = Random(f"{self.seed}/{cause}")
        return self._made[cause]


_FIRST = itemgetter(0)


def interpolate(points: list[list[float]], x: float) -> float:
    """Piecewise linear through (x, y) points, held at the first, extended past the last."""
    if x <= points[0][0]:
        return points[0][1]
    at = min(bisect_left(points, x, 1, key=_FIRST), len(points) - 1)
    (x0, y0), (x1, y1) = points[at - 1 : at + 1]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
