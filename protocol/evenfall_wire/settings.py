"""Table of the board's settings: the only list of them.

A setting is ``(number, name, unit, default, low, high, group)``; values are
integers in `unit`.  "rpm" here is always crankshaft speed of the engine; the
board turns it into brake-shaft speed with the tooth counts.  Numbers are never
reused.  Pins are GPIO numbers; -1 means not fitted.
"""

SETTINGS = (
    (1, "engine_teeth", "teeth", 10, 1, 200, "drive"),
    (2, "brake_teeth", "teeth", 10, 1, 200, "drive"),
    (3, "magnets", "per rev", 1, 1, 16, "drive"),
    (10, "arm_length", "um", 250000, 20000, 2000000, "load"),
    (11, "span", "counts/kN", 42000000, -2000000000, 2000000000, "load"),
    (12, "amplifier", "kind", 0, 0, 2, "load"),
    (13, "amplifier_gain", "kind", 0, 0, 2, "load"),
    (14, "load_limit", "N", 400, 1, 20000, "load"),
    (20, "sweep_time", "ms", 10000, 5000, 20000, "sweep"),
    (21, "start_speed", "rpm", 0, 0, 25000, "sweep"),
    (22, "end_speed", "rpm", 5000, 1500, 20000, "sweep"),
    (23, "steady_time", "ms", 1000, 200, 5000, "sweep"),
    (24, "upward", "0/1", 0, 0, 1, "sweep"),
    (25, "learning", "0/1", 1, 0, 1, "sweep"),
    (30, "servo_shut", "us", 1000, 500, 2500, "valve"),
    (31, "servo_open", "us", 2000, 500, 2500, "valve"),
    (32, "servo_rate", "Hz", 50, 40, 333, "valve"),
    (33, "servo_slew", "us/s", 3000, 200, 20000, "valve"),
    (34, "servo_deadband", "us", 0, 0, 50, "valve"),
    (35, "servo_backlash", "us", 10, 0, 100, "valve"),
    (36, "fail_valve", "kind", 1, 0, 2, "valve"),
    (40, "overspeed", "rpm", 14500, 3000, 30000, "limits"),
    (41, "kill_fitted", "0/1", 1, 0, 1, "limits"),
    (42, "hall_timeout", "ms", 150, 20, 1000, "limits"),
    (50, "spin_up_speed", "rpm", 3500, 500, 20000, "record"),
    (51, "before_trigger", "ms", 1500, 0, 4000, "record"),
    (52, "after_sweep", "ms", 1500, 500, 4000, "record"),
    (53, "small_records", "runs", 10, 0, 200, "record"),
    (60, "barometer", "0/1", 0, 0, 1, "air"),
    (70, "pin_load_data", "GPIO", 2, -1, 29, "pins"),
    (71, "pin_load_clock", "GPIO", 3, -1, 29, "pins"),
    (72, "pin_hall", "GPIO", 4, -1, 29, "pins"),
    (73, "pin_servo", "GPIO", 6, -1, 29, "pins"),
    (74, "pin_button", "GPIO", 8, -1, 29, "pins"),
    (75, "pin_led", "GPIO", 9, -1, 29, "pins"),
    (76, "pin_kill", "GPIO", 10, -1, 29, "pins"),
    (77, "pin_sda", "GPIO", 12, -1, 29, "pins"),
    (78, "pin_scl", "GPIO", 13, -1, 29, "pins"),
)

# these act only from the next start of the board, as do all of the group "pins"
AT_START = (
    "magnets",
    "amplifier",
    "amplifier_gain",
    "servo_rate",
    "kill_fitted",
    "barometer",
    "before_trigger",
)

BY_NUMBER = {s[0]: s for s in SETTINGS}
BY_NAME = {s[1]: s for s in SETTINGS}
