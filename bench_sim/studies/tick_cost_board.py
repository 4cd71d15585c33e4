# ruff: noqa: E402, I001, UP031
"""The firmware's own parts, run for a number of rounds: `micropython tick_cost_board.py IMAGE MODE ROUNDS`.

Modes: `none` feeds words and does nothing with them; `tick` adds one control tick per round, in the middle
of a sweep: drain both FIFOs, `_sample` with controller, guard and recorder; `loop` is all the main loop
does in the sweep from one sample to the next: six passes, one of them with a tick; `pystone` is the
yardstick.  With `{"amplifier": 1}` in the image's settings a round is one sample of the amplifier on the
bus, 3.125 ms, and `loop` one pass with it.
"""

import sys
from array import array

image, mode, rounds = sys.argv[1], sys.argv[2], int(sys.argv[3])
here = __file__[: __file__.rfind("/")]

if mode == "pystone":
    sys.path.insert(0, here)
    import pystone

    pystone.Proc0(rounds)
    sys.exit()

sys.path.insert(0, here + "/../evenfall_bench/shims")
import gc

import micropython
import pio_asm
import vfs
from flash_file import FlashFile


calls = 0  # of what is C on the board: their price here is taken off again


class Part:
    """Whatever pin, PWM, watchdog: does nothing, at the price of a call."""

    IN, OUT, PULL_UP = 0, 1, 1
    WDT_RESET = 3

    def __init__(self, *args, **keywords):
        pass

    def value(self, level=0):
        global calls
        calls += 1
        return 1

    duty_ns = freq = feed = value

    def read_u16(self):
        global calls
        calls += 1
        return 0


class Fifo:
    made = []

    def __init__(self, *args, **keywords):
        self._words = array("I", [0] * 16)
        self._in = self._out = 0
        Fifo.made.append(self)

    def active(self, on):
        pass

    def feed(self, word):
        self._words[self._in & 15] = word
        self._in += 1

    def rx_fifo(self):
        global calls
        calls += 1
        return self._in - self._out

    def get(self):
        global calls
        calls += 1
        word = self._words[self._out & 15]
        self._out += 1
        return word


class Bus:
    """The bus amplifier's registers: PU_CTRL with "ready", the result."""

    code = fresh = 0

    def __init__(self, *args, **keywords):
        pass

    def writeto_mem(self, address, register, data):
        pass

    def readfrom_mem_into(self, address, register, into):
        global calls
        calls += 1
        if register == 0x12:
            into[0], into[1], into[2] = Bus.code >> 16, Bus.code >> 8 & 255, Bus.code & 255
            Bus.fresh = 0
        elif register == 0:
            into[0] = Bus.fresh << 5 | 0x9E
        else:
            into[0] = 0


