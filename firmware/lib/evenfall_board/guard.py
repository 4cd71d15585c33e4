"""Faults: what is watched, how fast, what is done.

`TABLE` is the one list: fault, what is seen, time limit in ms from the cause to
the action, action, LED blinks.  The time of servo_no_answer counts from the
moment the speed is 4 % off, because a servo may stick just where it is wanted.
load_lost holds for the sweep; while the load is still being laid on before it, up to 600 ms.
Actions:

    kill   the kill output falls, the valve goes where `fail_valve` says
    valve  the valve goes where `fail_valve` says; the engine may run on
    end    the sweep ends in the controller's own release, load kept
    note   nothing moves; no sweep may start until it is cleared

`fail_valve`: 0 shut, 1 open (most load: the engine is pulled down), 2 stays.

The pickup sits on the brake's shaft.  A chain that comes off and an engine that
stops firing look alike there: the speed breaks down and with it the torque.
Because the first leaves an engine running free at full throttle, both cut the
ignition at once.

Everything here is integer and allocates nothing after the start.
"""

from array import array

from evenfall_wire.codes import CLAMP_HIGH, CLAMP_LOW, FAULTS

from .drivers.ticks import PER_MS
from .native import const, micropython
from .states import FAULT

TABLE = (  # fault, limit in ms, action, blinks; what is seen of each stands in BOARD.md
    ("overspeed", 60, "kill", 3),
    ("load_open", 120, "valve", 2),
    ("load_clamped", 100, "valve", 2),
    ("load_stuck", 400, "valve", 2),
    ("load_silent", 130, "valve", 2),
    ("hall_lost", 175, "kill", 3),
    ("servo_no_answer", 1000, "kill", 4),
    ("water_lost", 1500, "kill", 4),
    ("brown_out", 30, "kill", 6),
    ("button_stuck", 10100, "note", 6),
    ("load_lost", 300, "kill", 5),
    ("stalled", 350, "kill", 5),
    ("watchdog", 3000, "valve", 6),
    ("flash_full", 0, "note", 7),
    ("store_damaged", 0, "note", 7),
    ("settings_bad", 0, "note", 7),
    ("top_speed_not_held", 15100, "end", 5),
    ("cell_overload", 120, "valve", 2),
)
NAME, LIMIT_MS, ACTION, BLINKS = range(4)  # columns of TABLE
ROW = {row[NAME]: row for row in TABLE}
SEVERITY = {"note": 0, "end": 0, "valve": 1, "kill": 2}

NONE = const(0)
OVERSPEED = FAULT("overspeed")
LOAD_OPEN = FAULT("load_open")
LOAD_CLAMPED = FAULT("load_clamped")
LOAD_STUCK = FAULT("load_stuck")
LOAD_SILENT = FAULT("load_silent")
HALL_LOST = FAULT("hall_lost")
SERVO_NO_ANSWER = FAULT("servo_no_answer")
WATER_LOST = FAULT("water_lost")
BROWN_OUT = FAULT("brown_out")
LOAD_LOST = FAULT("load_lost")
STALLED = FAULT("stalled")
TOP_SPEED_NOT_HELD = FAULT("top_speed_not_held")
CELL_OVERLOAD = FAULT("cell_overload")
OF_LOAD = (LOAD_OPEN, LOAD_CLAMPED, LOAD_STUCK, LOAD_SILENT, CELL_OVERLOAD)  # no zero is taken with these

SILENT_MS = const(120)
STEADY_LIMIT_MS = const(15000)
BROWN_OUT_MV = const(4000)
UPPER_HALF = const(0x400000)  # counts: half-way to an end code
RISE = const(0x20000)  # counts from sample to sample: 1/64 of that way
# samples there, or rising so: a wire that breaks reaches the end within the filter's settling, in fewer
PUSHED = const(4)
PAST = const(12)  # speeds remembered, one every 8 ms
FALL = const(8)  # over so many of them a fall is measured
FALL_MS = const(64)
_DRIVEN = const(12)  # checks: 0.1 s
USUAL_INERTIA = const(10500)  # 3e-3 kg m2 (common practice, no source)
SENSED_MV = const(4300)  # seen once, the pin is known to sense the supply


