"""Servos: from pulses to the horn's place, in microseconds of pulse."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from .common import Streams, Text


class SlewServo:
    """Takes a pulse once per frame, runs there at a constant speed, stands within its dead band.

    The linkage follows through a play (backlash) operator.
    """

    TEXT = Text(
        "dx/dt = +-slew_us_s while |pulse - x| > deadband_us, a pulse taken once per frame; linkage:"
        " play operator of"
        " backlash_us",
        "0.1 to 0.2 s per 60 degrees = 3,300 to 6,600 us/s, dead band 2 to 10 us, 50 pulses/s (digital:"
        " to 333)",
        "data sheets of the class (from memory); play: common practice, no source",
    )

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

    def step(self, t: float, supply_Pa: float) -> float:
        """Place of the horn after the step that begins at t, the valve under that pressure."""
        if t >= self.next_frame:
            self.next_frame += self.frame_s
            if self.pulse_us > 0.0:
                self.latched_us = self.pulse_us
        if self.works:
            self.move(supply_Pa)
        servo_us = self.servo_us
        if servo_us > self.horn_us + self.play:
            self.horn_us = servo_us - self.play
        elif servo_us < self.horn_us - self.play:
            self.horn_us = servo_us + self.play
        return self.horn_us

    def move(self, supply_Pa: float) -> None:
        """One step of the motor."""
        error = self.latched_us - self.servo_us
        slew = self.slew
        if error > self.deadband:
            self.servo_us += slew if error > slew else error
        elif error < -self.deadband:
            self.servo_us -= slew if error < -slew else -error


class SecondOrderServo(SlewServo):
    """x'' = w0^2 e - 2 z w0 x', e = pulse - x (0 within the dead band), |x'| at most the loaded speed.

    The speed falls in a straight line with the load, as a DC motor's does: slew x (1 - load_share x
    p / 3 bar), p the water pressure on the valve.
    """

    TEXT = Text(
        "x'' = w0^2 e - 2 z w0 x', w0 = 2 pi natural_Hz, e = pulse - x or 0 within deadband_us; |x'| <="
        " slew_us_s"
        " (1 - load_share p / 3 bar)",
        "natural_Hz 5 to 12, damping 0.6 to 1, load_share 0.1 to 0.4",
        "second-order system, speed-torque line of a DC motor: any text; numbers: common practice, no source",
    )

    def __init__(self, s: dict[str, Any], chance: Streams) -> None:
        super().__init__(s, chance)
        servo = s["servo"]
        self.dt = float(s["bench"]["step_s"])
        self.w0 = 2.0 * math.pi * servo["natural_Hz"]
        self.damping = 2.0 * servo["damping"] * self.w0
        self.top_us_s: float = servo["slew_us_s"]
        self.load_share = servo["load_share"]
        self.rate_us_s = 0.0

    def move(self, supply_Pa: float) -> None:
        """One step of the motor (semi-implicit in the damping)."""
        dt = self.dt
        error = self.latched_us - self.servo_us
        if -self.deadband <= error <= self.deadband:
            error = 0.0
        top = self.top_us_s * max(0.05, 1.0 - self.load_share * supply_Pa / 3e5)
        rate = (self.rate_us_s + self.w0 * self.w0 * error * dt) / (1.0 + self.damping * dt)
        self.rate_us_s = rate = top if rate > top else -top if rate < -top else rate
        self.servo_us += rate * dt
