"""The drive: crank, clutch, chain, brake shaft.  Speeds are referred to the crank unless named otherwise."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import RPM, Streams

TURN = 2.0 * math.pi


class RigidDrive:
    """J dw/dt = sum of torques, with a centrifugal clutch that slips: capacity ~ w^2 - w_engage^2.

    Locked, both sides are one inertia; slipping, the clutch's capacity acts on both.  The step uses
    the mean speed of the step for angle and work, so that work in = work out + change of kinetic
    energy to rounding.  Chain, sprocket and teeth put relative waves on the torque.
    """

    def __init__(self, s: dict[str, Any], _: Streams) -> None:
        drive, clutch, brake = s["drive"], s["clutch"], s["brake"]
        self.dt = float(s["bench"]["step_s"])
        teeth = drive["engine_teeth"]
        self.ratio: float = teeth / drive["brake_teeth"]  # brake speed per engine speed
        self.efficiency = drive["efficiency"]
        self.j_engine: float = s["engine"]["inertia_kg_m2"]
        self.j_brake = brake["inertia_kg_m2"] * self.ratio * self.ratio  # referred to the crank
        self.j_all = self.j_engine + self.j_brake
        self.chain_rev = teeth / drive["chain_links"]  # chain turns per crank turn
        self.chain_ripple, self.sprocket_ripple = drive["chain_ripple"], drive["sprocket_ripple"]
        self.tooth_ripple = drive["tooth_ripple"]
        self.teeth = teeth
        self.tooth_max_w = 0.4 * TURN / self.dt / teeth
        self.rough = 1.0
        self.outside_drag = brake["outside_drag_Nm"]
        self.has_clutch = clutch["fitted"]
        self.engage_w = clutch["engage_rpm"] * RPM
        self.clutch_k = clutch["capacity_Nm"] / max(
            (clutch["capacity_rpm"] * RPM) ** 2 - self.engage_w**2, 1.0
        )
        self.peak_Nm = max(t for _, t in s["engine"]["torque_map"])
        idle_w = s["engine"]["idle_rpm"] * RPM
        self.w: float = idle_w  # the engine idles when the bench is switched on
        self.locked = not (self.has_clutch and idle_w < self.engage_w)
        self.w_brake: float = idle_w if self.locked else 0.0  # driven side
        self.coupled = True
        self.angle = self.brake_angle = 0.0  # crank, brake shaft
        self.brake_angle_before = self.brake_turn = 0.0  # at the step's start; turned in the step
        self.torque_in = self.wave = self.brake_step_J = 0.0
        self.engine_work_J = self.brake_work_J = self.lost_work_J = 0.0
        self.inputs: dict[str, Callable[[float], None]] = {
            "load_lost": self.set_load_lost,
            "rough_chain": self.set_rough,
        }

    def set_load_lost(self, lost: float) -> None:
        """1: the chain is off."""
        self.coupled = lost < 0.5
        self.locked = self.locked and self.coupled

    def set_rough(self, factor: float) -> None:
        """Multiplies the torque waves."""
        self.rough = factor

    def kinetic_J(self) -> float:
        """Energy of both inertias."""
        return 0.5 * (self.j_engine * self.w * self.w + self.j_brake * self.w_brake * self.w_brake)

    def step(self, te: float, tb: float, wbs: float) -> None:
        """One step under the engine's torque `te` and the brake's `tb` at brake shaft speed `wbs`."""
        dt, w = self.dt, self.w
        load = tb + (self.outside_drag if wbs > 0.0 else 0.0)
        wave = self.chain_ripple * math.cos(self.angle * self.chain_rev)
        if self.sprocket_ripple:
            wave += self.sprocket_ripple * math.cos(self.brake_angle)
        if self.tooth_ripple and w < self.tooth_max_w:
            wave += self.tooth_ripple * math.cos(self.angle * self.teeth)
        wave *= self.rough
        self.wave = wave
        load_c = load * self.ratio / self.efficiency  # referred to the crank
        locked = self.locked
        if locked and self.has_clutch:
            need = (te - load_c) * self.j_brake / self.j_all + load_c  # through the clutch
            cap = self.clutch_k * (w * w - self.engage_w * self.engage_w)
            if need > cap or -need > cap:
                self.locked = False  # from the next step on
        if locked:
            torque_in = te * (1.0 + wave)
            w1 = w + (torque_in - load_c) / self.j_all * dt
            if w1 < 0.0:
                w1 = 0.0
            wm = wmb = 0.5 * (w + w1)
            self.w = self.w_brake = w1
            slip_loss = 0.0
        else:
            torque_in = te
            wm, wmb, slip_loss = self._slip(te, load_c)
        turn = wm * dt
        self.brake_turn = brake_turn = wmb * self.ratio * dt
        self.torque_in = torque_in
        self.engine_work_J += torque_in * turn
        self.brake_step_J = done = tb * brake_turn
        self.brake_work_J += done
        self.lost_work_J += (
            (load - tb) * brake_turn + load * brake_turn * (1.0 / self.efficiency - 1.0) + slip_loss
        )
        self.angle += turn
        self.brake_angle_before = self.brake_angle
        self.brake_angle += brake_turn

    def _slip(self, te: float, load_c: float) -> tuple[float, float, float]:
        """A step with the clutch slipping: mean speeds of both sides (rad/s), energy lost (J)."""
        dt, w, w_brake = self.dt, self.w, self.w_brake
        cap = self.clutch_k * (w * w - self.engage_w * self.engage_w) if w > self.engage_w else 0.0
        if not self.has_clutch:
            cap = 1e3 * self.peak_Nm
        if not self.coupled:
            cap = 0.0
        slip = w - w_brake
        # just let go: the side that pulled more runs ahead
        tc = cap if slip > 0.0 or (slip == 0.0 and te > load_c) else -cap
        w1 = w + (te - tc) / self.j_engine * dt
        w2 = w_brake + (tc - load_c) / self.j_brake * dt
        if w1 < 0.0:
            w1 = 0.0
        if w2 < 0.0:
            w2 = 0.0
        if (w1 - w2) * slip < 0.0 and cap > 0.0:
            # they meet within the step: momentum decides the common speed
            w1 = w2 = (self.j_engine * w1 + self.j_brake * w2) / self.j_all
            self.locked = True
        wm, wmb = 0.5 * (w + w1), 0.5 * (w_brake + w2)
        self.w, self.w_brake = w1, w2
        return wm, wmb, tc * (wm - wmb) * dt
