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
Integers below 2**30 only.  Runs in MicroPython and CPython alike.  Loaded for the fit and forgotten after it
(`Sweep.measure`), so no machine code here: what a port loads of that it keeps for ever.
"""

from array import array

from .native import WORD_BITS, const
from .ramp_record import correlate, follow, high_pass
from .speed_loop import EXP2, LOG2, exp2_x1024, log2_x1024
from .valve_map import clip, isqrt

_SPEEDS = const(160)  # as in ramp_record
_OPENINGS = const(320)
_MIN_BINS = const(60)
_COUNT = const(0)  # as in ramp_record
_BIN = const(1)

# places in the sums, as in ramp_record
_LEFT_SQUARES = const(0)  # of what the valve must explain, or of what it leaves
_PRODUCTS = const(1)
_VALVE_SQUARES = const(2)
_LEAST = const(3)  # least of the first in a search, and the third of that place
_LEAST_SWING = const(4)

_MIN_TORQUE = const(10)  # half mN.m: at most an eighth of the bins may have less
_MIN_SPEED = const(1000)  # half rpm
_ZERO_FLOW = const(492)  # as in speed_loop: opening that stands for the leak
_MAX_LOG = const(28672)  # 7 octaves: what a series may be off its middle
_MIN_SWING = const(15)  # rms of ln opening after the high-pass, 0.5 %, for a fit
_MAX_LATE = const(1792)  # seven bins, in 1/256 of one
_HIGH_PASS = const(49152)  # 1.5 s, 1/32768 s
_LOW_PASS = const(12616)  # 0.385 s: of z in the rate
# fill rates go by 1024 log2 of 256 times what they are against 0.8 1/s
_RATES = const(11)  # of the first grid, from 0.8 1/s, each sqrt(2) times the one before
_FIRST_RATE = const(8192)
_RATE_STEP = const(512)
_LOG_RATE = const(-332)  # 1024 log2 0.8
_MIN_RATE_LOG = const(7168)  # 0.4 1/s
_MAX_RATE_LOG = const(14336)  # 51 1/s
_MIN_DELAY = const(328)  # 10 ms
_MAX_DELAY = const(14336)  # 437 ms: seven bins
# what bins and a rate from measured torque leave of a first-order plant without noise
_RATE_SD = const(18)  # 7 % of the fill rate, ln in 1/256
_V_SD = const(5)  # 2 %
_DELAY_SD = const(98)  # 3 ms
_MIN_STEP = const(32)  # 2 % of the rate, 1 ms
_LOG_M_RATE = const(-857)  # 1024 log2 (0.7 x 0.8)
_M = const(179)  # 0.7, in 1/256
_MIN_GAIN = const(293)  # v / 0.7 in 1/512: v = 0.4
_MAX_GAIN = const(3657)  # v = 5


def weigh(losses, least, n):
    """Residual sums of squares to weights exp(-(J - least) n / (8 least)); their sum is about 16384."""
    shift = 0
    while least >> shift >= 4096:
        shift += 1
    unit = least >> shift
    total = 0
    for i in range(len(losses)):
        x = max((losses[i] - least) >> shift, 0)
        w = 0
        if x <= unit:
            x = 10240 - x * n * 185 // unit  # log2(e) / 8, times 1024; the largest weight is 1024
            if x > 0:
                w = exp2_x1024(x, EXP2)
        losses[i] = w
        total += w
    for i in range(len(losses)):
        losses[i] = (losses[i] << 14) // total


def _fill(values, n, time, low_half_rpm, data):
    """ln z, ln u, ln w against the middle bin; rate x time of a bin for the lowest fill rate, 1/32768.

    Yields as `measure`.
    """
    z, u, w, rate, smooth, mean = data
    low = 0
    for i in range(-1, n):
        k = i if i >= 0 else n >> 1
        a = log2_x1024(values[_SPEEDS + k], LOG2)
        b = log2_x1024(values[_OPENINGS + k] + _ZERO_FLOW, LOG2)
        c = log2_x1024(max(values[k], _MIN_TORQUE), LOG2) - 2 * a
        if i < 0:
            speed, opening, at = a, b, c
            continue
        w[i] = clip(a - speed << 2, _MAX_LOG)
        u[i] = clip(b - opening << 2, _MAX_LOG)
        z[i] = smooth[i] = clip(c - at << 2, _MAX_LOG)
        if w[i] < w[low]:
            low = i
        if i & 7 == 7:
            yield True
    high_pass(smooth, mean, (time << 14) // (_LOW_PASS + (time >> 1)), n, WORD_BITS - 32)
    yield True
    a = log2_x1024(time, LOG2) + _LOG_M_RATE
    a += log2_x1024(values[_SPEEDS + low], LOG2) - log2_x1024(max(low_half_rpm, _MIN_SPEED), LOG2)
    for i in range(n):
        b = a + (w[i] - w[low] >> 2) - (mean[i] - mean[low]) * 77 // 1024
        rate[i] = exp2_x1024(min(max(b, 0), 15359), EXP2)
        if i & 15 == 15:
            yield True


def _has_torque(values, n):
    """Enough bins, torque in all but an eighth, and speed in all."""
    weak = 0
    for i in range(n):
        if values[i] < _MIN_TORQUE:
            weak += 1
        if values[_SPEEDS + i] < _MIN_SPEED:
            return False
    return n >= _MIN_BINS and weak <= n >> 3


def _divide(n, d):
    """256 x sqrt(n / d), 0 .. 32767."""
    while d >= 16384 or n >= 16384:
        n >>= 1
        d >>= 1
    return isqrt((n << 16) // (d or 1))


def _scan(n, time, data, losses, entries):
    """Residual sum of squares and v for each rate and delay; yields as `measure`."""
    rates, delays, (y, u, w, rate, by_speed, by_valve, mean, sums) = data
    sign = WORD_BITS - 32
    k = (time << 14) // (_HIGH_PASS + (time >> 1))
    cell = 0
    for factor in rates:
        factor = exp2_x1024(factor, EXP2)
        follow(rate, factor, u, by_valve, n, sign)
        high_pass(by_valve, mean, k, n, sign)
        yield True
        follow(rate, factor, w, by_speed, n, sign)
        high_pass(by_speed, mean, k, n, sign)
        yield True
        for late in delays:
            late = min((late << 8) // time, _MAX_LATE)
            correlate(y, by_speed, by_valve, late, 0, sums, n, sign)
            x, swing = max(sums[_PRODUCTS], 0), sums[_VALVE_SQUARES]
            while x >= 1048576 or swing >= 1048576:
                x >>= 1
                swing >>= 1
            x = min(max((x << 9) // (swing or 1), _MIN_GAIN), _MAX_GAIN)
            correlate(y, by_speed, by_valve, late, x, sums, n, sign)
            entries[cell] = log2_x1024(x, LOG2)
            losses[cell] = x = sums[_LEFT_SQUARES]
            if cell == 0 or x < sums[_LEAST]:
                sums[_LEAST] = x
                sums[_LEAST_SWING] = sums[_VALVE_SQUARES]
            cell += 1
            yield True


def _find(w, values, each, step):
    """Mean and standard deviation of values by the cells' weights; they lie anywhere in cells `step` wide.

    Cell i has value i // each, modulo their number.
    """
    count = len(values)
    total = 0
    mean = 0
    for i in range(len(w)):
        total += w[i]
        mean += w[i] * values[i // each % count] >> 4
    mean = (mean << 4) // total
    most = max([abs(x - mean) for x in values])
    shift = 0
    while most >> shift >= 1024:
        shift += 1
    square = 0
    for i in range(len(w)):
        x = abs(values[i // each % count] - mean) >> shift
        square += (w[i] * x >> 4) * x
    return mean, isqrt(square // (total >> 4) + (step * step // 12 >> 2 * shift)) << shift


def _span(at, step, low, high):
    """Nine values about `at`, without those out of bounds."""
    return [x for x in range(at - 4 * step, at + 4 * step + 1, step) if low <= x <= high]


def solve(n, time, delay, size, data):
    """The result, from the least squares over the whole grid and over a fine one about what that shows.

    `size`: sum of squares of ln z after the high-pass.  Yields as `measure`.
    """
    sums = data[-1]
    rates, rate_step = range(_FIRST_RATE, _FIRST_RATE + _RATES * _RATE_STEP, _RATE_STEP), _RATE_STEP
    # 30, 50, 75, 100, 130, 160, 200, 250, 300, 360 ms
    delays, delay_step = [983, 1638, 2458, 3277, 4260, 5243, 6554, 8192, 9830, 11796], 0
    if delay > 0:
        delays = [delay]
    for fine in range(2):
        if fine:
            rate_step = max(rate_sd >> 1, _MIN_STEP)
            rates = _span(rate_log, rate_step, _MIN_RATE_LOG, _MAX_RATE_LOG)
            if delay <= 0:
                delay_step = max(late_sd >> 1, _MIN_STEP)
                delays = _span(late, delay_step, _MIN_DELAY, _MAX_DELAY)
        losses = array("i", bytearray(4 * len(rates) * len(delays)))
        entries = array("H", bytearray(2 * len(losses)))
        yield from _scan(n, time, (rates, delays, data), losses, entries)
        weigh(losses, max(sums[_LEAST], n), n)  # what rounding leaves is no knowledge
        yield True
        rate_log, rate_sd = _find(losses, rates, len(delays), rate_step)
        yield True
        late, late_sd = _find(losses, delays, 1, delay_step)
        if delay <= 0 and not fine:
            late_sd = max(late_sd, (late >> 3) + 66)  # cells are about a quarter of the delay
        yield True
    gain, gain_sd = _find(losses, entries, 1, 0)
    gain_sd = gain_sd * 710 >> 12  # ln, 1/256
    gain = exp2_x1024(gain, EXP2)
    least = max(sums[_LEAST], n)
    own = (_divide(least // (n >> 2), sums[_LEAST_SWING]) << 9) // gain  # of v in one cell, 1/256
    yield (
        exp2_x1024(rate_log + _LOG_RATE, EXP2),
        gain * _M >> 9,
        late,
        isqrt((rate_sd * 710 >> 12) ** 2 + _RATE_SD * _RATE_SD),
        isqrt(gain_sd * gain_sd + own * own + _V_SD * _V_SD),
        0 if delay > 0 else isqrt(late_sd * late_sd + _DELAY_SD * _DELAY_SD),
        _divide(least, size),
    )


def measure(ramp, delay, low_half_rpm):
    """Generator: True after each piece of the work on the record of a ramp, at last the result or None.

    `delay` in 1/32768 s is taken as known; 0: it is found too.  `low_half_rpm`: the ramp's lowest speed.
    The result: fill rate there (1/256 1/s), valve exponent v (1/256), delay (1/32768 s); standard
    uncertainties of ln(fill rate) and ln v (1/256) and of the delay (1/32768 s; 0 where it was known);
    what the model leaves of ln z after the high-pass, rms (1/256).  None where the record has fewer than 60
    bins, hardly any torque or an opening that hardly moves.
    """
    values, n, time = ramp[1], ramp[0][_COUNT], ramp[0][_BIN]
    if not _has_torque(values, n):
        yield None
        return
    yield True
    y, u, w, by_speed, by_valve, mean = [array("i", bytearray(4 * n)) for _ in range(6)]
    rate = array("H", bytearray(2 * n))
    sums = array("i", (0, 0, 0, 0, 0))
    yield from _fill(values, n, time, low_half_rpm, (y, u, w, rate, by_valve, mean))
    series = y, u, w, rate, by_speed, by_valve, mean, sums
    for i in range(n):
        by_valve[i] = u[i]
    yield True
    k = (time << 14) // (_HIGH_PASS + (time >> 1))
    high_pass(y, mean, k, n, WORD_BITS - 32)
    high_pass(by_valve, mean, k, n, WORD_BITS - 32)
    correlate(y, by_speed, by_valve, 0, 0, sums, n, WORD_BITS - 32)  # by_speed is still zero
    size = sums[_LEFT_SQUARES]
    if sums[_VALVE_SQUARES] < n * _MIN_SWING * _MIN_SWING:
        yield None
        return
    yield True
    yield from solve(n, time, delay, size, series)
