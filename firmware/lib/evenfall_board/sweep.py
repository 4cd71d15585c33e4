"""The sweep controller: speed falls in a straight line, the valve follows.

Pure integers, no I/O, no allocation in `step`; every intermediate stays below
2**30 in magnitude.  Runs in MicroPython and CPython.

    c = Sweep(settings, learned)     settings: name -> int, learned: slot -> int
    c.begin(tick, speed_half_rpm, servo_us)          enters HOLD
    c.speed_tick = when the speed was so         before each step, if it is known
    servo_us = c.step(tick, speed_half_rpm, torque_mNm)   at every load sample
    c.phase, c.set_half_rpm, c.flags, c.sweep_start_tick, c.sweep_end_tick
    c.verdict()      tuple: message "verdict", fields verdict .. saturated_shut_ms
    c.measure()      generator: learns from the sweep, a piece at a time, at standstill
    c.learn()        the rest of it; list of (slot, value), bounded; empty with `learning` off
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

Stages within the phases: HOLD: find top (wait while the engine still gains; let it go where the warm
valve holds it below its greatest power), apply load, hold speed, ramp entry (0.4 s from the standing
set point to the full rate).  RAMP: the ramp.  RELEASE: hold load (first the run-out, a little past the
end speed, so that the last bin fills), release load, idle.
"""

from evenfall_wire.codes import REASONS, VERDICTS

