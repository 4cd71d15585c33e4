"""A pull on the real modules with 31-bit small integers; prints what the heap holds.

Only pins and the two FIFO drivers are stand-ins; a rough engine and brake close
the loop.  Each load sample and edge runs with the heap locked, so an integer
beyond 31 bits, which would be made on the heap, ends the script.
"""

import gc
import sys

import micropython

sys.path[:] = ["/lib"]


class Stand:
    """A pin or peripheral nobody looks at."""

    IN = OUT = PULL_UP = 0

    def __init__(self, *args, **kw):
        pass

    def value(self, level=None):
        return 1

    def duty_ns(self, ns):
        pass

    def read_u16(self):
        return 0


class Module:
    pass


def asm_pio(**kw):
    return lambda program: program


machine = Module()
machine.Pin = machine.PWM = machine.ADC = machine.I2C = Stand
machine.unique_id = lambda: b"12345678"
machine.mem32 = {0x40058008: 0}
rp2 = Module()
rp2.asm_pio = asm_pio
rp2.PIO = Module()
rp2.PIO.OUT_LOW = rp2.PIO.SHIFT_LEFT = rp2.PIO.JOIN_RX = 0
rp2.StateMachine = Stand
sys.modules["machine"] = machine
sys.modules["rp2"] = rp2

# ----
start = gc.mem_alloc()
from evenfall_board import app  # noqa: E402
from evenfall_board.drivers import hall, load_cell  # noqa: E402, F401

# ----
code = gc.mem_alloc() - start
board = app.Board()

# ----
total = gc.mem_alloc() - start
rings = 0
for ring in (board.recorder.loads, board.recorder.edges, board.recorder.trace):
    rings += ring.bytes
print("small int bits", 31 if sys.maxsize == 0x7FFFFFFF else 63)
print("code", code, "rings", rings, "total", total, "seconds", board.recorder.seconds)


class Driver:
    nominal_hz = 80
    overruns = bad_words = silent_ticks = 0

    def __init__(self):
        self.tick = [0] * 16
        self.count = [0] * 16
        self.n = 0

    def start(self):
        pass

    def poll(self):
        n, self.n = self.n, 0
        return n


board.amp = amp = Driver()
board.hall = pickup = Driver()
board.state = "rest"
MASK = (1 << 30) - 1
tick0 = MASK - 8 * 4000000  # the tick count wraps 8 s into the run
app.ticks.now = lambda: (tick0 + int(now * 4e6)) & MASK

sample, edge = board._sample, board.speed.edge


def locked_sample(t, c):
    micropython.heap_lock()
    try:
        sample(t, c)
    except MemoryError:
        micropython.heap_unlock()
        print("allocated at", now, "s in state", board.state, "speed", board.speed.half_rpm)
        raise
    micropython.heap_unlock()


def locked_edge(t):
    micropython.heap_lock()
    try:
        edge(t)
    finally:
        micropython.heap_unlock()


board._sample = locked_sample
board.speed.edge = locked_edge

now = 0.0
rpm, turn, fill, torque = 0.0, 0.0, 0.0, 0.0
next_sample = 0.0
noise = 12345
throttle = False
states = []
board.link = Module()
board.link.poll = lambda ms: None
board.store.ok = True

gc.collect()
while now < 40:
    # 2 ms of a 3 N.m engine, 2.5e-3 kg m2, and a brake whose fill follows the valve
    opening = (board.servo.us - 1000) / 1000
    fill += (opening * 2.2 - fill) * 0.002 / 0.35
    torque = fill * (rpm / 10000) ** 2 * 3.0
    drive = 3.0 * (1 - ((rpm - 8000) / 9000) ** 2) if throttle else -0.3
    rpm = max(0.0, rpm + (drive - torque) / 2.5e-3 * 0.002 * 9.549)
    turn += rpm / 60 * 0.002
    now += 0.002
    if turn >= 1:
        turn -= 1
        pickup.tick[0] = (tick0 + int((now - turn * 60 / max(rpm, 1)) * 4e6)) & MASK
        pickup.n = 1
    if now >= next_sample:
        next_sample += 1 / 88
        noise = noise * 1103515245 + 12345 & 0x7FFFFFFF
        amp.tick[0] = (tick0 + int(now * 4e6)) & MASK
        amp.count[0] = int(150000 + torque / 0.25 * 42000) + (noise >> 16) % 1000
        amp.n = 1
    board.one_pass(2)
    if board.state == "rest" and 3.0 < now < 3.01:
        board._arm()
    throttle = (
        4.0 < now and not (board.state == "release" and board._since_ms > 500) and board.state != "store"
    )
    if not states or states[-1] != board.state:
        states.append(board.state)
    if board.state == "store":
        break
print("states", " ".join(states), "fault", board.fault)
head = board._pending
print("verdict", head)
print("records", board.recorder.loads.used, board.recorder.edges.used, board.recorder.trace.used)
