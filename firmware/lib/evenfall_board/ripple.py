"""The water supply's ripple, found in what a sweep did to the valve.

    r = Ripple()
    r.restart()
    r.add(correction)           at each step of the sweep, allocates nothing
    r.find_mHz(step_us)         mHz, 0 when no single frequency stands out

A pump's ripple is one frequency all through a sweep, an engine's scatter is spread, more of it
the faster: the line between 0.8 and 2.2 Hz that stands out most above those within 0.6 Hz
counts when it does so clearly.
"""

from array import array

from .native import const, micropython, ptr16, ptr32
from .speed_loop import SINE

_MAX_PAIRS = const(400)  # two steps each: ten seconds
MIN_MHZ = const(800)
MAX_MHZ = const(2200)
_STEP_MHZ = const(20)
_NEIGHBOURS = const(30)  # lines on each side to compare with
_MIN_RATIO_X10 = const(25)  # times their mean, in tenths
_MIN_STEPS = const(256)  # steps; a shorter record tells too little
_STEP_COUNT = const(0)  # places in the state
_MEAN = const(1)
_MEAN_OFFSET = const(1 << 24)  # keeps the mean above zero: a read through ptr32 has no sign on 64-bit words
_RECORD_OFFSET = const(32768)  # the same for the record
_SINE_ZERO = const(16384)  # of the table
_QUARTER_TURN = const(16)  # 64ths
_TURN_MASK = const(63)
_PHASE_MASK = const((1 << 22) - 1)  # a turn is 2**22


@micropython.viper
def amplitude(record: ptr16, n: int, turn_per_pair: int, sine: ptr16) -> int:
    """About the amplitude of one frequency in the record; a turn is 2**22."""
    a = 0
    b = 0
    turn = 0
    i = 0
    while i < n:
        x = int(record[i]) - _RECORD_OFFSET
        k = turn >> 16
        a += x * (int(sine[k]) - _SINE_ZERO) >> 12
        b += x * (int(sine[(k + _QUARTER_TURN) & _TURN_MASK]) - _SINE_ZERO) >> 12
        turn = (turn + turn_per_pair) & _PHASE_MASK
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


@micropython.viper
def add(state: ptr32, record: ptr16, correction: int):
    """Add to the record what is quicker than 0.5 Hz; two steps make a pair.

    `state`: number of steps, 256 times the mean plus _MEAN_OFFSET.
    """
    n = state[_STEP_COUNT]
    if n == 0:
        state[_MEAN] = (correction << 8) + _MEAN_OFFSET
    mean = state[_MEAN]
    mean += (correction << 8) + _MEAN_OFFSET - mean >> 5
    state[_MEAN] = mean
    if n >> 1 < _MAX_PAIRS:
        x = (correction - ((mean - _MEAN_OFFSET) >> 8)) >> 1
        k = n >> 1
        record[k] = x + _RECORD_OFFSET if n & 1 == 0 else int(record[k]) + x
        state[_STEP_COUNT] = n + 1


class Ripple:
    """A record of the relative correction, 1/4096, and its strongest line."""

    def __init__(self):
        self._record = array("H", bytearray(2 * _MAX_PAIRS))
        self._state = array("i", (0, 0))
        self.restart()

    def restart(self):
        self._state[_STEP_COUNT] = 0

    @micropython.native
    def add(self, correction):
        """Note a step's correction, 1/4096; allocates nothing."""
        add(self._state, self._record, correction)

    def find_mHz(self, step_us):
        """The line that stands out, mHz; 0: none.  `step_us` is the mean time between notes."""
        steps = self._state[_STEP_COUNT]
        if steps < _MIN_STEPS or not 5000 < step_us < 40000:
            return 0
        lines = (MAX_MHZ - MIN_MHZ) // _STEP_MHZ + 1
        found = array("i", (0 for _ in range(lines + _NEIGHBOURS)))
        for i in range(len(found)):
            # turns per step times 2**22: mHz x 2 us x 2**22 / 10**9, in parts that stay small
            turn = (MIN_MHZ + i * _STEP_MHZ) * step_us // 1000 * 4295 // 512
            found[i] = amplitude(self._record, steps >> 1, turn, SINE)
        best, best_ratio = 0, _MIN_RATIO_X10 - 1
        neighbours_sum = neighbours = 0
        for i in range(-_NEIGHBOURS, lines):
            if i + _NEIGHBOURS < len(found):
                neighbours_sum += found[i + _NEIGHBOURS]
                neighbours += 1
            if i > _NEIGHBOURS:
                neighbours_sum -= found[i - _NEIGHBOURS - 1]
                neighbours -= 1
            ratio = found[i] * 10 // (neighbours_sum // neighbours or 1) if i >= 0 else 0
            if ratio > best_ratio:
                best, best_ratio = MIN_MHZ + i * _STEP_MHZ, ratio
        return best