from .native import const, forget, micropython
from . import ramp_record
from .ramp_record import record
from .ripple import Ripple
from .speed_loop import (
    EXP2,
    LOG2,
    SINE,
    ramp_set_point,
    feedforward_opening,
    estimate_flow_exponent,
    set_bandwidth,
    notice_hunting,
    estimate_delay,
    estimate_valve_gain,
    correlate,
    control_error,
    servo_pulse,
    cancel_ripple,
    detune,
    estimate_engine_torque,
    estimate_exponent,
    predict,
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
    DEFAULT_VALVE_EXPONENT,
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

_MASK = const(0x3FFFFFFF)

# slots of the state and numbers of speed_loop, the same there (a test compares): as `const` they take no RAM
_TICK = const(0)
_TORQUE = const(3)
_SPEED = const(4)
_DT = const(5)
_SPEED_1 = const(6)
_SPEED_2 = const(7)
_SPEED_3 = const(8)
_SHAFT_RATE = const(31)
_SELF_REGULATION = const(32)
_SPEED_RATE = const(13)
_ENGINE_TORQUE = const(17)
_ENGINE_TORQUE_SLOW = const(18)
_ENGINE_TORQUE_NOW = const(19)
_BEGIN_SPEED = const(23)
_INERTIA_MANTISSA = const(24)
_INERTIA_SHIFT = const(25)
_INERTIA = const(26)
_SET_POINT_16 = const(27)
_SET_POINT = const(28)
_ERROR = const(29)
_LOWEST_SPEED = const(33)
_VALVE_EXPONENT = const(34)
_OPENING = const(35)
_INTEGRAL = const(36)
_MIN_OPENING = const(37)
_OPENING_MEAN = const(38)
_PULSE_US = const(42)
_FLAGS = const(43)
_SHUT_US = const(44)
_SPAN_US = const(45)
_HALF_BACKLASH = const(46)
_SLEW_LIMIT = const(47)
_START_SPEED = const(48)
_END_SPEED = const(49)
_SWEEP_TIME = const(50)
_START_TICK = const(51)
_RAMP_RATE = const(52)
_VALVE_GAIN = const(53)
_PRIOR_VALVE_GAIN = const(54)
_PROBING = const(56)
_RIPPLE_MHZ = const(66)
_BANDWIDTH = const(92)
_CORRECTION = const(71)
_SQUARES_LOW = const(72)
_SQUARES_HIGH = const(73)
_STEPS = const(74)
_WORST_ERROR = const(75)
_FULL_OPEN_TICKS = const(76)
_SHUT_TICKS = const(77)
_VALVE_GAIN_SUM = const(78)
_DELAY = const(93)
_DELAY_SEEN = const(94)
_ENGINE_TORQUE_BASE = const(98)
_LINE_OFFSET = const(99)
_WEAK_TICKS = const(164)
_SEEN_AGE = const(165)
_INERTIA_SURE = const(166)
_AHEAD_ERROR = const(189)
_AHEAD_RATE = const(190)
_TOP_SPEED = const(167)  # sweep.py alone: finding the top speed
_TOP_POWER = const(168)
_TOP_SPEED_SUM = const(169)
_TOP_TORQUE_SUM = const(170)
_DRAG = const(171)  # engine torque there with the valve shut, 1/4 mN.m
_ERROR_MEAN = const(172)  # holding it
_SWINGS = const(173)
_SWING_SIGN = const(174)
_LOAD_COUNT = const(175)
_INERTIA_SEEN = const(176)  # inertia of this run
_BEST_CORRELATION = const(177)
_INERTIA_FITS = const(178)
_DEFAULT_DELAY = const(1638)
_SLOW_LOOP = const(160)
_SURE = const(3)
_LOG_FEEDFORWARD = const(180)
_LOG_FLOW = const(181)
_LOG_FLOW_RATE = const(182)
_OPENING_SEEN = const(184)
_FLOW_VARIANCE = const(185)
_FLOW_COVARIANCE = const(186)
_FLOW_EXPONENT = const(187)
_FLOW_TORQUE = const(717)
_FLOW_SPEED = const(410)
_FULL = const(16384)
_IN_SWEEP = const(8)
_UNITY = const(1 << 23)
_ZERO_FLOW = const(492)
_HISTORY_INDEX = const(63)


# stages within the phases
_FIND_TOP = const(-1)
_APPLY_LOAD = const(0)
_HOLD_SPEED = const(1)
_RAMP_ENTRY = const(2)
_RAMP = const(3)
_HOLD_LOAD = const(4)
_RELEASE_LOAD = const(5)
_IDLE = const(6)

_RAMP_ENTRY_TICKS = const(1600000)  # 0.4 s, before the sweep's time starts
_HOLD_TOLERANCE_Q15 = const(450)  # within 1.4 % is steady
_HOLD_TIMEOUT_MS = const(6000)  # of trying to hold, above the steady time
_MAX_END_SHIFT_TICKS = const(1000000)  # 0.25 s: most that the mean offset moves the end
_MAX_LATENESS = const(20000)  # some 1.2 s
_RUN_OUT_HALF_RPM = const(400)  # the ramp goes on past the end speed, so that the last bin fills
_LIGHT = const(5000)  # 1.5e-3 kg m2: crank and rotor of a small saw (common practice, no source)
_USUAL = const(10500)  # 3e-3 kg m2
_HEAVY = const(25000)  # 7e-3 kg m2
_GOOD_CORRELATION = const(215)  # correlation of torque and dw/dt, of 256, from which the inertia is sure
_FAIR_CORRELATION = const(170)  # and from which it is better than a guess
_TOP_STEPS = const(16)  # 0.2 s: speed and power are looked at so often
_MAX_TOP_STEPS = const(240)  # 3 s
_WEAK_Q15 = const(655)  # 2 % over the set point with the valve fully open
_MAX_WEAK_TICKS = const(1800000)  # 0.45 s
_COARSE_TICKS = const(14000000)  # 3.5 s beyond the steady time and not yet steady,
_COARSE = const(600)  # with the valve open by less than 3.7 %, and an eighth too slow
_COARSE_SWINGS = const(4)  # or to and fro by 1 % so often: it cannot be set finely
_MAX_LEARN_RMS = const(800)  # 1/10000: a sweep further off its ramp teaches nothing
_PROBE_STEPS = const(130)  # 1.6 s
_PROBE_REST = const(30)
_PROBE_MIN = const(130)  # 0.8 % of the travel: a servo does not answer less
_PROBE_SEQUENCE = const(0b000100110101111)  # maximum-length sequence of four bits; six steps each
_MAP_TORQUE = const(0)  # as ValveMap.look_up gives them
_MAP_EXPONENT = const(1)
_MAP_OPENING = const(2)
_NOT_LEARNED = (0, 0, 0)
VERDICT_RMS = 6  # place of the tracking error in `verdict()`


def shift_tick(tick, ticks):
    """`ticks` after or before `tick`, modulo 2**30, no sum beyond it."""
    return (tick + ticks if ticks < 0 else tick - (_MASK - ticks) - 1) & _MASK


def _reason(name):
    return REASONS.index(name)


_TIME_OFF = _reason("time_off")
_TRACKING_OFF = _reason("tracking_off")
_VALVE_FULL_OPEN = _reason("valve_full_open")
_SHUT = _reason("valve_shut")
_SUPPLY_LOW = _reason("supply_low")
_NOT_HELD = _reason("top_speed_not_held")
_BRAKE_TOO_WEAK = _reason("brake_too_weak")
_VALVE_TOO_LARGE = _reason("valve_too_large")
_GOOD, _FAIR, _POOR, _ABORTED = [VERDICTS.index(n) for n in ("good", "fair", "poor", "aborted")]


class Sweep:
    """One sweep, or one characterisation sweep."""

    def __init__(self, settings, learned, ramp=None):
        self._s = s = new_state()
        s[_SHUT_US] = settings["servo_shut"]
        s[_SPAN_US] = settings["servo_open"] - settings["servo_shut"]
        span = abs(s[_SPAN_US]) or 1
        s[_HALF_BACKLASH] = settings["servo_backlash"] * (_FULL // 2) // span
        s[_SLEW_LIMIT] = min(settings["servo_slew"] * _FULL // span, 1 << 18)
        s[_PULSE_US] = settings["servo_shut"]
        self._start_setting = settings["start_speed"] * 2
        self._end_setting = settings["end_speed"] * 2
        self._upward = settings["upward"]
        self._highest = settings["overspeed"] * 15 >> 3  # half rpm: no engine is let go beyond
        self._sweep_time = self._sweep_ms = settings["sweep_time"]
        self._steady_ticks = settings["steady_time"] * 4000
        self._learning = settings["learning"]
        self.map = ValveMap(learned if self._learning else None)
        self._fit = InertiaFit()
        self._ripple = Ripple()
        self._record = ramp or ramp_record.new_state()  # the board has one for all its controllers
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
        self._may_use_map = self._learning

    def characterise_begin(self):
        """A slow guided sweep that ignores the learned map and replaces it."""
        self._requested = True
        self.phase = HOLD

    def characterise_step(self, tick, speed_half_rpm, torque_mNm):
        if self._requested:
            self._requested = False
            self._sweep_ms = 20000
            self._reset(tick, speed_half_rpm, self._s[_PULSE_US])
            self._may_use_map = False
            self._relearn = True
        return self.step(tick, speed_half_rpm, torque_mNm)

    def _reset(self, tick, speed, servo_us):
        s = self._s
        self.phase = HOLD
        self._stage = _FIND_TOP
        self._relearn = False
        self._use_map = self._may_use_map = False
        self._stage_tick = tick
        restart(s, tick, speed, servo_us)
        s[_DELAY] = self.map.delay or _DEFAULT_DELAY
        s[_DELAY_SEEN] = _SURE if self.map.delay else 0
        s[_PROBING] = 0 if self.map.delay else 1
        set_bandwidth(s)
        # a slow loop goes by what was identified; a quick one by what it sees itself at every change
        self.measured = s[_BANDWIDTH] < _SLOW_LOOP and bool(self.map.weights)
        s[_PRIOR_VALVE_GAIN] = self.map.valve_gain
        s[_VALVE_GAIN] = self.map.fill_rate if self.measured else self.map.valve_gain
        s[_VALVE_EXPONENT] = self.map.valve_exponent if self.measured else DEFAULT_VALVE_EXPONENT
        s[_FLOW_EXPONENT] = s[_VALVE_EXPONENT]
        s[_RIPPLE_MHZ] = self.map.ripple_mHz
        s[_SWEEP_TIME] = self._sweep_ms * 125 >> 7
        self._has_torque = False
        self._fit.restart()
        self._ripple.restart()
        self._count = 0
        self._set_inertia(self.map.inertia)
        self._inertia_known = self.map.inertia > 0
        s[_INERTIA_SURE] = 1 if self._inertia_known else 0
        self._hold_opening = 0
        self._probe_steps = _PROBE_STEPS if self.map.delay else 0
        self._found = None
        ramp_record.restart(self._record, self._sweep_ms)
        self._settled_ticks = self._short_ticks = self._reloads = 0
        self._debounce_ticks = 0
        self._reason = 0
        self._top_speed_held = True
        self._cut_reason = 0
        self._end_torque = 0
        self._run_out_speed = 0
        self.flags = 0
        self.sweep_start_tick = self.sweep_end_tick = tick
        self._plan(speed)

    def _plan(self, speed):
        """Ramp and held speed for an engine whose top speed is `speed`, half rpm."""
        s = self._s
        s[_BEGIN_SPEED] = speed
        self._load_opening = s[_OPENING]
        high = self._start_setting
        if not high:
            high = speed - (speed >> 5)
        low = self._end_setting
        if self._upward:
            s[_END_SPEED] = max(high, low + 200)
            self._plan_from_start(low)
        else:
            s[_END_SPEED] = low
            if self._start_setting:
                self._plan_from_start(max(high, low + 200))
            else:
                known = self.map.held_speed()
                if self._may_use_map and known < speed and known > speed - (speed >> 2):
                    high = known  # the same ramp from run to run, also where the hold had to go lower for it
                self._plan_from_held(max(high, low + 200))
        s[_LOWEST_SPEED] = max(min(s[_START_SPEED], s[_END_SPEED]), 512)
        s[_SET_POINT_16] = max(speed, self._held_speed) << 4
        self.set_half_rpm = s[_SET_POINT] = max(s[_SET_POINT_16] >> 4, 512)
        start, end = s[_START_SPEED], s[_END_SPEED]
        self._use_map = self._may_use_map and self.map.covers(min(start, end) + 512, max(start, end) - 512)

    def _plan_from_start(self, start):
        s = self._s
        s[_START_SPEED] = start
        s[_RAMP_RATE] = (s[_END_SPEED] - start) * 1000 // self._sweep_ms
        self._held_speed = start - s[_RAMP_RATE] // 5

    def _plan_from_held(self, held):
        """The ramp entry from the held speed takes 0.4 s and a fifth of a second's ramp."""
        s = self._s
        self._held_speed = held
        s[_RAMP_RATE] = (s[_END_SPEED] - held) * 1000 // (self._sweep_ms + 200)
        s[_START_SPEED] = held + s[_RAMP_RATE] // 5

    def _set_inertia(self, j):
        s = self._s
        s[_INERTIA] = j
        shift = 0
        while j >> shift >= 4096:
            shift += 1
        s[_INERTIA_MANTISSA] = j >> shift
        s[_INERTIA_SHIFT] = 16 - shift

    # --- one sample ----------------------------------------------------------

    @micropython.native  # over 60 lines: at every load sample, and a call costs as much as six of its lines
    def step(self, tick, speed_half_rpm, torque_mNm):
        s = self._s
        stage = self._stage
        if stage == _IDLE:
            return s[_PULSE_US]
        d = take_sample(s, tick, speed_half_rpm, torque_mNm, self.speed_tick)
        if not d:
            return s[_PULSE_US]
        if stage <= _RAMP_ENTRY:
            self._update_inertia()
        estimate_engine_torque(s)
        if stage == _RAMP:
            ramp_set_point(s, tick)
            acc = s[_RAMP_RATE]
        else:
            acc = self._set_point_rate(tick)
            stage = self._stage
        use_map = self._use_map
        learned = self.map.look_up(lookup_speed(s)) if use_map else _NOT_LEARNED
        if stage <= _HOLD_SPEED or not use_map:
            estimate_exponent(s)
        control_error(s, acc, learned[_MAP_TORQUE], learned[_MAP_EXPONENT])
        self.set_half_rpm = s[_SET_POINT]
        if stage == _FIND_TOP:
            u = self._find_top()
        elif stage == _APPLY_LOAD:
            u = self._apply_load()
        elif stage == _RELEASE_LOAD:
            u = self._release_load()
        else:
            if stage > _RAMP:
                detune(s, 1)
            elif relative_changes(s):
                # one thing at a time: the step must be short
                k = correlate(s) & 7
                if k & 1:
                    detune(s, 2)
                elif k == 0:
                    estimate_delay(s)
                elif k == 2:
                    if not self.measured:
                        estimate_valve_gain(s)
                    if stage > _HOLD_SPEED and not use_map:
                        estimate_flow_exponent(s)
                elif k == 4:
                    set_bandwidth(s)
                else:
                    notice_hunting(s, 8)
            if stage <= _RAMP:
                predict(s)
            proportional_derivative(s)
            if s[_RIPPLE_MHZ]:
                cancel_ripple(s, SINE)
            if stage != _RAMP:
                u = self._feedforward(tick, acc)
            elif use_map:
                u = learned[_MAP_OPENING] + _ZERO_FLOW
            else:
                u = feedforward_opening(s, acc, LOG2, EXP2)
            u = control_law(s, u)
            if stage == _HOLD_SPEED:
                self._hold_speed(d, u)
                if self._probe_steps < _PROBE_STEPS:
                    u = self._probe(u)
            elif stage == _HOLD_LOAD:
                self._hold_load(d)
        if stage == _RAMP or stage == _RAMP_ENTRY or stage == _HOLD_LOAD and acc:
            # the opening that held until now
            r = self._record
            record(r[0], r[1], s[_DT], s[_OPENING], s[_TORQUE], s[_SPEED], s[_SET_POINT])
        if stage == _RAMP:
            us = servo_pulse(s, u, _IN_SWEEP)
            self._track(tick, d)
        else:
            us = servo_pulse(s, u, 0)
        if s[_OPENING] >= _FULL and stage <= _RAMP:
            self._at_full_opening(tick, d)
        else:
            s[_WEAK_TICKS] = 0
        self.flags = s[_FLAGS]
        return us

    # --- parts of a step -----------------------------------------------------

    def _set_point_rate(self, tick):
        """Move the set point outside the ramp; its rate, half rpm/s."""
        stage = self._stage
        if stage == _RAMP_ENTRY:
            return self._enter_ramp(tick)
        if stage == _HOLD_LOAD:
            return self._run_out(tick)
        if stage == _FIND_TOP:
            s = self._s  # the highest so far: one that falls from it is seen by the guard
            s[_SET_POINT_16] = max(s[_SPEED], s[_SET_POINT]) << 4
            return 0
        return self._approach_held_speed() if stage <= _HOLD_SPEED else 0

    @micropython.native
    def _track(self, tick, d):
        """A step on the ramp: error statistics, ripple record, the end."""
        s = self._s
        self._ripple.add(s[_CORRECTION])
        over = note_tracking(s, d)
        elapsed = (tick - s[_START_TICK]) & _MASK
        if over and elapsed > 200000:
            self._finish(self._end_tick(tick))
        elif elapsed > self._sweep_ms * 6000:
            self._cut_reason = _TIME_OFF
            self._finish(tick)

    def _at_full_opening(self, tick, d):
        """End a sweep that the brake cannot do: no more water, the engine stays 2 % above the set point."""
        s = self._s
        w, error = s[_SPEED], s[_ERROR]
        rate, slow = s[_SPEED_RATE], w >> 5
        # before the ramp a speed that still falls is on its way
        if error < _WEAK_Q15 or self._stage != _RAMP and rate < -slow:
            s[_WEAK_TICKS] = 0
            return
        if rate <= slow:  # one that rises is lost water: the guard cuts the ignition
            s[_WEAK_TICKS] += d
        if s[_WEAK_TICKS] > _MAX_WEAK_TICKS:
            self._cut(tick, _BRAKE_TOO_WEAK)

    def _cut(self, tick, reason):
        """End the sweep for want of the bench; the load stays on until the throttle is shut."""
        self._cut_reason = reason
        if self._stage <= _HOLD_SPEED:
            self.sweep_start_tick = tick
            if not self._use_map:
                self._reset_feedforward()
        self._finish(tick)

    def _update_inertia(self):
        """Inertia, while the load comes on: later too little moves for it to be told from noise."""
        s = self._s
        fit = self._fit
        fit.step(s[_TORQUE], (s[_SPEED_2] + s[_SPEED_3]) >> 1, s[_DT])
        t = s[_TORQUE]
        tw = ((t if t > 50 else 50) << 12) // s[_SPEED]
        if tw > 131071:
            tw = 131071
        if s[_INERTIA] == 0:
            self._set_inertia(_USUAL)
        if not self._has_torque:
            self._has_torque = True
            s[_ENGINE_TORQUE] = s[_ENGINE_TORQUE_SLOW] = t << 2
        self._count += 1
        if self._count & 7 or self._count <= 48:
            return
        j = fit.solve()
        r = fit.correlation
        if j >= MAX_INERTIA or r < (_GOOD_CORRELATION if self._inertia_known else _FAIR_CORRELATION):
            return
        # the fit that hangs together best counts, and of those in which the load moved: the rest is noise
        if fit.moved() * 8 < t or r < s[_BEST_CORRELATION] - 8:
            return
        s[_BEST_CORRELATION] = max(r, s[_BEST_CORRELATION])
        if r < _GOOD_CORRELATION:
            # noise of the torque makes it too large; no more than half or twice what such a set-up has
            j = min(max(j * r >> 8, _LIGHT), _HEAVY)
        elif not self._inertia_known:
            self._inertia_known = True
            s[_INERTIA_SURE] = 1
            s[_INERTIA_FITS] = 0
        j = min(max(j, tw * 16 // 10), tw * 200, MAX_INERTIA)
        if s[_INERTIA_FITS] < 4:
            s[_INERTIA_FITS] += 1
        s[_INERTIA_SEEN] += (j - s[_INERTIA_SEEN]) // s[_INERTIA_FITS]
        # one load-on does not undo those of many sweeps
        j = self.map.inertia
        j = j + (s[_INERTIA_SEEN] - j) // 4 if j else s[_INERTIA_SEEN]
        self._set_inertia(max(j, MIN_INERTIA))

    def _approach_held_speed(self):
        """The set point comes down to the held speed at 7.8 % per second."""
        s = self._s
        goal = self._held_speed << 4
        now = s[_SET_POINT_16]
        if now > goal:
            rate = (goal >> 4 if goal > 16384 << 4 else 16384) * 5 >> 6
            now -= rate * s[_DT] >> 11
            s[_SET_POINT_16] = now if now > goal else goal
            return -rate if now > goal else 0
        s[_SET_POINT_16] = goal
        return 0

    def _enter_ramp(self, tick):
        """The set point's rate grows evenly to the ramp's within 0.4 s."""
        s = self._s
        x = ((tick - self._stage_tick) & _MASK) >> 8
        rate = s[_RAMP_RATE]
        if x >= _RAMP_ENTRY_TICKS >> 8:
            self._stage = _RAMP
            self.phase = RAMP
            self.sweep_start_tick = s[_START_TICK] = shift_tick(self._stage_tick, _RAMP_ENTRY_TICKS)
            ramp_set_point(s, tick)
            return rate
        acc = rate * x // (_RAMP_ENTRY_TICKS >> 8)
        s[_SET_POINT_16] = (self._held_speed << 4) + acc * x // 1954
        return acc

    def _run_out(self, tick):
        """On along the ramp for a little, then stay."""
        s = self._s
        rate = s[_RAMP_RATE]
        goal = self._run_out_speed << 4
        if self._cut_reason or self._reason or s[_SET_POINT_16] == goal:
            return 0
        ramp_set_point(s, tick)
        if (s[_SET_POINT_16] <= goal) == (rate <= 0):
            s[_SET_POINT_16] = goal
            return 0
        return rate

    def _feedforward(self, tick, acc):
        """Opening + leak that the set point takes, outside the ramp."""
        s = self._s
        stage = self._stage
        if not self._use_map:
            if stage <= _HOLD_SPEED:
                return self._hold_opening
            return feedforward_opening(s, acc, LOG2, EXP2)
        # hold and ramp take different openings; the integral keeps what is the water's
        if stage > _RAMP:
            return self.map.opening(s[_SET_POINT]) + _ZERO_FLOW
        u = self.map.held_opening(self._held_speed)
        if stage == _RAMP_ENTRY:
            x = ((tick - self._stage_tick) & _MASK) >> 8
            u += (self.map.opening(s[_SET_POINT]) - u) * x // (_RAMP_ENTRY_TICKS >> 8)
        return u + _ZERO_FLOW

    def _reset_feedforward(self):
        """Make the present opening the feedforward: the integral starts again at one."""
        s = self._s
        self._hold_opening = s[_OPENING] + _ZERO_FLOW
        s[_LOG_FEEDFORWARD] = log2_x1024(self._hold_opening, LOG2) << 8
        x = _FLOW_TORQUE * log2_x1024(max(s[_ENGINE_TORQUE_BASE], 80), LOG2)
        s[_LOG_FLOW] = x - _FLOW_SPEED * log2_x1024(s[_SET_POINT], LOG2) >> 6
        s[_LOG_FLOW_RATE] = s[_OPENING_SEEN] = s[_FLOW_VARIANCE] = s[_FLOW_COVARIANCE] = 0
        s[_INTEGRAL] = _UNITY

    def _find_top(self):
        """Wait while the engine gains.

        The valve stands as the board had it, a little open.  A large one holds the engine below its
        greatest power: it is let go until the power has fallen by a fifth from its greatest.
        """
        s = self._s
        u = s[_OPENING]
        w = s[_SPEED]
        t = s[_TORQUE]
        s[_TOP_SPEED_SUM] += w
        s[_TOP_TORQUE_SUM] += t if t > 0 else 0
        if self._count % _TOP_STEPS:
            return u
        mean = s[_TOP_SPEED_SUM] // _TOP_STEPS
        power = (s[_TOP_TORQUE_SUM] // _TOP_STEPS >> 5) * (mean >> 4)
        s[_TOP_SPEED_SUM] = s[_TOP_TORQUE_SUM] = 0
        before = s[_TOP_SPEED]
        s[_TOP_SPEED] = mean
        if power > s[_TOP_POWER]:
            s[_TOP_POWER] = power
        gains = mean > before + (before >> 7) or mean < before - (before >> 7)
        goal = self._start_setting
        known = self.map.held_speed()
        if (
            self._upward
            or mean > self._highest
            or (goal and mean > goal + (goal >> 5))
            or self._count >= _MAX_TOP_STEPS
            or (
                not gains
                and (u < 164 or (power >> 2) * 5 < s[_TOP_POWER] or known and mean > known + (known >> 6))
            )
        ):
            self._stage = _APPLY_LOAD
            s[_LOAD_COUNT] = self._count
            s[_DRAG] = s[_ENGINE_TORQUE] if u < 328 else 0
            self._plan(w)
        elif not gains:
            u -= u >> 2
        return u

    def _apply_load(self):
        """Open until the engine comes down to the set speed; without a map by a share a second."""
        s = self._s
        e = s[_ERROR]
        begin, dt = s[_BEGIN_SPEED], s[_DT]
        near = e < 197 and begin - s[_SET_POINT] >= (begin >> 7) or e < -160
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
                near = self._count - s[_LOAD_COUNT] > 32
            if near:
                s[_INTEGRAL] = _UNITY
        else:
            if e > 0:
                u += (u + 328) * (3 if s[_DELAY] > 3277 or s[_DELAY_SEEN] < _SURE else 5) * dt >> 17
            if near:
                s[_OPENING] = u
                self._reset_feedforward()
        if u > _FULL:
            u = _FULL
        self._load_opening = u
        if near or self._count - s[_LOAD_COUNT] > 800:
            if not near:
                s[_OPENING] = u
                self._reset_feedforward()
            self._stage = _HOLD_SPEED
            self._settled_ticks = 0
            self._stage_tick = s[_TICK]
        return u

    def _probe(self, u):
        """Add a pseudo-random binary sequence of 5 to 12 % to the opening: its answer tells delay and gain.

        Once, while the delay is not known; then 0.4 s without, so that what holds the speed is seen.
        """
        if self._s[_SET_POINT_16] == self._held_speed << 4:
            self._probe_steps += 1
            if self._probe_steps <= _PROBE_STEPS - _PROBE_REST:
                # a shaft that answers slowly bears more
                share = min(max(39424 // self._s[_SHAFT_RATE], 256), 614)
                x = max((u + _ZERO_FLOW) * share // 5120, _PROBE_MIN)
                u += x if _PROBE_SEQUENCE >> self._probe_steps // 6 % 15 & 1 else -x
        return u

    def _hold_speed(self, d, u):  # over 60 lines: all that may end the hold or lower its speed, in its order
        """Steady at the held speed for as long as asked; then the ramp entry."""
        s = self._s
        e, w, wd = s[_ERROR], s[_SPEED], s[_SPEED_RATE]
        # turns scatter: the mean of 0.25 s is what is to be steady
        s[_ERROR_MEAN] += ((e << 3) - s[_ERROR_MEAN]) * s[_DT] >> 13
        if (
            e > _HOLD_TOLERANCE_Q15
            and s[_SWING_SIGN] <= 0
            or e < -_HOLD_TOLERANCE_Q15
            and s[_SWING_SIGN] >= 0
        ):
            s[_SWING_SIGN] = e
            s[_SWINGS] += 1
        e = s[_ERROR_MEAN] >> 3
        on_goal = s[_SET_POINT_16] == self._held_speed << 4
        if not on_goal:
            self._stage_tick = s[_TICK]  # the way there does not count
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
        # a first load that was taken for enough by a rough turn: on with it
        if on_goal and not self._use_map and e > 2 * _HOLD_TOLERANCE_Q15 and self._reloads < 3:
            self._short_ticks += d if wd > -(w >> 6) else -min(d, self._short_ticks)
            if self._short_ticks > 3200000:
                self._short_ticks = 0
                self._reloads += 1
                self._load_opening = s[_OPENING]
                s[_LOAD_COUNT] = self._count
                self._stage = _APPLY_LOAD
                return
        else:
            self._short_ticks = 0
        since = (s[_TICK] - self._stage_tick) & _MASK
        late = since > _HOLD_TIMEOUT_MS * 4000 + self._steady_ticks
        # next to the engine's free speed the drag of the empty brake hides what the water does
        small = s[_ENGINE_TORQUE] < s[_DRAG] + (s[_DRAG] >> 1) and w > s[_BEGIN_SPEED] - (
            s[_BEGIN_SPEED] >> 2
        )
        if small and on_goal and e < _HOLD_TOLERANCE_Q15 and not (self._start_setting or self._upward):
            self._lower_held_speed(w)
            if self._probe_steps < _PROBE_STEPS:
                self._probe_steps = 0
        coarse = s[_OPENING_MEAN] >> 8 < _COARSE and (s[_SWINGS] > _COARSE_SWINGS or e < -4096)
        if coarse and since > _COARSE_TICKS + self._steady_ticks:
            self._cut(s[_TICK], _VALVE_TOO_LARGE)
            return
        settled = self._settled_ticks > self._steady_ticks and self._count > 96
        if settled and self._probe_steps >= _PROBE_STEPS or late:
            if late:
                self._top_speed_held = False
                self._lower_held_speed(w)
            self._start_ramp_entry()

    def _lower_held_speed(self, w):
        """Hold what the engine reaches: 1/64 below the present speed."""
        if not self._upward:
            low = self._s[_END_SPEED] + 200
            held = w - (w >> 6)
            self._plan_from_held(held if held > low else low)
            self._s[_SET_POINT_16] = self._held_speed << 4

    def _start_ramp_entry(self):
        """Start the ramp entry; drop a map that does not fit this engine and this water."""
        s = self._s
        if self._use_map:
            now, learned = s[_ENGINE_TORQUE_NOW], self.map.look_up(s[_SET_POINT])[_MAP_TORQUE] << 2
            if (
                now > learned + (learned >> 1) + (learned >> 3)
                or now < (learned >> 1) + (learned >> 3)
                or not _UNITY // 2 < s[_INTEGRAL] < _UNITY * 2
            ):
                self._use_map = False
        self.map.note_held_opening(self._held_speed, s[_OPENING_MEAN] >> 8)
        if not self._use_map:
            self._reset_feedforward()
            # 7/10 of the rate that the ramp will have, by the engine's torque curve at the top: there
            # flow goes as w^(0.7 n - 0.4) = w^(1 - 0.7 k); 517 is 7/10 in octaves, 1/2**17, over 256
            x = (256 - (s[_SELF_REGULATION] * 179 >> 8)) * s[_RAMP_RATE] // s[_SET_POINT]
            s[_LOG_FLOW_RATE] = x * 517
        self._stage = _RAMP_ENTRY
        self._stage_tick = s[_TICK]
        s[_PROBING] = 0
        set_bandwidth(s)

    def _end_tick(self, tick):
        """When the speed crossed the end speed: the ramp's own end, moved by the mean offset of late."""
        s = self._s
        late = min(max((s[_LINE_OFFSET] << 10) // (s[_RAMP_RATE] or -1), -_MAX_LATENESS), _MAX_LATENESS)
        ahead = (s[_SWEEP_TIME] << 12) - ((tick - s[_START_TICK]) & _MASK) - late * 244
        return shift_tick(tick, ahead) if -_MAX_END_SHIFT_TICKS < ahead < _MAX_END_SHIFT_TICKS else tick

    def _finish(self, tick):
        """The sweep has ended at `tick`: hold the load."""
        s = self._s
        self.sweep_end_tick = tick
        self.phase = RELEASE
        self._stage = _HOLD_LOAD
        self._end_torque = max(s[_ENGINE_TORQUE], 400)
        s[_MIN_OPENING] = s[_OPENING] >> 1
        s[_AHEAD_ERROR] = s[_AHEAD_RATE] = 0
        self._debounce_ticks = 0
        past = min(_RUN_OUT_HALF_RPM, s[_END_SPEED] >> 4)
        self._run_out_speed = s[_END_SPEED] + (past if s[_RAMP_RATE] > 0 else -past)
        if self._cut_reason:
            s[_SET_POINT_16] = (s[_SPEED] if self._cut_reason == _VALVE_TOO_LARGE else s[_END_SPEED]) << 4

    def _hold_load(self, d):
        """Load stays on until the engine's torque is gone."""
        s = self._s
        if s[_ENGINE_TORQUE] < self._end_torque >> 2 or s[_SPEED] < (s[_SET_POINT_16] >> 4) * 3 >> 2:
            self._debounce_ticks += d
            if self._debounce_ticks > 600000:
                self._stage = _RELEASE_LOAD
        else:
            self._debounce_ticks = 0

    def _release_load(self):
        """Shut slowly; take the load back should the engine give torque again."""
        s = self._s
        s[_MIN_OPENING] = 0
        u = s[_OPENING] - (12288 * s[_DT] >> 15)
        if s[_ERROR] > 1000 and s[_ENGINE_TORQUE] > self._end_torque >> 1:
            self._stage = _HOLD_LOAD
            s[_MIN_OPENING] = s[_OPENING] >> 1
            self._debounce_ticks = 0
            self._use_map = False
            self._reset_feedforward()
        elif u <= 0:
            u = 0
            self._stage = _IDLE
            self.phase = DONE
        return u

    # --- before, after -------------------------------------------------------

    def delay_ms(self):
        """From a command to the valve to the torque measured, as far as it is known."""
        return self._s[_DELAY] * 125 >> 12

    def inertia(self):
        """Estimate in mN.m per half rpm/s, times 2**16; 0 while a guess."""
        return self._s[_INERTIA] if self._inertia_known else 0

    def abort(self, reason):
        """Stop the sweep where it is: the load stays on until the throttle is shut."""
        self._reason = reason
        s = self._s
        if self.phase in (HOLD, RAMP) and self._stage != _IDLE:
            if self._stage <= _HOLD_SPEED:
                self.sweep_start_tick = s[_TICK]
                if self._hold_opening == 0 and not self._use_map:
                    self._reset_feedforward()
            self._finish(s[_TICK])
            s[_SET_POINT_16] = max(s[_SPEED_1], 1024) << 4
        self.phase = RELEASE if self._stage != _IDLE else DONE
        self._requested = False

    def verdict(self):
        """verdict, reason, start and end tick, start and end speed, rms, worst, ms at the ends."""
        s = self._s
        n = s[_STEPS] or 1
        high = s[_SQUARES_HIGH]
        mean = (high // n << 12) + (((high % n) << 12) + s[_SQUARES_LOW]) // n
        rms = isqrt(mean)
        open_ms = min(s[_FULL_OPEN_TICKS] // 4000, 65535)
        shut_ms = min(s[_SHUT_TICKS] // 4000, 65535)
        took = ((self.sweep_end_tick - self.sweep_start_tick) & _MASK) // 400
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
                    water_short = self._use_map and s[_INTEGRAL] > _UNITY * 5 // 4
                    reason = _SUPPLY_LOW if water_short else _VALVE_FULL_OPEN
                elif shut_ms > 500:
                    reason = _SHUT
            if self._cut_reason > _TIME_OFF and reason != _SUPPLY_LOW:
                reason = self._cut_reason
            if not self._top_speed_held:
                verdict = max(verdict, _FAIR)
                reason = _NOT_HELD
        return (
            verdict,
            reason,
            self.sweep_start_tick,
            self.sweep_end_tick,
            s[_START_SPEED],
            s[_END_SPEED],
            rms,
            s[_WORST_ERROR],
            open_ms,
            shut_ms,
        )

    def measure(self):
        """Generator: learn from the sweep, a piece at a time: valve and brake, delay, the map of the valve.

        Yields 1 where the heap is to be collected next.  What learns is loaded here and forgotten; where the
        heap has no room for one of them, what it teaches stays as it was known.
        """
        if self._found is not None or not self._ready():
            return
        s = self._s
        self._found = ()
        try:
            from .plant_fit import measure
        except MemoryError:
            measure = None
        if measure:
            yield
            for found in measure(self._record, self.map.delay, s[_LOWEST_SPEED]):
                if found is True:
                    yield
                else:
                    self._found = found or ()
            measure = None
            forget("plant_fit")
            yield 1
        if s[_SEEN_AGE] < 100:  # by the correlation, in this run: what hunting told is not kept
            known = self.map.delay or s[_DELAY]
            self.map.delay = known + (s[_DELAY] - known) // 2
        try:
            from .learning import add, learn
        except MemoryError:
            return
        yield
        if self._found:
            add(self.map, self._found, self._relearn)
        if self._followed():
            steps = s[_STEPS]
            took = (self.sweep_end_tick - self.sweep_start_tick) & _MASK
            # what the ramp does in 1 / crossover (89 ms at full bandwidth): so late is the loop's answer
            lead = s[_RAMP_RATE] * 23 // s[_BANDWIDTH]
            gain = 0 if self.measured else s[_VALVE_GAIN_SUM] // steps
            ripple_mHz = self._ripple.find_mHz(took // 4 // steps)
            yield
            yield from learn(self.map, self._record, self.inertia(), gain, ripple_mHz, self._relearn, lead)
        add = learn = None
        forget("learning")

    def _ready(self):
        """May be learned from: a whole sweep, with learning on or asked for."""
        whole = self.phase >= RELEASE and not self._reason and not self._cut_reason
        return whole and (self._learning or self._relearn) and self._s[_STEPS] > 0

    def _followed(self):
        """Near enough to the ramp for the map to be learned: within 8 %."""
        return self.verdict()[VERDICT_RMS] <= _MAX_LEARN_RMS

    def learn(self):
        """Slots to store after a whole sweep; those of the plant alone where it was off by over 8 %."""
        if not self._ready():
            return []
        for _ in self.measure():  # what is left of it
            pass
        whole = self._followed()
        return self.map.pairs(whole) if whole or self._found else []
