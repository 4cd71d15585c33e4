"""The speed loop of a sweep: what one load sample does to the valve.

All state is one `array("i")`, so that the functions are machine code over it
(`micropython.viper`): pure integers, no allocation, every intermediate below 2**30.
`sweep.Sweep` keeps the stages and calls them in this order at each control step
(DEVELOPERS.md, "Speed loop", has the block diagram and the plant model):

    take_sample             load samples to a control step; acceleration of the shaft
    estimate_engine_torque  brake torque + inertia x acceleration
    estimate_exponent       d ln(engine torque) / d ln(speed)
    ramp_set_point          set point on the ramp (outside it the stage gives the set point)
    lookup_speed            speed to look up the learned map at
    control_error           relative error and its rate; shaft rate; self-regulation
    relative_changes        of fill and opening, high-passed
    correlate               the one with the other, 0 to 24 steps late
    estimate_delay          where the correlation is highest
    estimate_valve_gain     gain from valve to fill at that delay
    notice_hunting          an error that swings to and fro: the delay is longer
    set_bandwidth           crossover that the delay allows
    feedforward_opening     feedforward before a map is learned
    estimate_flow_exponent  how flow follows the opening, for that feedforward
    predict                 what error and rate do within the delay, by the corrections under way
    proportional_derivative P and D terms
    cancel_ripple           resonant term at the frequency of the supply's ripple
    control_law             feedforward x integral x (1 + P + D + ripple); integral term
    detune                  gain divisor from the valve's activity: hunting lowers the gains
    servo_pulse             saturation, backlash compensation, slew model; pulse in us
    note_tracking           tracking error, saturation times, end of the ramp

Runs in MicroPython and CPython alike.
"""

from array import array

from .native import WORD_BITS, const, micropython, ptr16, ptr32

FULL = const(16384)  # valve fully open
_ZERO_FLOW = const(492)  # opening that stands for the leak, 1/16384: 3 %
_OPEN_LIMIT = const(1)  # codes.TRACE_BITS
_SHUT_LIMIT = const(2)
_SLEWING = const(4)
_IN_SWEEP = const(8)
_UNITY = const(1 << 23)
_DEFAULT_DELAY = const(1638)  # 50 ms, 1/32768 s
_SURE = const(3)
MIN_DELAY = const(656)  # 20 ms
MAX_DELAY = const(9830)  # 300 ms
_MAX_DELAY_STEPS = const(24)
_TORQUE_LATE = const(246)  # 7.5 ms: torque is seen so much later than speed

# --- places in the state; those without an underscore serve sweep.py too, the others take no RAM ---

_TICK = const(0)  # of the last step
_TORQUE_SUM = const(1)  # torque of the samples since, mN.m
_SAMPLES = const(2)
_TORQUE = const(3)  # torque of this step, mN.m
_SPEED = const(4)  # speed now, half rpm
_DT = const(5)  # since the last step, 1/32768 s
_SPEED_1 = const(6)  # speeds of the steps before
_SPEED_2 = const(7)
_SPEED_3 = const(8)
_SPEED_4 = const(9)
_DT_1 = const(10)  # their times
_DT_2 = const(11)
_DT_3 = const(12)
_SPEED_RATE = const(13)  # change of speed over two steps, half rpm/s
_SPEED_RATE_4 = const(14)  # over four
_RAMP_RATE_NOW = const(15)  # what the set point does, half rpm/s
_SPEED_LOW_PASS = const(16)
_ENGINE_TORQUE = const(17)  # engine's torque at the brake, 1/4 mN.m
_ENGINE_TORQUE_SLOW = const(18)
_ENGINE_TORQUE_NOW = const(19)  # with its trend: what law and stages go by
_SPEED_VARIANCE = const(20)
_COVARIANCE = const(21)
_TORQUE_EXPONENT = const(22)  # n, how torque goes with speed, times 256
_BEGIN_SPEED = const(23)
_INERTIA_MANTISSA = const(24)  # inertia as mantissa and shift
_INERTIA_SHIFT = const(25)
_INERTIA = const(26)
_SET_POINT_16 = const(27)  # set point, 1/16 half rpm
_SET_POINT = const(28)
_ERROR = const(29)  # relative error, 1/32768
_ERROR_RATE = const(30)  # its rate, 1/4096 1/s
_SHAFT_RATE = const(31)  # T / (J w), 1/256 1/s
_SELF_REGULATION = const(32)  # 2 - n, times 256
_LOWEST_SPEED = const(33)
_VALVE_EXPONENT = const(34)  # v = d ln(flow) / d ln(opening), times 256
_OPENING = const(35)  # opening, 1/16384
_INTEGRAL = const(36)  # 1 + integral, times 2**23
_MIN_OPENING = const(37)  # lowest opening allowed
_OPENING_MEAN = const(38)  # over 0.4 s, times 256
_OPENING_LOW_PASS = const(39)
_DIRECTION = const(40)
_SERVO_MODEL = const(41)  # where the servo is by its own speed
_PULSE_US = const(42)  # its pulse
_FLAGS = const(43)
_SHUT_US = const(44)
_SPAN_US = const(45)
_HALF_BACKLASH = const(46)
_SLEW_LIMIT = const(47)
_START_SPEED = const(48)  # of the line, half rpm
_END_SPEED = const(49)
_SWEEP_TIME = const(50)  # its time, 1024 us
_START_TICK = const(51)
_RAMP_RATE = const(52)  # half rpm/s
_VALVE_GAIN = const(53)  # answer of the fill against the assumed one, times 256
_PRIOR_VALVE_GAIN = const(54)  # that of earlier runs
_INFLOW_POWER = const(55)
_PROBING = const(56)  # 1 while the probe is on the opening and just after
_GAIN_STEPS = const(57)
_GAIN_TORQUE = const(58)
_GAIN_SPEED = const(59)
_GAIN_OPENING = const(60)
_FILL_DRIFT = const(61)
_OPENING_DRIFT = const(62)
_HISTORY_INDEX = const(63)
_ACTIVITY = const(64)  # mean square of the relative correction, 65536 is 1
_GAIN_DIVISOR = const(65)  # gains are divided by this; 65536 is 1
_RIPPLE_MHZ = const(66)  # of the water supply, mHz; 0: none known
_RIPPLE_PHASE = const(67)
_RIPPLE_IN_PHASE = const(68)
_RIPPLE_QUADRATURE = const(69)
_RIPPLE_TERM = const(70)  # against the ripple, 1/4096
_CORRECTION = const(71)  # the relative correction, 1/4096
_SQUARES_LOW = const(72)  # squares of the error
_SQUARES_HIGH = const(73)
_STEPS = const(74)
_WORST_ERROR = const(75)
_FULL_OPEN_TICKS = const(76)
_SHUT_TICKS = const(77)
_VALVE_GAIN_SUM = const(78)
_SIGN_SHIFT = const(79)  # 32 where words have 64 bits, else 0: `x << sign >> sign` gives a read its sign
_FILL_HISTORY = const(80)  # 8: relative changes of the fill, 1/4096
_OPENING_HISTORY = const(88)  # 4: of the opening
_BANDWIDTH = const(92)  # crossover that the dead time allows, against the 11.2 1/s of the gains, times 256
_DELAY = const(93)  # from the command to the torque as measured, 1/32768 s
_DELAY_SEEN = const(94)  # how often the correlation has told it in this sweep; _SURE: sure, or learned
_FILL_POWER = const(95)
_GAIN = const(96)  # of P and D: the lower of _BANDWIDTH and what the gain divisor leaves, times 256
_CORRECTION_MEAN = const(97)  # of the relative correction over 0.5 s, times 16
_ENGINE_TORQUE_BASE = const(98)  # engine's torque that the feedforward goes by
_LINE_OFFSET = const(99)  # speed less set point, mean of some 0.25 s, 1/16 half rpm
_TORQUE_TREND = const(100)  # _ENGINE_TORQUE less _ENGINE_TORQUE_SLOW before its step
_INFLOW_HISTORY = const(101)  # 32: inflow that the openings of four steps make
_CORRELATION = const(133)  # 25: of inflow and change of the fill, by steps of delay
_WAVE_SIGN = const(158)  # half-wave of the error: its sign
_WAVE_TIME = const(159)  # how long it lasts, 1/32768 s
_WAVE_PEAK = const(160)  # its peak, 1/32768
_LAST_TIME = const(161)  # of the half-wave before
_LAST_PEAK = const(162)
_WAVES = const(163)  # half-waves in a row that look like hunting
_WEAK_TICKS = const(164)  # fully open and still too fast
_SEEN_AGE = const(165)  # estimates since the correlation last told the delay
_INERTIA_SURE = const(166)  # 1: measured, in this sweep or before
_OVER_STEPS = const(179)  # for which the speed has been past the end
_LOG_FEEDFORWARD = const(180)  # log2 of opening + leak before a map is learned, 1/2**18
_LOG_FLOW = const(181)  # log2 of the flow that the set point takes, 1/2**14, by whatever unit
_LOG_FLOW_RATE = const(182)  # its rate, low-pass of 1 s, 1/2**17 1/s
_FLOW_SEEN = const(183)  # log2 of the flow that the brake shows, mean of 1.6 s, 1/2**16
_OPENING_SEEN = const(184)  # log2 of the opening, the same mean
_FLOW_VARIANCE = const(185)  # about these means, 1/2**24
_FLOW_COVARIANCE = const(186)  # of flow and opening
_FLOW_EXPONENT = const(187)  # that the feedforward goes by, times 256
_AHEAD_FILL = const(188)  # change within the delay by the model: of the relative fill, 1/65536
_AHEAD_ERROR = const(189)  # of the relative error, 1/2**20
_AHEAD_RATE = const(190)  # of its rate, 1/4096 1/s
_CORRECTION_HISTORY = const(191)  # 32: corrections, integral and all, 1/4096
SIZE = 223  # 167 to 178 are sweep.py's

