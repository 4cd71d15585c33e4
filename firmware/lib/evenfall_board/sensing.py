"""Ticks, speed, torque and zero in integers below 2**30; nothing here allocates after start.

A tick is 0.25 us modulo 2**30, so every time is a small integer on a 32-bit
board.  `tests/firmware` runs this file with integers that refuse to grow.
"""

from array import array

from evenfall_wire.codes import CLAMP_HIGH, CLAMP_LOW

from .drivers.ticks import PER_MS
from .native import const, micropython, ptr32

EDGES = const(64)  # magnet passages remembered
_WINDOW_TICKS = const(40000)  # a speed is averaged over whole turns of at least this: 10 ms
TOP_SPEED = const(65535)  # half rpm; what the trace can carry


# places in the state of Speed; the marks come last
_NEWEST = const(0)  # place of the newest edge
_COUNT = const(1)  # edges since the lock, at most EDGES
_LAST = const(2)  # tick of the newest edge
_MEAN = const(3)  # ticks between marks, over the last turn
_RAW_LAST = const(4)
_RAW = const(5)  # the last raw interval
_EVEN = const(6)
_ODD = const(7)
_PER_TURN = const(8)
_RPM_FACTOR = const(9)  # half rpm x ticks per turn, >> _SHIFT
_SHIFT = const(10)
_TIMEOUT = const(11)
_MISSED = const(12)
_EXTRA = const(13)
_HALF_RPM = const(14)
_MID_TICK = const(15)
_HELD_OVER = const(16)
_EDGES = const(17)
_MASK = const(0x3FFFFFFF)
_HALF = const(1 << 29)
_MAX_SPAN = const(0x03FFFFFF)  # ticks: times the magnets it stays below 2**30
_MAX_COUNT = const(0xFFFFFF)  # 24 bits and a zero of the other sign
_MAX_FACTOR = const(65535)
_LOW_BITS = const(12)  # a count is multiplied in two parts, so that both products stay small
_LOW_MASK = const(4095)
_MAX_MNM = const(0x0FFFFFFF)


@micropython.viper
def _forget(s: ptr32):
    """Start anew: speed 0 until two edges have come."""
    i = 0
    while i < 8:
        s[i] = 0
        i += 1
    s[_HALF_RPM] = 0
    s[_MID_TICK] = 0
    s[_HELD_OVER] = 1


@micropython.viper
def _push(s: ptr32, tick: int):
    at = s[_NEWEST] + 1
    if at == EDGES:
        at = 0
    s[_NEWEST] = at
    s[_EDGES + at] = tick
    s[_LAST] = tick
    n = s[_COUNT]
    if n < EDGES:
        n += 1
        s[_COUNT] = n
    if n > 1:
        back = s[_PER_TURN]
        if back > n - 1:
            back = n - 1
        at -= back
        if at < 0:
            at += EDGES
        x = ((tick - s[_EDGES + at]) & _MASK) // back
        s[_MEAN] = x if x > 0 else 1


@micropython.viper
def _edge(s: ptr32, tick: int):
    """Take one raw edge."""
    if s[_COUNT] == 0:
        s[_RAW_LAST] = tick
        _push(s, tick)
        return
    raw = (tick - s[_RAW_LAST]) & _MASK
    if raw >= _HALF:
        return  # out of order: a time base set anew
    before = s[_RAW]
    s[_RAW_LAST] = tick
    s[_RAW] = raw
    if raw > s[_TIMEOUT]:
        _forget(s)
        s[_RAW_LAST] = tick
        _push(s, tick)
        return
    if raw - (raw >> 2) < before and before - (before >> 2) < raw:
        s[_EVEN] += 1
    else:
        s[_EVEN] = 0
    expected = s[_MEAN]
    if expected == 0:
        _push(s, tick)
        return
    d = (tick - s[_LAST]) & _MASK
    lock = 0
    if d < expected - (expected >> 2) - (expected >> 3):  # under 5/8
        s[_EXTRA] += 1
        s[_ODD] += 1
    elif d > expected + (expected >> 1):
        n = (d + (expected >> 1)) // expected
        s[_ODD] += 1
        if n > 3:
            lock = 1
        else:
            s[_MISSED] += n - 1
            step = d // n
            last = s[_LAST]
            while n > 1:
                last = (last + step) & _MASK
                _push(s, last)
                n -= 1
            _push(s, tick)
    else:
        if s[_ODD] > 0:
            s[_ODD] -= 1
        _push(s, tick)
    if lock == 1 or (s[_ODD] > 0 and s[_EVEN] > s[_PER_TURN] + 2):
        # accept the newest raw interval
        s[_COUNT] = 0
        s[_ODD] = 0
        _push(s, (tick - raw) & _MASK)
        _push(s, tick)


