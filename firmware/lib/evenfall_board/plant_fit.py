"""The plant from one ramp: valve, hose and water brake, identified at standstill after the run was stored.

Model: z = T / w**2 (brake torque, speed) goes with the water held; outflow goes with w z**m, m = 0.7,
inflow with u**v (opening u).  In relative changes that is a first-order low-pass of time-varying rate,

    d ln z / dt = r (ln z_steady - ln z),   r = m A w/w_low (z/z_low)**(m - 1),
    ln z_steady = (v ln u(t - delay) - ln w) / m + constant

with the fill rate A at the ramp's lowest speed.  Output-error fit by a bank of filters (Ljung, System
Identification, 1999: output-error structure, separable least squares): for each A and each delay of a grid
ln u and ln w are filtered, all is high-passed, v follows by least squares.  exp(-J / 2 s2) of the residual
sums of squares J over the grid gives means and standard deviations; s2 = J_min / (n / 4), as if four
neighbours of the n residuals told one independent thing.

The delay is from the command to the torque as measured: what the amplifier delays is part of it.

Logarithms here are log2 in 1/4096 in the series, in 1/2048 after the high-pass; factors in 1/16384.
Integers below 2**30 only.  Runs in MicroPython and CPython alike.
"""

from array import array

from .native import WORD_BITS, const, micropython, ptr16, ptr32
from .speed_loop import EXP2, LOG2, exp2_x1024, log2_x1024
from .valve_map import clip, isqrt

_BINS = const(160)
_SPEEDS = const(160)  # places in the record of bins: torques first, then speeds, then openings
_OPENINGS = const(320)
_MIN_BINS = const(60)
_BIN_TIME = const(2048)  # 62.5 ms, 1/32768 s
_MAX_BIN_TIME = const(16383)  # 0.5 s: times 16 bits it stays below 2**30
_U16 = const(65535)

# places in the state of the record
_COUNT = const(0)  # bins that are complete
_BIN = const(1)  # time of a bin, 1/32768 s
_LEFT = const(2)  # what the bin under way still lacks
_SIGN_SHIFT = const(3)  # as in speed_loop
_TORQUE_SUM = const(4)  # of half mN.m x 1/32768 s
_SPEED_SUM = const(5)
_OPENING_SUM = const(6)

_MIN_TORQUE = const(10)  # half mN.m: at most an eighth of the bins may have less
_MIN_SPEED = const(1000)  # half rpm
_MIN_OPENING = const(128)  # 1/16384
_MAX_LOG = const(28672)  # 7 octaves: what a series may be off its middle
_MAX_PART = const(2500)  # 1.2 octaves: 160 squares stay below 2**30
_MAX_RATE = const(14336)  # rate x time of a bin, 3.5 in 1/4096: its series below is good to there
_MIN_SWING = const(15)  # rms of ln opening after the high-pass, 0.5 %, for a fit
_SKIP = const(8)  # bins at the beginning that are in no sum: longest delay
_HIGH_PASS = const(49152)  # 1.5 s, 1/32768 s
_LOW_PASS = const(12616)  # 0.385 s: of z in the rate
_RATES = const(11)  # fill rates of the grid: 0.8 1/s, each sqrt(2) times the one before
_RATE_STEP = const(512)  # log2 in 1/1024
_LOG_MIN_RATE = const(7860)  # 1024 log2 of 0.8 in 1/256
_LOG_M_RATE = const(-857)  # 1024 log2 (0.7 x 0.8)
_INVERSE_M = const(1463)  # 1 / 0.7, in 1/1024
_M = const(179)  # 0.7, in 1/256
_MIN_GAIN = const(293)  # v / 0.7 in 1/512: v = 0.4
_MAX_GAIN = const(3657)  # v = 5
# 30, 50, 75, 100, 130, 160, 200, 250, 300, 360 ms in 1/32768 s
_DELAYS = array("H", (983, 1638, 2458, 3277, 4260, 5243, 6554, 8192, 9830, 11796))


@micropython.viper
def add_step(s: ptr32, bins: ptr16, dt: int, opening: int, torque: int, speed: int):
    """A step's values hold over its time; a bin that this fills is stored, the rest begins the next."""
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
        bins[n] = x
        bins[_SPEEDS + n] = (s[_SPEED_SUM] + speed * left) // time
        bins[_OPENINGS + n] = (s[_OPENING_SUM] + opening * left) // time
        s[_COUNT] = n + 1
        s[_TORQUE_SUM] = 0
        s[_SPEED_SUM] = 0
        s[_OPENING_SUM] = 0
        dt -= left
        left = time
    s[_LEFT] = left - dt
    s[_TORQUE_SUM] += torque * dt
    s[_SPEED_SUM] += speed * dt
    s[_OPENING_SUM] += opening * dt


