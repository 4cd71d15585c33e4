"""The sweep controller: speed falls in a straight line, the valve follows.

Pure integers, no I/O, no allocation in `step`; every intermediate stays below
2**30 in magnitude.  Runs in MicroPython and CPython.

    c = Sweep(settings, learned)     settings: name -> int, learned: slot -> int
    c.begin(tick, speed_half_rpm, servo_us)          enters HOLD
    c.speed_tick = when the speed was so         before each step, if it is known
    servo_us = c.step(tick, speed_half_rpm, torque_mNm)   at every load sample
    c.phase, c.set_half_rpm, c.flags, c.sweep_start_tick, c.sweep_end_tick
    c.verdict()      tuple: message "verdict", fields verdict .. saturated_shut_ms
    c.learn()        list of (slot, value), bounded; empty with `learning` off
    c.abort(reason)  number in codes.REASONS; goes to RELEASE, keeps the load
    c.characterise_begin(); servo_us = c.characterise_step(tick, speed, torque)

`tick` is 0.25 us modulo 2**30; `speed_half_rpm` is crankshaft speed in
half rpm; `torque_mNm` is the brake's torque as the load cell shows it now,
late by the amplifier's filter (the controller allows for two sample periods).

How it works.  A brake's torque goes as fill x speed^2 and its outflow as
speed x fill^m, an engine's torque as some power n of speed.  So the logarithm of
speed answers the logarithm of flow with a gain that has no unit, -1 / (m (2 - n)),
through two lags: the fill's rate (about A per second, growing with speed) and the shaft's,
(2 - n) T / (J w).  Three figures are found while the engine is loaded: T / (J w),
n, and the opening that holds the speed.  A proportional-integral-rate rule on the
relative error, which cancels both lags, then sets the *relative* opening; its gains
follow torque and speed by themselves, whatever the size of engine, brake and valve.

    opening = base x (1 + integral) x (1 + P e + D de/dt)

`base` is the opening learnt over speed (valve_map), or before anything is learnt
the hold's opening scaled with the torque that the engine shows and the speed.
"""

from evenfall_wire.codes import REASONS, VERDICTS

from .valve_map import (
    FULL,
    INERTIA_MAX,
    INERTIA_MIN,
    ZERO_FLOW,
    InertiaFit,
    ValveMap,
    exp2_x1024,
    log2_x1024,
    root,
)

HOLD = 0
FALL = 1
RELEASE = 2
DONE = 3

MASK = 0x3FFFFFFF
OPEN_LIMIT, SHUT_LIMIT, SLEWING, IN_SWEEP = 1, 2, 4, 8  # codes.TRACE_BITS

# stages within the phases
_LOAD, _STEADY, _LEAD, _RUN, _KEEP, _UNLOAD, _OFF = range(7)

STEP_TICKS = 36000  # samples closer than 9 ms are averaged: the servo takes 50 a second
LAG_TICKS = 240000  # 60 ms; an older speed is taken as it is
LEAD_TICKS = 1600000  # 0.4 s from standing set speed to the full rate, before the clock starts
STEADY_Q15 = 330  # within 1 % is steady
GIVE_UP_MS = 6000  # of trying to hold, above the steady time
WC_M = 1400  # crossover 7.8 /s x m 0.7, times 256
A = 4  # rate of the fill at the lowest speed, 1/s: a cautious one
P_SHAFT = WC_M << 8
P_FILL = WC_M // A
D_SHAFT = (WC_M << 12) // A
ONE_F = 1 << 23
F_MIN = ONE_F // 5
F_MAX = ONE_F * 4
TORQUE_MAX = 131071


def _reason(name):
    return REASONS.index(name)


_TIME_OFF = _reason("time_off")
_TRACKING_OFF = _reason("tracking_off")
_FULL_OPEN = _reason("valve_full_open")
_SHUT = _reason("valve_shut")
_SUPPLY_LOW = _reason("supply_low")
_NOT_HELD = _reason("top_speed_not_held")
_GOOD, _FAIR, _POOR, _ABORTED = [VERDICTS.index(n) for n in ("good", "fair", "poor", "aborted")]


