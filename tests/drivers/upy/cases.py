# ruff: noqa: B905, I001, RUF007  (what MicroPython has)
"""Cases for the drivers in the MicroPython interpreter; every poll runs with the heap locked."""

import sys

import micropython
import rp2
import time
from evenfall_board.drivers import programs, ticks
from evenfall_board.drivers.hall import Hall
from evenfall_board.drivers.i2c_amplifier import I2cAmplifier
from evenfall_board.drivers.load_cell import LoadCell
from evenfall_wire.settings import SETTINGS

DEFAULTS = {s[1]: s[3] for s in SETTINGS}
PERIOD = 50000  # ticks of 80 conversions a second


def settings(**changed):
    values = dict(DEFAULTS)
    values.update(changed)
    return values


def poll(part):
    """What one poll gives, as a list; the poll itself allocates nothing."""
    micropython.heap_lock()
    try:
        n = part.poll()
    finally:
        micropython.heap_unlock()
    if hasattr(part, "count"):
        return [(part.tick[i], part.count[i]) for i in range(n)]
    return [part.tick[i] for i in range(n)]


class Load:
    def __init__(self, k=1, us=1000000):
        time.us = us
        self.k = k
        self.cell = LoadCell(settings(amplifier_gain=k - 1))
        self.cell.start()
        self.sm = rp2.MACHINES[0]
        assert self.sm.program is programs.load_cell_reader(k)
        assert self.sm.freq == programs.PIO_HZ

    def pair(self, code, wait=None, check=None):
        k = self.k
        if wait is None:
            wait = PERIOD - programs.LOAD_OVERHEAD_TICKS[k]
        self.sm.feed(wait, (code & 0xFFFFFF) << k | ((1 << k) - 1 if check is None else check))

    def settle(self):
        for _ in range(4):
            self.pair(-7)
        assert poll(self.cell) == []


def load_codes_and_times():
    for k in (1, 2, 3):
        load = Load(k)
        started = (time.us & 0xFFFFFFF) * 4
        load.settle()
        codes = [0, -1, 1, 0x7FFFFF, -0x800000, 123456, -123456]
        got = []
        for code in codes:
            load.pair(code)
            got += poll(load.cell)
        assert [c for _, c in got] == codes
        # the first wait had no read-out before it; data was ready LOAD_CONFIRM before the program was sure
        first = started + 4 * PERIOD - programs.LOAD_OVERHEAD_TICKS[k] - programs.LOAD_CONFIRM
        assert [t for t, _ in got] == [(first + PERIOD * (i + 1)) & ticks.MASK for i in range(len(codes))]
        assert load.cell.clamped == 2
        assert load.cell.bad_words == load.cell.overruns == 0


def load_half_a_pair_waits():
    load = Load()
    load.settle()
    load.sm.feed(PERIOD)
    assert poll(load.cell) == []
    load.sm.feed(9 << 1 | 1)
    assert [c for _, c in poll(load.cell)] == [9]


def load_out_of_step_is_counted_and_settles():
    load = Load(2)
    load.settle()
    got = []
    load.pair(1)
    load.pair(2, check=1)  # one of two check bits low
    load.pair(3, check=0)  # and again
    got += poll(load.cell)
    for code in (4, 5, 6, 7, 8, 9):
        load.pair(code)
        got += poll(load.cell)
    assert [c for _, c in got] == [1, 8, 9]
    assert load.cell.bad_words == 2
    assert got[1][0] - got[0][0] == 7 * PERIOD  # dropped words keep the time


def load_spike_after_a_false_ready_is_dropped():
    load = Load()
    load.settle()
    load.pair(5)
    load.pair(-1, wait=programs.LOAD_CONFIRM)
    got = poll(load.cell)
    for code in (1, 2, 3, 4, 6):
        load.pair(code)
        got += poll(load.cell)
    assert [c for _, c in got] == [5, 6]
    assert load.cell.bad_words == 1


