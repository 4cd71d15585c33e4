"""The real drivers over the real programs on the emulated PIO: what comes out is when it happened.

Also: every integer that the drivers make fits a small int of a 32-bit board.
"""

from __future__ import annotations

import random
from bisect import bisect_right
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pio_rig import CYCLES_PER_TICK, EmulatedStateMachine, board
from small_ints import Small, TooBigError
from test_pio_load_cell import Amplifier

SETTINGS = {"amplifier_gain": 0, "pin_load_data": 2, "pin_load_clock": 3, "pin_hall": 4}


class Rig:
    """A driver's state machine on the emulator; the processor's clock is the emulator's."""

    def __init__(self, source):
        self.source = source
        self.machine = None
        self.drivers = board(self.make, lambda: self.machine.clock // 16 if self.machine else 0)

    def make(self, number, program, freq, in_base, jmp_pin, sideset_base=None):
        assert freq == 16000000 and program.rx_depth() == 8
        self.machine = EmulatedStateMachine(program, self.source)
        return self.machine


def test_edges_through_the_driver():
    rng = random.Random(11)
    lows, at = [], 6000
    for _ in range(36):
        lows.append((at, at + 900))
        at += rng.randrange(2500, 5000)
    changes = [c for span in lows for c in span]
    rig = Rig(lambda state: 1 - bisect_right(changes, state.clock) % 2)
    hall = rig.drivers.hall.Hall(SETTINGS)
    hall.start()
    got, poll_at = [], 0
    while rig.machine.clock < at:
        poll_at += 8000
        # one long absence: the FIFO runs over
        rig.machine.run_to(poll_at + (60000 if poll_at == 40000 else 0))
        got += hall.tick[: hall.poll()]
    assert hall.overruns == 1
    true = [a / CYCLES_PER_TICK for a, _ in lows]
    misses = []
    for tick in got:
        nearest = min(true, key=lambda t: abs(t - tick))
        misses.append(tick - nearest)
    # constant offset of the time base (processor clock 1 us, call time), nothing grows
    assert max(abs(m) for m in misses) <= 40  # ticks: 10 us
    assert len(got) == len(set(round(g - m) for g, m in zip(got, misses, strict=True)))
    assert 36 - 14 <= len(got) < 36  # what came while the FIFO was full is lost, no more
    gaps = [b - a for a, b in pairwise(got)]
    exact = [min(abs(g - (b - a)) for a, b in pairwise(true)) for g in gaps]
    assert sorted(exact)[-2] <= 1  # all but the one across the overrun


def test_samples_through_the_driver():
    # closer than the part's own 12.5 ms, for the emulation's sake; an absence in the middle
    conversions = [(8000 + 6001 * i, 1000 * i - 9000) for i in range(24)]
    amplifier = Amplifier(list(conversions))
    rig = Rig(amplifier.pin)
    rig.drivers.load_cell.SHORT_WAIT = 100
    cell = rig.drivers.load_cell.LoadCell(SETTINGS)
    cell.start()
    got, poll_at = [], 0
    while rig.machine.clock < conversions[-1][0] + 5000:
        poll_at += 4000
        rig.machine.run_to(poll_at + (7 * 6001 if poll_at == 60000 else 0))
        n = cell.poll()
        got += list(zip(cell.tick[:n], cell.count[:n], strict=True))
    true = {code: cycle / CYCLES_PER_TICK for cycle, code in conversions}
    assert cell.overruns == 1 and cell.bad_words == 0
    assert all(code in true for _, code in got)
    assert max(abs(tick - true[code]) for tick, code in got) <= 40
    codes = [code for _, code in got]
    assert codes == sorted(codes)
    lost = [code for _, code in conversions if code not in codes]
    # four at the start, then what the absence cost and four to settle
    assert lost[:4] == [c for _, c in conversions[:4]] and 5 <= len(lost[4:]) <= 10
    assert max(amplifier.highs) <= 16  # 1 us, whatever the processor did


class Fed:
    """A FIFO of given words; time is given too. All integers are Small."""

    words: list[int] = []
    us = 0

    def __init__(self, *args, **keywords):
        Fed.only = self

    def active(self, on):
        pass

    def rx_fifo(self):
        return Small(min(8, len(self.words)))

    def get(self):
        return Small(self.words.pop(0))


DRIVERS = board(Fed, lambda: Small(Fed.us & 0x3FFFFFFF))
US = st.integers(0, (1 << 30) - 1)


@given(us=US, batches=st.lists(st.tuples(US, st.lists(st.integers(0, 1 << 20), max_size=10)), max_size=6))
@settings(max_examples=300, deadline=None)
def test_hall_stays_in_small_ints(us, batches):
    Fed.us, Fed.words = us, []
    hall = DRIVERS.hall.Hall(SETTINGS)
    hall.start()
    for later, words in batches:
        Fed.us = later
        Fed.words += words
        n = hall.poll()
        assert all(0 <= t < 1 << 30 for t in hall.tick[:n])
        assert 0 <= hall.silent_ticks < 1 << 30


PAIR = st.tuples(st.integers(8, (1 << 30) - 1), st.integers(0, (1 << 27) - 1))


@given(us=US, k=st.integers(0, 2), batches=st.lists(st.tuples(US, st.lists(PAIR, max_size=5)), max_size=6))
@example(us=0, k=0, batches=[((1 << 28) - 52, [])])  # the clock about to wrap, the last word before zero
@settings(max_examples=300, deadline=None)
def test_load_cell_stays_in_small_ints(us, k, batches):
    Fed.us, Fed.words = us, []
    cell = DRIVERS.load_cell.LoadCell({**SETTINGS, "amplifier_gain": k})
    cell.start()
    for later, pairs in batches:
        Fed.us = later
        for wait, word in pairs:
            Fed.words += [wait, word & ((1 << (25 + k)) - 1)]
        n = cell.poll()
        assert all(0 <= t < 1 << 30 for t in cell.tick[:n])
        assert all(-0x800000 <= c <= 0x7FFFFF for c in cell.count[:n])
        assert 0 <= cell.silent_ticks < 1 << 30


class Chip:
    """An I2C amplifier that answers with given bytes; its clock runs as told."""

    def __init__(self, replies):
        self.replies = replies

    def writeto_mem(self, address, register, data):
        pass

    def readfrom_mem_into(self, address, register, data):
        if register == 0x12:
            data[:] = self.replies.pop() if self.replies else bytes(3)
        else:
            data[0] = 0x38 if register == 0 else 0


STEP = st.tuples(st.integers(1, 200000), st.binary(min_size=3, max_size=3))


@given(us=US, steps=st.lists(STEP, max_size=12))
@settings(max_examples=200, deadline=None)
def test_i2c_amplifier_stays_in_small_ints(us, steps):
    Fed.us = us
    amplifier = DRIVERS.i2c_amplifier.I2cAmplifier(
        {**SETTINGS, "amplifier": 1}, Chip([code for _, code in steps])
    )
    amplifier.start()
    for step, _ in steps:
        Fed.us += step
        n = amplifier.poll()
        assert all(0 <= t < 1 << 30 for t in amplifier.tick[:n])
        assert all(-0x800000 <= c <= 0x7FFFFF for c in amplifier.count[:n])


def test_the_check_itself_refuses():
    with pytest.raises(TooBigError):
        Small(1 << 29) + Small(1 << 29)
