"""Run by test_sweep_controller.py in CPython and MicroPython: what the controller did, to be the same."""

import sys

sys.path[:0] = sys.argv[1:3]
from evenfall_board.sweep import RELEASE, Sweep  # noqa: E402
from evenfall_wire.settings import SETTINGS  # noqa: E402

settings = {s[1]: s[3] for s in SETTINGS}
c = Sweep(settings, {})
c.begin(0, 22000, 1000)
for n in range(400):  # six steps of samples that share a tick
    us = c.step(0, 21000 + n, 2000 + n)
print("one tick", us, [c._s[i] for i in range(len(c._s)) if i != 79])

learned = {}
noise = 12345
t = 0x3FF00000  # the ticks go round within the first run
for k in range(3):
    c = Sweep(settings, learned)
    w, fill, us = 22000, 1 << 14, 1000  # half rpm; of 2**20
    c.begin(t, w, us)
    n = 0
    while c.phase < RELEASE and n < 3000:
        n += 1
        noise = (noise * 1103 + 12849) % 65536
        t = (t + 49000 + noise % 2000) & 0x3FFFFFFF
        ripple = 100 + (5 if n % 53 < 26 else -5)  # 1.5 Hz
        fill += ((us - 990) * 1048 * ripple // 100 - fill) // 16
        torque = fill // 53 * (w // 100) // 200 * (w // 100) // 200  # mN.m
        d = (w - 15000) // 10
        engine = 4000 - 4000 * d // 900 * d // 900 + (noise - 32768) // 160
        w = max(0, w + (engine - torque) * 3 // 50)
        c.speed_tick = (t - 30000) & 0x3FFFFFFF
        us = c.step(t, w, torque)
        if n % 50 == 0:
            kept = [c._s[i] for i in range(len(c._s)) if i != 79]  # 79: how wide words are
            print(k, n, c.phase, us, w, kept)
    learned.update(dict(c.learn()))
    print(k, c.verdict(), sorted(learned.items()))