@micropython.viper
def respond(rate: ptr16, factor: int, x: ptr32, out: ptr32, n: int, sign: int):
    """Means over each bin of a first-order low-pass of `x`, which is constant in a bin and begins steady.

    `rate` is rate times time of a bin, 1/32768, for the lowest fill rate; `factor` the fill rate against
    that, 1/256.  With a = rate x time: (1 - exp(-a)) / a = 1 / (1 + a/2 + a**2/12) to 1 % below a = 2.
    """
    y = (x[0] << sign >> sign) << 4
    i = 0
    while i < n:
        a = int(rate[i]) * factor >> 11
        if a > _MAX_RATE:
            a = _MAX_RATE
        share = 67108864 // (4096 + (a >> 1) + (a * a >> 12) // 12)
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
def sum_up(y: ptr32, by_speed: ptr32, by_valve: ptr32, late: int, gain: int, sums: ptr32, n: int, sign: int):
    """Sums of squares and products: what the valve must explain, and its part, `late` by 1/256 of a bin.

    With a gain (1/512): the sum of squares of what it leaves.
    """
    part = late & 255
    late >>= 8
    yy = 0
    xy = 0
    xx = 0
    i = _SKIP
    while i < n:
        a = (y[i] << sign >> sign) + ((by_speed[i] << sign >> sign) * _INVERSE_M >> 10)
        b = by_valve[i - late] << sign >> sign
        b += ((by_valve[i - late - 1] << sign >> sign) - b) * part >> 8
        a -= b * gain >> 9
        if a > _MAX_PART:
            a = _MAX_PART
        elif a < -_MAX_PART:
            a = -_MAX_PART
        yy += a * a
        xy += a * b
        xx += b * b
        i += 1
    sums[0] = yy
    sums[1] = xy
    sums[2] = xx


