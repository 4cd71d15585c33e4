"""Ticks, speed, torque and zero in integers below 2**30; nothing here allocates after start.

A tick is 0.25 us modulo 2**30, so every time is a small integer on a 32-bit
board.  `tests/firmware` runs this file with integers that refuse to grow.
"""

from array import array

from .drivers.ticks import HALF, MASK
from .drivers.ticks import diff as ticks_between
from .native import const, micropython

TICKS_PER_MS = const(4000)
MARKS = const(64)  # magnet passages remembered
WINDOW_TICKS = const(40000)  # a speed is averaged over whole turns of at least this: 10 ms
TOP_SPEED = const(65535)  # half rpm; what the trace can carry


class Speed:
    """Crank speed in half rpm from the magnets' passages.

    An edge that comes much too early is extra and left out; one that comes
    after two or three intervals means missed ones, which are put in evenly.
    Both are counted.  The recorder keeps the raw edges; this healing serves
    the controller only.  When the raw intervals stay even for a turn and two
    while disagreeing with what was expected, they are believed.
    """

    def __init__(self, settings):
        self._marks = array("i", bytearray(4 * MARKS))
        self.configure(settings)

    def configure(self, settings):
        self._per_turn = settings["magnets"]
        # half rpm = 2 * 60 * ticks per second * gear ratio / ticks per turn
        k = 480000000 * settings["brake_teeth"] // settings["engine_teeth"]
        shift = 0
        while k >= 1 << 29:
            k >>= 1
            shift += 1
        self._k = k
        self._shift = shift
        self._timeout = settings["hall_timeout"] * TICKS_PER_MS
        self.missed = 0
        self.extra = 0
        self.forget()

    def forget(self):
        """Start anew: speed 0 until two edges have come."""
        self._n = 0  # marks since the lock, at most MARKS
        self._at = 0  # place of the newest mark
        self._last = 0  # tick of the newest mark
        self._mean = 0  # ticks between marks, over the last turn
        self._raw_last = 0
        self._raw = 0  # the last raw interval
        self._even = 0
        self._odd = 0
        self.half_rpm = 0
        self.mid_tick = 0  # when the crank had `half_rpm`: the middle of the turns it is a mean of
        self.held_over = True

    @micropython.native
    def _push(self, tick):
        at = self._at + 1
        if at == MARKS:
            at = 0
        self._at = at
        self._marks[at] = tick
        self._last = tick
        n = self._n
        if n < MARKS:
            n += 1
            self._n = n
        if n > 1:
            back = self._per_turn
            if back > n - 1:
                back = n - 1
            self._mean = ((tick - self._marks[at - back]) & MASK) // back or 1

    def _lock(self, tick, interval):
        """Believe the newest raw interval."""
        self._n = 0
        self._odd = 0
        self._push((tick - interval) & MASK)
        self._push(tick)

    @micropython.native
    def edge(self, tick):
        """Take one raw edge."""
        if self._n == 0:
            self._raw_last = tick
            self._push(tick)
            return
        raw = (tick - self._raw_last) & MASK
        if raw >= HALF:
            return  # out of order: a time base set anew
        before = self._raw
        self._raw_last = tick
        self._raw = raw
        if raw > self._timeout:
            self.forget()
            self._raw_last = tick
            self._push(tick)
            return
        if raw - (raw >> 2) < before and before - (before >> 2) < raw:
            self._even += 1
        else:
            self._even = 0
        expected = self._mean
        if expected == 0:
            self._push(tick)
            return
        d = (tick - self._last) & MASK
        if d < expected - (expected >> 2) - (expected >> 3):  # under 5/8
            self.extra += 1
            self._odd += 1
        elif d > expected + (expected >> 1):
            n = (d + (expected >> 1)) // expected
            self._odd += 1
            if n > 3:
                self._lock(tick, raw)
                return
            self.missed += n - 1
            step = d // n
            last = self._last
            while n > 1:
                last = (last + step) & MASK
                self._push(last)
                n -= 1
            self._push(tick)
        else:
            if self._odd:
                self._odd -= 1
            self._push(tick)
        if self._odd and self._even > self._per_turn + 2:
            self._lock(tick, raw)

    @micropython.native
    def update(self, now):
        """Work out `half_rpm` as seen at tick `now`; return it.

        While edges are missing the last speed stands (`held_over`), up to hall_timeout.
        """
        n = self._n - 1
        if n < 1:
            if n == 0 and ticks_between(now, self._last) > self._timeout:
                self.forget()
            self.half_rpm = 0
            return 0
        per_turn = self._per_turn
        turn = self._mean * per_turn
        want = (WINDOW_TICKS // turn + 1) * per_turn
        if want > n:
            want = n - n % per_turn or n
        if want >= MARKS:
            want = MARKS - 1
        at = self._at
        span = (self._last - self._marks[at - want]) & MASK
        since = ticks_between(now, self._last)
        if since > self._timeout:
            self.forget()
            return 0
        self.held_over = since > self._mean << 1
        self.mid_tick = (self._last - (span >> 1)) & MASK
        if span > 0x03FFFFFF:
            span = 0x03FFFFFF
        span = (span * per_turn) >> self._shift
        if span < 256:
            speed = TOP_SPEED
        else:
            k = self._k
            while span >= 1 << 24:  # so that the remainder times `want` stays small
                span >>= 1
                k >>= 1
            speed = k // span * want + k % span * want // span
        if speed > TOP_SPEED:
            speed = TOP_SPEED
        self.half_rpm = speed
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
        self._m = min(arm // span, 65535)
        self._shift = shift
        self.limit_count = min(abs(settings["span"]) * settings["load_limit"] // 1000, 1 << 24)

    @micropython.native
    def mNm(self, count):
        """Torque of a raw count; exact to 1 in 30,000 and 1 mN.m."""
        c = count - self.zero
        if self.minus:
            c = -c
        if c > 16777215:
            c = 16777215
        elif c < -16777216:
            c = -16777216
        m = self._m
        high = (c >> 12) * m + (((c & 4095) * m) >> 12)
        shift = self._shift - 12
        if shift >= 0:
            return high >> shift
        if high > 0x0FFFFFFF >> -shift:
            return 0x0FFFFFFF
        if high < -(0x0FFFFFFF >> -shift):
            return -0x0FFFFFFF
        return high << -shift


ZERO_SAMPLES = 64
ZERO_SHARE = 512  # of the load limit: a block that spreads over more was not taken at rest
UNQUIET = 4  # nor one that spreads so many times as far as the quietest: the host leaves such out
QUIET = 512  # counts; the amplifier's own noise spreads over some 200 (90 nV rms at 2.4 nV a count)


class Zero:
    """Mean and spread of blocks of samples taken while the brake stands still.

    `take()` is true when a steady block was just finished; its numbers are in
    `tick`, `mean_x16`, `spread`, `samples`.  A block that is not steady is left and
    the next one tried; `refused` counts those in a row.  The quietest block is
    forgotten a little with each, so a bench that has become rougher is believed
    after some seconds, up to the share of the load limit.
    """

    def __init__(self, limit_count):
        self.configure(limit_count)
        self.refused = 0
        self._least = 0  # the quietest block's spread
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
        self.room = max(limit_count // ZERO_SHARE, QUIET)

    def restart(self):
        self._n = 0

    def take(self, tick, count):
        """Take one sample; True when a block is complete. Allocates nothing."""
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
        if self._n < ZERO_SAMPLES:
            return False
        spread = self._high - self._low
        least = self._least
        if spread > self.room or (least and spread > UNQUIET * least and spread > QUIET):
            self._refuse()
            return False
        if least == 0 or spread < least:
            self._least = spread or 1
        self.refused = 0
        self.tick = tick
        self.mean_x16 = (self._first << 4) + self._sum * 16 // ZERO_SAMPLES
        self.spread = spread
        self.samples = ZERO_SAMPLES
        self._n = 0
        return True

    def _refuse(self):
        self._n = 0
        self._least += self._least >> 3
        if self.refused < 10000:
            self.refused += 1