_MASK = const(0x3FFFFFFF)
_STEP_TICKS = const(36000)  # samples closer than 9 ms are averaged: the servo takes 50 a second
_MAX_SPEED_AGE_TICKS = const(240000)  # 60 ms; an older speed is taken as it is
_MAX_TORQUE = const(131071)
_U16 = const(65535)  # widest unsigned number of 16 bits
_Q15 = const(32767)  # widest number in 1/32768, either way
_ONE_Q8 = const(256)  # one, in 1/256
_ONE_Q12 = const(4096)  # one, in 1/4096
_MAX_RATE = const(131071)  # half rpm/s, or quarters of mN.m: keeps products below 2**30
_MAX_STEP_SAMPLES = const(64)
_MAX_STEP_TICKS = const(400000)  # 100 ms: a longer gap counts as that
_MIN_STEP_TICKS = const(1000)  # 0.25 ms: a shorter one counts as that; nothing divides by a time of 0
_DT_PER_TICK_Q17 = const(1074)  # 1/32768 s in a tick of 0.25 us, times 2**17
_MIN_SPEED = const(1000)  # half rpm: below it there is no speed to go by
_MIN_SET_POINT = const(512)  # half rpm
_MIN_TORQUE = const(50)  # mN.m
_MIN_TORQUE_X4 = const(80)  # 1/4 mN.m
_MAX_TORQUE_X4 = const(524287)
_SLOW_LOOP = const(160)  # _BANDWIDTH below which the loop is slow: 7 1/s
_MIDDLING_LOOP = const(128)  # 5.6 1/s
_PROBE_BANDWIDTH = const(96)  # 4.2 1/s while the probe runs
_UNSURE_BANDWIDTH = const(80)  # 3.5 1/s while the delay is not known
_SHORTEST_DELAY_GAIN = const(566400)  # _BANDWIDTH x delay: 11.2 1/s at 75 ms
_LEAST_BANDWIDTH = const(120)  # 5.3 1/s once the delay is known
_DETUNED = const(80000)  # gain divisor over which the valve counts as hunting: 1.22
_MIN_SHAFT_RATE = const(31)  # 0.12 1/s
_MAX_SHAFT_RATE = const(3840)  # 15 1/s
_MIN_REGULATION = const(102)  # 2 - n, times 256: 0.4
_MAX_REGULATION = const(1536)  # 6
_MAX_REGULATION_SLOW = const(640)  # 2.5, in a slow loop
_MIN_REGULATION_P = const(320)  # 1.25: least that P goes by
_MAX_EXPONENT = const(16383)
_MAX_TREND = const(2047)
_MAX_CHANGE = const(8191)  # 2, in 1/4096
_MAX_INFLOW = const(1500)  # a sum of 128 squares must fit
_SETTLED_STEPS = const(20)  # of the high-pass
_HIGH_PASS = const(2000)  # 61 ms, 1/32768 s
_PRIOR_WEIGHT = const(75)  # of the valve gain of earlier runs, as the sums have it
_MIN_CORRELATION = const(711)  # 256 / 0.6 ** 2
_MIN_VALVE_GAIN = const(160)  # 0.6
_WAVE_ERROR = const(164)  # 0.5 %: what begins a half-wave
_WAVE_MIN_PEAK = const(820)  # 2.5 %
_WAVE_WILD_PEAK = const(2621)  # 8 %
_WAVE_MIN_TIME = const(4915)  # 0.15 s
_WAVE_MAX_TIME = const(3529472)  # times _BANDWIDTH: 1.5 pi over the crossover
_MAX_SEEN_AGE = const(100)
_MAX_CORRECTION = const(6144)  # + 1.5
_MIN_CORRECTION = const(-3686)  # - 0.9
_FILL_STEP = const(171)  # 5.35 1/s: fill rate that the gains assume, 1/4096, over 1/32768 s, times 256
_OUTFLOW_EXPONENT = const(179)  # m = 0.7, times 256
_MAX_AHEAD_ERROR = const(262143)  # a quarter
_MIN_SPEED_SHARE = const(64)  # a quarter: least of lowest speed over set point
_PREDICT_FROM = const(256)  # 2 - n, times 256: 1, up to which nothing is predicted
_PREDICT_SPAN = const(192)  # and 0.75 above it all
_RIPPLE_TURN = const(32768000)  # mHz x 1/32768 s
_RIPPLE_TURN_64TH = const(512000)
_RIPPLE_MAX_STEP = const(328)  # 0.08
_RIPPLE_MAX_AMPLITUDE = const(157286)
_SINE_ZERO = const(16384)  # of the table
_QUARTER_TURN = const(16)  # 64ths
_TURN_MASK = const(63)
_MAX_PRODUCT = const((1 << 27) - 1)
_UNIT_DIVISOR = const(65536)  # a gain divisor of one
_BACKLASH_STEP = const(49)  # 0.3 % of the travel: less is no change of direction
_MAX_ERROR_PARTS = const(5000)  # 50 %, in 1/10000
_MAX_TRACKED_STEPS = const(4000)
_MAX_OVER_STEPS = const(20)  # 0.25 s at 80 samples/s
_FLOW_TORQUE = const(717)  # flow goes as torque^0.7 speed^-0.4: in 1/1024
_FLOW_SPEED = const(410)
_MIN_FLOW_EXPONENT = const(256)  # 1: less swings where the engine's torque falls steeply with the speed
_MAX_FLOW_EXPONENT = const(820)  # 3.2
_MAX_LOG_OPENING = const(3932159)  # of 32767, in 1/2**18
_UNKNOWN_DELAY = const(3932)  # 0.12 s: what is expected where the delay is not known
_FILL_LAG = const(9503)  # 0.29 s at the ramp's lowest speed
_MAX_AHEAD = const(11800)  # a factor of 1.6
_SWING = const(820)  # 2.5 % to both sides
_EXPONENT_WEIGHT = const(349000)  # 0.01 of natural logarithms, as the sums have it

