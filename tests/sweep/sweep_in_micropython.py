"""Run by test_sweep_controller.py in MicroPython: whole runs with the heap locked in every step."""

import sys

sys.path[:0] = sys.argv[1:3]
import micropython  # noqa: E402
from evenfall_board.sweep import HOLD, RAMP, RELEASE, Sweep  # noqa: E402
from evenfall_wire.settings import SETTINGS  # noqa: E402

settings = {s[1]: s[3] for s in SETTINGS}


def run(learned, characterise):
    """A 4 N.m engine, 0.004 kg m2, on a brake whose fill follows the valve within 0.2 s."""
    c = Sweep(settings, learned)
    w, fill, us, t, seen = 22000.0, 0.02, 1000, 0, []
    if characterise:
        c.characterise_begin()
        step = c.characterise_step
    else:
        c.begin(0, int(w), us)
        step = c.step
    while c.phase <= RELEASE and t < 400000000:
        t += 50000
        fill += ((us - 990) / 1000 - fill) * 0.0625
        torque = 20.0 * fill * (w / 20000) * (w / 20000)
        engine = 4.0 * (1 - ((w - 15000) / 9000) * ((w - 15000) / 9000)) if c.phase < RELEASE else -1.0
        w = max(0.0, w + (engine - torque) / 0.004 * 0.0125 * 19.1)
        half_rpm, mNm = int(w), int(torque * 1000)
        micropython.heap_lock()
        us = step(t & 0x3FFFFFFF, half_rpm, mNm)
        micropython.heap_unlock()
        if not seen or seen[-1] != c.phase:
            seen.append(c.phase)
        if c.phase == RELEASE and w < 2000:
            break
    return c, seen


for characterise in (True, False):
    c, seen = run({}, characterise)
    assert seen[:3] == [HOLD, RAMP, RELEASE], seen
    slots = dict(c.learn())
    c, seen = run(slots, False)
    assert seen[:3] == [HOLD, RAMP, RELEASE], seen
    print("slots", len(slots), "verdict", c.verdict()[0], "rms", c.verdict()[6])
