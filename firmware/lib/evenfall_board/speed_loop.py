"""The control law of a sweep: what one sample does to the valve.

All state is one `array("i")`, so that the functions are machine code over it
(`micropython.viper`): pure integers, no allocation, every intermediate below 2**30.
`sweep.Sweep` plans, keeps the stages and calls them in this order at each step:

    gather    samples to a step; changes of speed
    engine    the engine's torque, how it goes with speed
    along     (or the plan) where the set speed is
    place     where to look up what was learnt
    compare   relative error, its rate, the shaft's own rate
    channel   how strongly the fill answers the valve, found from torque and opening
    base_opening  what holds the speed before anything is learnt
    law       base opening to opening: proportional, integral, rate, ripple
    drive     limits, play of the linkage, microseconds

Runs in MicroPython and CPython alike.
"""

from array import array

from .native import WORD_BITS, const, micropython, ptr16, ptr32

FULL = const(16384)  # valve fully open
ZERO_FLOW = const(492)  # opening that stands for the leak, 1/16384: 3 %
_OPEN_LIMIT = const(1)  # codes.TRACE_BITS
SHUT_LIMIT = const(2)
_SLEWING = const(4)
IN_SWEEP = const(8)
ONE_F = 1 << 23

# --- places in the state; those without an underscore serve sweep.py too, the others take no RAM ---

TICK = const(0)  # of the last step
_SUM = const(1)  # torque of the samples since, mN.m
_N = const(2)
T = const(3)  # torque of this step, mN.m
W = const(4)  # speed now, half rpm
DT = const(5)  # since the last step, 1/32768 s
W1 = const(6)  # speeds of the steps before
W2 = const(7)
W3 = const(8)
_W4 = const(9)
_D1 = const(10)  # their times
_D2 = const(11)
_D3 = const(12)
WD = const(13)  # change of speed over two steps, half rpm/s
_WD4 = const(14)  # over four
_ACC = const(15)  # what the set speed does, half rpm/s
_W_SLOW = const(16)
TE = const(17)  # engine's torque at the brake, 1/4 mN.m
TE_SLOW = const(18)
TE_NOW = const(19)  # with its trend: what law and stages go by
_XX = const(20)
_XY = const(21)
_EXPONENT = const(22)  # n, how torque goes with speed, times 256
BEGIN_SPEED = const(23)
JM = const(24)  # inertia as mantissa and shift
JS = const(25)
INERTIA = const(26)
SET16 = const(27)  # set speed, 1/16 half rpm
SET = const(28)
E = const(29)  # relative error, 1/32768
_ED = const(30)  # its rate, 1/4096 1/s
_LJ = const(31)  # T / (J w), 1/256 1/s
_KAP = const(32)  # 2 - n, times 256
W_LOW = const(33)
SLOPE = const(34)  # d ln(flow) / d ln(opening), times 256
U = const(35)  # opening, 1/16384
F = const(36)  # 1 + integral, times 2**23
FLOOR = const(37)  # lowest opening allowed
U_MEAN = const(38)  # over 0.4 s, times 256
_U_SLOW = const(39)
_DIR = const(40)
_X = const(41)  # where the servo is by its own speed
US = const(42)  # its pulse
FLAGS = const(43)
SHUT_US = const(44)
SPAN_US = const(45)
HALF_PLAY = const(46)
SLEW = const(47)
START = const(48)  # of the line, half rpm
END = const(49)
TOTAL = const(50)  # its time, 1024 us
START_TICK = const(51)
RATE = const(52)  # half rpm/s
G = const(53)  # answer of the fill against the assumed one, times 256
G0 = const(54)  # that of earlier pulls
_SZZ = const(55)
_SZY = const(56)
_CHANNEL_N = const(57)
_T_MEAN = const(58)
_W_MEAN = const(59)
_NU_MEAN = const(60)
_PHI2 = const(61)
_NU2 = const(62)
_PLACE = const(63)
_EFFORT = const(64)  # mean square of the relative correction, 65536 is 1
_CALM = const(65)  # gains are divided by this; 65536 is 1
RIPPLE = const(66)  # of the water supply, mHz; 0: none known
_TURN = const(67)
_RA = const(68)
_RC = const(69)
_R = const(70)  # against the ripple, 1/4096
PD = const(71)  # the relative correction, 1/4096
SUM_LOW = const(72)  # squares of the error
SUM_HIGH = const(73)
STEPS = const(74)
WORST = const(75)
OPEN_TICKS = const(76)
SHUT_TICKS = const(77)
G_SUM = const(78)
_SIGN = const(79)  # 32 where words are 64 bits wide, else 0: `x << sg >> sg` gives a read its sign back
_PHI = const(80)  # 16 of each
_NU = const(96)
_PD_MEAN = const(112)  # of the relative correction over 0.5 s, times 16
TE_BASE = const(113)  # engine's torque that the base opening goes by
OFF = const(114)  # speed less set speed, mean of some 0.25 s, 1/16 half rpm
SIZE = 115