def load_ready_at_the_start_is_no_mistake():
    load = Load()
    load.pair(99, wait=programs.LOAD_CONFIRM)
    assert poll(load.cell) == []
    load.settle()
    load.pair(3)
    assert [c for _, c in poll(load.cell)] == [3]
    assert load.cell.bad_words == 0


def load_full_without_a_waiting_push_loses_nothing():
    load = Load()
    load.settle()
    for code in (1, 2, 3, 4):
        load.pair(code)
    assert [c for _, c in poll(load.cell)] == [1, 2, 3, 4]
    assert load.cell.overruns == 0


def load_overrun_is_counted_and_resynchronised_and_settles():
    load = Load()
    load.settle()
    load.pair(1)
    poll(load.cell)
    for code in (2, 3, 4, 5):
        load.pair(code)
    load.sm.feed(PERIOD)  # the push that waits
    time.us += 10000000
    resumed = (time.us & 0xFFFFFFF) * 4
    got = poll(load.cell)
    assert [c for _, c in got] == [2, 3, 4, 5]
    assert load.cell.overruns == 1
    load.sm.feed(777 << 1)  # the stale one, of two conversions: its check bit is low
    assert poll(load.cell) == []
    load.pair(6, wait=100)  # it may come at any moment of a conversion
    for code in (7, 8, 9, 10, 11):
        load.pair(code)
        got = poll(load.cell)
    assert [c for _, c in got] == [11]
    assert load.cell.bad_words == 0
    expected = resumed - programs.LOAD_CONFIRM + 100 + programs.LOAD_OVERHEAD_TICKS[1] + 5 * PERIOD
    assert got[0][0] == expected & ticks.MASK


def load_overrun_before_the_last_one_was_read_out():
    """Two erases of flash in a row: what lies between two read-outs of unknown age has no time."""
    load = Load()
    load.settle()
    for code in (2, 3, 4, 5):
        load.pair(code)
    load.sm.feed(PERIOD)
    time.us += 45000
    assert [c for _, c in poll(load.cell)] == [2, 3, 4, 5]
    load.sm.feed(777 << 1)  # the stale one
    for code in (6, 7, 8):
        load.pair(code)
    load.sm.feed(PERIOD)  # waits again
    time.us += 45000
    resumed = (time.us & 0xFFFFFFF) * 4
    assert poll(load.cell) == []
    assert load.cell.overruns == 2
    load.sm.feed(777 << 1)
    load.pair(9, wait=100)
    got = []
    for code in (10, 11, 12, 13, 14):
        load.pair(code)
        got += poll(load.cell)
    assert [c for _, c in got] == [14]
    expected = resumed - programs.LOAD_CONFIRM + 100 + programs.LOAD_OVERHEAD_TICKS[1] + 5 * PERIOD
    assert got[0][0] == expected & ticks.MASK


def load_clock_wraps():
    load = Load(us=(1 << 28) - 70000)  # ticks wrap within the first samples
    load.settle()
    got = []
    for code in range(20):
        load.pair(code)
        got += poll(load.cell)
    assert len(got) == 20
    assert all(0 <= t <= ticks.MASK for t, _ in got)
    assert any(b[0] < a[0] for a, b in zip(got, got[1:]))
    assert all(ticks.diff(b[0], a[0]) == PERIOD for a, b in zip(got, got[1:]))


def load_silence():
    load = Load()
    load.settle()
    time.us += 200000
    poll(load.cell)
    assert 550000 < load.cell.silent_ticks <= 800000 + PERIOD
    for _ in range(200):
        time.us += 1000000
        poll(load.cell)
    assert load.cell.silent_ticks > 1 << 27  # never back to nothing as the clock wraps
    load.pair(5, wait=0xF0000000)
    load.pair(6)
    assert poll(load.cell) == []
    assert load.cell.silent_ticks == 0


