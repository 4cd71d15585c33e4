"""A state machine whose receive FIFO the test fills: 8 deep, a ninth word waits behind it."""

from array import array

from pio_asm import PIO, asm_pio  # noqa: F401  the drivers import them from here

MACHINES = {}


class StateMachine:
    def __init__(self, id, program, freq=0, in_base=None, jmp_pin=None, sideset_base=None):
        self.program = program
        self.freq = freq
        self._words = array("I", [0] * 4096)
        self._fed = 0
        self._taken = 0
        MACHINES[id] = self

    def active(self, on):
        pass

    def feed(self, *words):
        for word in words:
            self._words[self._fed] = word
            self._fed += 1

    def rx_fifo(self):
        n = self._fed - self._taken
        return 8 if n > 8 else n

    def get(self):
        word = self._words[self._taken]
        self._taken += 1
        return word
