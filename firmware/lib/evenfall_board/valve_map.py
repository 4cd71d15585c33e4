"""What the board knows of the bench it stands on: valve map and inertia.

Learned slots (learned.json, messages `learned` and `run_learned`):

    1          inertia seen by the controller: mN.m per half rpm/s, times 2**16
    2          how flow follows the opening: d ln(flow) / d ln(opening), times 256
    3          opening that held the top speed before the ramp, in 1/4096, plus 8192 times
               that speed in 16 half rpm
    4          how strongly the fill answers the valve, against what the gains assume, times 256
    5          ripple of the water supply, mHz
    6          delay from the command to the valve to the measured torque, 1/32768 s
    7          fill rate at the ramp's lowest speed (flow over water held) against the 5.35 1/s of the gains,
               times 256; plus 2048 times its weight, plus 2**20 times that of 2: 1/u**2 of the logarithms,
               in 1/16
    10 + k     at 512 k half rpm (256 k rpm): opening in 1/4096 of the servo's travel,
               plus 8192 times the brake torque in mN.m on a wide-open-throttle sweep

Integers below 2**30 only; nothing here allocates but `load` and `learn`.
"""

from array import array

from .native import const, micropython, ptr16, ptr32
from .ripple import MAX_MHZ, MIN_MHZ
from .speed_loop import FULL, MAX_DELAY, MIN_DELAY

SLOT_INERTIA = 1
_SLOT_VALVE_EXPONENT = const(2)
_SLOT_HOLD = const(3)
_SLOT_VALVE_GAIN = const(4)
_SLOT_RIPPLE = const(5)
SLOT_DELAY = 6
_SLOT_FILL_RATE = const(7)
_SLOT_KNOT = const(10)
_KNOTS = const(96)  # to 24,576 rpm
_KNOT_SHIFT = const(9)  # a knot each 512 half rpm
_KNOT_MASK = const(511)
_OPENING_MASK = const(8191)  # a slot holds the opening in 1/4096 below bit 13, torque or speed above
_TORQUE_SHIFT = const(13)
_OPENING_FULL = const(4096)
_MAX_RISE = const(1048575)  # mN.m between knots: times 256 it stays below 2**30
_MAX_SLOPE = const(8191)
_MAX_EXPONENT = const(16383)  # times 256
_TORQUE = const(0)  # places in what `look_up` gives
_EXPONENT = const(1)
_OPENING = const(2)
_MAX_KNOTS = const(53)  # with the seven above, what one message carries
MIN_INERTIA = 256
MAX_INERTIA = 262143
DEFAULT_VALVE_EXPONENT = 435  # d ln(flow) / d ln(opening) when nothing is known, times 256
_MIN_VALVE_EXPONENT = const(205)
_MAX_VALVE_EXPONENT = const(820)
_DEFAULT_VALVE_GAIN = const(256)  # the fill answers as assumed
_MIN_VALVE_GAIN = const(64)
_MAX_VALVE_GAIN = const(2048)
_MIN_FILL_RATE = const(64)
_MAX_FILL_RATE = const(180)  # a quicker fill is taken so: its lag, servo and hose want D more than it does