# Gains.  Plant in relative changes (shaft rate a = T/(J w), self-regulation k = 2 - n, fill rate A,
# outflow exponent m, valve exponent v):  dx/dt = -a (k x + y),  dy/dt = A (v u - m y).
# A controller that cancels both lags and leaves wc / s as the loop gain (pole-zero cancellation as in
# internal-model control) is
#     u = (wc / v) [ (m / a + k / A) e  +  (1 / (a A)) de/dt  +  k m integral(e dt) ]
# with wc = 11.2 1/s, m = 0.7.  A = 5 1/s at the ramp's lowest speed and grows with speed.
_P_SHAFT = const(2000 << 8)  # wc m = 7.8 1/s, times 256 x 256: over a (1/256 1/s) it is P, times 256
_P_FILL = const(500)  # wc / A = 1.95, no unit, times 256, at the lowest speed
_D_SHAFT = const(2300 << 10)  # wc / A = 2.25, no unit, times 2**20: a little more damping than the model asks
_I = const(1700)  # wc m = 6.6 1/s, times 256: a little less than the model asks, for the same reason
_MIN_SELF_REGULATION = const(
    180
)  # 0.7 x 256: least k for I; an engine that holds its load itself needs I more
_QUIET_ACTIVITY = const(2621)  # 0.2**2 x 65536: a valve that moves by 20 % rms about its mean is not hunting
_LATELY = const(20)  # estimates, 0.1 s each
_MIN_EXCITATION = const(20)  # half the mean square of the inflow, 1/4096 squared, for the delay to be seen
_MIN_INTEGRAL = const(1677721)
_MAX_INTEGRAL = const(33554432)

# sine of 64ths of a turn, 16384 (1 + sin)
SINE = array("H", [16384 + round(16384 * x) for x in (
    0.0, 0.0980171, 0.1950903, 0.2902847, 0.3826834, 0.4713967, 0.5555702, 0.6343933,
    0.7071068, 0.7730105, 0.8314696, 0.8819213, 0.9238795, 0.9569403, 0.9807853, 0.9951847,
)] + [0] * 48)  # fmt: skip
for _i in range(16, 33):
    SINE[_i] = SINE[32 - _i] if _i > 16 else 32768
for _i in range(33, 64):
    SINE[_i] = 32768 - SINE[_i - 32]


# log2 and exp2 of 16ths, 1024 and 16384 times
LOG2 = array("H", [round(1024 * x) for x in (
    0.0, 0.0874628, 0.169925, 0.2479275, 0.3219281, 0.3923174, 0.4594316, 0.5235620,
    0.5849625, 0.6438562, 0.7004397, 0.7548875, 0.8073549, 0.8579810, 0.9068906, 0.9541963, 1.0,
)])  # fmt: skip
EXP2 = array("H", [round(16384 * x) for x in (
    1.0, 1.0442738, 1.0905077, 1.1387886, 1.1892071, 1.2418578, 1.2968396, 1.3542555,
    1.4142136, 1.4768262, 1.5422108, 1.6104903, 1.6817928, 1.7562522, 1.8340081, 1.9152065, 1.9999390,
)])  # fmt: skip


@micropython.viper
def log2_x1024(x: int, table: ptr16) -> int:
    """1024 log2(x) of an integer 1 <= x < 2**28, to about 1 part in 1000; `table` is LOG2."""
    n = 15360
    while x >= 65536:
        x >>= 4
        n += 4096
    while x < 4096:
        x <<= 4
        n -= 4096
    while x < 32768:
        x <<= 1
        n -= 1024
    i = (x >> 11) - 16
    low = int(table[i])
    return n + low + ((int(table[i + 1]) - low) * (x & 2047) >> 11)


@micropython.viper
def exp2_x1024(n: int, table: ptr16) -> int:
    """2 ** (n / 1024) for 0 <= n < 15 * 1024, as an integer; `table` is EXP2."""
    i = (n & 1023) >> 6
    low = int(table[i])
    low += (int(table[i + 1]) - low) * (n & 63) >> 6
    return low >> (14 - (n >> 10))


