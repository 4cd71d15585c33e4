"""What a ramp was, for what learns from it: torque, speed, opening, set point; means over equal times."""

from array import array

from .native import WORD_BITS, const, micropython, ptr16, ptr32

_BINS = const(160)
_SPEEDS = const(160)  # places in the bins: torques first, then these
_OPENINGS = const(320)
_SET_POINTS = const(480)
_BIN_TIME = const(2048)  # 62.5 ms, 1/32768 s
_MAX_BIN_TIME = const(16383)  # 0.5 s: times 16 bits it stays below 2**30
_AROUND_MS = const(1000)  # ramp entry and run-out
_U16 = const(65535)

# places in the state
_COUNT = const(0)  # bins that are complete
_BIN = const(1)  # time of a bin, 1/32768 s
_LEFT = const(2)  # what the bin under way still lacks
_SIGN_SHIFT = const(3)  # as in speed_loop
_TORQUE_SUM = const(4)  # of half mN.m x 1/32768 s
_SPEED_SUM = const(5)
_OPENING_SUM = const(6)
_SET_POINT_SUM = const(7)


@micropython.viper
def record(s: ptr32, means: ptr16, dt: int, opening: int, torque: int, speed: int, set_point: int):
    """A control step: values that held over the `dt` (1/32768 s) up to it, 1/16384, mN.m, half rpm.

    A bin that this fills is stored, the rest begins the next.
    """
    sign = s[_SIGN_SHIFT]
    torque >>= 1
    left = s[_LEFT]
    while dt >= left:
        n = s[_COUNT]
        if n >= _BINS:
            return
        time = s[_BIN]
        x = ((s[_TORQUE_SUM] << sign >> sign) + torque * left) // time
        if x < 0:
            x = 0
        elif x > _U16:
            x = _U16
        means[n] = x
        means[_SPEEDS + n] = (s[_SPEED_SUM] + speed * left) // time
        means[_OPENINGS + n] = (s[_OPENING_SUM] + opening * left) // time
        means[_SET_POINTS + n] = (s[_SET_POINT_SUM] + set_point * left) // time
        s[_COUNT] = n + 1
        s[_TORQUE_SUM] = 0
        s[_SPEED_SUM] = 0
        s[_OPENING_SUM] = 0
        s[_SET_POINT_SUM] = 0
        dt -= left
        left = time
    s[_LEFT] = left - dt
    s[_TORQUE_SUM] += torque * dt
    s[_SPEED_SUM] += speed * dt
    s[_OPENING_SUM] += opening * dt
    s[_SET_POINT_SUM] += set_point * dt


class RampRecord:
    """Means over a ramp, its entry and the run-out, at most 160 of each."""

    def __init__(self):
        self.values = array("H", bytearray(2 * 4 * _BINS))  # half mN.m, half rpm, 1/16384, half rpm
        self.state = array("i", (0, 0, 0, WORD_BITS - 32, 0, 0, 0, 0))
        self.restart(0)

    def restart(self, ms):
        """Forget all; bins of 62.5 ms, longer where the sweep with what is around it takes over 150."""
        s = self.state
        s[_COUNT] = s[_TORQUE_SUM] = s[_SPEED_SUM] = s[_OPENING_SUM] = s[_SET_POINT_SUM] = 0
        s[_BIN] = s[_LEFT] = min(max((ms + _AROUND_MS) * 2048 // 9375, _BIN_TIME), _MAX_BIN_TIME)
