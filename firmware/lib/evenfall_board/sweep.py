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
    def __init__(self, settings, learned):
        self.phase = DONE
        self.set_half_rpm = 0
        self.flags = 0
        self.sweep_start_tick = 0
        self.sweep_end_tick = 0
        self._shut = settings["servo_shut"]

    def begin(self, tick, speed_half_rpm, servo_us):
        self.phase = HOLD
        self.set_half_rpm = speed_half_rpm

    def step(self, tick, speed_half_rpm, torque_mNm):
        return self._shut

    def verdict(self):
        return (0, 0, self.sweep_start_tick, self.sweep_end_tick, 0, 0, 0, 0, 0, 0)

    def learn(self):
        return []

    def abort(self, reason):
        self.phase = RELEASE

    def characterise_begin(self):
        self.phase = HOLD

    def characterise_step(self, tick, speed_half_rpm, torque_mNm):
        return self._shut