@micropython.viper
def _update(s: ptr32, now: int):
    n = s[_COUNT] - 1
    since = (now - s[_LAST]) & _MASK
    if since >= _HALF:
        since = 0  # an edge that the clock has not reached yet
    if n < 1:
        if n == 0 and since > s[_TIMEOUT]:
            _forget(s)
        s[_HALF_RPM] = 0
        return
    if since > s[_TIMEOUT]:
        _forget(s)
        return
    per_turn = s[_PER_TURN]
    turn = s[_MEAN] * per_turn
    want = (_WINDOW_TICKS // turn + 1) * per_turn
    if want > n:
        if n >= per_turn:
            want = n - n % per_turn
        else:
            want = n
    if want >= EDGES:
        want = EDGES - 1
    at = s[_NEWEST] - want
    if at < 0:
        at += EDGES
    span = (s[_LAST] - s[_EDGES + at]) & _MASK
    s[_HELD_OVER] = 1 if since > s[_MEAN] << 1 else 0
    s[_MID_TICK] = (s[_LAST] - (span >> 1)) & _MASK
    if span > _MAX_SPAN:
        span = _MAX_SPAN
    span = (span * per_turn) >> s[_SHIFT]
    speed = TOP_SPEED
    if span >= 256:
        k = s[_RPM_FACTOR]
        while span >= 1 << 24:  # so that the remainder times `want` stays small
            span >>= 1
            k >>= 1
        speed = k // span * want + k % span * want // span
        if speed > TOP_SPEED:
            speed = TOP_SPEED
    s[_HALF_RPM] = speed


class Speed:
    """Crank speed in half rpm from the magnets' passages.

    An edge that comes much too early is extra and left out; one that comes
    after two or three intervals means missed ones, which are put in evenly.
    Both are counted.  The recorder keeps the raw edges; this edge repair serves
    the controller only.  When the raw intervals stay even for a turn and two
    while disagreeing with what was expected, they are accepted.
    """

    def __init__(self, settings):
        self._s = array("i", bytearray(4 * (_EDGES + EDGES)))
        self.configure(settings)

    def configure(self, settings):
        s = self._s
        s[_PER_TURN] = settings["magnets"]
        # half rpm = 2 * 60 * ticks per second * gear ratio / ticks per turn
        k = 480000000 * settings["brake_teeth"] // settings["engine_teeth"]
        shift = 0
        while k >= 1 << 29:
            k >>= 1
            shift += 1
        s[_RPM_FACTOR] = k
        s[_SHIFT] = shift
        s[_TIMEOUT] = settings["hall_timeout"] * PER_MS
        s[_MISSED] = s[_EXTRA] = 0
        self.forget()

    def forget(self):
        """Start anew: speed 0 until two edges have come."""
        _forget(self._s)
        self._show()

    def _show(self):
        s = self._s
        self.half_rpm = s[_HALF_RPM]
        self.mid_tick = s[_MID_TICK]  # when the crank had it: the middle of the turns it is a mean of
        self.held_over = s[_HELD_OVER] == 1

    @property
    def missed(self):
        return self._s[_MISSED]

    @property
    def extra(self):
        return self._s[_EXTRA]

    @micropython.native
    def edge(self, tick):
        """Take one raw edge."""
        _edge(self._s, tick)

    @micropython.native
    def update(self, now):
        """Work out `half_rpm` as seen at tick `now`; return it.

        While edges are missing the last speed stands (`held_over`), up to hall_timeout.
        """
        s = self._s
        _update(s, now)
        self.mid_tick = s[_MID_TICK]
        self.held_over = s[_HELD_OVER] == 1
        self.half_rpm = speed = s[_HALF_RPM]
        return speed


class Torque:
    """Counts to torque at the brake in mN.m, as the load cell shows it."""

    def __init__(self, settings):
        self.zero = 0
        self.configure(settings)

    def configure(self, settings):
        # mN.m = count * arm in um / (counts per kN); as count * _m >> _shift
        arm, span = settings["arm_length"], settings["span"]
        self.minus = span < 0
        span = abs(span)
        shift = 0
        while arm < span << 15 and shift < 44:
            arm <<= 1
            shift += 1
        self._m = min(arm // span, _MAX_FACTOR)
        self._shift = shift
        self.limit_count = min(abs(settings["span"]) * settings["load_limit"] // 1000, 1 << 24)

    @micropython.native
    def mNm(self, count):
        """Torque of a raw count; exact to 1 in 30,000 and 1 mN.m."""
        c = count - self.zero
        if self.minus:
            c = -c
        if c > _MAX_COUNT:
            c = _MAX_COUNT
        elif c < -_MAX_COUNT - 1:
            c = -_MAX_COUNT - 1
        m = self._m
        high = (c >> _LOW_BITS) * m + (((c & _LOW_MASK) * m) >> _LOW_BITS)
        shift = self._shift - _LOW_BITS
        if shift >= 0:
            return high >> shift
        if high > _MAX_MNM >> -shift:
            return _MAX_MNM
        if high < -(_MAX_MNM >> -shift):
            return -_MAX_MNM
        return high << -shift


_ZERO_SAMPLES = const(64)
_ZERO_SHARE = const(512)  # of the load limit: a block that spreads over more was not taken at rest
MAX_SPREAD_RATIO = 4  # nor one that spreads so many times as far as the quietest: the host leaves such out
QUIET_SPREAD_COUNTS = (
    512  # counts; the amplifier's own noise spreads over some 200 (90 nV rms at 2.4 nV a count)
)
MIN_SPREAD = (
    QUIET_SPREAD_COUNTS // MAX_SPREAD_RATIO
)  # a block that spread over less says nothing of how quiet the bench is


class Zero:
    """Mean and spread of blocks of samples taken while the brake stands still.

    `take()` is true when a steady block was just finished; its numbers are in
    `tick`, `mean_x16`, `spread`, `samples`.  A block that is not steady is left and
    the next one tried; `refused` counts those in a row.  The quietest block is
    forgotten a little with each, so a bench that has become rougher is accepted
    after some seconds, up to the share of the load limit.
    """

    def __init__(self, limit_count):
        self.configure(limit_count)
        self.refused = 0
        self._min_spread = 0  # the quietest block's spread
        self.tick = 0
        self.mean_x16 = 0
        self.spread = 0
        self.samples = 0
        self._n = 0
        self._first = 0
        self._sum = 0
        self._low = 0
        self._high = 0

    def configure(self, limit_count):
        """`limit_count`: the load limit in counts."""
        self.room = max(limit_count // _ZERO_SHARE, QUIET_SPREAD_COUNTS)

    def restart(self):
        self._n = 0

    def take(self, tick, count):
        """Take one sample; True when a block is complete. Allocates nothing.

        An end code of the amplifier is an overload or a broken wire and never part of a zero.
        """
        if count >= CLAMP_HIGH or count <= CLAMP_LOW:
            self._refuse()
            return False
        if self._n == 0:
            self._first = count
            self._sum = self._low = self._high = 0
        d = count - self._first
        if d > self.room or d < -self.room:
            self._refuse()
            return False
        self._sum += d
        if d < self._low:
            self._low = d
        elif d > self._high:
            self._high = d
        self._n += 1
        if self._n < _ZERO_SAMPLES:
            return False
        spread = self._high - self._low
        least = self._min_spread
        if spread > self.room or (
            least and spread > MAX_SPREAD_RATIO * least and spread > QUIET_SPREAD_COUNTS
        ):
            self._refuse()
            return False
        if least == 0 or spread < least:
            self._min_spread = spread if spread > MIN_SPREAD else MIN_SPREAD
        self.refused = 0
        self.tick = tick
        self.mean_x16 = (self._first << 4) + self._sum * 16 // _ZERO_SAMPLES
        self.spread = spread
        self.samples = _ZERO_SAMPLES
        self._n = 0
        return True

    def _refuse(self):
        self._n = 0
        self._min_spread += self._min_spread >> 3
        if self.refused < 10000:
            self.refused += 1