def isqrt(x):
    """Integer square root of 0 <= x < 2**30."""
    if x < 2:
        return x
    r = 1 << 15
    while True:
        s = (r + x // r) >> 1
        if s >= r:
            return r
        r = s


@micropython.viper
def look_up(torque: ptr32, opening: ptr16, low: int, high: int, half_rpm: int, out: ptr32):
    """Torque, its exponent times 256 and the opening between knots, held beyond the ends."""
    k = half_rpm >> _KNOT_SHIFT
    part = half_rpm & _KNOT_MASK
    if k < low:
        k = low
        part = 0
    elif k >= high:
        k = high
        part = 0
    t = torque[k]
    u = int(opening[k]) - 1
    if part > 0:
        u += (int(opening[k + 1]) - 1 - u) * part >> _KNOT_SHIFT
        t += (torque[k + 1] - t) * part >> _KNOT_SHIFT
    if t < 1:
        t = 1
    out[_TORQUE] = t
    out[_OPENING] = u
    # the slope over three knots' width: one knot's scatter is no torque curve
    a = k - 1 if k > low else low
    b = k + 2 if k + 2 < high else high
    x = 0
    if b > a:
        x = torque[b] - torque[a]
        if x > _MAX_RISE:
            x = _MAX_RISE
        elif x < -_MAX_RISE:
            x = -_MAX_RISE
        x = (x << 8) // ((b - a) * t)
        if x > _MAX_SLOPE:
            x = _MAX_SLOPE
        elif x < -_MAX_SLOPE:
            x = -_MAX_SLOPE
        x = x * half_rpm >> _KNOT_SHIFT
        if x > _MAX_EXPONENT:
            x = _MAX_EXPONENT
        elif x < -_MAX_EXPONENT:
            x = -_MAX_EXPONENT
    out[_EXPONENT] = x


class ValveMap:
    """Opening and torque over the set point, learned from run to run."""

    def __init__(self, learned):
        self.valve = array("H", bytearray(2 * _KNOTS))  # 1/16384 + 1; 0: not known
        self.torque = array("i", bytearray(4 * _KNOTS))  # mN.m
        self.inertia = 0  # 0: not known
        self.valve_exponent = DEFAULT_VALVE_EXPONENT
        self.valve_gain = _DEFAULT_VALVE_GAIN
        self.delay = 0  # 1/32768 s; 0: not known
        self.fill_rate = 0  # against 5.35 1/s, times 256
        self.weights = None  # of ln of the fill rate and of the exponent; None: not identified
        self.ripple_mHz = 0  # mHz; 0: none known
        self._found = array("i", (0, 0, 0))
        self._held = self._held_speed = 0  # opening 1/16384, half rpm; 0: not known
        self.low = _KNOTS  # first and last knot known
        self.high = -1
        if learned:
            self.load(learned)

    def load(self, learned):
        """Take what is in bounds of the slots; the rest is as if never learned."""
        value = learned.get(SLOT_INERTIA, 0)
        if MIN_INERTIA <= value <= MAX_INERTIA:
            self.inertia = value
        value = learned.get(_SLOT_VALVE_EXPONENT, 0)
        if _MIN_VALVE_EXPONENT <= value <= _MAX_VALVE_EXPONENT:
            self.valve_exponent = value
        value = learned.get(_SLOT_VALVE_GAIN, 0)
        if _MIN_VALVE_GAIN <= value <= _MAX_VALVE_GAIN:
            self.valve_gain = value
        value = learned.get(SLOT_DELAY, 0)
        if MIN_DELAY <= value <= MAX_DELAY:
            self.delay = value
        value = learned.get(_SLOT_FILL_RATE, 0)
        if 1 << 20 <= value < 1 << 29 and _MIN_FILL_RATE <= value & 2047 <= _MAX_FILL_RATE:
            self.fill_rate = value & 2047
            self.weights = value >> 11 & 511, value >> 20
        value = learned.get(_SLOT_RIPPLE, 0)
        if MIN_MHZ <= value <= MAX_MHZ:
            self.ripple_mHz = value
        value = learned.get(_SLOT_HOLD, 0)
        if 0 < value < 1 << 30 and value & _OPENING_MASK <= _OPENING_FULL:
            self._held = (value & _OPENING_MASK) << 2
            self._held_speed = value >> _TORQUE_SHIFT << 4
        for k in range(_KNOTS):
            value = learned.get(_SLOT_KNOT + k, 0)
            if 0 < value < 1 << 30 and value & _OPENING_MASK <= _OPENING_FULL:
                self.valve[k] = ((value & _OPENING_MASK) << 2) + 1
                self.torque[k] = value >> _TORQUE_SHIFT
        self.span()

    def span(self):
        """Longest run of known knots."""
        best = 0
        k = 0
        self.low, self.high = _KNOTS, -1
        while k < _KNOTS:
            first = k
            while k < _KNOTS and self.valve[k]:
                k += 1
            if k - first > best:
                best = k - first
                self.low, self.high = first, k - 1
            k += 1

    def covers(self, low_half_rpm, high_half_rpm):
        """True when the map reaches over these speeds but for a knot at each end."""
        return (self.low - 1) * 512 <= low_half_rpm and high_half_rpm <= (self.high + 1) * 512

    def opening(self, half_rpm):
        """Opening at a set point, 0 .. 16384."""
        return self.look_up(half_rpm)[_OPENING]

    def held_opening(self, half_rpm):
        """Opening that held this speed before the last ramp; the map's where none did."""
        off = half_rpm - self._held_speed
        if not self._held or off > half_rpm >> 5 or off < -(half_rpm >> 5):
            return self.opening(half_rpm)
        return self._held

    def held_speed(self):
        """Speed held before the last ramp, half rpm; 0: not known."""
        return self._held_speed if self._held else 0

    def note_held_opening(self, half_rpm, opening):
        """Remember what held the speed; as bounded as the map."""
        self._held_speed = min(max(half_rpm, 0), 65535)
        self._held = min(max(opening, 4), FULL)

    @micropython.native
    def look_up(self, half_rpm):
        """(torque mN.m at least 1, 256 d ln T / d ln w, opening 1/16384) at a set point, as an array."""
        look_up(self.torque, self.valve, self.low, self.high, half_rpm, self._found)
        return self._found

    def pairs(self, extra=True):
        """Slots of inertia, valve, brake and delay; with `extra` those of hold, ripple and knots too."""
        pairs = [
            (SLOT_INERTIA, self.inertia),
            (_SLOT_VALVE_EXPONENT, self.valve_exponent),
            (_SLOT_VALVE_GAIN, self.valve_gain),
        ]
        if self.delay:
            pairs.append((SLOT_DELAY, self.delay))
        if self.weights:
            packed = self.fill_rate + (self.weights[0] << 11) + (self.weights[1] << 20)
            pairs.append((_SLOT_FILL_RATE, packed))
        if not extra:
            return pairs
        if self.ripple_mHz:
            pairs.append((_SLOT_RIPPLE, self.ripple_mHz))
        if self._held:
            pairs.append((_SLOT_HOLD, (self._held_speed >> 4 << _TORQUE_SHIFT) + (self._held >> 2)))
        for k in range(self.low, min(self.high + 1, self.low + _MAX_KNOTS)):
            pairs.append((_SLOT_KNOT + k, (self.torque[k] << _TORQUE_SHIFT) + ((self.valve[k] - 1) >> 2)))
        return pairs


def clip(x, limit):
    return limit if x > limit else -limit if x < -limit else x


def _half_bits(x):
    """Shift that brings x >= 0 below 2**14, even number of bits, as half of it."""
    s = 0
    while x >> (2 * s) >= 16384:
        s += 1
    return s


class InertiaFit:
    """Inertia from how torque and speed change together, by geometric mean regression.

    At a fixed speed, torque T and dw/dt are bound by -J; changes of T, of speed w and of
    dw/dt within about 0.1 to 0.6 s are correlated with a memory of some 1.5 s, w is
    projected out.  The geometric mean of both regressions takes the noise of either side
    alike.  Needs no extra motion: loading the engine is enough.
    """

    def __init__(self):
        self._torque_low_pass = self._torque_mean = self._speed_low_pass = self._speed_mean = (
            self._rate_mean
        ) = 0
        self.restart()

    def restart(self):
        self._samples = 0
        self.correlation = 0  # correlation of torque and dw/dt at the last `solve`, 256 is full
        self._aa = self._ab = self._bb = self._ay = self._by = self._yy = 0
        self._torque_shift = 0  # torque is counted in 2**scale / 4 mN.m
        self._rate_shift = 0  # dw/dt in 2**fine half rpm/s

    def step(self, torque_mNm, half_rpm, dt15):
        """`half_rpm` two samples old, as the torque is; `dt15` in 1/32768 s."""
        t = torque_mNm << 4
        w = half_rpm << 4
        if self._samples == 0:
            self._torque_low_pass = self._torque_mean = t
            self._speed_low_pass = self._speed_mean = w
            self._rate_mean = 0
            self._samples = 1
            return
        k = dt15 * 1024 // (2621 + dt15)
        d = clip(t - self._torque_low_pass, 524287)
        self._torque_low_pass += (d * k) >> 10
        d = clip(w - self._speed_low_pass, 524287)
        self._speed_low_pass += (d * k) >> 10
        d = clip(w - self._speed_low_pass, 524287)
        d = d * 25 >> 5  # dw/dt of the smoothed speed, half rpm/s
        k = dt15 * 13 >> 8
        self._rate_mean += (d - self._rate_mean) * k >> 10
        y = d - self._rate_mean >> self._rate_shift
        d = clip(self._torque_low_pass - self._torque_mean, 524287)
        self._torque_mean += d * k >> 10
        a = d >> (2 + self._torque_shift)
        d = clip(self._speed_low_pass - self._speed_mean, 524287)
        self._speed_mean += d * k >> 10
        b = d >> 3
        if self._samples < 24:  # the filters settle first
            self._samples += 1
            return
        if (a > 1600 or a < -1600) and self._torque_shift < 6:
            self._torque_shift += 1
            a >>= 1
            self._aa >>= 2
            self._ab >>= 1
            self._ay >>= 1
        if (y > 1600 or y < -1600) and self._rate_shift < 6:
            self._rate_shift += 1
            y >>= 1
            self._yy >>= 2
            self._ay >>= 1
            self._by >>= 1
        a = clip(a, 2047)
        b = clip(b, 2047)
        y = clip(y, 2047)
        self._aa += a * a - (self._aa >> 7)
        self._ab += a * b - (self._ab >> 7)
        self._bb += b * b - (self._bb >> 7)
        self._ay += a * y - (self._ay >> 7)
        self._by += b * y - (self._by >> 7)
        self._yy += y * y - (self._yy >> 7)

    def moved(self):
        """How much the torque has changed of late, mN.m rms."""
        return isqrt(self._aa >> 7) << self._torque_shift >> 2

    def solve(self):
        """Inertia in mN.m per half rpm/s times 2**16; 0 when T and dw/dt do not go together."""
        p, q, r = _half_bits(self._aa), _half_bits(self._bb), _half_bits(self._yy)
        aa, bb, yy = self._aa >> 2 * p, self._bb >> 2 * q, self._yy >> 2 * r
        ab, ay, by = self._ab >> p + q, self._ay >> p + r, self._by >> q + r
        correlation = by * ab - ay * bb
        self.correlation = 0
        if correlation <= 0:
            return 0
        d_a = aa * bb - ab * ab
        d_y = yy * bb - by * by
        if d_a <= 0 or d_y <= 0:
            return 0
        # correlation; with noise on both sides the mean leans to the larger, sqrt(r) takes it back
        bound = correlation // ((isqrt(d_a) * isqrt(d_y) >> 8) or 1)
        if bound > 264:
            return 0  # more than fully: too little moved for integers of this size
        self.correlation = bound
        while d_y < 1 << 22 and d_a < 1 << 27:
            d_y <<= 1
            d_a <<= 1
        ratio = (d_a << 1) // ((d_y >> 13) or 1)  # times 2**14
        j = isqrt(ratio) * isqrt((bound if bound < 256 else 256) << 20) >> 14  # times 2**7
        shift = 7 + self._torque_shift + p - r - self._rate_shift
        if shift < 0:
            return j >> -shift
        if shift > 12 or j >> 18 - shift:
            return MAX_INERTIA
        return j << shift
