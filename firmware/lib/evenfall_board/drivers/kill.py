"""The kill output: high lets the engine run, anything else stops it.

A relay that must be held by this pin earths the ignition when the pin falls,
so a board without power, in reset or with a broken wire stops the engine.  An
independent kill switch within reach is required all the same.
"""

from machine import Pin


class Kill:
    """`ready` is true while the engine is allowed to run."""

    def __init__(self, pin_number):
        self._pin = Pin(pin_number, Pin.OUT, value=0)
        self.ready = False

    def allow(self):
        self.ready = True
        self._pin.value(1)

    def cut(self):
        """Stop the engine; allocates nothing."""
        self.ready = False
        self._pin.value(0)