@micropython.viper
def feedforward_opening(s: ptr32, acc: int, log2, exp2) -> int:  # over 60 lines: calls are dear here
    """Opening + leak for the flow that the engine's torque at the set point takes; the flow's change, ahead.

    Flow goes as speed x fill^0.7, fill as torque / speed^2: T^0.7 w^-0.4.  log2 and exp2 are the tables.
    Goes from what held the speed, at each step by the change of the flow over the valve exponent, so that
    a new exponent makes no jump.  Ahead by the delay and the fill's own lag: what is wanted of the water now
    had to be let in before.
    """
    sign = s[_SIGN_SHIFT]
    # the torque was measured off the set point: bring it there along the torque curve, or the feedforward
    # would undo the engine's self-regulation
    torque = s[_ENGINE_TORQUE_BASE]
    x = (s[_LINE_OFFSET] << sign >> sign) * (512 - s[_SELF_REGULATION]) // s[_SET_POINT]
    if x > 1024:
        x = 1024
    elif x < -1024:
        x = -1024
    torque -= (torque >> 4) * x >> 8
    torque -= (s[_INERTIA_MANTISSA] * acc >> s[_INERTIA_SHIFT]) << 2
    if torque < _MIN_TORQUE_X4:
        torque = _MIN_TORQUE_X4
    x = _FLOW_TORQUE * int(log2_x1024(torque, log2))
    x = x - _FLOW_SPEED * int(log2_x1024(s[_SET_POINT], log2)) >> 6
    d = x - (s[_LOG_FLOW] << sign >> sign)
    s[_LOG_FLOW] = x
    if d > _U16:
        d = _U16
    elif d < -_U16:
        d = -_U16
    slope = s[_FLOW_EXPONENT]
    u = s[_LOG_FEEDFORWARD] + (d << 12) // slope
    if u > _MAX_LOG_OPENING:
        u = _MAX_LOG_OPENING
    elif u < 0:
        u = 0
    s[_LOG_FEEDFORWARD] = u
    if d > 1023:
        d = 1023
    elif d < -1023:
        d = -1023
    dt = s[_DT]
    rate = s[_LOG_FLOW_RATE] << sign >> sign
    x = ((d << 18) // dt) - rate
    if x > _MAX_RATE:
        x = _MAX_RATE
    elif x < -_MAX_RATE:
        x = -_MAX_RATE
    rate += x * dt >> 15
    s[_LOG_FLOW_RATE] = rate
    x = s[_DELAY] if s[_DELAY_SEEN] >= _SURE else _UNKNOWN_DELAY
    x += _FILL_LAG * s[_LOWEST_SPEED] // s[_SET_POINT]
    x = (rate >> 3) * (x * 7 // 5) >> 15
    if x > _MAX_AHEAD:
        x = _MAX_AHEAD
    elif x < -_MAX_AHEAD:
        x = -_MAX_AHEAD
    u += (x << 12) // slope
    if u > _MAX_LOG_OPENING:
        u = _MAX_LOG_OPENING
    elif u < 0:
        u = 0
    return int(exp2_x1024(u >> 8, exp2))


def estimate_flow_exponent(s):
    """d ln(flow) / d ln(opening) along a first ramp, by least squares over its last seconds.

    Flow as the brake's torque and speed show it, against the mean opening of 0.4 s, which is late by about as
    much as the water.  It starts from the valve exponent expected, with the weight of a variance of 0.01 (of
    natural logarithms).  It holds what is off in the assumed exponents of the brake, too: so it is none of
    the gains'.  While the shaft swings it is the one expected, and nothing is ahead.  Called every eighth
    step: no machine code, which takes three times the memory.
    """
    if s[_WAVE_PEAK] > _SWING and s[_LAST_PEAK] > _SWING:
        s[_FLOW_EXPONENT] = s[_VALVE_EXPONENT]
        s[_LOG_FLOW_RATE] = 0
        return
    x = _FLOW_TORQUE * log2_x1024(max(s[_TORQUE], _MIN_TORQUE), LOG2)
    x = x - _FLOW_SPEED * log2_x1024(s[_SPEED], LOG2) >> 8
    y = log2_x1024((s[_OPENING_MEAN] >> 8) + _ZERO_FLOW, LOG2) << 2
    if not s[_OPENING_SEEN]:
        s[_FLOW_SEEN] = x << 4
        s[_OPENING_SEEN] = y << 4
    x = min(max(x - (s[_FLOW_SEEN] >> 4), -_MAX_CHANGE), _MAX_CHANGE)
    y = min(max(y - (s[_OPENING_SEEN] >> 4), -_MAX_CHANGE), _MAX_CHANGE)
    s[_FLOW_SEEN] += x
    s[_OPENING_SEEN] += y
    s[_FLOW_COVARIANCE] += x * y - s[_FLOW_COVARIANCE] >> 4
    s[_FLOW_VARIANCE] += x * x - s[_FLOW_VARIANCE] >> 4
    y = s[_FLOW_COVARIANCE] + (_EXPONENT_WEIGHT << 8) // s[_VALVE_EXPONENT] >> 6
    x = (s[_FLOW_VARIANCE] + _EXPONENT_WEIGHT >> 6 << 8) // max(y, 1)
    s[_FLOW_EXPONENT] = min(max(x, _MIN_FLOW_EXPONENT), _MAX_FLOW_EXPONENT)


@micropython.viper
def take_sample(s: ptr32, tick: int, w: int, t: int, speed_tick: int) -> int:
    """Take a sample (w half rpm, t mN.m); ticks since the last step when this makes one, else 0."""
    sign = s[_SIGN_SHIFT]
    d = (tick - s[_TICK]) & _MASK
    if d >= 1 << 29:
        return 0  # older than what was seen
    if t > _MAX_TORQUE:
        t = _MAX_TORQUE
    elif t < -_MAX_TORQUE:
        t = -_MAX_TORQUE
    s[_TORQUE_SUM] += t
    n = s[_SAMPLES] + 1
    s[_SAMPLES] = n
    if d < _STEP_TICKS and n < _MAX_STEP_SAMPLES:
        return 0
    t = (s[_TORQUE_SUM] << sign >> sign) // n
    s[_TORQUE_SUM] = 0
    s[_SAMPLES] = 0
    s[_TICK] = tick
    if d > _MAX_STEP_TICKS:
        d = _MAX_STEP_TICKS
    elif d < _MIN_STEP_TICKS:
        d = _MIN_STEP_TICKS
    if w < _MIN_SPEED:  # keep the load as it is; the guard decides
        return 0
    # the speed is a mean of turns gone by: bring it to now along the ramp
    if speed_tick >= 0:
        x = (tick - speed_tick) & _MASK
        if x < _MAX_SPEED_AGE_TICKS:
            w += (s[_RAMP_RATE_NOW] << sign >> sign) * (x >> 7) >> 15
    if w > _U16:
        w = _U16
    dt = d * _DT_PER_TICK_Q17 >> 17
    s[_TORQUE] = t
    s[_SPEED] = w
    s[_DT] = dt

    # acceleration over two and four steps
    back = dt + s[_DT_1]
    x = ((w - s[_SPEED_2]) << 13) // (back >> 2)
    if x > _MAX_RATE:
        x = _MAX_RATE
    elif x < -_MAX_RATE:
        x = -_MAX_RATE
    s[_SPEED_RATE] = x
    x = ((w - s[_SPEED_4]) << 13) // ((back + s[_DT_2] + s[_DT_3]) >> 2)
    if x > _MAX_RATE:
        x = _MAX_RATE
    elif x < -_MAX_RATE:
        x = -_MAX_RATE
    s[_SPEED_RATE_4] = x
    s[_DT_3] = s[_DT_2]
    s[_DT_2] = s[_DT_1]
    s[_DT_1] = dt
    s[_SPEED_4] = s[_SPEED_3]
    s[_SPEED_3] = s[_SPEED_2]
    s[_SPEED_2] = s[_SPEED_1]
    s[_SPEED_1] = w
    return d


@micropython.viper
def estimate_engine_torque(s: ptr32):
    """Engine torque = brake torque + inertia x acceleration: low-pass of 20 ms, trend over 0.3 s."""
    sign = s[_SIGN_SHIFT]
    dt = s[_DT]
    torque = s[_INERTIA_MANTISSA] * (s[_SPEED_RATE_4] << sign >> sign) >> s[_INERTIA_SHIFT]
    torque = ((s[_TORQUE] << sign >> sign) + torque) << 2
    k = dt * 25 >> 4
    if k > _ONE_Q12:
        k = _ONE_Q12
    x = torque - (s[_ENGINE_TORQUE] << sign >> sign)
    if x > _MAX_RATE:
        x = _MAX_RATE
    elif x < -_MAX_RATE:
        x = -_MAX_RATE
    s[_ENGINE_TORQUE] += x * k >> 12
    x = (s[_ENGINE_TORQUE] << sign >> sign) - (s[_ENGINE_TORQUE_SLOW] << sign >> sign)
    if x > _MAX_RATE:
        x = _MAX_RATE
    elif x < -_MAX_RATE:
        x = -_MAX_RATE
    s[_TORQUE_TREND] = x
    s[_ENGINE_TORQUE_SLOW] += x * (dt * 27 >> 6) >> 12
    # the feedforward uses a torque some 0.2 s old: a quicker one swings with a steep torque curve
    # and in a slow loop an inertia that is off lets the brake's own torque through, which would feed itself
    torque = (s[_ENGINE_TORQUE_SLOW] << sign >> sign) + (x * 141 >> 8)
    if s[_INERTIA_SURE] == 0 or s[_BANDWIDTH] < _SLOW_LOOP:
        torque -= (x >> 2) * ((_ONE_Q8 - s[_BANDWIDTH]) * 141 >> 8) >> 6
    if torque < _MIN_TORQUE_X4:
        torque = _MIN_TORQUE_X4
    s[_ENGINE_TORQUE_BASE] = torque
    torque = (s[_ENGINE_TORQUE] << sign >> sign) + (x * 94 >> 8)
    if torque < _MIN_TORQUE_X4:
        torque = _MIN_TORQUE_X4
    elif torque > _MAX_TORQUE_X4:
        torque = _MAX_TORQUE_X4
    s[_ENGINE_TORQUE_NOW] = torque


@micropython.viper
def estimate_exponent(s: ptr32):
    """n = d ln(engine torque) / d ln(speed), by recursive least squares over some 3 s."""
    sign = s[_SIGN_SHIFT]
    dt = s[_DT]
    w = s[_SPEED]
    x = s[_TORQUE_TREND] << sign >> sign
    k = dt * 27 >> 6
    y = w - s[_SPEED_LOW_PASS]
    s[_SPEED_LOW_PASS] += y * k >> 12
    if y > _MAX_TREND:
        y = _MAX_TREND
    elif y < -_MAX_TREND:
        y = -_MAX_TREND
    if x > _Q15:
        x = _Q15
    elif x < -_Q15:
        x = -_Q15
    k = dt * 5 >> 4
    s[_SPEED_VARIANCE] += ((y * y - s[_SPEED_VARIANCE]) >> 8) * k >> 4
    s[_COVARIANCE] += ((x * y - (s[_COVARIANCE] << sign >> sign)) >> 8) * k >> 4
    x = s[_BEGIN_SPEED] >> 8
    x = (s[_SPEED_VARIANCE] + x * x) >> 4
    y = s[_COVARIANCE] << sign >> sign
    if y > 1 << 27:
        y = 1 << 27
    elif y < -(1 << 27):
        y = -(1 << 27)
    if x == 0:
        x = 1
    y = (y << 2) // x
    if y > _MAX_EXPONENT:
        y = _MAX_EXPONENT
    elif y < -_MAX_EXPONENT:
        y = -_MAX_EXPONENT
    s[_TORQUE_EXPONENT] = (y * (w >> 2) // s[_ENGINE_TORQUE_NOW]) << 4


@micropython.viper
def ramp_set_point(s: ptr32, tick: int):
    """Set speed on the straight line; runs on past the end by an eighth of its time."""
    elapsed = (tick - s[_START_TICK]) & _MASK
    whole = elapsed >> 12
    span = s[_END_SPEED] - s[_START_SPEED]
    total = s[_SWEEP_TIME]
    if whole > total + (total >> 3):
        whole = total + (total >> 3)
    half = 0
    if span > _Q15 or span < -_Q15:
        half = 1
        span >>= 1
    x = (span * whole + (span * ((elapsed >> 6) & 63) >> 6)) // total
    x = (x << half) + s[_START_SPEED]
    if x < _MIN_SET_POINT:
        x = _MIN_SET_POINT
    s[_SET_POINT_16] = x << 4


@micropython.viper
def lookup_speed(s: ptr32) -> int:
    """Speed to look what was learned up at: the set one, but with the shaft's when that is far off.

    A 32nd of it is far: there, what holds the shaft where it is brings it back surer than what
    would hold the line.
    """
    at = s[_SET_POINT_16] >> 4
    off = s[_SPEED] - at
    room = at >> 5
    if off > room:
        at += off - room
    elif off < 0 - room:
        at += off + room
    return at


@micropython.viper
def control_error(s: ptr32, acc: int, map_torque: int, map_exponent: int):
    """Relative error and its rate, the shaft's rate and 2 - n.

    `map_torque` is the learned brake torque at the set point, mN.m, 0 when there is none.
    """
    sign = s[_SIGN_SHIFT]
    w = s[_SPEED]
    set_speed = s[_SET_POINT_16] >> 4
    if set_speed < _MIN_SET_POINT:
        set_speed = _MIN_SET_POINT
    s[_SET_POINT] = set_speed
    s[_RAMP_RATE_NOW] = acc
    if acc > 16383 or acc < -16383:
        s[_RAMP_RATE_NOW] = 0
    e = ((w - set_speed) << 13) // (set_speed >> 2)
    if e > 16384:
        e = 16384
    elif e < -16384:
        e = -16384
    s[_ERROR] = e
    x = (((s[_SPEED_RATE] << sign >> sign) - acc) << 12) // set_speed
    if x > _Q15:
        x = _Q15
    elif x < -_Q15:
        x = -_Q15
    s[_ERROR_RATE] = x
    if map_torque > 0:
        n = map_exponent
        x = (map_torque << 12) // w
    else:
        n = s[_TORQUE_EXPONENT] << sign >> sign
        x = (s[_ENGINE_TORQUE_NOW] << 10) // w
    if x > _MAX_RATE:
        x = _MAX_RATE
    x = (x << 12) // s[_INERTIA]
    if x > _MAX_SHAFT_RATE:
        x = _MAX_SHAFT_RATE
    elif x < _MIN_SHAFT_RATE:
        x = _MIN_SHAFT_RATE
    s[_SHAFT_RATE] = x
    x = 512 - n
    if x > _MAX_REGULATION:
        x = _MAX_REGULATION
    elif x < _MIN_REGULATION:
        x = _MIN_REGULATION
    s[_SELF_REGULATION] = x


@micropython.viper
def relative_changes(s: ptr32) -> int:
    """Relative changes of fill and opening, 2.5 to 6 Hz, into their histories; 1 from the 20th step on.

    Fill goes as T / w^2.  Each is high-passed twice (time constant 61 ms), so that the supply's ripple,
    which lies below, counts little.
    """
    sign = s[_SIGN_SHIFT]
    dt = s[_DT]
    torque = s[_TORQUE] << sign >> sign
    if torque < _MIN_TORQUE:
        torque = _MIN_TORQUE
    w = s[_SPEED]
    mean = s[_OPENING_MEAN] >> 8
    opening = ((s[_OPENING] - mean) << 12) // (mean + _ZERO_FLOW) - (s[_RIPPLE_TERM] << sign >> sign)
    if opening > _MAX_CHANGE:
        opening = _MAX_CHANGE
    elif opening < -_MAX_CHANGE:
        opening = -_MAX_CHANGE
    n = s[_GAIN_STEPS]
    if n == 0:
        s[_GAIN_TORQUE] = torque << 4
        s[_GAIN_SPEED] = w << 4
        s[_GAIN_OPENING] = opening << 4
        s[_FILL_DRIFT] = 0
        s[_OPENING_DRIFT] = 0
    if n < _SETTLED_STEPS:
        n += 1
        s[_GAIN_STEPS] = n
    k = (dt << 8) // (dt + _HIGH_PASS)
    s[_GAIN_TORQUE] += ((torque << 4) - s[_GAIN_TORQUE]) * k >> 8
    s[_GAIN_SPEED] += ((w << 4) - s[_GAIN_SPEED]) * k >> 8
    s[_GAIN_OPENING] += ((opening << 4) - (s[_GAIN_OPENING] << sign >> sign)) * k >> 8
    y = s[_GAIN_TORQUE] >> 4
    if y < _MIN_TORQUE:
        y = _MIN_TORQUE
    x = s[_GAIN_SPEED] >> 4
    fill = ((torque - y) << 12) // y
    fill -= ((w - x) << 13) // x
    if fill > _MAX_CHANGE:
        fill = _MAX_CHANGE
    elif fill < -_MAX_CHANGE:
        fill = -_MAX_CHANGE
    opening -= (s[_GAIN_OPENING] << sign >> sign) >> 4
    s[_FILL_DRIFT] += ((fill << 4) - (s[_FILL_DRIFT] << sign >> sign)) * k >> 8
    s[_OPENING_DRIFT] += ((opening << 4) - (s[_OPENING_DRIFT] << sign >> sign)) * k >> 8
    i = (s[_HISTORY_INDEX] + 1) & 31
    s[_HISTORY_INDEX] = i
    s[_FILL_HISTORY + (i & 7)] = fill - ((s[_FILL_DRIFT] << sign >> sign) >> 4)
    s[_OPENING_HISTORY + (i & 3)] = opening - ((s[_OPENING_DRIFT] << sign >> sign) >> 4)
    return 1 if n >= _SETTLED_STEPS else 0


@micropython.viper
def correlate(s: ptr32) -> int:
    """Correlate the inflow that the fill shows with the one of openings 0 to 24 steps before.

    The change of the fill over four steps, with the outflow added back, is the inflow of that time.
    Sums with forgetting, 256 steps, of every other step.  Returns the step's number modulo 32.
    """
    sign = s[_SIGN_SHIFT]
    dt = s[_DT]
    i = s[_HISTORY_INDEX]
    x = (s[_SET_POINT] << 8) // s[_LOWEST_SPEED]
    if x < _ONE_Q8:
        x = _ONE_Q8
    elif x > 1024:
        x = 1024
    fill = s[_FILL_HISTORY + (i & 7)] << sign >> sign
    y = (
        fill
        + (s[_FILL_HISTORY + ((i - 1) & 7)] << sign >> sign)
        + (s[_FILL_HISTORY + ((i - 2) & 7)] << sign >> sign)
        + (s[_FILL_HISTORY + ((i - 3) & 7)] << sign >> sign)
    )
    y = fill - (s[_FILL_HISTORY + ((i - 4) & 7)] << sign >> sign) + ((y * dt >> 10) * x >> 11)
    z = (
        (s[_OPENING_HISTORY] << sign >> sign)
        + (s[_OPENING_HISTORY + 1] << sign >> sign)
        + (s[_OPENING_HISTORY + 2] << sign >> sign)
        + (s[_OPENING_HISTORY + 3] << sign >> sign)
    )
    z = (z * dt >> 10) * (x * 17 // 7) >> 11
    if z > _MAX_INFLOW:
        z = _MAX_INFLOW
    elif z < -_MAX_INFLOW:
        z = -_MAX_INFLOW
    if y > _MAX_INFLOW:
        y = _MAX_INFLOW
    elif y < -_MAX_INFLOW:
        y = -_MAX_INFLOW
    s[_INFLOW_HISTORY + i] = z
    d = i & 1  # odd and even delays in turn
    if d == 0:
        s[_INFLOW_POWER] += z * z - (s[_INFLOW_POWER] >> 7)
        s[_FILL_POWER] += y * y - (s[_FILL_POWER] >> 7)
    while d <= _MAX_DELAY_STEPS:
        x = s[_CORRELATION + d] << sign >> sign
        s[_CORRELATION + d] = x + y * (s[_INFLOW_HISTORY + ((i - d) & 31)] << sign >> sign) - (x >> 7)
        d += 2
    return i


@micropython.viper
def estimate_delay(s: ptr32):
    """Delay from the opening to the torque: where the correlation is highest, if it is over 0.6.

    Dead time of hose, servo frame and filters and most of any lag are in it: the effective delay of the
    half rule.  A parabola through three neighbours gives the place between steps.  Called every eighth step.
    """
    sign = s[_SIGN_SHIFT]
    best = 0
    top = 0
    if s[_SEEN_AGE] < _MAX_SEEN_AGE:
        s[_SEEN_AGE] += 1
    d = 1
    while d < _MAX_DELAY_STEPS:
        x = s[_CORRELATION + d] << sign >> sign
        if x > top:
            top = x
            best = d
        d += 1
    x = s[_INFLOW_POWER] >> 8
    y = s[_FILL_POWER] >> 8
    top >>= 8
    if best == 0 or x < _MIN_EXCITATION:
        return
    d = top
    while x >= 16384 or y >= 16384:
        x >>= 1
        y >>= 1
        d >>= 1
    if d > 16383:
        d = 16383
    if (d * d >> 8) * _MIN_CORRELATION < x * y:
        return
    x = (s[_CORRELATION + best - 1] << sign >> sign) >> 8
    y = (s[_CORRELATION + best + 1] << sign >> sign) >> 8
    d = top + top - x - y
    best <<= 4
    if d > 0:
        best += ((y - x) << 3) // d
    x = (best * s[_DT] >> 4) - s[_DELAY]
    # quickly while the probe tells it and while the valve hunts
    if s[_PROBING] or s[_GAIN_DIVISOR] > _DETUNED:
        x >>= 2
    else:
        x >>= 4
    x += s[_DELAY]
    if x < MIN_DELAY:
        x = MIN_DELAY
    elif x > MAX_DELAY:
        x = MAX_DELAY
    s[_DELAY] = x
    if s[_DELAY_SEEN] < _SURE:
        s[_DELAY_SEEN] += 1
    else:
        s[_SEEN_AGE] = 0


@micropython.viper
def estimate_valve_gain(s: ptr32):
    """Gain estimate at the delay: how strongly the fill answers the valve, against what the gains assume.

    Least squares, started from the estimate of earlier runs with the weight of 75 (half the mean square of
    the inflow, 1/4096 squared).  It is that of quick changes: a slow loop must not rest on it.
    """
    sign = s[_SIGN_SHIFT]
    if s[_DELAY_SEEN] < _SURE:
        return
    d = (s[_DELAY] + (s[_DT] >> 1)) // s[_DT]
    if d > _MAX_DELAY_STEPS:
        d = _MAX_DELAY_STEPS
    x = ((s[_CORRELATION + d] << sign >> sign) >> 8) + (_PRIOR_WEIGHT * s[_PRIOR_VALVE_GAIN] >> 8)
    x = (x << 8) // ((s[_INFLOW_POWER] >> 8) + _PRIOR_WEIGHT)
    d = _ONE_Q8
    if s[_BANDWIDTH] > _MIDDLING_LOOP:
        d += (s[_BANDWIDTH] - _MIDDLING_LOOP) * 14
    if x < _MIN_VALVE_GAIN:
        x = _MIN_VALVE_GAIN
    elif x > d:
        x = d
    s[_VALVE_GAIN] = x


@micropython.viper
def notice_hunting(s: ptr32, steps: int):
    """Raise the delay to a quarter of the period when the error swings to and fro without dying down.

    At its stability limit a loop of integrator and dead time theta swings with the period 4 theta (ultimate
    period: Ziegler & Nichols 1942, Astrom & Hagglund 1984).  Two half-waves in a row count that pass 2.5 %,
    are hardly smaller than the one before and last from 0.15 s to 1.5 pi over the crossover: a loop that is
    too quick swings about its crossover, slower swings come from outside or from a loop that is too slow.
    Not where the correlation has told the delay in the last 2 s.  Each time the delay grows by half at most.
    Called every `steps` steps.
    """
    sign = s[_SIGN_SHIFT]
    e = s[_ERROR] << sign >> sign
    way = 1
    if e < 0:
        way = 2
        e = 0 - e
    s[_WAVE_TIME] += s[_DT] * steps
    if way == s[_WAVE_SIGN] or e < _WAVE_ERROR:
        if way == s[_WAVE_SIGN] and e > s[_WAVE_PEAK]:
            s[_WAVE_PEAK] = e
        return
    time = s[_WAVE_TIME]
    peak = s[_WAVE_PEAK]
    n = 0
    # a wild swing is seldom even to both sides
    near = peak * 8 > s[_LAST_PEAK] * (3 if peak > _WAVE_WILD_PEAK else 7)
    if (
        peak > (_WAVE_WILD_PEAK if s[_PROBING] else _WAVE_MIN_PEAK)
        and near
        and time > _WAVE_MIN_TIME
        and time * s[_BANDWIDTH] < _WAVE_MAX_TIME
    ):
        n = s[_WAVES] + 1
        if n > 1 and s[_SEEN_AGE] > _LATELY:
            x = ((time + s[_LAST_TIME]) >> 2) + _TORQUE_LATE
            if x > s[_DELAY] + (s[_DELAY] >> 1):
                x = s[_DELAY] + (s[_DELAY] >> 1)
            if x > MAX_DELAY:
                x = MAX_DELAY
            if x > s[_DELAY]:
                s[_DELAY] = x
            s[_DELAY_SEEN] = _SURE
    s[_WAVES] = n
    s[_LAST_TIME] = time
    s[_LAST_PEAK] = peak
    s[_WAVE_SIGN] = way
    s[_WAVE_TIME] = 0
    s[_WAVE_PEAK] = e


@micropython.viper
def set_bandwidth(s: ptr32):
    """Crossover from the delay: 3 / (4 theta), theta the delay less what the torque is later than the speed.

    SIMC with tau_c = theta would be 1 / (2 theta) (Skogestad 2003); `predict` makes up for the rest.  Not
    above the 11.2 1/s at 75 ms.  Not below 5.3 1/s: of a delay over 150 ms much is lag, which D makes up for,
    and a slower loop does not hold a quick shaft.  The loop is slow while the probe runs (the delay may be
    long) and middling when that told nothing.
    """
    x = _SHORTEST_DELAY_GAIN // (s[_DELAY] - _TORQUE_LATE)
    if x > _ONE_Q8:
        x = _ONE_Q8
    elif x < _LEAST_BANDWIDTH:
        x = _LEAST_BANDWIDTH
    if s[_PROBING]:
        x = _PROBE_BANDWIDTH
    elif s[_DELAY_SEEN] < _SURE:
        x = _UNSURE_BANDWIDTH
    s[_BANDWIDTH] = x


@micropython.viper
def predict(s: ptr32):
    """What error and rate still do within the delay, by the corrections that are under way.

    Smith predictor (Smith 1957) at half its weight, which bears a delay and gains that are known roughly: one
    model of shaft and fill, as the gains go by, is driven by the last correction less the one a delay before.
    Its state is what the plant without the delay is ahead of the one with it.  Implicit Euler: no step is too
    long for it.
    """
    sign = s[_SIGN_SHIFT]
    dt = s[_DT]
    i = s[_HISTORY_INDEX]
    c = ((_ONE_Q12 + (s[_CORRECTION] << sign >> sign)) * (s[_INTEGRAL] >> 11) >> 12) - _ONE_Q12
    s[_CORRECTION_HISTORY + i] = c
    x = (s[_DELAY] - _TORQUE_LATE + (dt >> 1)) // dt
    if x > _MAX_DELAY_STEPS:
        x = _MAX_DELAY_STEPS
    c -= s[_CORRECTION_HISTORY + ((i - x) & 31)] << sign >> sign
    if c > _MAX_CHANGE:
        c = _MAX_CHANGE
    elif c < -_MAX_CHANGE:
        c = -_MAX_CHANGE
    x = (s[_LOWEST_SPEED] << 8) // s[_SET_POINT]
    if x > _ONE_Q8:
        x = _ONE_Q8
    elif x < _MIN_SPEED_SHARE:
        x = _MIN_SPEED_SHARE
    x = (x << 8) // s[_VALVE_GAIN]
    x = dt * _FILL_STEP // x
    if x > _ONE_Q12:
        x = _ONE_Q12
    # not where the shaft hardly regulates itself: what the model forgets there, the shaft does not
    k = s[_SELF_REGULATION]
    y = k - _PREDICT_FROM
    if y < 0:
        y = 0
    elif y > _PREDICT_SPAN:
        y = _PREDICT_SPAN
    c = c * y // _PREDICT_SPAN
    y = (s[_AHEAD_FILL] << sign >> sign) + ((x * s[_VALVE_EXPONENT] >> 9) * c >> 8)
    if y > _MAX_RATE:
        y = _MAX_RATE
    elif y < -_MAX_RATE:
        y = -_MAX_RATE
    y = (y << 12) // (_ONE_Q12 + (x * _OUTFLOW_EXPONENT >> 8))
    s[_AHEAD_FILL] = y
    c = s[_SHAFT_RATE] * dt >> 11
    x = (s[_AHEAD_ERROR] << sign >> sign) - (c * y >> 8)
    if x > _MAX_AHEAD_ERROR:
        x = _MAX_AHEAD_ERROR
    elif x < -_MAX_AHEAD_ERROR:
        x = -_MAX_AHEAD_ERROR
    x = (x << 11) // (_ONE_Q12 + (c * k >> 8) >> 1)
    s[_AHEAD_ERROR] = x
    x = -s[_SHAFT_RATE] * ((k * x >> 12) + y) >> 12
    if x > _Q15:
        x = _Q15
    elif x < -_Q15:
        x = -_Q15
    s[_AHEAD_RATE] = x


@micropython.viper
def proportional_derivative(s: ptr32):
    """P and D terms: the relative correction of the opening, 1/4096."""
    sign = s[_SIGN_SHIFT]
    shaft_rate = s[_SHAFT_RATE]
    # the fill follows faster the faster the brake turns
    x = (s[_LOWEST_SPEED] << 8) // s[_SET_POINT]
    if x > _ONE_Q8:
        x = _ONE_Q8
    elif x < _MIN_SPEED_SHARE:
        x = _MIN_SPEED_SHARE
    x = (x << 8) // s[_VALVE_GAIN]
    # a slow loop rests on the shaft: a steep piece of the learned torque curve may be scatter
    k = s[_SELF_REGULATION]
    if k > _MAX_REGULATION_SLOW and s[_BANDWIDTH] < _SLOW_LOOP:
        k = _MAX_REGULATION_SLOW
    elif k < _MIN_REGULATION_P:
        # an engine whose torque falls with the speed as quickly as the brake's needs P to hold it; cancelling
        # the poles would leave it least just there
        k = _MIN_REGULATION_P
    p = _P_SHAFT // shaft_rate + ((k * _P_FILL >> 8) * x >> 8)
    d = (_D_SHAFT // shaft_rate) * x >> 9
    if d > _Q15:
        d = _Q15
    e = s[_ERROR] << sign >> sign
    x = s[_ERROR_RATE] << sign >> sign
    if s[_DELAY_SEEN] >= _SURE and s[_PROBING] == 0:
        e += (s[_AHEAD_ERROR] << sign >> sign) >> 5
        x += s[_AHEAD_RATE] << sign >> sign
        if x > _Q15:
            x = _Q15
        elif x < -_Q15:
            x = -_Q15
    pd = (p * e >> 8) + (d * x >> 8)
    pd = (pd << 5) // s[_VALVE_EXPONENT]
    # the lower of what the dead time and what the valve's activity allow
    x = 16777216 // s[_GAIN_DIVISOR]
    if x > s[_BANDWIDTH]:
        x = s[_BANDWIDTH]
    s[_GAIN] = x
    pd = pd * x >> 8
    if pd > _MAX_CORRECTION:
        pd = _MAX_CORRECTION
    elif pd < _MIN_CORRECTION:
        pd = _MIN_CORRECTION
    s[_CORRECTION] = pd


@micropython.viper
def cancel_ripple(s: ptr32, sine: ptr16):
    """Resonant term at the supply's ripple frequency, added to the correction.

    Amplitudes in phase and in quadrature integrate the correction times sine and cosine until the
    correction has none of that frequency left.
    """
    sign = s[_SIGN_SHIFT]
    dt = s[_DT]
    mHz = s[_RIPPLE_MHZ]
    if mHz <= 0:
        return
    if s[_BANDWIDTH] < _MIDDLING_LOOP:
        s[_RIPPLE_TERM] = 0
        return
    turn = s[_RIPPLE_PHASE] + mHz * dt
    if turn >= _RIPPLE_TURN:
        turn -= _RIPPLE_TURN
    s[_RIPPLE_PHASE] = turn
    i = turn // _RIPPLE_TURN_64TH
    r = ((s[_RIPPLE_IN_PHASE] << sign >> sign) >> 4) * (
        int(sine[(i + _QUARTER_TURN) & _TURN_MASK]) - _SINE_ZERO
    )
    r += ((s[_RIPPLE_QUADRATURE] << sign >> sign) >> 4) * (int(sine[i]) - _SINE_ZERO)
    r >>= 18
    s[_RIPPLE_TERM] = r
    i -= (mHz * 6422 >> 12) // s[_BANDWIDTH]  # the loop answers late: 1 / crossover and a little
    x = s[_CORRECTION] << sign >> sign
    s[_CORRECTION] = x + r
    if x > _RIPPLE_MAX_STEP:
        x = _RIPPLE_MAX_STEP
    elif x < -_RIPPLE_MAX_STEP:
        x = -_RIPPLE_MAX_STEP
    y = (s[_RIPPLE_IN_PHASE] << sign >> sign) + (
        (x * (int(sine[(i + _QUARTER_TURN) & _TURN_MASK]) - _SINE_ZERO) >> 9) * dt >> 11
    )
    if y > _RIPPLE_MAX_AMPLITUDE:
        y = _RIPPLE_MAX_AMPLITUDE
    elif y < -_RIPPLE_MAX_AMPLITUDE:
        y = -_RIPPLE_MAX_AMPLITUDE
    s[_RIPPLE_IN_PHASE] = y
    y = (s[_RIPPLE_QUADRATURE] << sign >> sign) + (
        (x * (int(sine[i & _TURN_MASK]) - _SINE_ZERO) >> 9) * dt >> 11
    )
    if y > _RIPPLE_MAX_AMPLITUDE:
        y = _RIPPLE_MAX_AMPLITUDE
    elif y < -_RIPPLE_MAX_AMPLITUDE:
        y = -_RIPPLE_MAX_AMPLITUDE
    s[_RIPPLE_QUADRATURE] = y


@micropython.viper
def control_law(s: ptr32, feedforward: int) -> int:
    """Opening from the feedforward (both with the leak's part), 1/16384, not yet limited; I term.

    The integral multiplies the feedforward.  Anti-windup: it stands while it would press on against
    an end of the valve.
    """
    sign = s[_SIGN_SHIFT]
    f = s[_INTEGRAL]
    u = feedforward * (f >> 11) >> 12
    if u > _U16:
        u = _U16
    u = (u * (_ONE_Q12 + (s[_CORRECTION] << sign >> sign)) >> 12) - _ZERO_FLOW
    x = s[_SELF_REGULATION]
    if x < _MIN_SELF_REGULATION:
        x = _MIN_SELF_REGULATION
    x = (((x * _I >> 8) * (f >> 15) >> 8) << 8) // s[_VALVE_EXPONENT]
    # the slower the loop the less integral: it rests on poles that are known least
    x = (x * (s[_GAIN] * (_ONE_Q8 + s[_GAIN]) >> 9) >> 8) * (s[_ERROR] << sign >> sign)
    if x > _MAX_PRODUCT:
        x = _MAX_PRODUCT
    elif x < -_MAX_PRODUCT:
        x = -_MAX_PRODUCT
    if not (u <= s[_MIN_OPENING] and x < 0) and not (u >= FULL and x > 0):
        f += (x >> 9) * s[_DT] >> 6
        if f > _MAX_INTEGRAL:
            f = _MAX_INTEGRAL
        elif f < _MIN_INTEGRAL:
            f = _MIN_INTEGRAL
        s[_INTEGRAL] = f
    return u


@micropython.viper
def detune(s: ptr32, steps: int):
    """Gain divisor: a valve that moves to and fro too hard hunts; gains fall at once, rise within seconds.

    Activity is the mean square of P + D about its mean; the divisor is activity over the quiet one, 1 to 16.
    Called every `steps` steps.
    """
    sign = s[_SIGN_SHIFT]
    dt = s[_DT] * steps
    x = (s[_CORRECTION] << sign >> sign) - (s[_RIPPLE_TERM] << sign >> sign)
    if x > _ONE_Q12:
        x = _ONE_Q12
    s[_CORRECTION_MEAN] += ((x << 4) - (s[_CORRECTION_MEAN] << sign >> sign)) * dt >> 14
    x -= (s[_CORRECTION_MEAN] << sign >> sign) >> 4
    if x > _ONE_Q12:
        x = _ONE_Q12
    elif x < -_ONE_Q12:
        x = -_ONE_Q12
    s[_ACTIVITY] += ((x * x >> 8) - s[_ACTIVITY]) * dt >> 13
    x = (s[_ACTIVITY] << 8) // _QUIET_ACTIVITY
    if x < _ONE_Q8:
        x = _ONE_Q8
    elif x > _ONE_Q12:
        x = _ONE_Q12
    x = (x << 8) - s[_GAIN_DIVISOR]
    if x > 0:
        s[_GAIN_DIVISOR] += (x >> 6) * dt >> 6
    else:
        s[_GAIN_DIVISOR] += (x >> 6) * dt >> 11


@micropython.viper
def servo_pulse(s: ptr32, u: int, flags: int) -> int:
    """Limits, play of the linkage; the servo's pulse in us."""
    sign = s[_SIGN_SHIFT]
    dt = s[_DT]
    if u >= FULL:
        u = FULL
        flags |= _OPEN_LIMIT
    elif u <= s[_MIN_OPENING]:
        u = s[_MIN_OPENING]
        if u == 0:
            flags |= _SHUT_LIMIT
    s[_OPENING] = u
    s[_OPENING_MEAN] += ((u << 8) - s[_OPENING_MEAN]) >> 5
    x = u - s[_OPENING_LOW_PASS]
    s[_OPENING_LOW_PASS] += x * 77 >> 8
    if x > _BACKLASH_STEP:
        s[_DIRECTION] += (_ONE_Q8 - (s[_DIRECTION] << sign >> sign)) >> 1
    elif x < -_BACKLASH_STEP:
        s[_DIRECTION] -= (_ONE_Q8 + (s[_DIRECTION] << sign >> sign)) >> 1
    if u > 0 and u < FULL:
        u += s[_HALF_BACKLASH] * (s[_DIRECTION] << sign >> sign) >> 8
        if u < 0:
            u = 0
        elif u > FULL:
            u = FULL
    x = s[_SLEW_LIMIT] * dt >> 15
    y = u - s[_SERVO_MODEL]
    if y > x:
        flags |= _SLEWING
        s[_SERVO_MODEL] += x
    elif y < -x:
        flags |= _SLEWING
        s[_SERVO_MODEL] -= x
    else:
        s[_SERVO_MODEL] = u
    s[_FLAGS] = flags
    u = s[_SHUT_US] + (u * (s[_SPAN_US] << sign >> sign) >> 14)
    s[_PULSE_US] = u
    return u


@micropython.viper
def note_tracking(s: ptr32, d: int) -> int:
    """Sum up a step of the sweep; 1 when the end speed has been crossed, else 0."""
    sign = s[_SIGN_SHIFT]
    x = (s[_ERROR] << sign >> sign) * 625 >> 11  # 1/10000
    if x < 0:
        x = -x
    if x > _MAX_ERROR_PARTS:
        x = _MAX_ERROR_PARTS
    if x > s[_WORST_ERROR]:
        s[_WORST_ERROR] = x
    if s[_STEPS] < _MAX_TRACKED_STEPS:
        s[_STEPS] += 1
        s[_VALVE_GAIN_SUM] += s[_VALVE_GAIN]
        x = s[_SQUARES_LOW] + x * x
        s[_SQUARES_HIGH] += x >> 12
        s[_SQUARES_LOW] = x & 4095
    if s[_OPENING] >= FULL:
        s[_FULL_OPEN_TICKS] += d
    elif s[_OPENING] <= 0:
        s[_SHUT_TICKS] += d
    # how far off the line of late: where the whole of the speed crosses the end, not one rough turn
    x = s[_SPEED] - s[_SET_POINT]
    if x > _MAX_TREND:
        x = _MAX_TREND
    elif x < -_MAX_TREND:
        x = -_MAX_TREND
    s[_LINE_OFFSET] += ((x << 4) - (s[_LINE_OFFSET] << sign >> sign)) * s[_DT] >> 13
    # only the last sixteenth of the line has an end: before it, a swing will be caught
    rate = s[_RAMP_RATE] << sign >> sign
    x = s[_SET_POINT] - s[_END_SPEED]
    left = s[_START_SPEED] - s[_END_SPEED] >> 4
    # the mean of four speeds, brought to now by the rate
    over = (s[_SPEED_1] + s[_SPEED_2] + s[_SPEED_3] + s[_SPEED_4]) >> 2
    over = s[_END_SPEED] - over - (rate * (s[_DT_1] + s[_DT_2] + s[_DT_3]) >> 16)
    if rate > 0:
        x = -x
        left = -left
        over = -over
    # a speed that stays below the end for so long has passed it, wherever the line is
    s[_OVER_STEPS] = s[_OVER_STEPS] + 1 if over >= 0 else 0
    return 1 if x <= left and over >= 0 or s[_OVER_STEPS] >= _MAX_OVER_STEPS else 0


def new_state():
    """A state that is all zero but for what must not be."""
    s = array("i", (0 for _ in range(SIZE)))
    s[_INERTIA] = s[_VALVE_EXPONENT] = s[_FLOW_EXPONENT] = s[_LOWEST_SPEED] = 1
    s[_SIGN_SHIFT] = WORD_BITS - 32
    return s


def restart(s, tick, speed, servo_us):
    """Settings, plan and what was learned stay; all that a sweep gathers starts anew."""
    for i in range(SIZE):
        if not _SHUT_US <= i <= _SLEW_LIMIT and i != _SIGN_SHIFT:
            s[i] = 0
    s[_TICK] = tick
    s[_PULSE_US] = servo_us
    s[_OPENING] = min(max((servo_us - s[_SHUT_US]) * FULL // (s[_SPAN_US] or 1), 0), FULL)
    s[_SERVO_MODEL] = s[_OPENING_LOW_PASS] = s[_OPENING]
    s[_OPENING_MEAN] = s[_OPENING] << 8
    s[_SPEED_1] = s[_SPEED_2] = s[_SPEED_3] = s[_SPEED_4] = s[_SPEED_LOW_PASS] = s[_BEGIN_SPEED] = speed
    s[_DT_1] = s[_DT_2] = s[_DT_3] = 410
    s[_INTEGRAL] = _UNITY
    s[_GAIN_DIVISOR] = _UNIT_DIVISOR
    s[_SEEN_AGE] = _MAX_SEEN_AGE
    s[_BANDWIDTH] = _ONE_Q8
    s[_DELAY] = _DEFAULT_DELAY
    s[_VALVE_GAIN] = s[_PRIOR_VALVE_GAIN] = _ONE_Q8
