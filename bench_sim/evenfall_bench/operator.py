"""The person at the bench: starts the engine, presses the button, opens and closes the throttle."""

from __future__ import annotations

import math
from typing import Any

from .physics import Bench

SEEN_S = 0.4


class Operator:
    """Makes `runs` sweeps; acts on the bench and on `button` (pressed or not)."""

    def __init__(self, scenario: dict[str, Any], bench: Bench, runs: int = 1) -> None:
        self.o = scenario["operator"]
        self.bench = bench
        self.runs = runs
        self.run = 0
        self.button = False
        self.over = runs == 0
        self.opened_s: list[float] = []
        self.pressed_s: list[float] = []
        self.closed_s: list[float] = []
        self.engine_states: list[dict[str, float]] = []  # at the end of each run
        self._opens = float(self.o["ready_s"])
        self._release_at = 0.0
        self._steps: list[tuple[float, str]] = []
        self._was_up = False  # the speed was well above the end speed in this run
        self._up_since = math.inf
        self._plan(self._opens)

    def _plan(self, opens: float) -> None:
        o = self.o
        self._steps = [(opens - 1.0, "start"), (opens, "open")]
        if o["arm_before_s"]:
            self._steps.append((opens - o["arm_before_s"], "press"))
        if o["press_after_s"]:
            self._steps.append((opens + o["press_after_s"], "begin"))
        self._steps.sort()
        self._opens = opens

    def press(self, now: float, seconds: float | None = None) -> None:
        """Push the button, for the usual time unless told how long."""
        self.button = True
        self._release_at = now + (self.o["press_s"] if seconds is None else seconds)

    def act(self, now: float) -> None:
        """Do what is due at `now`."""
        if self.button and now >= self._release_at:
            self.button = False
        if self.over:
            return
        bench = self.bench
        while self._steps and now >= self._steps[0][0]:
            step = self._steps.pop(0)[1]
            if step == "start":
                bench.set("stall", 0.0)
            elif step == "open":
                self.run += 1
                self._was_up, self._up_since = False, math.inf
                self.opened_s.append(now)
                bench.new_run()
                bench.set_throttle(1.0)
            elif step == "close":
                bench.set_throttle(0.0)
                self.closed_s.append(now)
                self.engine_states.append(bench.engine_state())
                self._steps.append((now + self.o["rest_s"], "next"))
            elif step == "next":
                if self.run >= self.runs:
                    self.over = True
                else:
                    self._plan(now + 1.5)
            else:
                self.press(now)
                if step == "begin" or not self.o["press_after_s"]:
                    self.pressed_s.append(now)
        opened = len(self.opened_s) > len(self.closed_s)
        if opened and not any(s == "close" for _, s in self._steps):
            since = now - self._opens
            speed, end = bench.speed_rpm, self.o["end_rpm"]
            # a slack drive bounces while it spins up: the eye sees what lasts
            self._up_since = min(self._up_since, now) if speed > end * 1.1 else math.inf
            self._was_up = self._was_up or now - self._up_since >= SEEN_S
            passed = self._was_up and speed < end * 1.01
            if passed or since > self.o["give_up_s"]:
                wait = self.o["react_s"] if passed else 0.0
                self._steps.append((now + wait, "close"))
                self._steps.sort()
