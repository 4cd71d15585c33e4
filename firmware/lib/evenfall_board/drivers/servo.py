"""The water valve's servo: a pulse of 1-2 ms on one PWM pin."""

from machine import PWM, Pin

from ..native import micropython


class Servo:
    """Moves only between the two ends of the settings; `us` is the last pulse asked for.

    After a reset the pin is an input without pull, so the servo gets no pulse
    and stays where it is until the board is up again.
    """

    def __init__(self, settings):
        self.limits(settings)
        self.us = shut = settings["servo_shut"]
        self._pwm = PWM(Pin(settings["pin_servo"]), freq=settings["servo_rate"], duty_ns=shut * 1000)

    def limits(self, settings):
        """Take new ends and the dead band from the settings."""
        self._low = min(settings["servo_shut"], settings["servo_open"])
        self._high = max(settings["servo_shut"], settings["servo_open"])
        self._dead = settings["servo_deadband"]

    @micropython.native
    def move(self, us):
        """Ask for a pulse in microseconds, held between the ends; allocates nothing.

        A change within the dead band is not sent, but for one to an end.
        """
        if us <= self._low:
            us = self._low
        elif us >= self._high:
            us = self._high
        elif -self._dead <= us - self.us <= self._dead:
            return
        if us != self.us:
            self.us = us
            self._pwm.duty_ns(us * 1000)