class RampRecord:
    """Torque, speed and opening over a ramp: means over equal times, at most 160."""

    def __init__(self):
        self.bins = array("H", bytearray(2 * 3 * _BINS))  # half mN.m, half rpm, 1/16384
        self._s = array("i", (0, 0, 0, WORD_BITS - 32, 0, 0, 0))
        self.restart(0)

    def restart(self, sweep_ms):
        """Forget all; bins of 62.5 ms, longer where the sweep takes longer than 150 of them."""
        s = self._s
        s[_COUNT] = s[_TORQUE_SUM] = s[_SPEED_SUM] = s[_OPENING_SUM] = 0
        s[_BIN] = s[_LEFT] = min(max(sweep_ms * 2048 // 9375, _BIN_TIME), _MAX_BIN_TIME)

    @micropython.native
    def add(self, dt_q15, opening, torque_mNm, half_rpm):
        """A control step: means of the `dt_q15` (1/32768 s) up to it; the opening with the leak's part."""
        add_step(self._s, self.bins, dt_q15, opening, torque_mNm, half_rpm)


def _series(n):
    return array("i", bytearray(4 * n))


def _logarithms(bins, n, series):
    """Fill `series` with ln z, ln u, ln w against the middle bin; yields as `identify`."""
    for i in range(-1, n):
        k = i if i >= 0 else n >> 1
        w = log2_x1024(bins[_SPEEDS + k], LOG2)
        u = log2_x1024(max(bins[_OPENINGS + k], _MIN_OPENING), LOG2)
        t = log2_x1024(max(bins[k], _MIN_TORQUE), LOG2) - 2 * w
        if i < 0:
            middle = (t, u, w)
        else:
            for j, x in enumerate((t, u, w)):
                series[j][i] = clip((x - middle[j]) * 4, _MAX_LOG)
        if i & 15 == 15:
            yield True


def _usable(bins, n):
    weak = 0
    for i in range(n):
        if bins[i] < _MIN_TORQUE:
            weak += 1
        if bins[_SPEEDS + i] < _MIN_SPEED:
            return False
    return n >= _MIN_BINS and weak <= n >> 3


def _root_of_share(part, whole, one):
    """one x sqrt(part / whole), 0 .. 32767; one up to 256."""
    while whole >= 16384 or part >= 16384:
        part >>= 1
        whole >>= 1
    return isqrt(min((part << 16) // (whole or 1), (1 << 29) - 1)) * one >> 8


def identify(record, delay, low_half_rpm):
    """Generator: True after each piece of the work, at last the result or None.

    `delay` in 1/32768 s is taken as known; 0: it is found too.  `low_half_rpm`: the ramp's lowest speed.
    The result: fill rate there (1/256 1/s), valve exponent v (1/256), delay (1/32768 s); standard
    uncertainties of ln(fill rate) and ln v (1/256) and of the delay (1/32768 s; 0 where it was known);
    what the model leaves of ln z after the high-pass, rms (1/256).  None where the record has fewer than 60
    bins, hardly any torque or an opening that hardly moves.
    """
    bins = record.bins
    n = record._s[_COUNT]
    time = record._s[_BIN]
    sign = WORD_BITS - 32
    if not _usable(bins, n):
        yield None
        return
    yield True
    y, u, w, by_valve, by_speed, mean = [_series(n) for _ in range(6)]
    for more in _logarithms(bins, n, (y, u, w)):
        yield more
    k = (time << 14) // (_LOW_PASS + (time >> 1))
    for i in range(n):
        by_valve[i] = y[i]
    high_pass(by_valve, mean, k, n, sign)
    yield True
    low = 0
    for i in range(n):
        if w[i] < w[low]:
            low = i
    # rate x time of a bin for the lowest fill rate of the grid
    rate = array("H", bytearray(2 * n))
    base = log2_x1024(time, LOG2) + _LOG_M_RATE
    base += log2_x1024(bins[_SPEEDS + low], LOG2) - log2_x1024(max(low_half_rpm, _MIN_SPEED), LOG2)
    for i in range(n):
        x = base + (w[i] - w[low] >> 2) - (mean[i] - mean[low]) * 77 // 1024
        rate[i] = exp2_x1024(min(max(x, 0), 15359), EXP2)
        if i & 31 == 31:
            yield True
    k = (time << 14) // (_HIGH_PASS + (time >> 1))
    high_pass(y, mean, k, n, sign)
    sums = array("i", (0, 0, 0))
    sum_up(y, by_speed, by_valve, 0, 0, sums, n, sign)  # by_speed is still zero
    power = sums[0]
    for i in range(n):
        by_valve[i] = u[i]
    high_pass(by_valve, mean, k, n, sign)
    sum_up(y, by_speed, by_valve, 0, 0, sums, n, sign)
    if sums[2] < n * _MIN_SWING * _MIN_SWING:
        yield None
        return
    yield True
    delays = array("H", (delay,)) if delay > 0 else _DELAYS
    count = len(delays)
    left = _series(_RATES * count)
    gains = array("H", bytearray(2 * _RATES * count))
    best = 0
    cell = 0
    for j in range(_RATES):
        x = exp2_x1024(8192 + j * _RATE_STEP, EXP2)
        respond(rate, x, u, by_valve, n, sign)
        high_pass(by_valve, mean, k, n, sign)
        yield True
        respond(rate, x, w, by_speed, n, sign)
        high_pass(by_speed, mean, k, n, sign)
        yield True
        for late in delays:
            late = min((late << 8) // time, (_SKIP - 1) * 256)
            sum_up(y, by_speed, by_valve, late, 0, sums, n, sign)
            x, swing = sums[1], sums[2]
            while x >= 1048576 or swing >= 1048576:
                x >>= 1
                swing >>= 1
            x = min(max((max(x, 0) << 9) // (swing or 1), _MIN_GAIN), _MAX_GAIN)
            gains[cell] = x
            sum_up(y, by_speed, by_valve, late, x, sums, n, sign)
            left[cell] = sums[0]
            if sums[0] < left[best]:
                best = cell
                swing_best = sums[2]
            elif cell == 0:
                swing_best = sums[2]
            cell += 1
            yield True
    # what rounding leaves is no knowledge
    least = max(left[best], n)
    share = _root_of_share(least, power, 256)
    own = _root_of_share(4 * least // n, swing_best, 256) * 512 // gains[best]  # of v at one cell, 1/256
    x = least
    shift = 0
    while x >= 4096:
        x >>= 1
        shift += 1
    total = 0
    for cell in range(len(left)):
        excess = max(left[cell] - least, 0) >> shift
        weight = 0
        if excess <= x:
            excess = excess * n * 185 // x
            if excess < 10240:
                weight = exp2_x1024(10240 - excess, EXP2)
        left[cell] = weight
        total += weight
    yield True
    middle = best // count, delays[best % count], log2_x1024(gains[best], LOG2)
    found = []
    for kind in range(3):
        first = second = 0
        for cell in range(len(left)):
            weight = (left[cell] << 14) // total
            if weight:
                if kind == 0:
                    x = (cell // count - middle[0]) * _RATE_STEP
                elif kind == 1:
                    x = delays[cell % count] - middle[1]
                else:
                    x = log2_x1024(gains[cell], LOG2) - middle[2]
                first += weight * x
                second += (weight * x >> 12) * x >> 2
        first >>= 14
        found.append((first, max(second - first * first, 0)))
        yield True
    x = exp2_x1024(_LOG_MIN_RATE + middle[0] * _RATE_STEP + found[0][0], EXP2)
    v = exp2_x1024(middle[2] + found[2][0], EXP2) * _M >> 9
    late = middle[1] + found[1][0]
    # the grid's own steps: the answer lies anywhere in its cell
    rate_sd = isqrt(found[0][1] + _RATE_STEP * _RATE_STEP // 12) * 710 >> 12
    v_sd = isqrt((isqrt(found[2][1]) * 710 >> 12) ** 2 + own * own)
    late_sd = 0
    if count > 1:
        late_sd = isqrt(found[1][1] + late * late // 192)  # cells are a quarter of the delay
    yield x, v, late, rate_sd, v_sd, late_sd, share
