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
(2 - n) T / (J w).  Estimated while the engine is loaded: T / (J w), n, the opening that holds
the speed, and the gain from valve to fill.  A PID controller on the relative error, which
cancels both lags, then sets the *relative* opening; its gains are scheduled on torque and
speed, so they fit whatever the size of engine, brake and valve.

    opening = feedforward x integral x (1 + P e + D de/dt + ripple)

The feedforward is the opening learned over speed (valve_map), or before anything is learned
the hold's opening scaled with the engine's torque and the speed; `ripple` works against the
water supply's, once its frequency is known (ripple).  A valve that moves to and fro too hard
means hunting: the gains come down at once and rise again within seconds.  The law itself is in
speed_loop; DEVELOPERS.md, "Speed loop", has the block diagram.

Stages within the phases: HOLD: apply load, hold speed, ramp entry (0.4 s from the standing set
point to the full rate).  RAMP: the ramp.  RELEASE: hold load (first the run-out, a little past the
end speed, so that the last bin fills), release load, idle.
"""

from evenfall_wire.codes import REASONS, VERDICTS

from .native import const, micropython
from .ripple import Ripple
from .speed_loop import (
    BEGIN_SPEED,
    DT,
    ERROR,
    END_SPEED,
    EXP2,
    INTEGRAL,
    FLAGS,
    MIN_OPENING,
    FULL,
    VALVE_GAIN,
    PRIOR_VALVE_GAIN,
    VALVE_GAIN_SUM,
    HALF_BACKLASH,
    INERTIA,
    IN_SWEEP,
    INERTIA_MANTISSA,
    INERTIA_SHIFT,
    LOG2,
    LINE_OFFSET,
    UNITY,
    FULL_OPEN_TICKS,
    CORRECTION,
    RAMP_RATE,
    RIPPLE_MHZ,
    SET_POINT,
    SET_POINT_16,
    SHUT_TICKS,
    SHUT_US,
    SINE,
    SLEW_LIMIT,
    VALVE_EXPONENT,
    SPAN_US,
    START_SPEED,
    START_TICK,
    STEPS,
    SQUARES_HIGH,
    SQUARES_LOW,
    TORQUE,
    ENGINE_TORQUE,
    ENGINE_TORQUE_BASE,
    ENGINE_TORQUE_NOW,
    ENGINE_TORQUE_SLOW,
    TICK,
    SWEEP_TIME,
    OPENING,
    PULSE_US,
    OPENING_MEAN,
    SPEED,
    SPEED_1,
    SPEED_2,
    SPEED_3,
    SPEED_RATE,
    WORST_ERROR,
    LOWEST_SPEED,
    ZERO_FLOW,
    ramp_set_point,
    feedforward_opening,
    estimate_valve_gain,
    control_error,
    servo_pulse,
    shaft_acceleration,
    cancel_ripple,
    detune,
    estimate_engine_torque,
    estimate_exponent,
    proportional_derivative,
    relative_changes,
    take_sample,
    note_tracking,
    control_law,
    log2_x1024,
    new_state,
    lookup_speed,
    restart,
)
from .valve_map import (
    MAP_EXPONENT,
    MAP_OPENING,
    MAP_TORQUE,
    MAX_INERTIA,
    MIN_INERTIA,
    InertiaFit,
    ValveMap,
    isqrt,
)

HOLD = 0
RAMP = 1
RELEASE = 2
DONE = 3

MASK = 0x3FFFFFFF

# stages within the phases
_APPLY_LOAD = const(0)
_HOLD_SPEED = const(1)
_RAMP_ENTRY = const(2)
_RAMP = const(3)
_HOLD_LOAD = const(4)
_RELEASE_LOAD = const(5)
_IDLE = const(6)

_RAMP_ENTRY_TICKS = const(1600000)  # 0.4 s, before the sweep's time starts
_HOLD_TOLERANCE_Q15 = const(330)  # within 1 % is steady
_HOLD_TIMEOUT_MS = const(6000)  # of trying to hold, above the steady time
_MAX_END_SHIFT_TICKS = const(1000000)  # 0.25 s: most that the mean offset moves the end
_MAX_LATENESS = const(20000)  # some 1.2 s
_RUN_OUT_HALF_RPM = const(400)  # the ramp goes on past the end speed, so that the last bin fills
_GOOD_CORRELATION = const(230)  # correlation of torque and dw/dt, of 256, from which the inertia is sure
_FAIR_CORRELATION = const(180)  # and from which it is better than a guess
_MAX_LEARN_RMS = const(400)  # 1/10000: a sweep further off its ramp teaches nothing
_NOT_LEARNED = (0, 0, 0)
VERDICT_RMS = 6  # place of the tracking error in `verdict()`


def shift_tick(tick, ticks):
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
    """One sweep, or one characterisation sweep."""

    def __init__(self, settings, learned):
        self._s = s = new_state()
        s[SHUT_US] = settings["servo_shut"]
        s[SPAN_US] = settings["servo_open"] - settings["servo_shut"]
        span = abs(s[SPAN_US]) or 1
        s[HALF_BACKLASH] = settings["servo_backlash"] * (FULL // 2) // span
        s[SLEW_LIMIT] = min(settings["servo_slew"] * FULL // span, 1 << 18)
        s[PULSE_US] = settings["servo_shut"]
        self._start_setting = settings["start_speed"] * 2
        self._end_setting = settings["end_speed"] * 2
        self._upward = settings["upward"]
        self._sweep_time = self._sweep_ms = settings["sweep_time"]
        self._steady_ticks = settings["steady_time"] * 4000
        self._learning = settings["learning"]
        self.map = ValveMap(learned if self._learning else None)
        self._fit = InertiaFit()
        self._ripple = Ripple()
        self._requested = False
        self.phase = DONE
        self.set_half_rpm = 0
        self.speed_tick = -1
        self.flags = 0
        self.sweep_start_tick = 0
        self.sweep_end_tick = 0
        self._reset(0, 0, settings["servo_shut"])
        self._stage = _IDLE

    # --- begin, plan ---------------------------------------------------------

    def begin(self, tick, speed_half_rpm, servo_us):
        """Take the valve over as it stands; bring the engine to its held speed."""
        self._requested = False
        self._sweep_ms = self._sweep_time
        self._reset(tick, speed_half_rpm, servo_us)
        start, end = self._s[START_SPEED], self._s[END_SPEED]
        self._use_map = self._learning and self.map.covers(min(start, end) + 512, max(start, end) - 512)

    def characterise_begin(self):
        """A slow guided sweep that ignores the learned map and replaces it."""
        self._requested = True
        self.phase = HOLD

    def characterise_step(self, tick, speed_half_rpm, torque_mNm):
        if self._requested:
            self._requested = False
            self._sweep_ms = 20000
            self._reset(tick, speed_half_rpm, self._s[PULSE_US])
            self._relearn = True
        return self.step(tick, speed_half_rpm, torque_mNm)

    def _reset(self, tick, speed, servo_us):
        s = self._s
        self.phase = HOLD
        self._stage = _APPLY_LOAD
        self._relearn = False
        self._use_map = False
        self._stage_tick = tick
        restart(s, tick, speed, servo_us)
        s[VALVE_GAIN] = s[PRIOR_VALVE_GAIN] = self.map.valve_gain
        s[RIPPLE_MHZ] = self.map.ripple_mHz
        s[VALVE_EXPONENT] = self.map.valve_exponent
        s[SWEEP_TIME] = self._sweep_ms * 125 >> 7
        self._load_opening = s[OPENING]
        self._has_torque = False
        self._fit.restart()
        self._ripple.restart()
        self._count = 0
        self._set_inertia(self.map.inertia)
        self._inertia_fits = 32 if self.map.inertia else 0  # one load-on does not undo those of many sweeps
        self._inertia_known = self._inertia_fits > 0
        self._log_opening = self._hold_opening = 0
        self._settled_ticks = 0
        self._debounce_ticks = 0
        self._reason = 0
        self._top_speed_held = True
        self._cut_reason = 0
        self._end_torque = 0
        self._run_out_speed = 0
        self.flags = 0
        self.sweep_start_tick = self.sweep_end_tick = tick
        self.map.clear_record()
        high = self._start_setting
        if not high:
            high = speed - (speed >> 5)
        low = self._end_setting
        if self._upward:
            s[END_SPEED] = max(high, low + 200)
            self._plan_from_start(low)
        else:
            s[END_SPEED] = low
            if self._start_setting:
                self._plan_from_start(max(high, low + 200))
            else:
                self._plan_from_held(max(high, low + 200))
        s[LOWEST_SPEED] = max(min(s[START_SPEED], s[END_SPEED]), 512)
        s[SET_POINT_16] = max(speed, self._held_speed) << 4
        self.set_half_rpm = s[SET_POINT] = max(s[SET_POINT_16] >> 4, 512)

    def _plan_from_start(self, start):
        s = self._s
        s[START_SPEED] = start
        s[RAMP_RATE] = (s[END_SPEED] - start) * 1000 // self._sweep_ms
        self._held_speed = start - s[RAMP_RATE] // 5

    def _plan_from_held(self, held):
        """The ramp entry from the held speed takes 0.4 s and a fifth of a second's ramp."""
        s = self._s
        self._held_speed = held
        s[RAMP_RATE] = (s[END_SPEED] - held) * 1000 // (self._sweep_ms + 200)
        s[START_SPEED] = held + s[RAMP_RATE] // 5

    def _set_inertia(self, j):
        s = self._s
        s[INERTIA] = j
        shift = 0
        while j >> shift >= 4096:
            shift += 1
        s[INERTIA_MANTISSA] = j >> shift
        s[INERTIA_SHIFT] = 16 - shift

    # --- one sample ----------------------------------------------------------

    @micropython.native
    def step(self, tick, speed_half_rpm, torque_mNm):
        s = self._s
        stage = self._stage
        if stage == _IDLE:
            return s[PULSE_US]
        d = take_sample(s, tick, speed_half_rpm, torque_mNm, self.speed_tick)
        if not d:
            return s[PULSE_US]
        shaft_acceleration(s)
        if stage <= _RAMP_ENTRY:
            self._update_inertia()
        estimate_engine_torque(s)
        estimate_exponent(s)
        acc = self._set_point_rate(tick)
        stage = self._stage
        learned = self.map.look_up(lookup_speed(s)) if self._use_map else _NOT_LEARNED
        control_error(s, acc, learned[MAP_TORQUE], learned[MAP_EXPONENT])
        self.set_half_rpm = s[SET_POINT]
        if stage == _APPLY_LOAD:
            u = self._apply_load()
        elif stage == _RELEASE_LOAD:
            u = self._release_load()
        else:
            if stage <= _RAMP and relative_changes(s):
                estimate_valve_gain(s)
            proportional_derivative(s)
            cancel_ripple(s, SINE)
            u = control_law(s, self._feedforward(tick, acc, learned))
            detune(s)
            if stage == _HOLD_SPEED:
                self._hold_speed(d, u)
            elif stage == _HOLD_LOAD:
                self._hold_load(d)
        us = servo_pulse(s, u, IN_SWEEP if self.phase == RAMP else 0)
        if stage == _RAMP:
            self._track(tick, d)
        if stage == _RAMP or stage == _RAMP_ENTRY or stage == _HOLD_LOAD and acc:
            self.map.record(s[SET_POINT], s[OPENING], s[TORQUE])
        self.flags = s[FLAGS]
        return us

    # --- parts of a step -----------------------------------------------------

    def _set_point_rate(self, tick):
        """Move the set point; its rate, half rpm/s."""
        stage = self._stage
        if stage == _RAMP:
            ramp_set_point(self._s, tick)
            return self._s[RAMP_RATE]
        if stage == _RAMP_ENTRY:
            return self._enter_ramp(tick)
        if stage == _HOLD_LOAD:
            return self._run_out(tick)
        return self._approach_held_speed() if stage <= _HOLD_SPEED else 0

    def _track(self, tick, d):
        """A step on the ramp: error statistics, ripple record, the end."""
        s = self._s
        self._ripple.add(s[CORRECTION])
        over = note_tracking(s, d)
        elapsed = (tick - self.sweep_start_tick) & MASK
        if over and elapsed > 200000:
            self._finish(self._end_tick(tick))
        elif elapsed > self._sweep_ms * 6000:
            self._cut_reason = _TIME_OFF
            self._finish(tick)

    def _update_inertia(self):
        """Inertia, while the load comes on: later too little moves for it to be told from noise."""
        s = self._s
        fit = self._fit
        fit.step(s[TORQUE], (s[SPEED_2] + s[SPEED_3]) >> 1, s[DT])
        t = s[TORQUE]
        tw = ((t if t > 50 else 50) << 12) // s[SPEED]
        if tw > 131071:
            tw = 131071
        if s[INERTIA] == 0:  # as if T / (J w) were 1 /s near the top speed
            self._set_inertia(min(max(tw << 4, MIN_INERTIA), MAX_INERTIA))
        if not self._has_torque:
            self._has_torque = True
            s[ENGINE_TORQUE] = s[ENGINE_TORQUE_SLOW] = t << 2
        self._count += 1
        if self._count & 7 or self._count <= 48:
            return
        j = fit.solve()
        sure = fit.correlation >= _GOOD_CORRELATION
        if j >= MAX_INERTIA or not sure and (self._inertia_known or fit.correlation < _FAIR_CORRELATION):
            return
        if sure:
            self._inertia_known = True
        else:
            j = j * fit.correlation >> 8  # noise of the torque makes it too large
        j = min(max(j, tw * 16 // 10), tw * 200, MAX_INERTIA)
        if self._inertia_fits < 8:
            self._inertia_fits += 1
        j = s[INERTIA] + (j - s[INERTIA]) // self._inertia_fits
        self._set_inertia(max(j, MIN_INERTIA))

    def _approach_held_speed(self):
        """The set point comes down to the held speed at 7.8 % per second."""
        s = self._s
        goal = self._held_speed << 4
        now = s[SET_POINT_16]
        if now > goal:
            rate = (goal >> 4 if goal > 16384 << 4 else 16384) * 5 >> 6
            now -= rate * s[DT] >> 11
            s[SET_POINT_16] = now if now > goal else goal
            return -rate if now > goal else 0
        s[SET_POINT_16] = goal
        return 0

    def _enter_ramp(self, tick):
        """The set point's rate grows evenly to the ramp's within 0.4 s."""
        s = self._s
        x = ((tick - self._stage_tick) & MASK) >> 8
        rate = s[RAMP_RATE]
        if x >= _RAMP_ENTRY_TICKS >> 8:
            self._stage = _RAMP
            self.phase = RAMP
            self.sweep_start_tick = s[START_TICK] = shift_tick(self._stage_tick, _RAMP_ENTRY_TICKS)
            ramp_set_point(s, tick)
            return rate
        acc = rate * x // (_RAMP_ENTRY_TICKS >> 8)
        s[SET_POINT_16] = (self._held_speed << 4) + acc * x // 1954
        return acc

    def _run_out(self, tick):
        """On along the ramp for a little, then stay."""
        s = self._s
        rate = s[RAMP_RATE]
        goal = self._run_out_speed << 4
        if self._cut_reason or self._reason or s[SET_POINT_16] == goal:
            return 0
        ramp_set_point(s, tick)
        if (s[SET_POINT_16] <= goal) == (rate <= 0):
            s[SET_POINT_16] = goal
            return 0
        return rate

    def _feedforward(self, tick, acc, learned):
        """Opening + leak that the set point takes; `learned` is what the map gave for this step."""
        s = self._s
        stage = self._stage
        if not self._use_map:
            if stage <= _HOLD_SPEED:
                return self._hold_opening
            return feedforward_opening(s, acc, self._log_opening, LOG2, EXP2)
        if stage == _RAMP:
            return learned[MAP_OPENING] + ZERO_FLOW
        # hold and ramp take different openings; the integral keeps what is the water's
        if stage > _RAMP:
            return self.map.opening(s[SET_POINT]) + ZERO_FLOW
        u = self.map.held_opening(self._held_speed)
        if stage == _RAMP_ENTRY:
            x = ((tick - self._stage_tick) & MASK) >> 8
            u += (self.map.opening(s[SET_POINT]) - u) * x // (_RAMP_ENTRY_TICKS >> 8)
        return u + ZERO_FLOW

    def _reset_feedforward(self):
        """Make the present opening the feedforward: the integral starts again at one."""
        s = self._s
        slope = s[VALVE_EXPONENT]
        x = (183501 // slope) * log2_x1024(max(s[ENGINE_TORQUE_BASE], 80), LOG2) >> 10
        y = (104858 // slope) * log2_x1024(s[SET_POINT], LOG2) >> 10
        self._hold_opening = s[OPENING] + ZERO_FLOW
        self._log_opening = log2_x1024(self._hold_opening, LOG2) - x + y
        s[INTEGRAL] = UNITY

    def _apply_load(self):
        """Open at a steady rate until the engine comes down to the set speed."""
        s = self._s
        e = s[ERROR]
        begin, dt = s[BEGIN_SPEED], s[DT]
        near = e < 197 and begin - s[SET_POINT] >= (begin >> 7) or e < -160
        u = self._load_opening
        if self._use_map:
            goal = self.map.held_opening(self._held_speed)
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
                s[INTEGRAL] = UNITY
        else:
            if e > 0:
                u += 4096 * dt >> 15
            if near:
                s[OPENING] = u
                self._reset_feedforward()
        if u > FULL:
            u = FULL
        self._load_opening = u
        if near or self._count > 800:
            if not near:
                s[OPENING] = u
                self._reset_feedforward()
            self._stage = _HOLD_SPEED
            self._settled_ticks = 0
            self._stage_tick = s[TICK]
        return u

    def _hold_speed(self, d, u):
        """Steady at the held speed for as long as asked; then the ramp entry."""
        s = self._s
        e, w, wd = s[ERROR], s[SPEED], s[SPEED_RATE]
        on_goal = s[SET_POINT_16] == self._held_speed << 4
        if not on_goal:
            self._stage_tick = s[TICK]  # the way there does not count
        if on_goal and -_HOLD_TOLERANCE_Q15 < e < _HOLD_TOLERANCE_Q15:
            self._settled_ticks += d
        else:
            self._settled_ticks -= d
            if self._settled_ticks < 0:
                self._settled_ticks = 0
        # an engine that cannot reach the speed with the valve shut gets a lower one
        slow = (w >> 4) + (w >> 5)
        if u <= 0 and e < 0 and -slow < wd < slow:
            self._debounce_ticks += d
            if self._debounce_ticks > 1200000:
                self._debounce_ticks = 0
                if self._start_setting and not self._upward:
                    self._top_speed_held = False
                self._lower_held_speed(w)
        else:
            self._debounce_ticks = 0
        since = (s[TICK] - self._stage_tick) & MASK
        late = since > _HOLD_TIMEOUT_MS * 4000 + self._steady_ticks
        if self._settled_ticks > self._steady_ticks and self._count > 96 or late:
            if late:
                self._top_speed_held = False
                self._lower_held_speed(w)
            self._start_ramp_entry()

    def _lower_held_speed(self, w):
        """Hold what the engine reaches: 1/64 below the present speed."""
        if not self._upward:
            low = self._s[END_SPEED] + 200
            held = w - (w >> 6)
            self._plan_from_held(held if held > low else low)
            self._s[SET_POINT_16] = self._held_speed << 4

    def _start_ramp_entry(self):
        """Start the ramp entry; drop a map that does not fit this engine and this water."""
        s = self._s
        if self._use_map:
            now, learned = s[ENGINE_TORQUE_NOW], self.map.look_up(s[SET_POINT])[MAP_TORQUE] << 2
            if (
                now > learned + (learned >> 1) + (learned >> 3)
                or now < (learned >> 1) + (learned >> 3)
                or not UNITY // 2 < s[INTEGRAL] < UNITY * 2
            ):
                self._use_map = False
        self.map.note_held_opening(self._held_speed, s[OPENING_MEAN] >> 8)
        if not self._use_map:
            self._reset_feedforward()
        self._stage = _RAMP_ENTRY
        self._stage_tick = s[TICK]

    def _end_tick(self, tick):
        """When the speed crossed the end speed: the ramp's own end, moved by the mean offset of late."""
        s = self._s
        late = min(max((s[LINE_OFFSET] << 10) // (s[RAMP_RATE] or -1), -_MAX_LATENESS), _MAX_LATENESS)
        ahead = (s[SWEEP_TIME] << 12) - ((tick - s[START_TICK]) & MASK) - late * 244
        return shift_tick(tick, ahead) if -_MAX_END_SHIFT_TICKS < ahead < _MAX_END_SHIFT_TICKS else tick

    def _finish(self, tick):
        """The sweep has ended at `tick`: hold the load."""
        s = self._s
        self.sweep_end_tick = tick
        self.phase = RELEASE
        self._stage = _HOLD_LOAD
        self._end_torque = max(s[ENGINE_TORQUE], 400)
        s[MIN_OPENING] = s[OPENING] >> 1
        self._debounce_ticks = 0
        past = min(_RUN_OUT_HALF_RPM, s[END_SPEED] >> 4)
        self._run_out_speed = s[END_SPEED] + (past if s[RAMP_RATE] > 0 else -past)
        if self._cut_reason:
            s[SET_POINT_16] = s[END_SPEED] << 4

    def _hold_load(self, d):
        """Load stays on until the engine's torque is gone."""
        s = self._s
        if s[ENGINE_TORQUE] < self._end_torque >> 2 or s[SPEED] < (s[SET_POINT_16] >> 4) * 3 >> 2:
            self._debounce_ticks += d
            if self._debounce_ticks > 600000:
                self._stage = _RELEASE_LOAD
        else:
            self._debounce_ticks = 0

    def _release_load(self):
        """Shut slowly; take the load back should the engine give torque again."""
        s = self._s
        s[MIN_OPENING] = 0
        u = s[OPENING] - (12288 * s[DT] >> 15)
        if s[ERROR] > 1000 and s[ENGINE_TORQUE] > self._end_torque >> 1:
            self._stage = _HOLD_LOAD
            s[MIN_OPENING] = s[OPENING] >> 1
            self._debounce_ticks = 0
            self._use_map = False
            self._reset_feedforward()
        elif u <= 0:
            u = 0
            self._stage = _IDLE
            self.phase = DONE
        return u

    # --- before, after -------------------------------------------------------

    def abort(self, reason):
        """Stop the sweep where it is: the load stays on until the throttle is shut."""
        self._reason = reason
        s = self._s
        if self.phase in (HOLD, RAMP) and self._stage != _IDLE:
            if self._stage <= _HOLD_SPEED:
                self.sweep_start_tick = s[TICK]
                if self._log_opening == 0 and not self._use_map:
                    self._reset_feedforward()
            self._finish(s[TICK])
            s[SET_POINT_16] = max(s[SPEED_1], 1024) << 4
        self.phase = RELEASE if self._stage != _IDLE else DONE
        self._requested = False

    def verdict(self):
        """verdict, reason, start and end tick, start and end speed, rms, worst, ms at the ends."""
        s = self._s
        n = s[STEPS] or 1
        high = s[SQUARES_HIGH]
        mean = (high // n << 12) + (((high % n) << 12) + s[SQUARES_LOW]) // n
        rms = isqrt(mean)
        open_ms = min(s[FULL_OPEN_TICKS] // 4000, 65535)
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
                    water_short = self._use_map and s[INTEGRAL] > UNITY * 5 // 4
                    reason = _SUPPLY_LOW if water_short else _FULL_OPEN
                elif shut_ms > 500:
                    reason = _SHUT
            if not self._top_speed_held:
                verdict = max(verdict, _FAIR)
                reason = _NOT_HELD
        return (
            verdict,
            reason,
            self.sweep_start_tick,
            self.sweep_end_tick,
            s[START_SPEED],
            s[END_SPEED],
            rms,
            s[WORST_ERROR],
            open_ms,
            shut_ms,
        )

    def learn(self):
        """Slots to store after a whole sweep that tracked the ramp within 4 %; else nothing."""
        if not (self._learning or self._relearn) or self.phase < RELEASE or self._reason or self._cut_reason:
            return []
        s = self._s
        steps = s[STEPS]
        if not steps or self.verdict()[VERDICT_RMS] > _MAX_LEARN_RMS:
            return []
        took = (self.sweep_end_tick - self.sweep_start_tick) & MASK
        ripple_mHz = self._ripple.find_mHz(took // 4 // steps)
        return self.map.learn(s[INERTIA], s[VALVE_GAIN_SUM] // steps, ripple_mHz, self._relearn)
