"""The water supply's ripple, found in what a sweep did to the valve.

    r = Ripple()
    r.restart()
    r.note(correction)          at each step of the sweep, allocates nothing
    r.find(step_us)             mHz, 0 when no single frequency stands out

A pump's ripple is one frequency all through a sweep, an engine's scatter is spread, more of it
the faster: the line between 0.8 and 2.2 Hz that stands out most above those within 0.6 Hz
counts when it does so clearly.
"""

from array import array

from .native import const, micropython, ptr16
from .speed_loop import SINE

_PAIRS = const(400)  # two steps each: ten seconds
LOW_MHZ = const(800)
HIGH_MHZ = const(2200)
_STEP_MHZ = const(20)
_NEAR = const(30)  # lines on each side to compare with
_LEAST_OVER = const(25)  # times their mean, in tenths
_LEAST = const(256)  # steps; a shorter record tells too little


@micropython.viper
def amplitude(record: ptr16, n: int, turn_per_pair: int, sine: ptr16) -> int:
    """About the amplitude of one frequency in the record; a turn is 2**22."""
    a = 0
    b = 0
    turn = 0
    i = 0
    while i < n:
        x = int(record[i]) - 32768
        k = turn >> 16
        a += x * (int(sine[k]) - 16384) >> 12
        b += x * (int(sine[(k + 16) & 63]) - 16384) >> 12
        turn = (turn + turn_per_pair) & 0x3FFFFF
        i += 1
    if a < 0:
        a = -a
    if b < 0:
        b = -b
    if a < b:
        k = a
        a = b
        b = k
    return a + (b * 3 >> 3)


class Ripple:
    """A record of the relative correction, 1/4096, and its strongest line."""

    def __init__(self):
        self._record = array("H", bytearray(2 * _PAIRS))
        self.restart()

    def restart(self):
        self._n = 0
        self._mean = 0  # times 256

    @micropython.native
    def note(self, correction):
        n = self._n
        if n == 0:
            self._mean = correction << 8
        self._mean += (correction << 8) - self._mean >> 5  # slower than 0.5 Hz is no ripple
        if n >> 1 < _PAIRS:
            x = (correction - (self._mean >> 8)) // 2
            self._record[n >> 1] = x + 32768 if n & 1 == 0 else self._record[n >> 1] + x
            self._n = n + 1

    def find(self, step_us):
        """The line that stands out, mHz; 0: none.  `step_us` is the mean time between notes."""
        if self._n < _LEAST or not 5000 < step_us < 40000:
            return 0
        lines = (HIGH_MHZ - LOW_MHZ) // _STEP_MHZ + 1
        found = array("i", (0 for _ in range(lines + _NEAR)))
        for i in range(len(found)):
            # turns per step times 2**22: mHz x 2 us x 2**22 / 10**9, in parts that stay small
            turn = (LOW_MHZ + i * _STEP_MHZ) * step_us // 1000 * 4295 // 512
            found[i] = amplitude(self._record, self._n >> 1, turn, SINE)
        best, stands_out = 0, _LEAST_OVER - 1
        near = many = 0
        for i in range(-_NEAR, lines):
            if i + _NEAR < len(found):
                near += found[i + _NEAR]
                many += 1
            if i > _NEAR:
                near -= found[i - _NEAR - 1]
                many -= 1
            over = found[i] * 10 // (near // many or 1) if i >= 0 else 0
            if over > stands_out:
                best, stands_out = LOW_MHZ + i * _STEP_MHZ, over
        return best
