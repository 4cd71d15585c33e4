"""Bridge amplifier of the HX711 class, clocked by a PIO program.

Data sheet: 24 bits of two's complement, MSB first; 1, 2 or 3 more pulses select
the next input and gain (128 on A, 32 on B, 64 on A); data-ready is a low data
line; codes 0x7FFFFF and 0x800000 mean an input beyond the range; four
conversions to settle after a change of gain or a power-up.
"""

import time
from array import array

import rp2
from evenfall_wire.codes import CLAMP_HIGH, CLAMP_LOW
from machine import Pin

from ..native import micropython
from . import ticks
from .programs import FIFO_DEPTH, LOAD_CONFIRM, LOAD_OVERHEAD_TICKS, PIO_HZ, load_cell_reader
from .ticks import HALF, MASK

CAPACITY = 8  # samples of one poll
SETTLING = 4  # conversions
# No amplifier of the class converts faster than 144 times a second: data that
# is ready 1 ms after a read-out is a read-out that did not end where it should.
SHORT_WAIT = 4000
LONG_WAIT = 1 << 28  # 67 s: the time base is taken anew, nobody weighs over such a gap
STATE_MACHINE = 0  # of the first PIO block


class LoadCell:
    """Samples in `tick[0..n)` (when data became ready) and `count[0..n)`.

    `overruns`: times the FIFO ran over, samples lost; `bad_words`: read-outs out
    of step, dropped with the samples that settle after them; `clamped`: samples
    at an end of the range (they are handed on); `silent_ticks`: since the last
    word, however bad.
    """

    nominal_hz = 80

    def __init__(self, settings):
        self._k = settings["amplifier_gain"] + 1
        self._data_pin = settings["pin_load_data"]
        self._clock_pin = settings["pin_load_clock"]
        self._sm = None
        self._now = self._resumed = 0
        self._stale_in = -1
        self._again = False
        self._settling = SETTLING
        self._unsynchronised = True  # the next read-out may come at any moment of a conversion
        self.tick = array("i", [0] * CAPACITY)
        self.count = array("i", [0] * CAPACITY)
        self.overruns = 0
        self.bad_words = 0
        self.clamped = 0
        self.silent_ticks = 0

    def start(self):
        """Reset the amplifier and start reading; the first samples settle and are dropped."""
        clock = Pin(self._clock_pin, Pin.OUT, value=1)
        time.sleep_us(100)  # above 60 us high: power-down, from which it starts at a known place
        # an amplifier that is not there must read as never ready
        data = Pin(self._data_pin, Pin.IN, Pin.PULL_UP)
        self._sm = rp2.StateMachine(
            STATE_MACHINE,
            load_cell_reader(self._k),
            freq=PIO_HZ,
            in_base=data,
            jmp_pin=data,
            sideset_base=clock,
        )
        self._sm.active(1)
        self._set_time_base(ticks.now())
        self._now -= LOAD_OVERHEAD_TICKS[self._k]  # nothing was read out before the first wait
        self._stale_in = -1
        self.silent_ticks = 0

    def _set_time_base(self, tick):
        # data became ready before the program had made sure of it
        self._now = ticks.signed((tick - LOAD_CONFIRM) & MASK)
        self._settling = SETTLING
        self._unsynchronised = True

    def poll(self):
        """Drain the FIFO; return how many samples are new. Allocates nothing."""
        sm = self._sm
        waiting = sm.rx_fifo()
        if waiting < 2:
            silent = self.silent_ticks
            if silent < LONG_WAIT:
                silent = (ticks.now() - (self._now & MASK)) & MASK
                self.silent_ticks = silent if silent < HALF else 0
            return 0
        n = 0
        while n < CAPACITY and waiting >= 2:
            if self._pair(n, waiting):
                n += 1
            waiting = sm.rx_fifo()
        self.silent_ticks = 0
        return n

    @micropython.native
    def _pair(self, n, waiting):
        """Take one pair; true when it is a sample, then in place `n`."""
        wait = self._sm.get()
        if waiting == FIFO_DEPTH and self._sm.rx_fifo() == FIFO_DEPTH:
            # A read-out was held up and begins just now: what it finds is of
            # unknown age.  The pairs before it are good, unless an earlier one
            # that was held up is among them: then all up to here lost its time.
            self.overruns += 1
            self._again = self._stale_in >= 0
            self._stale_in = FIFO_DEPTH // 2
            self._resumed = ticks.now()
        word = self._sm.get()
        if self._stale_in >= 0:
            self._stale_in -= 1
            if self._stale_in < 0:
                self._set_time_base(self._resumed)
                self._again = False
                return False
            if self._again:
                return False
        if wait > LONG_WAIT:
            self._set_time_base(ticks.now())
            return False
        t = self._now + (wait + LOAD_OVERHEAD_TICKS[self._k])
        if t >= HALF:
            t = t - HALF - HALF
        self._now = t
        # all check bits set: one more carries beyond them
        if self._settles((word + 1) & ((1 << self._k) - 1) == 0 and wait >= SHORT_WAIT):
            return False
        word >>= self._k
        if word >= 0x800000:
            word -= 0x1000000
        if word == CLAMP_HIGH or word == CLAMP_LOW:
            self.clamped += 1
        self.tick[n] = t & MASK
        self.count[n] = word
        return True

    def _settles(self, good):
        """Count a read-out out of step; true while samples are not to be trusted."""
        if not good:
            if not self._unsynchronised:
                self.bad_words += 1
            self._settling = SETTLING
        elif self._settling:
            self._settling -= 1
        else:
            return False
        self._unsynchronised = False
        return True
