"""The sweep controller: speed falls in a straight line, the valve follows.

Pure integers, no I/O, no allocation in `step`; every intermediate stays below
2**30 in magnitude.  Runs in MicroPython and CPython.

    c = Sweep(settings, learned)     settings: name -> int, learned: slot -> int
    c.begin(tick, speed_half_rpm, servo_us)          enters HOLD
    servo_us = c.step(tick, speed_half_rpm, torque_mNm)   at every load sample
    c.phase, c.set_half_rpm, c.flags, c.sweep_start_tick, c.sweep_end_tick
    c.verdict()      tuple: message "verdict", fields verdict .. saturated_shut_ms
    c.learn()        list of (slot, value), bounded; empty with `learning` off
    c.abort(reason)  number in codes.REASONS; goes to RELEASE, keeps the load
    c.characterise_begin(); servo_us = c.characterise_step(tick, speed, torque)

`tick` is 0.25 us modulo 2**30; `speed_half_rpm` is crankshaft speed in
half rpm; `torque_mNm` is the brake's torque as the load cell shows it now,
late by the amplifier's filter (the controller allows for two sample periods).
"""

HOLD = 0
FALL = 1
RELEASE = 2
DONE = 3


class Sweep:
    """Feed-back alone: proportional, integral and rate of the relative speed error."""

    def __init__(self, settings, learned):
        self.phase = DONE
        self.set_half_rpm = 0
        self.flags = 0
        self.sweep_start_tick = 0
        self.sweep_end_tick = 0
        self._shut = settings["servo_shut"]
        self._span = settings["servo_open"] - settings["servo_shut"]
        self._end = settings["end_speed"] * 2
        self._start = settings["start_speed"] * 2
        self._sweep_ms = settings["sweep_time"]
        self._steady_ms = settings["steady_time"]

    def begin(self, tick, speed_half_rpm, servo_us):
        self.phase = HOLD
        self._top = self._start or speed_half_rpm * 31 // 32
        self.set_half_rpm = self._top
        self._tick = tick
        self._begin = tick
        self._ms = 0
        self._us_rest = 0
        self._steady = 0
        self._approach = True
        self._open = 0  # integral part, 1/100000 of the valve's travel
        self._last = speed_half_rpm
        self._d = 0
        self._square = 0
        self._worst = 0
        self._n = 0
        self._open_ms = 0
        self._shut_ms = 0
        self._peak = 0
        self._reason = 0

    def step(self, tick, speed_half_rpm, torque_mNm):
        dt_us = ((tick - self._tick) & 0x3FFFFFFF) >> 2
        if dt_us > 100000:
            dt_us = 100000
        self._tick = tick
        fall_ms = 0
        phase = self.phase
        if phase == FALL:
            fall_ms = ((tick - self.sweep_start_tick) & 0x3FFFFFFF) // 4000
            self.set_half_rpm = self._top - (self._top - self._end) * fall_ms // self._sweep_ms
            if self.set_half_rpm < self._end * 3 // 4:
                self.set_half_rpm = self._end * 3 // 4
        set_speed = self.set_half_rpm
        e = (speed_half_rpm - set_speed) * 10000 // (set_speed or 1)
        change = (speed_half_rpm - self._last) * 10000 // (set_speed or 1)
        if phase == FALL:
            change += (
                (self._top - self._end)
                * (dt_us // 100)
                // (self._sweep_ms // 10)
                * 100
                // (set_speed // 100 or 1)
                // 100
            )
        self._last = speed_half_rpm
        # error rate in 1/10000 per 0.1 s, smoothed over some 30 ms
        self._d += (change * 100000 // (dt_us or 1) - self._d) * 3 // 10
        if e > 3000:
            e = 3000
        elif e < -3000:
            e = -3000
        if self._approach:
            if e > 100:
                self._open += dt_us // 40
            else:
                self._approach = False
        part = self._open + 12 * e + 14 * self._d
        at_end = part >= 100000 or part <= 0
        if not self._approach and not at_end:
            self._open += e * (dt_us // 100) * 18 // 10000
        part = self._open + 12 * e + 14 * self._d
        self.flags = 0
        if part >= 100000:
            part = 100000
            self.flags = 1
        elif part <= 0:
            part = 0
            self.flags = 2
        if phase == HOLD:
            small = -80 < e < 80
            self._steady = self._steady + dt_us if small else 0
            if self._steady > self._steady_ms * 1000:
                self.phase = FALL
                self.sweep_start_tick = tick
                self._top = set_speed
        elif phase == FALL:
            self.flags |= 8
            self._square += e * e
            self._n += 1
            if e > self._worst or -e > self._worst:
                self._worst = e if e > 0 else -e
            if self.flags & 1:
                self._open_ms += dt_us // 1000
            if self.flags & 2:
                self._shut_ms += dt_us // 1000
            if torque_mNm > self._peak:
                self._peak = torque_mNm
            if speed_half_rpm <= self._end:
                self.phase = RELEASE
                self.sweep_end_tick = tick
                self.set_half_rpm = self._end
        elif phase == RELEASE:
            if speed_half_rpm < self._end * 7 // 8 or torque_mNm < self._peak // 8:
                self.phase = DONE
                return self._shut
        return self._shut + part * self._span // 100000

    def verdict(self):
        start, end = self.sweep_start_tick, self.sweep_end_tick
        off = ((end - start) & 0x3FFFFFFF) // 4000 - self._sweep_ms
        mean = self._square // (self._n or 1)
        rms = 0
        while rms * rms < mean:
            rms += 1
        good = -500 < off < 500 and rms < 200
        return (
            1 if good else 3,
            0 if good else 1 if rms < 200 else 2,
            start,
            end,
            self._top,
            self._end,
            rms,
            self._worst,
            self._open_ms,
            self._shut_ms,
        )

    def learn(self):
        return []

    def abort(self, reason):
        self._reason = reason
        self.phase = RELEASE

    def characterise_begin(self):
        self.phase = DONE

    def characterise_step(self, tick, speed_half_rpm, torque_mNm):
        return self._shut
