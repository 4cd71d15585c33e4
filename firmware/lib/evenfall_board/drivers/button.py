"""The button: to ground, with the chip's pull-up; pressed reads 0."""

from machine import Pin

STEADY_MS = 30  # a level must last this long (common practice, no source)
BUTTON_STUCK_MS = 10000  # nobody holds a button that long


def held(pin_number):
    """True when the button is down now; for the start of the board."""
    return pin_number >= 0 and Pin(pin_number, Pin.IN, Pin.PULL_UP).value() == 0


class Button:
    """`down` is the debounced level, `stuck` true after BUTTON_STUCK_MS of it."""

    def __init__(self, pin_number):
        self._pin = Pin(pin_number, Pin.IN, Pin.PULL_UP)
        self._raw = 0
        self._for_ms = 0
        self.down = False
        self.down_ms = 0
        self.stuck = False

    def poll(self, passed_ms):
        """Look at the pin; return True once for each press. Allocates nothing."""
        raw = 1 - self._pin.value()
        pressed = False
        if raw != self._raw:
            self._raw = raw
            self._for_ms = 0
        elif self._for_ms < STEADY_MS:
            self._for_ms += passed_ms
            if self._for_ms >= STEADY_MS and (raw == 1) != self.down:
                self.down = raw == 1
                pressed = self.down
                self.down_ms = 0
        if self.down:
            if self.down_ms < BUTTON_STUCK_MS:
                self.down_ms += passed_ms
            self.stuck = self.down_ms >= BUTTON_STUCK_MS
        else:
            self.stuck = False
        return pressed
