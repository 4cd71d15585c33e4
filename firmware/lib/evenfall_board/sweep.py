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
(2 - n) T / (J w).  Found while the engine is loaded: T / (J w), n, the opening that holds
the speed, and how strongly the fill answers the valve.  A proportional-integral-rate rule on
the relative error, which cancels both lags, then sets the *relative* opening; its gains
follow torque and speed by themselves, whatever the size of engine, brake and valve.

    opening = base x (1 + integral) x (1 + P e + D de/dt + ripple)

`base` is the opening learnt over speed (valve_map), or before anything is learnt
the hold's opening scaled with the torque that the engine shows and the speed; `ripple`
works against the water supply's, once its frequency is learnt (ripple).  A valve that has
to work too hard means hunting, or a valve that has no more to give: the gains come down at
once and rise again within seconds.  The law itself is in speed_loop.
"""

from evenfall_wire.codes import REASONS, VERDICTS

from .native import const, micropython
from .ripple import Ripple
from .speed_loop import (
    BEGIN_SPEED,
    DT,
    E,
    END,
    EXP2,
    F,
    FLAGS,
    FLOOR,
    FULL,
    G,
    G0,
    G_SUM,
    HALF_PLAY,
    INERTIA,
    IN_SWEEP,
    JM,
    JS,
    LOG2,
    OFF,
    ONE_F,
    OPEN_TICKS,
    PD,
    RATE,
    RIPPLE,
    SET,
    SET16,
    SHUT_TICKS,
    SHUT_US,
    SINE,
    SLEW,
    SLOPE,
    SPAN_US,
    START,
    START_TICK,
    STEPS,
    SUM_HIGH,
    SUM_LOW,
    T,
    TE,
    TE_BASE,
    TE_NOW,
    TE_SLOW,
    TICK,
    TOTAL,
    U,
    US,
    U_MEAN,
    W,
    W1,
    W2,
    W3,
    WD,
    WORST,
    W_LOW,
    ZERO_FLOW,
    along,
    base_opening,
    channel,
    compare,
    drive,
    engine,
    gather,
    judge,
    law,
    log2_x1024,
    new_state,
    place,
    restart,
)
from .valve_map import INERTIA_MAX, INERTIA_MIN, InertiaFit, ValveMap, root

HOLD = 0
FALL = 1
RELEASE = 2
DONE = 3

MASK = 0x3FFFFFFF

# stages within the phases
_LOAD = const(0)
_STEADY = const(1)
_LEAD = const(2)
_RUN = const(3)
_KEEP = const(4)
_UNLOAD = const(5)
_OFF = const(6)

_LEAD_TICKS = const(1600000)  # 0.4 s from standing set speed to the full rate, before the clock starts
_STEADY_Q15 = const(330)  # within 1 % is steady
_GIVE_UP_MS = const(6000)  # of trying to hold, above the steady time
_NEAR_TICKS = const(1000000)  # 0.25 s: so far apart may be when the speed passed and what the last of it says
_LATE_MOST = const(20000)  # some 1.2 s
_PAST_END = const(400)  # half rpm the line goes on past the end speed, so that the last bin fills
_TOGETHER = const(230)  # correlation of torque and dw/dt, of 256, from which the inertia is sure
_PERHAPS = const(180)  # and from which it is better than a guess


def later(tick, ticks):
    """`ticks` after or before `tick`, modulo 2**30, no sum beyond it."""
    return (tick + ticks if ticks < 0 else tick - (MASK - ticks) - 1) & MASK


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
        self._s = s = new_state()
        s[SHUT_US] = settings["servo_shut"]
        s[SPAN_US] = settings["servo_open"] - settings["servo_shut"]
        span = abs(s[SPAN_US]) or 1
        s[HALF_PLAY] = settings["servo_backlash"] * (FULL // 2) // span
        s[SLEW] = min(settings["servo_slew"] * FULL // span, 1 << 18)
        s[US] = settings["servo_shut"]
        self._start_setting = settings["start_speed"] * 2
        self._end_setting = settings["end_speed"] * 2
        self._upward = settings["upward"]
        self._sweep_time = self._sweep_ms = settings["sweep_time"]
        self._steady_ticks = settings["steady_time"] * 4000
        self._learning = settings["learning"]
        self.map = ValveMap(learned if self._learning else None)
        self._fit = InertiaFit()
        self._ripple = Ripple()
        self._ask = False
        self.phase = DONE
        self.set_half_rpm = 0
        self.speed_tick = -1
        self.flags = 0
        self.sweep_start_tick = 0
        self.sweep_end_tick = 0
        self._reset(0, 0, settings["servo_shut"])
        self._stage = _OFF

    # --- begin, plan ---------------------------------------------------------

    def begin(self, tick, speed_half_rpm, servo_us):
        """Take the valve over as it stands; bring the engine to its held speed."""
        self._ask = False
        self._sweep_ms = self._sweep_time
        self._reset(tick, speed_half_rpm, servo_us)
        start, end = self._s[START], self._s[END]
        self._table = self._learning and self.map.covers(min(start, end) + 512, max(start, end) - 512)

    def characterise_begin(self):
        """A slow guided pull that ignores the table and replaces it."""
        self._ask = True
        self.phase = HOLD

    def characterise_step(self, tick, speed_half_rpm, torque_mNm):
        if self._ask:
            self._ask = False
            self._sweep_ms = 20000
            self._reset(tick, speed_half_rpm, self._s[US])
            self._fresh = True
        return self.step(tick, speed_half_rpm, torque_mNm)

    def _reset(self, tick, speed, servo_us):
        s = self._s
        self.phase = HOLD
        self._stage = _LOAD
        self._fresh = False
        self._table = False
        self._stage_tick = tick
        restart(s, tick, speed, servo_us)
        s[G] = s[G0] = self.map.gain
        s[RIPPLE] = self.map.ripple
        s[SLOPE] = self.map.slope
        s[TOTAL] = self._sweep_ms * 125 >> 7
        self._ramp = s[U]
        self._started = False
        self._fit.restart()
        self._ripple.restart()
        self._count = 0
        self._set_inertia(self.map.inertia)
        self._fits = 32 if self.map.inertia else 0  # one load-on does not undo those of many pulls
        self._sure = self._fits > 0
        self._log_base = self._held_base = 0
        self._steady = 0
        self._too_low = 0
        self._reason = 0
        self._held = True
        self._off = 0
        self._end_torque = 0
        self._last = 0
        self.flags = 0
        self.sweep_start_tick = self.sweep_end_tick = tick
        self.map.clear_record()
        high = self._start_setting
        if not high:
            high = speed - (speed >> 5)
        low = self._end_setting
        if self._upward:
            s[END] = max(high, low + 200)
            self._plan_from_start(low)
        else:
            s[END] = low
            if self._start_setting:
                self._plan_from_start(max(high, low + 200))
            else:
                self._plan_from_held(max(high, low + 200))
        s[W_LOW] = max(min(s[START], s[END]), 512)
        s[SET16] = max(speed, self._held_speed) << 4
        self.set_half_rpm = s[SET] = max(s[SET16] >> 4, 512)

    def _plan_from_start(self, start):
        s = self._s
        s[START] = start
        s[RATE] = (s[END] - start) * 1000 // self._sweep_ms
        self._held_speed = start - s[RATE] // 5

    def _plan_from_held(self, held):
        """The lead-in from the held speed takes 0.4 s and a fifth of a second's fall."""
        s = self._s
        self._held_speed = held
        s[RATE] = (s[END] - held) * 1000 // (self._sweep_ms + 200)
        s[START] = held + s[RATE] // 5

    def _set_inertia(self, j):
        s = self._s
        s[INERTIA] = j
        shift = 0
        while j >> shift >= 4096:
            shift += 1
        s[JM] = j >> shift
        s[JS] = 16 - shift

    # --- one sample ----------------------------------------------------------

    @micropython.native
    def step(self, tick, speed_half_rpm, torque_mNm):
        s = self._s
        stage = self._stage
        if stage == _OFF:
            return s[US]
        d = gather(s, tick, speed_half_rpm, torque_mNm, self.speed_tick)
        if not d:
            return s[US]
        if stage <= _LEAD:
            self._weigh()
        engine(s)

        # where the set speed is
        acc = 0
        if stage == _RUN:
            acc = s[RATE]
            along(s, tick)
        elif stage == _LEAD:
            acc = self._lead_in(tick)
            stage = self._stage
        elif stage == _KEEP:
            acc = self._past_the_end(tick)
        elif stage <= _STEADY:
            acc = self._approach()
        if self._table:
            known = self.map.look(place(s))
            compare(s, acc, known[0], known[1])
        else:
            compare(s, acc, 0, 0)
        self.set_half_rpm = s[SET]

        if stage == _RUN:
            channel(s)
            if self._table:
                u = law(s, known[2] + ZERO_FLOW, SINE)
            else:
                u = law(s, base_opening(s, acc, self._log_base, LOG2, EXP2), SINE)
            us = drive(s, u, IN_SWEEP)
            self._ripple.note(s[PD])
            self.map.record(s[SET], s[U], s[T])
            over = judge(s, d)
            gone = (tick - self.sweep_start_tick) & MASK
            if over and gone > 200000:
                self._finish(self._crossed(tick))
            elif gone > self._sweep_ms * 6000:
                self._off = _TIME_OFF
                self._finish(tick)
        else:
            if stage == _LOAD:
                u = self._load()
            elif stage == _UNLOAD:
                u = self._unload()
            else:
                if stage <= _LEAD:
                    channel(s)
                u = law(s, self._quiet_base(tick, acc), SINE)
                if stage == _STEADY:
                    self._wait(d, u)
                elif stage == _KEEP:
                    self._keep(d)
            us = drive(s, u, IN_SWEEP if self.phase == FALL else 0)
            if stage == _LEAD or stage == _KEEP and acc:
                self.map.record(s[SET], s[U], s[T])
        self.flags = s[FLAGS]
        return us

    # --- parts of a step -----------------------------------------------------

    def _weigh(self):
        """Inertia, while the load comes on: later too little moves for it to be told from noise."""
        s = self._s
        fit = self._fit
        fit.step(s[T], (s[W2] + s[W3]) >> 1, s[DT])
        t = s[T]
        tw = ((t if t > 50 else 50) << 12) // s[W]
        if tw > 131071:
            tw = 131071
        if s[INERTIA] == 0:  # as if T / (J w) were 1 /s near the top speed
            self._set_inertia(min(max(tw << 4, INERTIA_MIN), INERTIA_MAX))
        if not self._started:
            self._started = True
            s[TE] = s[TE_SLOW] = t << 2
        self._count += 1
        if self._count & 7 or self._count <= 48:
            return
        j = fit.solve()
        sure = fit.together >= _TOGETHER
        if j >= INERTIA_MAX or not sure and (self._sure or fit.together < _PERHAPS):
            return
        if sure:
            self._sure = True
        else:
            j = j * fit.together >> 8  # noise of the torque makes it too large
        j = min(max(j, tw * 16 // 10), tw * 200, INERTIA_MAX)
        if self._fits < 8:
            self._fits += 1
        j = s[INERTIA] + (j - s[INERTIA]) // self._fits
        self._set_inertia(max(j, INERTIA_MIN))

    def _approach(self):
        """The set speed comes down to the held one at 7.8 % per second."""
        s = self._s
        goal = self._held_speed << 4
        now = s[SET16]
        if now > goal:
            fall = (goal >> 4 if goal > 16384 << 4 else 16384) * 5 >> 6
            now -= fall * s[DT] >> 11
            s[SET16] = now if now > goal else goal
            return -fall if now > goal else 0
        s[SET16] = goal
        return 0

    def _lead_in(self, tick):
        s = self._s
        x = ((tick - self._stage_tick) & MASK) >> 8
        rate = s[RATE]
        if x >= _LEAD_TICKS >> 8:
            self._stage = _RUN
            self.phase = FALL
            self.sweep_start_tick = s[START_TICK] = later(self._stage_tick, _LEAD_TICKS)
            along(s, tick)
            return rate
        acc = rate * x // (_LEAD_TICKS >> 8)
        s[SET16] = (self._held_speed << 4) + acc * x // 1954
        return acc

    def _past_the_end(self, tick):
        """On along the line for a little, then stay."""
        s = self._s
        rate = s[RATE]
        goal = self._last << 4
        if self._off or self._reason or s[SET16] == goal:
            return 0
        along(s, tick)
        if (s[SET16] <= goal) == (rate <= 0):
            s[SET16] = goal
            return 0
        return rate

    def _quiet_base(self, tick, acc):
        """Base opening outside the sweep."""
        s = self._s
        stage = self._stage
        if not self._table:
            return base_opening(s, acc, self._log_base, LOG2, EXP2) if stage > _STEADY else self._held_base
        # held and falling take different openings: what the integral holds is the water's
        if stage > _LEAD:
            return self.map.opening(s[SET]) + ZERO_FLOW
        base = self.map.hold(self._held_speed)
        if stage == _LEAD:
            x = ((tick - self._stage_tick) & MASK) >> 8
            base += (self.map.opening(s[SET]) - base) * x // (_LEAD_TICKS >> 8)
        return base + ZERO_FLOW

    def _rebase(self):
        """Make the present opening the base."""
        s = self._s
        slope = s[SLOPE]
        x = (183501 // slope) * log2_x1024(max(s[TE_BASE], 80), LOG2) >> 10
        y = (104858 // slope) * log2_x1024(s[SET], LOG2) >> 10
        self._held_base = s[U] + ZERO_FLOW
        self._log_base = log2_x1024(self._held_base, LOG2) - x + y
        s[F] = ONE_F

    def _load(self):
        """Open at a steady rate until the engine comes down to the set speed."""
        s = self._s
        e = s[E]
        begin, dt = s[BEGIN_SPEED], s[DT]
        near = e < 197 and begin - s[SET] >= (begin >> 7) or e < -160
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
                s[F] = ONE_F
        else:
            if e > 0:
                u += 4096 * dt >> 15
            if near:
                s[U] = u
                self._rebase()
        if u > FULL:
            u = FULL
        self._ramp = u
        if near or self._count > 800:
            if not near:
                s[U] = u
                self._rebase()
            self._stage = _STEADY
            self._steady = 0
            self._stage_tick = s[TICK]
        return u

    def _wait(self, d, u):
        """Steady at the held speed for as long as asked; then lead in."""
        s = self._s
        e, w, wd = s[E], s[W], s[WD]
        on_goal = s[SET16] == self._held_speed << 4
        if not on_goal:
            self._stage_tick = s[TICK]  # the way there does not count
        if on_goal and -_STEADY_Q15 < e < _STEADY_Q15:
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
        since = (s[TICK] - self._stage_tick) & MASK
        late = since > _GIVE_UP_MS * 4000 + self._steady_ticks
        if self._steady > self._steady_ticks and self._count > 96 or late:
            if late:
                self._held = False
                self._lower(w)
            self._start_lead()

    def _lower(self, w):
        if not self._upward:
            low = self._s[END] + 200
            held = w - (w >> 6)
            self._plan_from_held(held if held > low else low)
            self._s[SET16] = self._held_speed << 4

    def _start_lead(self):
        s = self._s
        if self._table:
            # does the table speak of this engine and this water?
            te, tt = s[TE_NOW], self.map.look(s[SET])[0] << 2
            if (
                te > tt + (tt >> 1) + (tt >> 3)
                or te < (tt >> 1) + (tt >> 3)
                or not ONE_F // 2 < s[F] < ONE_F * 2
            ):
                self._table = False
        self.map.note_hold(self._held_speed, s[U_MEAN] >> 8)
        if not self._table:
            self._rebase()
        self._stage = _LEAD
        self._stage_tick = s[TICK]

    def _crossed(self, tick):
        """When the speed crossed the end: the line's own end and how late the speed was of late."""
        s = self._s
        late = min(max((s[OFF] << 10) // (s[RATE] or -1), -_LATE_MOST), _LATE_MOST)
        ahead = (s[TOTAL] << 12) - ((tick - s[START_TICK]) & MASK) - late * 244
        return later(tick, ahead) if -_NEAR_TICKS < ahead < _NEAR_TICKS else tick

    def _finish(self, tick):
        s = self._s
        self.sweep_end_tick = tick
        self.phase = RELEASE
        self._stage = _KEEP
        self._end_torque = max(s[TE], 400)
        s[FLOOR] = s[U] >> 1
        self._too_low = 0
        past = min(_PAST_END, s[END] >> 4)
        self._last = s[END] + (past if s[RATE] > 0 else -past)
        if self._off:
            s[SET16] = s[END] << 4

    def _keep(self, d):
        """Load stays on until the engine's torque is gone."""
        s = self._s
        if s[TE] < self._end_torque >> 2 or s[W] < (s[SET16] >> 4) * 3 >> 2:
            self._too_low += d
            if self._too_low > 600000:
                self._stage = _UNLOAD
        else:
            self._too_low = 0

    def _unload(self):
        """Shut slowly; take the load back should the engine pull again."""
        s = self._s
        s[FLOOR] = 0
        u = s[U] - (12288 * s[DT] >> 15)
        if s[E] > 1000 and s[TE] > self._end_torque >> 1:
            self._stage = _KEEP
            s[FLOOR] = s[U] >> 1
            self._too_low = 0
            self._table = False
            self._rebase()
        elif u <= 0:
            u = 0
            self._stage = _OFF
            self.phase = DONE
        return u

    # --- before, after -------------------------------------------------------

    def abort(self, reason):
        """Stop the sweep where it is: the load stays on until the throttle is shut."""
        self._reason = reason
        s = self._s
        if self.phase in (HOLD, FALL) and self._stage != _OFF:
            if self._stage <= _STEADY:
                self.sweep_start_tick = s[TICK]
                if self._log_base == 0 and not self._table:
                    self._rebase()
            self._finish(s[TICK])
            s[SET16] = max(s[W1], 1024) << 4
        self.phase = RELEASE if self._stage != _OFF else DONE
        self._ask = False

    def verdict(self):
        """verdict, reason, start and end tick, start and end speed, rms, worst, ms at the ends."""
        s = self._s
        n = s[STEPS] or 1
        high = s[SUM_HIGH]
        mean = (high // n << 12) + (((high % n) << 12) + s[SUM_LOW]) // n
        rms = root(mean)
        open_ms = min(s[OPEN_TICKS] // 4000, 65535)
        shut_ms = min(s[SHUT_TICKS] // 4000, 65535)
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
                    water_short = self._table and s[F] > ONE_F * 5 // 4
                    reason = _SUPPLY_LOW if water_short else _FULL_OPEN
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
            s[START],
            s[END],
            rms,
            s[WORST],
            open_ms,
            shut_ms,
        )

    def learn(self):
        """Slots to store after a whole sweep that held the line within 4 %; else nothing."""
        if not (self._learning or self._fresh) or self.phase < RELEASE or self._reason or self._off:
            return []
        s = self._s
        steps = s[STEPS]
        if not steps or self.verdict()[6] > 400:
            return []
        took = (self.sweep_end_tick - self.sweep_start_tick) & MASK
        ripple = self._ripple.find(took // 4 // steps)
        return self.map.learn(s[INERTIA], s[G_SUM] // steps, ripple, self._fresh)