_MASK = const(0x3FFFFFFF)
_STEP_TICKS = const(36000)  # samples closer than 9 ms are averaged: the servo takes 50 a second
_LAG_TICKS = const(240000)  # 60 ms; an older speed is taken as it is
_TORQUE_MAX = const(131071)

# gains: crossover of 11.2 /s, times m 0.7, times 256; the rate's share a little larger
_P_SHAFT = const(2000 << 8)
_P_FILL = const(500)  # by the rate of the fill at the lowest speed, 4 /s: a cautious one
_D_SHAFT = const(2300 << 10)
_I = const(1700)
_KAP_I = const(180)  # least 2 - n, times 256, that the integral goes by
_V0 = const(2621)  # effort that is still calm: 20 % rms
_F_MIN = const(1677721)
_F_MAX = const(33554432)

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
def base_opening(s: ptr32, acc: int, log_base: int, log2, exp2) -> int:
    """Opening + leak that the engine's torque at the set speed takes, from the held one's logarithm."""
    te = s[TE_BASE] - ((s[JM] * acc >> s[JS]) << 2)
    if te < 80:
        te = 80
    slope = s[SLOPE]
    x = log_base + ((183501 // slope) * int(log2_x1024(te, log2)) >> 10)
    x -= (104858 // slope) * int(log2_x1024(s[SET], log2)) >> 10
    if x > 15359:
        x = 15359
    elif x < 0:
        x = 0
    return int(exp2_x1024(x, exp2))


@micropython.viper
def gather(s: ptr32, tick: int, w: int, t: int, speed_tick: int) -> int:
    """Take a sample; ticks since the last step when this makes one, else 0."""
    sg = s[_SIGN]
    d = (tick - s[TICK]) & _MASK
    if d >= 1 << 29:
        return 0  # older than what was seen
    if t > _TORQUE_MAX:
        t = _TORQUE_MAX
    elif t < -_TORQUE_MAX:
        t = -_TORQUE_MAX
    s[_SUM] += t
    n = s[_N] + 1
    s[_N] = n
    if d < _STEP_TICKS and n < 64:
        return 0
    t = (s[_SUM] << sg >> sg) // n
    s[_SUM] = 0
    s[_N] = 0
    s[TICK] = tick
    if d > 400000:
        d = 400000
    if w < 1000:  # no speed to go by: keep the load as it is; the guard decides
        return 0
    # the speed is a mean of turns gone by: bring it to now along the set line
    if speed_tick >= 0:
        x = (tick - speed_tick) & _MASK
        if x < _LAG_TICKS:
            w += (s[_ACC] << sg >> sg) * (x >> 7) >> 15
    if w > 65535:
        w = 65535
    dt = d * 1074 >> 17
    s[T] = t
    s[W] = w
    s[DT] = dt

    # changes of speed over two and four steps
    back = dt + s[_D1]
    x = ((w - s[W2]) << 13) // (back >> 2)
    if x > 131071:
        x = 131071
    elif x < -131071:
        x = -131071
    s[WD] = x
    x = ((w - s[_W4]) << 13) // ((back + s[_D2] + s[_D3]) >> 2)
    if x > 131071:
        x = 131071
    elif x < -131071:
        x = -131071
    s[_WD4] = x
    s[_D3] = s[_D2]
    s[_D2] = s[_D1]
    s[_D1] = dt
    s[_W4] = s[W3]
    s[W3] = s[W2]
    s[W2] = s[W1]
    s[W1] = w
    return d


@micropython.viper
def engine(s: ptr32):
    """The engine's torque, smoothed over 80 ms, its trend over 0.3 s, and n."""
    sg = s[_SIGN]
    dt = s[DT]
    w = s[W]
    te = ((s[T] << sg >> sg) + (s[JM] * (s[_WD4] << sg >> sg) >> s[JS])) << 2
    k = dt * 25 >> 4
    if k > 4096:
        k = 4096
    x = te - (s[TE] << sg >> sg)
    if x > 131071:
        x = 131071
    elif x < -131071:
        x = -131071
    s[TE] += x * k >> 12
    x = (s[TE] << sg >> sg) - (s[TE_SLOW] << sg >> sg)
    if x > 131071:
        x = 131071
    elif x < -131071:
        x = -131071
    k = dt * 27 >> 6
    s[TE_SLOW] += x * k >> 12
    # the base goes by a torque some 0.2 s old: a quicker one swings with a steep engine
    te = (s[TE_SLOW] << sg >> sg) + (x * 141 >> 8)
    if te < 80:
        te = 80
    s[TE_BASE] = te
    te = (s[TE] << sg >> sg) + (x * 94 >> 8)
    if te < 80:
        te = 80
    elif te > 524287:
        te = 524287
    s[TE_NOW] = te
    y = w - s[_W_SLOW]
    s[_W_SLOW] += y * k >> 12
    if y > 2047:
        y = 2047
    elif y < -2047:
        y = -2047
    if x > 32767:
        x = 32767
    elif x < -32767:
        x = -32767
    k = dt * 5 >> 4
    s[_XX] += ((y * y - s[_XX]) >> 8) * k >> 4
    s[_XY] += ((x * y - (s[_XY] << sg >> sg)) >> 8) * k >> 4
    x = s[BEGIN_SPEED] >> 8
    x = (s[_XX] + x * x) >> 4
    y = s[_XY] << sg >> sg
    if y > 1 << 27:
        y = 1 << 27
    elif y < -(1 << 27):
        y = -(1 << 27)
    if x == 0:
        x = 1
    y = (y << 2) // x
    if y > 16383:
        y = 16383
    elif y < -16383:
        y = -16383
    s[_EXPONENT] = (y * (w >> 2) // te) << 4


@micropython.viper
def along(s: ptr32, tick: int):
    """Set speed on the straight line; runs on past the end by an eighth of its time."""
    elapsed = (tick - s[START_TICK]) & _MASK
    whole = elapsed >> 12
    span = s[END] - s[START]
    total = s[TOTAL]
    if whole > total + (total >> 3):
        whole = total + (total >> 3)
    half = 0
    if span > 32767 or span < -32767:
        half = 1
        span >>= 1
    x = (span * whole + (span * ((elapsed >> 6) & 63) >> 6)) // total
    x = (x << half) + s[START]
    if x < 512:
        x = 512
    s[SET16] = x << 4


@micropython.viper
def place(s: ptr32) -> int:
    """Speed to look what was learnt up at: the set one, but with the shaft's when that is far off.

    A 32nd of it is far: there, what holds the shaft where it is brings it back surer than what
    would hold the line.
    """
    at = s[SET16] >> 4
    off = s[W] - at
    room = at >> 5
    if off > room:
        at += off - room
    elif off < 0 - room:
        at += off + room
    return at


@micropython.viper
def compare(s: ptr32, acc: int, table_torque: int, table_exponent: int):
    """Relative error and its rate, the shaft's rate and 2 - n.

    `table_torque` is the learnt brake torque at the set speed, mN.m, 0 when there is none.
    """
    sg = s[_SIGN]
    w = s[W]
    set_speed = s[SET16] >> 4
    if set_speed < 512:
        set_speed = 512
    s[SET] = set_speed
    s[_ACC] = acc
    if acc > 16383 or acc < -16383:
        s[_ACC] = 0
    e = ((w - set_speed) << 13) // (set_speed >> 2)
    if e > 16384:
        e = 16384
    elif e < -16384:
        e = -16384
    s[E] = e
    x = (((s[WD] << sg >> sg) - acc) << 12) // set_speed
    if x > 32767:
        x = 32767
    elif x < -32767:
        x = -32767
    s[_ED] = x
    if table_torque > 0:
        n = table_exponent
        x = (table_torque << 12) // w
    else:
        n = s[_EXPONENT] << sg >> sg
        x = (s[TE_NOW] << 10) // w
    if x > 131071:
        x = 131071
    x = (x << 12) // s[INERTIA]
    if x > 3840:
        x = 3840
    elif x < 31:
        x = 31
    s[_LJ] = x
    x = 512 - n
    if x > 1536:
        x = 1536
    elif x < 102:
        x = 102
    s[_KAP] = x


@micropython.viper
def channel(s: ptr32):
    """How strongly the fill answers the valve, against what the gains assume.

    Fill goes as T / w^2.  Its change between 2.5 and 6 Hz, with the outflow added back, is
    regressed on the opening's of 50 ms before (servo, hose and amplifier together); the supply's
    ripple lies below.  What little is known at first leans on `G0`.
    """
    sg = s[_SIGN]
    dt = s[DT]
    tp = s[T] << sg >> sg
    if tp < 50:
        tp = 50
    w = s[W]
    um = s[U_MEAN] >> 8
    nu = ((s[U] - um) << 12) // (um + ZERO_FLOW) - (s[_R] << sg >> sg)
    if nu > 8191:
        nu = 8191
    elif nu < -8191:
        nu = -8191
    n = s[_CHANNEL_N]
    if n == 0:
        s[_T_MEAN] = tp << 4
        s[_W_MEAN] = w << 4
        s[_NU_MEAN] = nu << 4
        s[_PHI2] = 0
        s[_NU2] = 0
    if n < 20:
        n += 1
        s[_CHANNEL_N] = n
    k = (dt << 8) // (dt + 2000)
    s[_T_MEAN] += ((tp << 4) - s[_T_MEAN]) * k >> 8
    s[_W_MEAN] += ((w << 4) - s[_W_MEAN]) * k >> 8
    s[_NU_MEAN] += ((nu << 4) - (s[_NU_MEAN] << sg >> sg)) * k >> 8
    y = s[_T_MEAN] >> 4
    if y < 50:
        y = 50
    x = s[_W_MEAN] >> 4
    phi = ((tp - y) << 12) // y
    phi -= ((w - x) << 13) // x
    if phi > 8191:
        phi = 8191
    elif phi < -8191:
        phi = -8191
    nu -= (s[_NU_MEAN] << sg >> sg) >> 4
    s[_PHI2] += ((phi << 4) - (s[_PHI2] << sg >> sg)) * k >> 8
    s[_NU2] += ((nu << 4) - (s[_NU2] << sg >> sg)) * k >> 8
    i = (s[_PLACE] + 1) & 15
    s[_PLACE] = i
    phi -= (s[_PHI2] << sg >> sg) >> 4
    nu -= (s[_NU2] << sg >> sg) >> 4
    s[_PHI + i] = phi
    s[_NU + i] = nu
    if n < 20:
        return
    x = (s[SET] << 8) // s[W_LOW]
    if x < 256:
        x = 256
    elif x > 1024:
        x = 1024
    y = (
        phi
        + (s[_PHI + ((i - 1) & 15)] << sg >> sg)
        + (s[_PHI + ((i - 2) & 15)] << sg >> sg)
        + (s[_PHI + ((i - 3) & 15)] << sg >> sg)
    )
    y = phi - (s[_PHI + ((i - 4) & 15)] << sg >> sg) + ((y * dt >> 10) * x >> 11)
    z = (
        (s[_NU + ((i - 4) & 15)] << sg >> sg)
        + (s[_NU + ((i - 5) & 15)] << sg >> sg)
        + (s[_NU + ((i - 6) & 15)] << sg >> sg)
        + (s[_NU + ((i - 7) & 15)] << sg >> sg)
    )
    z = (z * dt >> 10) * (x * 17 // 7) >> 11
    if z > 2080 or z < -2080:
        return  # a swing that large says little of small ones
    if y > 2080:
        y = 2080
    elif y < -2080:
        y = -2080
    s[_SZZ] += z * z - (s[_SZZ] >> 7)
    s[_SZY] += z * y - ((s[_SZY] << sg >> sg) >> 7)
    g = ((((s[_SZY] << sg >> sg) >> 8) + (75 * s[G0] >> 8)) << 8) // ((s[_SZZ] >> 8) + 75)
    if g < 64:
        g = 64
    elif g > 2048:
        g = 2048
    s[G] = g


@micropython.viper
def law(s: ptr32, base: int, sine: ptr16) -> int:
    """Opening from the base opening (with the leak's part), 1/16384; not yet limited."""
    sg = s[_SIGN]
    dt = s[DT]
    e = s[E] << sg >> sg
    lj = s[_LJ]
    kap = s[_KAP]
    slope = s[SLOPE]
    calm = s[_CALM] >> 8
    # the fill follows faster the faster the brake turns
    x = (s[W_LOW] << 8) // s[SET]
    if x > 256:
        x = 256
    elif x < 64:
        x = 64
    x = (x << 8) // s[G]
    p = _P_SHAFT // lj + ((kap * _P_FILL >> 8) * x >> 8)
    d = (_D_SHAFT // lj) * x >> 9
    if d > 32767:
        d = 32767
    pd = (p * e >> 8) + (d * (s[_ED] << sg >> sg) >> 8)
    pd = (pd << 5) // slope
    pd = (pd << 8) // calm
    if pd > 6144:
        pd = 6144
    elif pd < -3686:
        pd = -3686
    # a valve that goes to and fro this hard hunts: lower the gains at once, raise them slowly
    x = pd
    if x > 4096:
        x = 4096
    s[_PD_MEAN] += ((x << 4) - (s[_PD_MEAN] << sg >> sg)) * dt >> 14
    x -= (s[_PD_MEAN] << sg >> sg) >> 4
    if x > 4096:
        x = 4096
    elif x < -4096:
        x = -4096
    s[_EFFORT] += ((x * x >> 8) - s[_EFFORT]) * dt >> 13
    x = (s[_EFFORT] << 8) // _V0
    if x < 256:
        x = 256
    elif x > 4096:
        x = 4096
    x = (x << 8) - s[_CALM]
    if x > 0:
        s[_CALM] += (x >> 6) * dt >> 6
    else:
        s[_CALM] += (x >> 6) * dt >> 11
    # the supply's ripple, in step with it: both parts grow until the correction has none left
    mHz = s[RIPPLE]
    if mHz > 0:
        turn = s[_TURN] + mHz * dt
        if turn >= 32768000:
            turn -= 32768000
        s[_TURN] = turn
        i = turn // 512000
        r = ((s[_RA] << sg >> sg) >> 4) * (int(sine[(i + 16) & 63]) - 16384)
        r += ((s[_RC] << sg >> sg) >> 4) * (int(sine[i]) - 16384)
        r >>= 18
        s[_R] = r
        i -= mHz * 6422 >> 20  # the loop answers some 98 ms late
        x = pd
        if x > 328:
            x = 328
        elif x < -328:
            x = -328
        y = (s[_RA] << sg >> sg) + ((x * (int(sine[(i + 16) & 63]) - 16384) >> 9) * dt >> 11)
        if y > 157286:
            y = 157286
        elif y < -157286:
            y = -157286
        s[_RA] = y
        y = (s[_RC] << sg >> sg) + ((x * (int(sine[i & 63]) - 16384) >> 9) * dt >> 11)
        if y > 157286:
            y = 157286
        elif y < -157286:
            y = -157286
        s[_RC] = y
        pd += r
    s[PD] = pd
    f = s[F]
    u = base * (f >> 11) >> 12
    if u > 65535:
        u = 65535
    u = (u * (4096 + pd) >> 12) - ZERO_FLOW
    # the integral, unless it would press against an end of the valve
    if kap < _KAP_I:
        kap = _KAP_I  # an engine that makes up for its load needs it the more
    x = (((kap * _I >> 8) * (f >> 15) >> 8) << 8) // slope
    x = (x << 8) // calm * e
    if x > 134217727:
        x = 134217727
    elif x < -134217727:
        x = -134217727
    if not (u <= s[FLOOR] and x < 0) and not (u >= FULL and x > 0):
        f += (x >> 9) * dt >> 6
        if f > _F_MAX:
            f = _F_MAX
        elif f < _F_MIN:
            f = _F_MIN
        s[F] = f
    return u


@micropython.viper
def drive(s: ptr32, u: int, flags: int) -> int:
    """Limits, play of the linkage; the servo's pulse in us."""
    sg = s[_SIGN]
    dt = s[DT]
    if u >= FULL:
        u = FULL
        flags |= _OPEN_LIMIT
    elif u <= s[FLOOR]:
        u = s[FLOOR]
        if u == 0:
            flags |= SHUT_LIMIT
    s[U] = u
    s[U_MEAN] += ((u << 8) - s[U_MEAN]) >> 5
    x = u - s[_U_SLOW]
    s[_U_SLOW] += x * 77 >> 8
    if x > 49:
        s[_DIR] += (256 - (s[_DIR] << sg >> sg)) >> 1
    elif x < -49:
        s[_DIR] -= (256 + (s[_DIR] << sg >> sg)) >> 1
    if u > 0 and u < FULL:
        u += s[HALF_PLAY] * (s[_DIR] << sg >> sg) >> 8
        if u < 0:
            u = 0
        elif u > FULL:
            u = FULL
    x = s[SLEW] * dt >> 15
    y = u - s[_X]
    if y > x:
        flags |= _SLEWING
        s[_X] += x
    elif y < -x:
        flags |= _SLEWING
        s[_X] -= x
    else:
        s[_X] = u
    s[FLAGS] = flags
    u = s[SHUT_US] + (u * (s[SPAN_US] << sg >> sg) >> 14)
    s[US] = u
    return u


@micropython.viper
def judge(s: ptr32, d: int) -> int:
    """Sum up a step of the sweep; 1 when the end speed has been crossed, else 0."""
    sg = s[_SIGN]
    x = (s[E] << sg >> sg) * 625 >> 11  # 1/10000
    if x < 0:
        x = -x
    if x > 5000:
        x = 5000
    if x > s[WORST]:
        s[WORST] = x
    if s[STEPS] < 4000:
        s[STEPS] += 1
        s[G_SUM] += s[G]
        x = s[SUM_LOW] + x * x
        s[SUM_HIGH] += x >> 12
        s[SUM_LOW] = x & 4095
    if s[U] >= FULL:
        s[OPEN_TICKS] += d
    elif s[U] <= 0:
        s[SHUT_TICKS] += d
    # how far off the line of late: where the whole of the speed crosses the end, not one rough turn
    x = s[W] - s[SET]
    if x > 2047:
        x = 2047
    elif x < -2047:
        x = -2047
    s[OFF] += ((x << 4) - (s[OFF] << sg >> sg)) * s[DT] >> 13
    # only the last sixteenth of the line has an end: before it, a swing will be caught
    rate = s[RATE] << sg >> sg
    x = s[SET] - s[END]
    left = s[START] - s[END] >> 4
    # the mean of four speeds, brought to now by the rate
    over = (s[W1] + s[W2] + s[W3] + s[_W4]) >> 2
    over = s[END] - over - (rate * (s[_D1] + s[_D2] + s[_D3]) >> 16)
    if rate > 0:
        x = -x
        left = -left
        over = -over
    return 1 if x <= left and over >= 0 else 0


def new_state():
    """A state that is all zero but for what must not be."""
    s = array("i", (0 for _ in range(SIZE)))
    s[INERTIA] = s[SLOPE] = s[W_LOW] = 1
    s[_SIGN] = WORD_BITS - 32
    return s


def restart(s, tick, speed, servo_us):
    """Settings, plan and what was learnt stay; all that a pull gathers starts anew."""
    for i in range(SIZE):
        if not SHUT_US <= i <= SLEW and i != _SIGN:
            s[i] = 0
    s[TICK] = tick
    s[US] = servo_us
    s[U] = min(max((servo_us - s[SHUT_US]) * FULL // (s[SPAN_US] or 1), 0), FULL)
    s[_X] = s[_U_SLOW] = s[U]
    s[U_MEAN] = s[U] << 8
    s[W1] = s[W2] = s[W3] = s[_W4] = s[_W_SLOW] = s[BEGIN_SPEED] = speed
    s[_D1] = s[_D2] = s[_D3] = 410
    s[F] = ONE_F
    s[_CALM] = 65536
    s[G] = s[G0] = 256
