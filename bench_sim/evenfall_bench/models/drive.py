"""The drive: crank, clutch, chain, brake shaft.  Speeds are referred to the crank unless named otherwise."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import RPM, Streams, Text

TURN = 2.0 * math.pi


class RigidDrive:
    """J dw/dt = sum of torques, with a centrifugal clutch that slips: capacity ~ w^2 - w_engage^2.

    Locked, both sides are one inertia; slipping, the clutch's capacity acts on both.  The step uses
    the mean speed of the step for angle and work, so that work in = work out + change of kinetic
    energy to rounding.  Chain, sprocket and teeth put relative waves on the torque.
    """

    TEXT = Text(
        "(J_engine + J_brake r^2) dw/dt = T_engine (1 + waves) - r T_load / efficiency; slipping, the"
        " clutch passes"
        " capacity ~ w^2 - w_engage^2",
        "efficiency 0.96 to 0.99, waves 0.01 to 0.03 of the torque",
        "rigid-body dynamics, centrifugal clutch: any text; numbers: common practice, no source",
    )

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
            "hand_rad_s": self.set_hand,
        }
        self.hand_w = 0.0  # the hand's speed at the shaft, referred to the crank; 0: no hand

    def set_load_lost(self, lost: float) -> None:
        """1: the chain is off."""
        self.coupled = lost < 0.5
        self.locked = self.locked and self.coupled

    def set_rough(self, factor: float) -> None:
        """Multiplies the torque waves."""
        self.rough = factor

    def set_hand(self, w_shaft: float) -> None:
        """A hand or a drill turns the brake's shaft at that speed, rad/s.

        0: it stops the shaft and lets go; below 0: it lets go.
        """
        if w_shaft == 0.0 and self.w_brake <= self.hand_w:
            self.w_brake = 0.0
        self.hand_w = max(w_shaft, 0.0) / self.ratio

    def kinetic_J(self) -> float:
        """Energy of both inertias."""
        return 0.5 * (self.j_engine * self.w * self.w + self.j_brake * self.w_brake * self.w_brake)

    def waves(self) -> float:
        """Relative torque wave of chain, sprocket and teeth now."""
        wave: float = self.chain_ripple * math.cos(self.angle * self.chain_rev)
        if self.sprocket_ripple:
            wave += self.sprocket_ripple * math.cos(self.brake_angle)
        if self.tooth_ripple and self.w < self.tooth_max_w:
            wave += self.tooth_ripple * math.cos(self.angle * self.teeth)
        return wave * self.rough

    def step(self, te: float, tb: float, wbs: float) -> None:
        """One step under the engine's torque `te` and the brake's `tb` at brake shaft speed `wbs`."""
        dt, w = self.dt, self.w
        load = tb + (self.outside_drag if wbs > 0.0 else 0.0)
        self.wave = wave = self.waves()
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
            if w1 < self.hand_w:  # 0 without a hand
                w1 = self.hand_w
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
        if w2 < self.hand_w:  # 0 without a hand
            w2 = self.hand_w
        if (w1 - w2) * slip < 0.0 and cap > 0.0:
            # they meet within the step: momentum decides the common speed
            w1 = w2 = (self.j_engine * w1 + self.j_brake * w2) / self.j_all
            self.locked = True
        wm, wmb = 0.5 * (w + w1), 0.5 * (w_brake + w2)
        self.w, self.w_brake = w1, w2
        return wm, wmb, tc * (wm - wmb) * dt


class ElasticDrive(RigidDrive):
    """Two inertias with an elastic chain between: T = k (twist beyond the slack) + c (w - w_brake).

    The chain pulls on one side after the slack is taken up; the clutch slips when the chain's torque
    would exceed its capacity (spring and slider in series, Jenkins' element).  The brake gets T x
    efficiency - loss_Nm.  All at the crank.  Free vibration at sqrt(k (1/J1 + 1/J2)) / 2 pi.
    Semi-implicit sub-steps, four or as many as that frequency needs; damping at most what they carry.
    """

    TEXT = Text(
        "J1 dw1/dt = T_engine - T, J2 dw2/dt = T efficiency - loss_Nm - r T_load, T = stiffness (twist"
        " beyond slack_deg)"
        " + damping (w1 - w2), at most the clutch's capacity; f = sqrt(k (1/J1 + 1/J2)) / 2 pi",
        "stiffness 100 to 500 N.m/rad at the crank (near 100 Hz), damping 0.02 to 0.1 N.m.s/rad, slack"
        " 1 to 5 deg,"
        " loss 0.01 to 0.04 of the torque",
        "two-mass oscillator: any text; numbers: common practice, no source",
    )
    MIN_PARTS, MAX_PARTS = 4, 200

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        drive = s["drive"]
        self.stiffness, self.damping = drive["stiffness_Nm_rad"], drive["damping_Nms_rad"]
        self.slack_rad = drive["slack_deg"] * math.pi / 180.0
        self.loss_Nm = drive["loss_Nm"]
        both = 1.0 / self.j_engine + 1.0 / self.j_brake
        needed = math.ceil(2.0 * self.dt * math.sqrt(self.stiffness * both))
        self.parts = min(max(needed, self.MIN_PARTS), self.MAX_PARTS)
        self.damping = min(self.damping, 0.5 * self.parts / (self.dt * both))
        self.twist = 0.0  # 0: the pulling side is just tight; -slack: the other
        self.spring_J = 0.0

    def kinetic_J(self) -> float:
        """Energy of both inertias and the chain."""
        return super().kinetic_J() + self.spring_J

    def chain_Nm(self, twist: float, slip: float) -> float:
        """Torque of the chain at the crank at that twist (rad) and speed difference (rad/s)."""
        over = twist if twist > 0.0 else twist + self.slack_rad if twist < -self.slack_rad else 0.0
        torque: float = self.stiffness * over
        if over:
            torque += self.damping * slip
            if torque * over < 0.0:
                torque = 0.0  # a chain does not push
        return torque

    def capacity_Nm(self, w: float) -> float:
        """What the clutch holds at that crank speed."""
        if not self.coupled:
            return 0.0
        if not self.has_clutch:
            return 1e18
        return self.clutch_k * (w * w - self.engage_w**2) if w > self.engage_w else 0.0

    def step(self, te: float, tb: float, wbs: float) -> None:
        """One step under the engine's torque `te` and the brake's `tb` at brake shaft speed `wbs`."""
        dt = self.dt / self.parts
        self.wave = self.waves()
        te_in = te * (1.0 + self.wave)
        load = tb + (self.outside_drag if wbs > 0.0 else 0.0)
        load_c = load * self.ratio
        turn = brake_turn = lost = 0.0
        w1, w2 = self.w, self.w_brake
        slipped = False
        for _ in range(self.parts):
            slip = w1 - w2
            torque = self.chain_Nm(self.twist, slip)
            cap = self.capacity_Nm(w1)
            if torque > cap or torque < -cap:
                slipped = True
                torque = cap if torque > cap else -cap
                # the clutch slides: the chain stays as tight as its torque says
                over = torque / self.stiffness
                self.twist = over if torque >= 0.0 else over - self.slack_rad
                twisting = False
            else:
                twisting = True
            passed = torque * (self.efficiency if torque > 0.0 else 1.0 / self.efficiency)
            if w2 > 0.0:
                passed -= self.loss_Nm
            n1 = w1 + (te_in - torque) / self.j_engine * dt
            n2 = w2 + (passed - load_c) / self.j_brake * dt
            n1, n2 = n1 if n1 > 0.0 else 0.0, n2 if n2 > self.hand_w else self.hand_w
            m1, m2 = 0.5 * (w1 + n1), 0.5 * (w2 + n2)
            turn += m1 * dt
            brake_turn += m2 * dt
            if twisting:
                self.twist += (n1 - n2) * dt  # semi-implicit: the new speeds
            lost += (torque * m1 - passed * m2) * dt
            w1, w2 = n1, n2
        self.w, self.w_brake = w1, w2
        self.locked = not slipped
        over = max(self.twist, 0.0) + min(self.twist + self.slack_rad, 0.0)
        spring = 0.5 * self.stiffness * over * over
        lost -= spring - self.spring_J
        self.spring_J = spring
        self.brake_turn = brake_turn * self.ratio
        self.torque_in = te_in
        self.engine_work_J += te_in * turn
        self.brake_step_J = tb * self.brake_turn
        self.brake_work_J += self.brake_step_J
        self.lost_work_J += lost + (load - tb) * self.brake_turn
        self.angle += turn
        self.brake_angle_before = self.brake_angle
        self.brake_angle += self.brake_turn
