"""Servos: from pulses to the horn's place, in microseconds of pulse."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .common import Streams


class SlewServo:
    """Takes a pulse once per frame, runs there at a constant speed, stands within its dead band.

    The linkage follows through a play (backlash) operator.
    """

    def __init__(self, s: dict[str, Any], _: Streams) -> None:
        servo = s["servo"]
        self.slew = servo["slew_us_s"] * float(s["bench"]["step_s"])
        self.deadband, self.play = servo["deadband_us"], servo["backlash_us"] / 2.0
        self.frame_s = 1.0 / servo["rate_Hz"]
        self.pulse_us = self.latched_us = self.servo_us = self.horn_us = float(servo["shut_us"])
        self.next_frame = servo["frame_phase"] * self.frame_s
        self.works = True
        self.now_s = 0.0
        self.inputs: dict[str, Callable[[float], None]] = {
            "servo_us": self.set_pulse,
            "servo_hz": self.set_rate,
            "servo_stuck": self.set_stuck,
        }

    def set_pulse(self, pulse_us: float) -> None:
        """Pulse width on the wire; 0: no pulses."""
        self.pulse_us = pulse_us

    def set_rate(self, hertz: float) -> None:
        """Pulses per second."""
        self.frame_s = 1.0 / hertz
        self.next_frame = min(self.next_frame, self.now_s + self.frame_s)

    def set_stuck(self, stuck: float) -> None:
        """1: it stays where it is."""
        self.works = stuck < 0.5

    def step(self, t: float) -> float:
        """Place of the horn after the step that begins at t."""
        if t >= self.next_frame:
            self.next_frame += self.frame_s
            if self.pulse_us > 0.0:
                self.latched_us = self.pulse_us
        servo_us = self.servo_us
        if self.works:
            error = self.latched_us - servo_us
            slew = self.slew
            if error > self.deadband:
                servo_us += slew if error > slew else error
            elif error < -self.deadband:
                servo_us -= slew if error < -slew else -error
            self.servo_us = servo_us
        if servo_us > self.horn_us + self.play:
            self.horn_us = servo_us - self.play
        elif servo_us < self.horn_us - self.play:
            self.horn_us = servo_us + self.play
        return self.horn_us
