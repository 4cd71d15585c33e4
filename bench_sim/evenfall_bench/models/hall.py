"""Speed pickup on the brake shaft."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import Streams


class Hall:
    """An edge where a magnet passes: angle interpolated within the step, jitter, missed and false edges."""

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        hall = s["hall"]
        self.dt = float(s["bench"]["step_s"])
        self.magnets = hall["magnets"]
        self.gap = 2.0 * math.pi / self.magnets
        gauss_place = chance("magnets").gauss
        self.placement = [
            gauss_place(0.0, hall["placement_deg"]) * (2.0 * math.pi) / 360.0 for _ in range(self.magnets)
        ]
        self.jitter, self.missed, self.extra = hall["jitter_us"] * 1e-6, hall["missed"], hall["extra"]
        self.works = True
        self.magnet = 0
        self.next_angle = self.gap + self.placement[0]
        self.gauss = chance("hall").gauss
        self.chance = chance("edges").random
        self.edges: list[float] = []
        self.inputs: dict[str, Callable[[float], None]] = {
            "hall_lost": self.set_lost,
            "hall_missed": self.set_missed,
            "hall_extra": self.set_extra,
        }

    def set_lost(self, lost: float) -> None:
        """1: no more edges."""
        self.works = lost < 0.5

    def set_missed(self, share: float) -> None:
        """Share of edges that are not seen."""
        self.missed = share

    def set_extra(self, share: float) -> None:
        """Share of edges followed by a false one."""
        self.extra = share

    def pass_magnets(self, t: float, before: float, after: float, turned: float, w: float) -> None:
        """Edges of the step that begins at t, while the shaft turned `turned` rad from `before`."""
        while after >= self.next_angle:
            when = t + self.dt * (self.next_angle - before) / turned
            self.magnet += 1
            self.next_angle = self.gap * (self.magnet + 1) + self.placement[self.magnet % self.magnets]
            if self.jitter:
                when += self.gauss(0.0, self.jitter)
            if self.works and (not self.missed or self.chance() >= self.missed):
                edges = self.edges
                if not edges or when > edges[-1]:
                    edges.append(when)
                if self.extra and self.chance() < self.extra:
                    edges.append(when + (0.1 + 0.3 * self.chance()) * self.gap / (w + 1.0))
