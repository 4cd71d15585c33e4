"""Run by test_plant_fit.py in CPython and MicroPython: the fits of some records, to be the same."""

import sys

sys.path[:0] = sys.argv[1:3]
from evenfall_board import ramp_record  # noqa: E402
from evenfall_board.plant_fit import measure as fit  # noqa: E402
from evenfall_board.ramp_record import record as add  # noqa: E402

record = ramp_record.new_state()
noise = 12345
# sweep (ms), time of a step, valve exponent, filter of the fill, delay (steps), torque, delay as known
CASES = (
    (10000, 410, 1, 12, 6, 9000, 0),
    (10000, 410, 2, 40, 20, 131071, 6560),
    (20000, 409, 1, 100, 3, 700, 0),
    (6000, 102, 1, 30, 60, 3000, 0),
    (10000, 410, 1, 12, 6, -300, 0),
    (4000, 500, 1, 12, 6, 4000, 0),
    (10000, 1999, 1, 1, 0, 60000, 0),
)
for sweep_ms, dt, exponent, slow, late, peak, known in CASES:
    ramp_record.restart(record, sweep_ms)
    steps = sweep_ms * 32 // dt
    past = [6000] * (late + 1)
    level = 1 << 14
    u = 6000
    for n in range(steps):
        noise = (noise * 1103 + 12849) % 65536
        if n % (20480 // dt) == 0:
            u = 4000 + noise // 16
        past.append(u)
        inflow = past.pop(0) * 2
        if exponent == 2:
            inflow = inflow * inflow >> 15
        level += (inflow - level) // slow
        torque = peak // 64 * (level >> 4) >> 5
        torque += (noise - 32768) * (peak // 64) >> 15
        add(record[0], record[1], dt + noise % 5, u, min(torque, 131071), 24000 - 12000 * n // steps, 0)
    print(record[1][:9], record[0][0])
    print(list(fit(record, known, 12000)))
