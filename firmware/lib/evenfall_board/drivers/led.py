"""The LED: one pattern for each state, counted blinks for a fault.

A pattern is (on ms, off ms).  A fault blinks its number from the fault table
in groups: that many short blinks, then a long pause.
"""

from machine import Pin

PATTERNS = {
    "start": (50, 50),
    "rest": (60, 1940),
    "ready": (500, 500),
    "record": (300, 100),
    "steady": (100, 100),
    "sweep": (1000, 0),
    "release": (200, 60),
    "store": (40, 160),
    "characterise": (200, 200),
    "few_left": (60, 240),  # at rest, and few more runs fit onto the flash
}
BLINK_MS = 200
PAUSE_MS = 1200


class Led:
    def __init__(self, pin_number):
        self._pin = Pin(pin_number, Pin.OUT, value=0)
        self._ms = 0
        self._on_ms = 0
        self._off_ms = 1
        self._blinks = 0

    def show(self, state, blinks):
        """Show a state, or `blinks` blinks in groups when not 0."""
        self._ms = 0
        self._blinks = blinks
        self._on_ms, self._off_ms = PATTERNS.get(state, (60, 1940))

    def poll(self, passed_ms):
        """Set the pin for the time passed; allocates nothing."""
        ms = self._ms + passed_ms
        if self._blinks:
            if ms >= 2 * BLINK_MS * self._blinks + PAUSE_MS:
                ms = 0
            on = ms < 2 * BLINK_MS * self._blinks and ms % (2 * BLINK_MS) < BLINK_MS
        else:
            if ms >= self._on_ms + self._off_ms:
                ms = 0
            on = ms < self._on_ms
        self._ms = ms
        self._pin.value(1 if on else 0)
