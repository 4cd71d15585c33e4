"""What a ramp was: torque, speed, opening, set point as means over equal times; loops of what learns from it.

Machine code stays loaded on a port, so it is here and not in plant_fit and learning, which come and go.
"""

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

# places in the sums, and numbers of plant_fit
_LEFT_SQUARES = const(0)  # of what the valve must explain, or of what it leaves
_PRODUCTS = const(1)
_VALVE_SQUARES = const(2)
_MAX_PART = const(2500)  # 1.2 octaves: 160 squares stay below 2**30
_MAX_RATE = const(14336)  # rate x time of a bin, 3.5 in 1/4096
_SKIP = const(9)  # bins at the beginning that are in no sum: longest delay
_INVERSE_M = const(1463)  # 1 / 0.7, in 1/1024


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


def new_state():
    """(state, means over ramp, entry and run-out: 160 each of half mN.m, half rpm, 1/16384, half rpm)."""
    ramp = array("i", (0, 0, 0, WORD_BITS - 32, 0, 0, 0, 0)), array("H", bytearray(2 * 4 * _BINS))
    restart(ramp, 0)
    return ramp


def restart(ramp, ms):
    """Forget all; bins of 62.5 ms, longer where the sweep with what is around it takes over 150."""
    s = ramp[0]
    s[_COUNT] = s[_TORQUE_SUM] = s[_SPEED_SUM] = s[_OPENING_SUM] = s[_SET_POINT_SUM] = 0
    s[_BIN] = s[_LEFT] = min(max((ms + _AROUND_MS) * 2048 // 9375, _BIN_TIME), _MAX_BIN_TIME)


# --- inner loops of what learns from it ---


@micropython.viper
def follow(rate: ptr16, factor: int, x: ptr32, out: ptr32, n: int, sign: int):
    """Means over each bin of a first-order low-pass of what has the means `x` and begins steady.

    `rate` is rate times time of a bin, 1/32768, for the lowest fill rate; `factor` the fill rate against
    that, 1/256.  Bilinear: mean and standard deviation of the impulse response are those of the low-pass.
    """
    y = (x[0] << sign >> sign) << 4
    i = 0
    while i < n:
        a = int(rate[i]) * factor >> 11
        if a > _MAX_RATE:
            a = _MAX_RATE
        share = 67108864 // (4096 + (a >> 1))
        now = x[i] << sign >> sign
        d = now - (y >> 4)
        out[i] = now - (d * share >> 14)
        y += d * (a * share >> 12) >> 10
        i += 1


@micropython.viper
def high_pass(x: ptr32, mean: ptr32, k: int, n: int, sign: int):
    """Take away the exponential mean, forward and backward with `k` in 1/16384; that stays in `mean`."""
    y = (x[0] << sign >> sign) << 4
    i = 0
    while i < n:
        y += ((x[i] << sign >> sign) - (y >> 4)) * k >> 10
        mean[i] = y >> 4
        i += 1
    while i > 0:
        i -= 1
        y += ((mean[i] << sign >> sign) - (y >> 4)) * k >> 10
        mean[i] = y >> 4
        d = (x[i] << sign >> sign) - (y >> 4) >> 1
        if d > _MAX_PART:
            d = _MAX_PART
        elif d < -_MAX_PART:
            d = -_MAX_PART
        x[i] = d


@micropython.viper
def correlate(
    y: ptr32, by_speed: ptr32, by_valve: ptr32, late: int, gain: int, sums: ptr32, n: int, sign: int
):
    """Sums of squares and products: what the valve must explain, and its part, `late` by 1/256 of a bin.

    With a gain (1/512): the sum of squares of what it leaves.
    """
    part = late & 255  # of the way to the bin before: linear and the mean of two second differences (Bessel)
    curve = part * (256 - part)
    late >>= 8
    n -= 1
    yy = 0
    xy = 0
    xx = 0
    i = _SKIP
    while i < n:
        a = (y[i] << sign >> sign) + ((by_speed[i] << sign >> sign) * _INVERSE_M >> 10)
        b = by_valve[i - late] << sign >> sign
        d = by_valve[i - late - 1] << sign >> sign
        bend = (by_valve[i - late + 1] << sign >> sign) + (by_valve[i - late - 2] << sign >> sign) - b - d
        b += ((d - b) * part >> 8) - (bend * curve >> 18)
        a -= b * gain >> 9
        if a > _MAX_PART:
            a = _MAX_PART
        elif a < -_MAX_PART:
            a = -_MAX_PART
        yy += a * a
        xy += a * b
        xx += b * b
        i += 1
    sums[_LEFT_SQUARES] = yy
    sums[_PRODUCTS] = xy
    sums[_VALVE_SQUARES] = xx