def action(fault):
    return ROW[FAULTS[fault]][ACTION]


def severity(fault):
    """0 for none and what is only noted, 1 when the valve goes to its safe end, 2 when the engine is cut."""
    return SEVERITY[action(fault)] if fault else 0


def blinks(fault):
    return ROW[FAULTS[fault]][BLINKS]


class Guard:
    """`load_hz` is the amplifier's nominal rate."""

    def __init__(self, settings, load_hz):
        self._sensed = False
        self._hz = load_hz
        self.delay_ms = 0  # from the valve to the torque, as the controller knows it
        self.inertia = 0  # the same, mN.m per half rpm/s, times 2**16; 0: not known
        self._past = array("i", [0] * PAST)
        self._past_ms = array("i", [0] * PAST)  # when, in ms of the sweep
        # samples in a row, end codes apart, that rose or lay in the upper half; a cleared fault keeps it
        self._pushed = 0
        self.configure(settings)
        self.reset()

    def configure(self, settings):
        self._overspeed = settings["overspeed"] * 2
        self._timeout = settings["hall_timeout"] * PER_MS
        ends = [settings["end_speed"] * 2]
        if settings["upward"] and settings["start_speed"]:
            ends.append(settings["start_speed"] * 2)
        self._lower_end = min(ends)
        self._stall = self._lower_end * 6 // 10
        self._travel = abs(settings["servo_open"] - settings["servo_shut"])
        self._open_us = settings["servo_open"]
        self._opens_up = 1 if settings["servo_open"] > settings["servo_shut"] else -1

    def reset(self):
        """Forget what was seen; after a fault was cleared."""
        self._over = 0
        self._edges = 0
        self._clamped = 0
        self._open_samples = 0
        self._same_count_samples = 0
        self._before = 0
        self._low_mv_ms = 0
        self.sweep_begins()

    def sweep_begins(self):
        self._steady_ms = 0
        self._torque_ref = 0  # torque over about half a second, mN.m
        self._lost = 0
        self._torque_gone_samples = 0
        self._overload = 0  # samples for which an overload explains a drop of the speed
        self._before_rpm = 0
        self._slow_samples = self._coast_samples = self._coast_from = self._coast_low = 0
        self._was_up = False
        # checks for which the engine has held the shaft: it slows down far less than the brake would
        self._driven = 0
        self._shut = False  # the throttle, while the sweep still runs
        self._last_speed = 0  # the last that edges told, half rpm
        self._ramp_torque = 0  # as `_torque_ref`, kept from the ramp on
        self._fell = 0  # checks for which a fall at once counts
        # two for each check at which the brake slowed down alone, less one for each other
        self._brake_alone_score = 0
        self._away_samples = 0  # since the speed followed last, within 0.8 %
        self._off_samples = 0  # in a row off the set speed by 4 %, signed
        self._torque_mean = 0  # over a tenth of a second, from the ramp on
        self._off_torque = 0  # the same, where the speed still followed
        self._moved = 0  # samples for which the valve has been 15 % of its travel from there, unanswered
        self._opening_ref = 0  # as `_torque_ref`: how far the valve was open, us
        self._closed = 0  # samples since the valve was open by less than half of that
        self._off_us = 0
        self._off_from = 0  # the speed that still followed
        self._off_low = 65535  # the lowest since
        self._off_rpm = 0
        self._past_at = 0
        self._ms = 0  # of this sweep
        for i in range(PAST):
            self._past[i] = 0
            self._past_ms[i] = (i - PAST) * 8

    # --- checks; each returns a fault number, 0 for none ---

    def supply(self, millivolts, passed_ms):
        """Board supply in mV, every pass."""
        if millivolts >= BROWN_OUT_MV:
            self._low_mv_ms = 0
            if millivolts >= SENSED_MV:
                self._sensed = True
        elif self._sensed:
            self._low_mv_ms += passed_ms
            if self._low_mv_ms >= 20:
                return BROWN_OUT
        return NONE

    def every_pass(self, half_rpm, edges, edge_ticks, load_ms, controlled, torque, releasing=False):
        """Checks that do not wait for a load sample.

        `edges` counts edges, `edge_ticks` and `load_ms` say how long there was none.
        """
        if half_rpm <= self._overspeed:
            self._over = 0
        elif edges != self._edges:
            # a single false edge lifts the speed for two edges
            self._over += 1
            if self._over >= 3:
                return OVERSPEED
        self._edges = edges
        if load_ms > SILENT_MS:
            return LOAD_SILENT
        if half_rpm:
            self._last_speed = half_rpm
        if controlled and self._was_up and edge_ticks > self._timeout:
            # in the release the shaft comes to rest by itself: its edges stretch before they end; what
            # friction leaves on the cell then is little beside the torque of the ramp
            if torque > 100 and torque * 3 > max(self._torque_ref, self._ramp_torque):
                if not releasing or self._last_speed > self._lower_end >> 1:
                    return HALL_LOST
            if not releasing:
                return STALLED
            if self._last_speed * 10 > self._lower_end * 9:
                return LOAD_LOST  # from the end speed to a standstill in a turn or two: no hand does that
        return NONE

    def breakdown(self, half_rpm, set_half_rpm, passed_ms, torque=0, inertia=0, held_over=False):
        """Every pass of a sweep: has the speed broken down, a sixth under the set speed and 3 % in 64 ms?

        An engine on a steep part of its curve that the brake has just overloaded does the same: then the
        torque has been a quarter over its mean, which a brake without an engine cannot give; and as long as
        the engine fires at all, the shaft slows down less than the brake's torque alone would slow it.
        `set_half_rpm` is 0 in the release; `held_over`: no edge has come that tells a speed.
        """
        now = self._ms + passed_ms
        self._ms = now
        if held_over:
            self._driven = 0
            return NONE
        torque = max(-131071, min(torque, 131071))
        past, times, at = self._past, self._past_ms, self._past_at
        from_ = (at + PAST - FALL) % PAST
        held = past[from_]
        # a pass is not always as long: the drop is that of FALL_MS
        drop = (held - half_rpm) * FALL_MS // (now - times[from_] or 1)
        # noted in the ramp, too: a chain lost at its very end ends it by the fall
        if self._was_up and self._fell_at_once(held, half_rpm, drop, torque, inertia):
            self._fell = PAST
        elif self._fell:
            self._fell -= 1
        last = past[(at + PAST - 1) % PAST]
        if inertia == 0 or (last - half_rpm) * 8 > last or self._slowing(drop, inertia) * 8 > torque * 5:
            self._driven = 0
        elif self._driven < _DRIVEN:
            self._driven += 1
        past[at] = half_rpm
        times[at] = now
        self._past_at = (at + 1) % PAST
        if not self._was_up or set_half_rpm == 0:
            return LOAD_LOST if self._fell else NONE
        if self._shut:
            return NONE
        if half_rpm > self._lower_end >> 1 and self._slowed_alone(drop, torque, inertia):
            return self._lost_or_stalled(half_rpm)
        if (
            self._overload == 0
            and half_rpm < set_half_rpm - set_half_rpm // 6
            and drop > set_half_rpm >> (5 if inertia else 4)
            # an inertia not yet known may be twice the usual one
            and self._slowing(drop, inertia or USUAL_INERTIA) > torque - (torque >> (3 if inertia else 1))
        ):
            return self._lost_or_stalled(half_rpm)
        return NONE

    def _slowing(self, drop, inertia):
        """Torque that slows the whole shaft down by `drop` half rpm in FALL_MS, mN.m."""
        drop = max(-65535, min(drop, 65535))  # a pass may be a millisecond; the products stay small
        return ((inertia >> 6) * drop >> 10) * 125 >> 3  # 1000 / FALL_MS is 15.6

    def _fell_at_once(self, held, half_rpm, drop, torque, inertia):
        """In the release, where a hand shuts the throttle and a clutch then lets go: is the chain off?

        `held`: the speed 64 ms ago.  A hand and an engine's last charges take a tenth of a second or more
        (common practice, no source): while the torque fades the shaft falls faster and faster.  A brake off
        the chain slows down 1.6 times as fast as its torque could slow the whole shaft, from one turn to the
        next: out of a steady speed it falls evenly, and the torque that slows it falls with the speed.
        Under 13/16 of the lower end clutches let go.
        """
        ref = self._torque_ref
        if drop < held >> 5 or ref * 2 < self._ramp_torque or held * 16 < self._lower_end * 13:
            return False
        past, times, at = self._past, self._past_ms, self._past_at
        since = times[(at + PAST - FALL) % PAST]
        before = (past[at] - held) * FALL_MS // (since - times[at] or 1)
        inertia = inertia or USUAL_INERTIA
        before = self._slowing(before, inertia)
        slowing = self._slowing(drop, inertia)
        if slowing * 16 < (ref + torque) * 5 or before * 8 > ref and before * 16 > slowing * 3:
            return False
        # the first half of the fall as steep as the whole, but for rough turns; 0.7 times as steep will do
        # where three quarters of the torque slow the shaft down: no hand has taken that away so soon
        middle = (at + PAST - FALL // 2) % PAST
        first = (held - past[middle]) * (self._ms - since) >> 2
        even = (held - half_rpm) * (times[middle] - since) >> 2
        return first * 20 > even * (14 if slowing * 4 > ref * 3 else 19)

    def _slowed_alone(self, drop, torque, inertia):
        """The brake slows down faster than its torque could slow the engine too: the chain is off.

        `drop` in half rpm over FALL_MS.  With the engine on the chain inertia x drop is the brake's
        torque less the engine's: a closed throttle adds its friction, up to a quarter of that torque
        (common practice, no source).  Alone the brake, with 60 % of the inertia or less, slows down 1.6 times
        as fast or more, before its torque has fallen: that takes 0.1 s, so three of four checks are enough.
        Below half the lower end friction rules.
        """
        if drop <= 0 or inertia == 0 or self._ramp_torque == 0:
            self._brake_alone_score = 0
            return False
        slowing = self._slowing(drop, inertia)
        ref = self._ramp_torque
        if torque * 5 > ref * 2 and slowing > torque + (torque >> 3) + (ref >> 2):
            self._brake_alone_score += 2
        elif self._brake_alone_score:
            self._brake_alone_score -= 1
        return self._brake_alone_score >= 5

    def _lost_or_stalled(self, half_rpm):
        return LOAD_LOST if half_rpm > self._lower_end + (self._lower_end >> 3) else STALLED

    def steady(self, passed_ms):
        self._steady_ms += passed_ms
        return TOP_SPEED_NOT_HELD if self._steady_ms > STEADY_LIMIT_MS else NONE

    @micropython.native
    def load(self, count, force_count, limit_count, turning):
        """One raw sample; `force_count` is the count less zero, positive for brake torque.

        A push on the cell is told from a broken wire by its way to the end of the range.
        """
        if count >= CLAMP_HIGH or count <= CLAMP_LOW:
            self._clamped += 1
            if self._clamped >= 3:
                if self._pushed >= PUSHED:
                    return CELL_OVERLOAD
                # an end code out of nothing while nothing turns is no load but a broken wire
                return LOAD_CLAMPED if turning else LOAD_OPEN
        else:
            self._clamped = 0
            rise = count - self._before if count > 0 else self._before - count
            if rise < RISE and count < UPPER_HALF and count > -UPPER_HALF:
                self._pushed = 0
            elif self._pushed < PUSHED:
                self._pushed += 1
        if force_count > limit_count or (turning and force_count < -(limit_count >> 4)):
            self._open_samples += 1
            if self._open_samples >= 4 and self._clamped == 0:
                return CELL_OVERLOAD if force_count > 0 else LOAD_OPEN
        else:
            self._open_samples = 0
        if count == self._before:
            if self._same_count_samples < 1 << 20:
                self._same_count_samples += 1
            if self._same_count_samples * 10 >= self._hz * 3 and self._clamped == 0:
                return LOAD_STUCK
        else:
            self._same_count_samples = 0
            self._before = count
        return NONE

    @micropython.native  # over 60 lines: at every load sample, and a call costs as much as six of its lines
    def control_step(self, half_rpm, set_half_rpm, torque, valve_us, steady, sweeping):
        """One control step of a sweep: does the brake still do what it should?"""
        if torque < 0:
            torque = 0
        elif torque > 131071:
            torque = 131071
        ref = self._torque_ref
        if half_rpm >= self._lower_end - (self._lower_end >> 4):
            self._was_up = True
        if torque * 4 > ref * 5 and ref > 100:
            self._overload = self._hz >> 2
        elif self._overload:
            self._overload -= 1
        # load lost: torque gone and speed running away upward, and not because the valve was shut; in the
        # release the person shuts the throttle, also of a shaft that has swung up, so there it must rise
        held = steady or sweeping
        opening = self._travel - (self._open_us - valve_us) * self._opens_up
        if opening * 2 < self._opening_ref:
            self._closed = 0
        elif self._closed < 4096:
            self._closed += 1
        if (
            ref > 200
            and torque * 3 < ref
            and half_rpm > set_half_rpm + (set_half_rpm >> 6)
            and half_rpm + (half_rpm >> 7 if held else 0) >= self._before_rpm
            and self._closed * 1000 > self._hz * (200 + 2 * self.delay_ms)
        ):
            self._lost += 1
            if self._lost * (13 if held else 5) >= self._hz:
                return LOAD_LOST
        else:
            self._lost = 0
            self._torque_ref = ref + ((torque - ref) >> 5) if ref else torque
            self._opening_ref += (opening - self._opening_ref) >> 5
        if not held:
            self._before_rpm = half_rpm
            return NONE  # in the release speed and torque are the person's
        # the torque is gone and the speed does not rise for it: nothing drives the brake any more.  A small
        # engine near its top speed leaves so little torque that the speed alone does not show it.
        low = half_rpm < set_half_rpm - (set_half_rpm >> 6) and half_rpm <= self._before_rpm
        self._before_rpm = half_rpm
        if low and self._was_up and ref > 100 and torque * 2 < ref:
            # Whoever takes a shaft that has swung to its end speed for the end of the sweep and shuts the
            # throttle takes the torque away, too.  But then the engine goes on holding the shaft against the
            # brake, so it is on the chain; off it the shaft would have fallen by itself before that.
            if self._torque_gone_samples == 0 and self._driven == _DRIVEN and half_rpm < self._lower_end:
                self._shut = sweeping
            self._torque_gone_samples += 1
            if self._torque_gone_samples * 32 >= self._hz and not self._shut:
                return self._lost_or_stalled(half_rpm)
        else:
            self._torque_gone_samples = 0
            if not low:
                self._shut = False
        if steady and self._was_up and self._coasts(half_rpm, half_rpm < set_half_rpm, opening):
            return self._lost_or_stalled(half_rpm)
        if self._was_up and half_rpm < self._stall and not self._shut:
            self._slow_samples += 1
            if self._slow_samples * 20 >= self._hz:
                return STALLED
        else:
            self._slow_samples = 0
        if not sweeping:
            return NONE
        self._ramp_torque = self._torque_ref
        mean = self._torque_mean
        mean = self._torque_mean = mean + ((torque - mean) >> 3) if mean else torque
        error = half_rpm - set_half_rpm
        near = set_half_rpm >> 7
        if -near <= error <= near:  # the speed follows: valve and torque are as they should be
            self._away_samples = self._off_samples = self._moved = 0
            self._off_torque = mean
            self._off_us = valve_us
            self._off_from = self._off_low = half_rpm
            return NONE
        return self._is_off(1 if error > 0 else -1, half_rpm, set_half_rpm, mean, valve_us)

    def _coasts(self, half_rpm, under, opening):
        """The shaft falls as the brake's torque alone would slow it: the engine gives it nothing.

        Next to the free speed the brake holds little water, and off the chain it only coasts down, evenly,
        while the set point may follow it.  With an engine a fall of a twentieth brings far more torque than
        that, and one that is under its set speed rises once the valve is nearly shut.
        """
        low = self._coast_low
        samples = self._coast_samples
        if samples == 0 or half_rpm > low + (low >> 8) or samples * 2 > self._hz * 3:
            self._coast_samples = 1
            self._coast_from = self._coast_low = half_rpm
            return False
        if half_rpm < low:
            self._coast_low = half_rpm
        self._coast_samples = samples + 1
        if samples * 2 < self._hz:
            return False
        start = self._coast_from
        fallen = start - half_rpm
        slowing = ((self.inertia or USUAL_INERTIA) >> 6) * fallen >> 10
        slowing = slowing * self._hz // samples
        if fallen > start // 20 and slowing > self._torque_ref and slowing > 100:
            return True
        if fallen < start >> 6 or not under or opening * 12 > self._travel:
            return False
        # an inertia not yet known may be twice the usual one
        if self.inertia == 0:
            slowing <<= 1
        return samples * 1000 > self._hz * (500 + self.delay_ms) and slowing > self._torque_ref

    def _is_off(self, sign, half_rpm, set_half_rpm, torque, valve_us):
        """Speed over (1) or under (-1) the set speed: is the valve answered?  Judged from 4 % on.

        By the torque: in a brake whose outflow goes as speed x fill^1/2 and its torque as speed^2 x fill, the
        torque goes as the square of the flow, whatever the speed.  Valve and torque count from where the
        speed still followed, within 0.8 %, or from the last answer: until the speed is off by 4 % the valve
        has gone most of its way.  What is on its way needs the delay.  A shaft that is pulled down takes the
        torque with it, so there the torque counts that goes with the speed, while that still falls.
        """
        late = self._hz * self.delay_ms // 500
        away = self._away_samples + 1
        self._away_samples = away
        was = torque if away <= late else self._off_torque
        speed = half_rpm if sign > 0 else set_half_rpm
        gone = speed - self._off_from
        changed = (torque - was) * sign
        answered = was // 10
        falls = True
        if sign < 0:
            falls = half_rpm < self._off_low
            if falls:
                self._off_low = half_rpm
            share = (half_rpm << 6) // set_half_rpm
            answered = max(answered, was - ((was * 9 >> 3) * share >> 6) * share // 64)
        moved = (valve_us - self._off_us) * self._opens_up * sign
        if was == 0 or changed >= answered or gone * 6 > speed or gone * 6 < -speed:
            # answered, or too far off to compare with: anew from here
            was = torque
            self._off_us = valve_us
            self._off_from = speed
            self._moved = 0
        elif moved * 100 >= self._travel * 15 and changed * 8 > -was and falls:
            self._moved += 1
        elif self._moved:
            self._moved -= 1
        self._off_torque = was
        if (half_rpm - set_half_rpm) * sign * 25 <= set_half_rpm:
            self._off_samples = 0
            return NONE
        if self._off_samples * sign <= 0:
            self._off_samples = 0
            self._off_rpm = half_rpm
        self._off_samples += sign
        n = self._off_samples * sign
        if n * 4 > self._hz and (self._moved - late) * 4 > self._hz:
            # against a valve that stays where it is the engine does not gain
            return WATER_LOST if sign > 0 and gone * 64 > half_rpm else SERVO_NO_ANSWER
        if sign < 0 or (n - late) * 2 < self._hz:
            return NONE
        if n >= self._hz and abs(valve_us - self._open_us) * 32 < self._travel:
            if half_rpm >= self._off_rpm:
                return WATER_LOST  # wide open for a second, and the engine still gains
        if moved >= 0 and changed * 3 < -was:
            return WATER_LOST
        return NONE