class Clock:
    us = 1000000

    def ticks_us(self):
        global calls
        calls += 1
        return self.us & 0x3FFFFFFF

    def ticks_ms(self):
        return (self.us // 1000) & 0x3FFFFFFF

    def ticks_diff(self, a, b):
        return ((a - b + 0x20000000) & 0x3FFFFFFF) - 0x20000000

    def sleep_us(self, us):
        self.us += us

    def sleep_ms(self, ms):
        self.us += 1000 * ms


class Module:
    pass


machine = Module()
machine.Pin = machine.PWM = machine.WDT = machine.ADC = Part
machine.I2C = Bus
machine.unique_id = lambda: bytes(8)
machine.mem32 = {0x40058008: 0}
rp2 = Module()
rp2.asm_pio, rp2.PIO, rp2.StateMachine = pio_asm.asm_pio, pio_asm.PIO, Fifo
clock = Clock()
sys.modules["machine"], sys.modules["rp2"], sys.modules["time"] = machine, rp2, clock


flash = vfs.VfsLfs2(FlashFile(image), progsize=256)
vfs.umount("/")
vfs.mount(flash, "/")
sys.path[:] = ["/lib"]

from evenfall_board import app
from evenfall_board.drivers import programs

board = app.Board()
board.start()
fast = board.amp.nominal_hz == 320
load, hall = (Fifo(), Fifo.made[0]) if fast else Fifo.made
board.go("arm") if board.state == "rest" else None

PERIOD = 12500 if fast else 50000
ZERO = 200000


class Feeder:
    """An engine that follows its set speed, a brake that shows a fit torque."""

    def __init__(self):
        self.since_edge = 0
        self.n = 0

    def sample(self, half_rpm, turn):
        """Words of one sample period."""
        self.n += 1
        self.since_edge += PERIOD
        gap = 480000000 // half_rpm if half_rpm else 0  # ticks per turn: 60 s * 4 MHz * 2
        while gap and self.since_edge >= gap:
            self.since_edge -= gap
            hall.feed(programs.HALL_TIMEOUT_TICKS + programs.HALL_OVERHEAD_TICKS - gap)
        count = ZERO + (700000 if turn else 0) + (self.n * 37) % 101
        if fast:
            Bus.code, Bus.fresh = count, 1
        else:
            load.feed(PERIOD - programs.LOAD_OVERHEAD_TICKS[1])
            load.feed(count << 1 | 1)
        clock.us += PERIOD // 4


@micropython.native  # as `one_pass`
def drain():
    board.load_ms = 0
    n = board.hall.poll()
    for i in range(n):
        tick = board.hall.tick[i]
        board.speed.edge(tick)
        board.recorder.edges.put1(tick)
    n = board.amp.poll()
    for i in range(n):
        board._sample(board.amp.tick[i], board.amp.count[i])


feeder = Feeder()
board.torque.zero = ZERO
for _ in range(80 if fast else 20):
    feeder.sample(20000, True)
    drain()
board.recorder.begin(app.ticks.now())
board.guard.reset()
board.sweep = app.Sweep(board.settings.values, board.learned.values)
board.sweep.begin(app.ticks.now(), board.speed.half_rpm, board.servo.us)
board._control = True
board.run.recording = True
board.guard.sweep_begins()
while board.sweep.phase != app.RAMP:  # `rounds` steps more end before the ramp does
    feeder.sample(board.sweep.set_half_rpm, True)
    drain()

calls = 0
gc.collect()  # as before each sweep
if mode == "none":
    sweep = board.sweep
    for _ in range(rounds):
        feeder.sample(sweep.set_half_rpm, True)
        load._out = load._in
        hall._out = hall._in
elif mode == "tick":
    sweep = board.sweep
    for _ in range(rounds):
        feeder.sample(sweep.set_half_rpm, True)
        drain()
    if not board._control or board._found or sweep.phase != app.RAMP:
        raise SystemExit("the sweep did not last: fault %d, phase %d" % (board._found, sweep.phase))
elif mode == "loop":
    sweep = board.sweep
    board.state = "sweep"
    board.quiet = True
    rest_us = 0
    for _ in range(rounds):
        feeder.sample(sweep.set_half_rpm, True)
        clock.us -= PERIOD // 4
        for us in (3125,) if fast else (2000, 2000, 2000, 2000, 2000, 2500):
            clock.us += us
            rest_us += us
            board.one_pass(rest_us // 1000)
            rest_us %= 1000
    if board.fault or board.state != "sweep" or sweep.phase != app.RAMP:
        raise SystemExit("the sweep did not last: fault %d, state %s" % (board.fault, board.state))
elif mode.startswith("part:"):
    tick, count, half_rpm = clock.ticks_us() * 4, ZERO + 700000, board.speed.half_rpm
    call = eval("lambda: " + mode[5:])
    for _ in range(rounds):
        clock.us += 100
        call()
else:
    raise SystemExit("modes: none, tick, loop, part:EXPRESSION, pystone")
print("calls", calls)