class Sweep:
    """One pull, or one characterisation run."""

    def __init__(self, settings, learned):
        self._shut_us = settings["servo_shut"]
        self._span_us = settings["servo_open"] - settings["servo_shut"]
        span = abs(self._span_us) or 1
        self._half_play = settings["servo_backlash"] * (FULL // 2) // span
        self._slew = min(settings["servo_slew"] * FULL // span, 1 << 18)
        self._start_setting = settings["start_speed"] * 2
        self._end_setting = settings["end_speed"] * 2
        self._upward = settings["upward"]
        self._sweep_time = self._sweep_ms = settings["sweep_time"]
        self._steady_ticks = settings["steady_time"] * 4000
        self._learning = settings["learning"]
        self.map = ValveMap(learned if self._learning else None)
        self._fit = InertiaFit()
        self._ask = False
        self.phase = DONE
        self.set_half_rpm = 0
        self.speed_tick = -1
        self._acc = 0  # what the set speed did at the last step, half rpm/s
        self.flags = 0
        self.sweep_start_tick = 0
        self.sweep_end_tick = 0
        self._reset(0, 0, self._shut_us)
        self._stage = _OFF

    # --- begin, plan ---------------------------------------------------------

    def begin(self, tick, speed_half_rpm, servo_us):
        """Take the valve over as it stands; bring the engine to its held speed."""
        self._ask = False
        self._sweep_ms = self._sweep_time
        self._reset(tick, speed_half_rpm, servo_us)
        self._table = self._learning and self.map.covers(
            min(self._start, self._end) + 512, max(self._start, self._end) - 512
        )

    def characterise_begin(self):
        """A slow guided pull that ignores the table and replaces it."""
        self._ask = True
        self.phase = HOLD

    def characterise_step(self, tick, speed_half_rpm, torque_mNm):
        if self._ask:
            self._ask = False
            self._sweep_ms = 20000
            self._reset(tick, speed_half_rpm, self._us)
            self._fresh = True
        return self.step(tick, speed_half_rpm, torque_mNm)

    def _reset(self, tick, speed, servo_us):
        self.phase = HOLD
        self._stage = _LOAD
        self._fresh = False
        self._table = False
        self._acc = 0
        self._tick = self._begin_tick = self._stage_tick = tick
        self._us = servo_us
        self._u = min(max((servo_us - self._shut_us) * FULL // (self._span_us or 1), 0), FULL)
        self._x = self._ramp = self._u_slow = self._u
        self._u_mean = self._u << 8
        self._dir = 0
        self._w1 = self._w2 = self._w3 = self._w4 = self._w_slow = self._begin_speed = speed
        self._d1 = self._d2 = self._d3 = 410
        self._sum = self._n = 0
        self._started = False
        self._te = self._te_slow = 0  # engine's torque at the brake, 1/4 mN.m
        self._xx = self._xy = 0
        self._fit.restart()
        self._count = 0
        self._set_inertia(self.map.inertia)
        self._fits = 8 if self.map.inertia else 0
        self._f = ONE_F
        self._log_base = self._held_base = 0
        self._slope = self.map.slope
        self._steady = 0
        self._too_low = 0
        self._reason = 0
        self._held = True
        self._sum_low = self._sum_high = self._steps = self._worst = 0
        self._open_ticks = self._shut_ticks = 0
        self._off = 0
        self._end_torque = 0
        self._floor = 0
        self.flags = 0
        self.sweep_start_tick = self.sweep_end_tick = tick
        self.map.clear_record()
        high = self._start_setting
        if not high:
            high = speed - (speed >> 5)
        low = self._end_setting
        if self._upward:
            self._end = max(high, low + 200)
            self._plan_from_start(low)
        else:
            self._end = low
            if self._start_setting:
                self._plan_from_start(max(high, low + 200))
            else:
                self._plan_from_held(max(high, low + 200))
        self._w_low = min(self._start, self._end)
        self._set16 = max(speed, self._held_speed) << 4
        self.set_half_rpm = self._set16 >> 4

    def _plan_from_start(self, start):
        self._start = start
        self._rate = (self._end - start) * 1000 // self._sweep_ms
        self._held_speed = start - self._rate // 5

    def _plan_from_held(self, held):
        """The lead-in from the held speed takes 0.4 s and a fifth of a second's fall."""
        self._held_speed = held
        self._rate = (self._end - held) * 1000 // (self._sweep_ms + 200)
        self._start = held + self._rate // 5

    def _set_inertia(self, j):
        self._inertia = j
        s = 0
        while j >> s >= 4096:
            s += 1
        self._jm = j >> s
        self._js = 16 - s

    # --- one sample ----------------------------------------------------------

    def step(self, tick, speed_half_rpm, torque_mNm):
        stage = self._stage
        if stage == _OFF:
            return self._us
        d = (tick - self._tick) & MASK
        if d >= 1 << 29:
            return self._us  # older than what was seen
        t = torque_mNm
        if t > TORQUE_MAX:
            t = TORQUE_MAX
        elif t < -TORQUE_MAX:
            t = -TORQUE_MAX
        self._sum += t
        self._n += 1
        if d < STEP_TICKS and self._n < 64:
            return self._us
        t = self._sum // self._n
        self._sum = self._n = 0
        self._tick = tick
        if d > 400000:
            d = 400000
        w = speed_half_rpm
        if w < 1000:  # no speed to go by: keep the load as it is; the guard decides
            return self._us
        # the speed is a mean of turns gone by: bring it to now along the set line
        if self.speed_tick >= 0:
            x = (tick - self.speed_tick) & MASK
            if x < LAG_TICKS:
                w += self._acc * (x >> 7) >> 15
        if w > 65535:
            w = 65535
        dt = d * 1074 >> 17  # 1/32768 s

        # changes of speed over two and four samples, half rpm/s
        back = dt + self._d1
        x = w - self._w2
        if x > 16383:
            x = 16383
        elif x < -16383:
            x = -16383
        wd = (x << 15) // back
        if wd > 131071:
            wd = 131071
        elif wd < -131071:
            wd = -131071
        x = w - self._w4
        if x > 16383:
            x = 16383
        elif x < -16383:
            x = -16383
        wd4 = (x << 15) // (back + self._d2 + self._d3)
        if wd4 > 131071:
            wd4 = 131071
        elif wd4 < -131071:
            wd4 = -131071
        fit = self._fit
        fit.step(t, (self._w1 + self._w2) >> 1, dt)
        self._d3 = self._d2
        self._d2 = self._d1
        self._d1 = dt
        self._w4 = self._w3
        self._w3 = self._w2
        self._w2 = self._w1
        self._w1 = w

        # inertia, until the sweep is over
        tp = t if t > 50 else 50
        tw = (tp << 12) // w
        if tw > 131071:
            tw = 131071
        if self._inertia == 0:
            self._set_inertia(max(tw << 2, INERTIA_MIN) if tw < 65536 else INERTIA_MAX)
        self._count += 1
        if self._count & 7 == 0 and self._count > 48 and stage <= _RUN:
            j = fit.solve()
            low = tw * 16 // 10
            if j < low:
                j = low
            elif j > tw * 200:
                j = tw * 200
            if j > INERTIA_MAX:
                j = INERTIA_MAX
            if self._fits < 16:
                self._fits += 1
            j = self._inertia + (j - self._inertia) // self._fits
            self._set_inertia(j if j > INERTIA_MIN else INERTIA_MIN)

        # the engine's torque: smoothed over 80 ms, and its trend over 0.3 s
        te = (t + (self._jm * wd4 >> self._js)) << 2
        if not self._started:
            self._started = True
            self._te = self._te_slow = te
        k = dt * 25 >> 4
        if k > 4096:
            k = 4096
        x = te - self._te
        if x > 131071:
            x = 131071
        elif x < -131071:
            x = -131071
        self._te += x * k >> 12
        x = self._te - self._te_slow
        if x > 131071:
            x = 131071
        elif x < -131071:
            x = -131071
        k = dt * 27 >> 6
        self._te_slow += x * k >> 12
        te = self._te + (x * 94 >> 8)
        if te < 80:
            te = 80
        elif te > 524287:
            te = 524287
        # n: how the torque goes with speed
        y = w - self._w_slow
        self._w_slow += y * k >> 12
        if y > 2047:
            y = 2047
        elif y < -2047:
            y = -2047
        if x > 32767:
            x = 32767
        elif x < -32767:
            x = -32767
        k = dt * 5 >> 4
        self._xx += ((y * y - self._xx) >> 8) * k >> 4
        self._xy += ((x * y - self._xy) >> 8) * k >> 4
        x = self._begin_speed >> 8
        x = (self._xx + x * x) >> 4
        y = self._xy
        if y > 1 << 27:
            y = 1 << 27
        elif y < -(1 << 27):
            y = -(1 << 27)
        y = (y << 2) // (x or 1)
        if y > 16383:
            y = 16383
        elif y < -16383:
            y = -16383
        n = (y * (w >> 2) // te) << 4

        # where the set speed is
        acc = 0
        if stage == _RUN:
            acc = self._rate
            self._along(tick)
        elif stage == _LEAD:
            x = ((tick - self._stage_tick) & MASK) >> 8
            if x >= LEAD_TICKS >> 8:
                self._stage = stage = _RUN
                self.phase = FALL
                self.sweep_start_tick = (self._stage_tick + LEAD_TICKS) & MASK
                acc = self._rate
                self._along(tick)
            else:
                acc = self._rate * x // (LEAD_TICKS >> 8)
                self._set16 = (self._held_speed << 4) + acc * x // 1954
        elif stage <= _STEADY:
            goal = self._held_speed << 4
            if self._set16 > goal:
                x = (goal >> 4 if goal > 16384 << 4 else 16384) * 5 >> 6
                acc = -x
                self._set16 -= x * dt >> 11
                if self._set16 < goal:
                    self._set16 = goal
                    acc = 0
            elif self._set16 < goal:
                self._set16 = goal
        self._acc = acc if -16384 < acc < 16384 else 0
        set_speed = self._set16 >> 4
        if set_speed < 512:
            set_speed = 512
        self.set_half_rpm = set_speed

        # relative error and its rate
        x = w - set_speed
        if x > 8191:
            x = 8191
        elif x < -8191:
            x = -8191
        e = (x << 15) // set_speed
        if e > 16384:
            e = 16384
        elif e < -16384:
            e = -16384
        x = wd - acc
        if x > 131071:
            x = 131071
        elif x < -131071:
            x = -131071
        ed = (x << 12) // set_speed
        if ed > 32767:
            ed = 32767
        elif ed < -32767:
            ed = -32767

        # shaft rate T / (J w) and 2 - n
        table = self._table
        if table:
            tt = self.map.torque(set_speed)
            x = ((self.map.torque(set_speed + 512) - self.map.torque(set_speed - 512)) << 8) // tt
            if x > 4096:
                x = 4096
            elif x < -4096:
                x = -4096
            n = x * set_speed >> 10
            x = (tt << 12) // w
        else:
            x = (te << 10) // w
        if x > 131071:
            x = 131071
        lj = (x << 12) // self._inertia
        if lj > 3840:
            lj = 3840
        elif lj < 31:
            lj = 31
        kap = 512 - n
        if kap > 1536:
            kap = 1536
        elif kap < 102:
            kap = 102

        if stage == _LOAD:
            u = self._load(dt, e, te, set_speed, w)
        elif stage == _UNLOAD:
            u = self._unload(dt, te, e)
        else:
            # base opening
            if table:
                # held and falling take different openings: what the integral holds is the water's
                if stage > _LEAD:
                    base = self.map.opening(set_speed)
                else:
                    base = self.map.hold(self._held_speed)
                    if stage == _LEAD:
                        x = ((tick - self._stage_tick) & MASK) >> 8
                        base += (self.map.opening(set_speed) - base) * x // (LEAD_TICKS >> 8)
                base += ZERO_FLOW
            else:
                x = te - ((self._jm * acc >> self._js) << 2)
                base = self._base(x if x > 80 else 80, set_speed) if stage > _STEADY else self._held_base
            # the fill follows faster the faster the brake turns
            x = (self._w_low << 8) // set_speed
            if x > 256:
                x = 256
            elif x < 64:
                x = 64
            p = P_SHAFT // lj + ((kap * P_FILL >> 8) * x >> 8)
            pd = (p * e >> 8) + (((D_SHAFT // lj) * x >> 9) * ed >> 8)
            if pd > 1048575:
                pd = 1048575
            elif pd < -1048575:
                pd = -1048575
            pd = pd * 32 // self._slope
            if pd > 6144:
                pd = 6144
            elif pd < -3686:
                pd = -3686
            f = self._f
            u = base * (f >> 11) >> 12
            if u > 65535:
                u = 65535
            u = (u * (4096 + pd) >> 12) - ZERO_FLOW
            # the integral, unless it would press against an end of the valve
            x = ((kap * WC_M >> 8) * (f >> 15) >> 8) * 256 // self._slope
            x = x * e
            if x > 134217727:
                x = 134217727
            elif x < -134217727:
                x = -134217727
            if not (u <= self._floor and x < 0) and not (u >= FULL and x > 0):
                f += (x >> 9) * dt >> 6
                if f > F_MAX:
                    f = F_MAX
                elif f < F_MIN:
                    f = F_MIN
                self._f = f
            if stage == _STEADY:
                self._wait(d, e, wd, u, te, set_speed, w)
            elif stage <= _RUN:
                if stage == _RUN:
                    self._judge(tick, d, e, u)
                self.map.record(set_speed, min(max(u, 0), FULL), t)
            elif stage == _KEEP:
                self._keep(d, te, w)

        # limits, play of the linkage, microseconds
        flags = IN_SWEEP if self.phase == FALL else 0
        if u >= FULL:
            u = FULL
            flags |= OPEN_LIMIT
        elif u <= self._floor:
            u = self._floor
            if u == 0:
                flags |= SHUT_LIMIT
        self._u = u
        self._u_mean += ((u << 8) - self._u_mean) >> 5
        x = u - self._u_slow
        self._u_slow += x * 77 >> 8
        if x > 49:
            self._dir += (256 - self._dir) >> 1
        elif x < -49:
            self._dir -= (256 + self._dir) >> 1
        if 0 < u < FULL:
            u += self._half_play * self._dir >> 8
            if u < 0:
                u = 0
            elif u > FULL:
                u = FULL
        x = self._slew * dt >> 15
        y = u - self._x
        if y > x or y < -x:
            flags |= SLEWING
            self._x += x if y > 0 else -x
        else:
            self._x = u
        self.flags = flags
        self._us = self._shut_us + (u * self._span_us >> 14)
        return self._us

    # --- parts of a step -----------------------------------------------------

    def _along(self, tick):
        """Set speed on the straight line; runs on past the end by an eighth."""
        elapsed = (tick - self.sweep_start_tick) & MASK
        whole = elapsed >> 12
        span = self._end - self._start
        total = self._sweep_ms * 125 >> 7
        if whole > total + (total >> 3):
            whole = total + (total >> 3)
        half = span > 32767 or span < -32767
        if half:
            span >>= 1
        x = (span * whole + (span * ((elapsed >> 6) & 63) >> 6)) // total
        if half:
            x <<= 1
        x += self._start
        self._set16 = (x if x > 512 else 512) << 4

    def _base(self, te, set_speed):
        """Opening + leak that this torque at this speed takes, from the held one."""
        m = 183501 // self._slope
        x = self._log_base + (m * log2_x1024(te) >> 10)
        x -= (104858 // self._slope) * log2_x1024(set_speed) >> 10
        if x > 15359:
            x = 15359
        elif x < 0:
            x = 0
        return exp2_x1024(x)

    def _rebase(self, te, set_speed):
        """Make the present opening the base."""
        x = (183501 // self._slope) * log2_x1024(te) >> 10
        y = (104858 // self._slope) * log2_x1024(set_speed) >> 10
        self._held_base = self._u + ZERO_FLOW
        self._log_base = log2_x1024(self._held_base) - x + y
        self._f = ONE_F

    def _load(self, dt, e, te, set_speed, w):
        """Open at a steady rate until the engine comes down to the set speed."""
        near = e < 197 and self._begin_speed - set_speed >= (self._begin_speed >> 7) or e < -160
        u = self._ramp
        if self._table:
            goal = self.map.hold(self._held_speed)
            x = 24576 * dt >> 15
            y = goal - u
            if y > x:
                u += x
            elif y < -x:
                u -= x
            else:
                u = goal
                near = self._count > 32
            if near:
                self._f = ONE_F
        else:
            if e > 0:
                u += 4096 * dt >> 15
            if near:
                self._u = u
                self._rebase(te, set_speed)
        if u > FULL:
            u = FULL
        self._ramp = u
        if near or self._count > 800:
            if not near:
                self._u = u
                self._rebase(te, set_speed)
            self._stage = _STEADY
            self._steady = 0
            self._stage_tick = self._tick
        return u

    def _wait(self, d, e, wd, u, te, set_speed, w):
        """Steady at the held speed for as long as asked; then lead in."""
        on_goal = self._set16 == self._held_speed << 4
        if not on_goal:
            self._stage_tick = self._tick  # the way there does not count
        if on_goal and -STEADY_Q15 < e < STEADY_Q15:
            self._steady += d
        else:
            self._steady -= d
            if self._steady < 0:
                self._steady = 0
        # an engine that cannot reach the speed with the valve shut gets a lower one
        slow = (w >> 4) + (w >> 5)
        if u <= 0 and e < 0 and -slow < wd < slow:
            self._too_low += d
            if self._too_low > 1200000:
                self._too_low = 0
                if self._start_setting and not self._upward:
                    self._held = False
                self._lower(w)
        else:
            self._too_low = 0
        since = (self._tick - self._stage_tick) & MASK
        late = since > GIVE_UP_MS * 4000 + self._steady_ticks
        if self._steady > self._steady_ticks and self._count > 96 or late:
            if late:
                self._held = False
                self._lower(w)
            self._start_lead(te, set_speed)

    def _lower(self, w):
        if not self._upward:
            low = self._end + 200
            held = w - (w >> 6)
            self._plan_from_held(held if held > low else low)
            self._set16 = self._held_speed << 4

    def _start_lead(self, te, set_speed):
        if self._table:
            # does the table speak of this engine and this water?
            tt = self.map.torque(set_speed) << 2
            if (
                te > tt + (tt >> 1) + (tt >> 3)
                or te < (tt >> 1) + (tt >> 3)
                or not ONE_F // 2 < self._f < ONE_F * 2
            ):
                self._table = False
        self.map.note_hold(self._held_speed, self._u_mean >> 8)
        if not self._table:
            self._rebase(te, set_speed)
        self._stage = _LEAD
        self._stage_tick = self._tick

    def _judge(self, tick, d, e, u):
        """Sum up the sweep; end it when the end speed is crossed."""
        x = e * 625 >> 11  # 1/10000
        if x < 0:
            x = -x
        if x > 5000:
            x = 5000
        if x > self._worst:
            self._worst = x
        if self._steps < 4000:
            self._steps += 1
            self._sum_low += x * x
            self._sum_high += self._sum_low >> 12
            self._sum_low &= 4095
        if u >= FULL:
            self._open_ticks += d
        elif u <= 0:
            self._shut_ticks += d
        gone = (tick - self.sweep_start_tick) & MASK
        # the mean of four samples, brought to now by the rate: one rough turn ends no sweep
        rate = self._rate
        over = (self._w1 + self._w2 + self._w3 + self._w4) >> 2
        over = self._end - over - (rate * (self._d1 + self._d2 + self._d3) >> 16)
        if rate > 0:
            over = -over
        else:
            rate = -rate
        if over >= 0 and gone > 200000:
            back = ((over if over < 1024 else 1024) << 12) // (rate or 1) * 977
            self._finish(tick - (back if back < d else d) & MASK)
        elif gone > self._sweep_ms * 6000:
            self._off = _TIME_OFF
            self._finish(tick)

    def _finish(self, tick):
        self.sweep_end_tick = tick
        self.phase = RELEASE
        self._stage = _KEEP
        self._end_torque = self._te if self._te > 400 else 400
        self._floor = self._u >> 1
        self._too_low = 0
        self._set16 = self._end << 4

    def _keep(self, d, te, w):
        """Load stays on until the engine's torque is gone."""
        if self._te < self._end_torque >> 2 or w < (self._set16 >> 4) * 3 >> 2:
            self._too_low += d
            if self._too_low > 600000:
                self._stage = _UNLOAD
        else:
            self._too_low = 0

    def _unload(self, dt, te, e):
        """Shut slowly; take the load back should the engine pull again."""
        self._floor = 0
        u = self._u - (12288 * dt >> 15)
        if e > 1000 and self._te > self._end_torque >> 1:
            self._stage = _KEEP
            self._floor = self._u >> 1
            self._too_low = 0
            self._f = ONE_F
            self._table = False
            self._rebase(te, self.set_half_rpm)
        elif u <= 0:
            u = 0
            self._stage = _OFF
            self.phase = DONE
        return u

    # --- before, after -------------------------------------------------------

    def abort(self, reason):
        """Stop the sweep where it is: the load stays on until the throttle is shut."""
        self._reason = reason
        if self.phase in (HOLD, FALL) and self._stage != _OFF:
            end = self._end
            if self._stage <= _STEADY:
                self.sweep_start_tick = self._tick
                if self._log_base == 0 and not self._table:
                    self._rebase(max(self._te, 80), max(self.set_half_rpm, 512))
            self._finish(self._tick)
            self._end_torque = max(self._te, 400)
            self._set16 = max(self._w1, 1024) << 4
            self._end = end
        self.phase = RELEASE if self._stage != _OFF else DONE
        self._ask = False

    def verdict(self):
        """verdict, reason, start and end tick, start and end speed, rms, worst, ms at the ends."""
        n = self._steps or 1
        high = self._sum_high
        mean = (high // n << 12) + (((high % n) << 12) + self._sum_low) // n
        rms = root(mean)
        open_ms = min(self._open_ticks // 4000, 65535)
        shut_ms = min(self._shut_ticks // 4000, 65535)
        took = ((self.sweep_end_tick - self.sweep_start_tick) & MASK) // 400
        off = abs(took - self._sweep_ms * 10)  # 0.1 ms
        verdict = reason = 0
        if self._reason:
            verdict, reason = _ABORTED, self._reason
        elif self.phase >= RELEASE:
            if off > self._sweep_ms // 5:
                reason = _TIME_OFF
            elif rms > 100:
                reason = _TRACKING_OFF
            if reason:
                verdict = _POOR
            elif off > self._sweep_ms // 20 or rms > 50:
                verdict = _FAIR
                reason = _TIME_OFF if off > self._sweep_ms // 20 else _TRACKING_OFF
            else:
                verdict = _GOOD
            # the cause, where it is known
            if verdict != _GOOD:
                if open_ms > 200:
                    reason = _SUPPLY_LOW if self._table and self._f > ONE_F * 5 // 4 else _FULL_OPEN
                elif shut_ms > 500:
                    reason = _SHUT
            if not self._held:
                verdict = max(verdict, _FAIR)
                reason = _NOT_HELD
        return (
            verdict,
            reason,
            self.sweep_start_tick,
            self.sweep_end_tick,
            self._start,
            self._end,
            rms,
            self._worst,
            open_ms,
            shut_ms,
        )

    def learn(self):
        """Slots to store after a whole sweep that held the line within 4 %; else nothing."""
        if not (self._learning or self._fresh) or self.phase < RELEASE or self._reason or self._off:
            return []
        verdict = self.verdict()
        if verdict[6] > 400 or not self._steps:
            return []
        return self.map.learn(self._inertia, self._fresh)
