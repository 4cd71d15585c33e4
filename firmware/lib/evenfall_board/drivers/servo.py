"""The water valve's servo: a pulse of 1-2 ms on one PWM pin."""

from machine import PWM, Pin

from ..native import micropython


class Servo:
    """Moves only between the two ends of the settings; `us` is the last pulse asked for.

    After a reset the pin is an input without pull, so the servo gets no pulse
    and stays where it is until the board is up again.
    """

    def __init__(self, settings):
        shut, open_ = settings["servo_shut"], settings["servo_open"]
        self._low = min(shut, open_)
        self._high = max(shut, open_)
        self.us = shut
        self._pwm = PWM(Pin(settings["pin_servo"]), freq=settings["servo_rate"], duty_ns=shut * 1000)

    def limits(self, settings):
        """Take new ends from the settings."""
        self._low = min(settings["servo_shut"], settings["servo_open"])
        self._high = max(settings["servo_shut"], settings["servo_open"])

    @micropython.native
    def move(self, us):
        """Ask for a pulse in microseconds, held between the ends; allocates nothing."""
        if us < self._low:
            us = self._low
        elif us > self._high:
            us = self._high
        if us != self.us:
            self.us = us
            self._pwm.duty_ns(us * 1000)