class Edges:
    def __init__(self, us=1000000):
        time.us = us
        self.hall = Hall(DEFAULTS)
        self.hall.start()
        self.sm = rp2.MACHINES[4]
        assert self.sm.program is programs.HALL_TIMER and self.sm.freq == programs.PIO_HZ
        self.start = ticks.now() - programs.HALL_CONFIRM

    def edge(self, after):
        self.sm.feed(programs.HALL_TIMEOUT_TICKS + programs.HALL_OVERHEAD_TICKS - after)


def hall_times():
    edges = Edges()
    at, expected = edges.start, []
    for after in (17000, 18000, 17001, 40000, 1000):
        edges.edge(after)
        at += after
        expected.append(at & ticks.MASK)
    assert poll(edges.hall) == expected
    assert edges.hall.overruns == 0


def hall_silence():
    edges = Edges()
    edges.edge(17000)
    time.us += 4250
    (first,) = poll(edges.hall)
    edges.sm.feed(0, 0)
    time.us += 600000
    assert poll(edges.hall) == []
    silent = edges.hall.silent_ticks
    assert abs(silent - 2400000) < 100
    edges.edge(5000)
    (second,) = poll(edges.hall)
    assert ticks.diff(second, first) == 2 * (programs.HALL_TIMEOUT_TICKS + 2) + 5000
    for _ in range(200):
        time.us += 1000000
        poll(edges.hall)
    assert edges.hall.silent_ticks > 1 << 27


def hall_overrun_is_counted_and_resynchronised():
    edges = Edges()
    for _ in range(8):
        edges.edge(17000)
    assert len(poll(edges.hall)) == 8 and edges.hall.overruns == 0  # full, nothing waits
    for _ in range(9):
        edges.edge(17000)
    time.us += 5000000
    resumed = ticks.now()
    got = poll(edges.hall)
    assert len(got) == 9 and edges.hall.overruns == 1
    assert all(b - a == 17000 for a, b in zip(got, got[1:]))
    edges.edge(9000)
    edges.edge(17000)
    a, b = poll(edges.hall)
    assert a == resumed - programs.HALL_CONFIRM + 9000 and b - a == 17000


def hall_clock_wraps():
    edges = Edges(us=(1 << 28) - 20000)
    got = []
    for _ in range(20):
        edges.edge(17000)
        got += poll(edges.hall)
    assert all(0 <= t <= ticks.MASK for t in got)
    assert any(b < a for a, b in zip(got, got[1:]))
    assert all(ticks.diff(b, a) == 17000 for a, b in zip(got, got[1:]))


class BridgeChip:
    """Register model of the I2C amplifier: converts every `period_us`, keeps only the newest result."""

    def __init__(self, period_us, code_of):
        self.registers = bytearray(32)
        self.period_us = period_us
        self.code_of = code_of
        self.first_us = None
        self.read_to = 0
        self.dead = False
        self.log = []

    def writeto_mem(self, address, register, data):
        assert address == 0x2A
        if self.dead:
            raise OSError(19)
        value = data[0]
        self.registers[register] = value
        self.log.append((register, value))
        if register == 0 and value & 0x10 and self.first_us is None:
            self.first_us = time.us
        if register == 2 and value & 4:
            self.registers[2] = value & ~0xC  # calibration over, no error

    def readfrom_mem_into(self, address, register, data):
        if self.dead:
            raise OSError(19)
        time.us += 90
        if register == 0:
            data[0] = self.registers[0] & 0x1F | (8 if self.registers[0] & 2 else 0)
            if self.first_us is not None and self.made() > self.read_to:
                data[0] |= 0x20
        elif register == 0x12:
            self.read_to = self.made()
            code = self.code_of(self.read_to) & 0xFFFFFF
            data[0], data[1], data[2] = code >> 16, code >> 8 & 255, code & 255
        else:
            data[0] = self.registers[register]

    def made(self):
        return (time.us - self.first_us) // self.period_us

    def made_at(self, n):
        return ((self.first_us + n * self.period_us) & 0xFFFFFFF) * 4


def i2c_amplifier_codes_and_times():
    # the part's clock is 3 % off what its sheet says
    chip = BridgeChip(3125 * 103 // 100, lambda n: n * 1000 - 500000)
    time.us = 5000
    amp = I2cAmplifier(DEFAULTS, chip)
    amp.start()
    assert amp.bad_words == 0 and (1, 5 << 3 | 7) in chip.log  # 3.0 V, gain 128
    got = []
    while len(got) < 600:
        time.us += 1700
        got += poll(amp)
    counts = [c for _, c in got]
    assert all(b - a == 1000 for a, b in zip(counts, counts[1:]))
    late = [ticks.diff(t, chip.made_at((c + 500000) // 1000)) / 4 for t, c in got[100:]]
    # us; the poll alone would give 0 to 1,800
    assert max(abs(x) for x in late) < 700, late
    assert sum(x * x for x in late) / len(late) < 300 * 300
    assert amp.overruns == 0


def i2c_amplifier_lost_samples_are_counted():
    chip = BridgeChip(3125, lambda n: n)
    time.us = 5000
    amp = I2cAmplifier(DEFAULTS, chip)
    amp.start()
    got = []
    for _ in range(60):
        time.us += 1700
        got += poll(amp)
    time.us += 9000
    got += poll(amp)
    assert amp.overruns == 1
    assert abs(ticks.diff(got[-1][0], chip.made_at(got[-1][1]))) < 4 * 3125


def i2c_amplifier_nothing_lost_is_not_counted():
    """Looks nearly a period apart, however they fall: two of them may lie further apart than a period."""
    for look_us in (300, 1000, 1820, 1910, 2500, 2900):
        chip = BridgeChip(3125, lambda n: n)
        time.us = 5000
        amp = I2cAmplifier(DEFAULTS, chip)
        amp.start()
        got = []
        while len(got) < 600:
            time.us += look_us
            got += poll(amp)
        assert all(b[1] - a[1] == 1 for a, b in zip(got, got[1:]))
        assert amp.overruns == 0, (look_us, amp.overruns)


def i2c_amplifier_read_too_slowly_is_counted():
    """Looks further apart than samples: each finds one, and every so often one is lost."""
    chip = BridgeChip(3125, lambda n: n)
    time.us = 5000
    amp = I2cAmplifier(DEFAULTS, chip)
    amp.start()
    got = []
    while len(got) < 100:
        time.us += 1000
        got += poll(amp)
    before, first = amp.overruns, got[-1][1]
    while len(got) < 700:
        time.us += 3600
        got += poll(amp)
    lost = got[-1][1] - first - 600
    assert lost > 80
    assert abs(amp.overruns - before - lost) < lost // 10, (amp.overruns - before, lost)
    late = [ticks.diff(t, chip.made_at(c)) / 4 for t, c in got[100:]]
    assert max(abs(x) for x in late) < 3800, late


def i2c_amplifier_signs_and_clamps():
    codes = (0, -1, 0x7FFFFF, -0x800000, 5)
    chip = BridgeChip(3125, lambda n: codes[n % 5])
    time.us = 5000
    amp = I2cAmplifier(DEFAULTS, chip)
    amp.start()
    got = []
    for _ in range(60):
        time.us += 1700
        got += poll(amp)
    assert {c for _, c in got} == set(codes)
    assert amp.clamped == sum(1 for _, c in got if c in (0x7FFFFF, -0x800000))


def i2c_amplifier_that_goes_away():
    chip = BridgeChip(3125, lambda n: n)
    time.us = 5000
    amp = I2cAmplifier(DEFAULTS, chip)
    amp.start()
    for _ in range(20):
        time.us += 1700
        poll(amp)
    chip.dead = True
    time.us += 100000
    assert amp.poll() == 0
    assert amp.bad_words == 1 and amp.silent_ticks > 300000
    absent = I2cAmplifier(DEFAULTS, chip)
    absent.start()
    time.us += 50000
    assert absent.poll() == 0 and absent.silent_ticks >= 200000 and absent.bad_words == 1


globals()[sys.argv[1]]()
print("passed")
