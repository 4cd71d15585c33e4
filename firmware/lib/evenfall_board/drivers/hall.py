"""Hall pickup: the time of each falling edge, from a PIO program.

The pickup pulls the line low while a magnet passes (open collector).  The
program drops pulses shorter than its confirm time; what is an extra or a
missing magnet is judged by sensing, which knows the speed.
"""

from array import array

import rp2
from machine import Pin

from ..native import micropython
from . import ticks
from .programs import (
    FIFO_DEPTH,
    HALL_CONFIRM,
    HALL_OVERHEAD_TICKS,
    HALL_TIMEOUT_TICKS,
    HALL_TIMER,
    PIO_HZ,
)
from .ticks import HALF, MASK

CAPACITY = 16  # edges of one poll
LONG_SILENCE = 1 << 28  # 67 s; silent_ticks stops counting there
STATE_MACHINE = 4  # the second PIO block: the programs do not fit into one


class Hall:
    """Edges in `tick[0..n)`; `overruns`: times the FIFO ran over, edges lost.

    `silent_ticks`: since the last edge, or since the start.  The FIFO takes 8
    edges between two polls.
    """

    def __init__(self, settings):
        self._pin = settings["pin_hall"]
        self._sm = None
        self._now = self._last_edge = self._resumed = self._lost_in = 0
        self.tick = array("i", [0] * CAPACITY)
        self.overruns = 0
        self.silent_ticks = 0

    def start(self):
        pin = Pin(self._pin, Pin.IN, Pin.PULL_UP)
        self._sm = rp2.StateMachine(STATE_MACHINE, HALL_TIMER, freq=PIO_HZ, in_base=pin, jmp_pin=pin)
        self._sm.active(1)
        self._set_time_base(ticks.now())
        self._last_edge = self._now & MASK
        self._lost_in = 0
        self.silent_ticks = 0

    def _set_time_base(self, tick):
        # an edge came before the program had made sure of it
        self._now = ticks.signed((tick - HALL_CONFIRM) & MASK)

    def poll(self):
        """Drain the FIFO; return how many edges are new. Allocates nothing."""
        waiting = self._sm.rx_fifo()
        n = self._drain(waiting) if waiting else 0
        silent = self.silent_ticks
        if silent < LONG_SILENCE:
            silent = (ticks.now() - self._last_edge) & MASK
            # an edge that the clock has not reached yet is no long silence
            self.silent_ticks = silent if silent < HALF else 0
        return n

    @micropython.native
    def _drain(self, waiting):
        sm = self._sm
        n = 0
        while n < CAPACITY and waiting:
            word = sm.get()
            if waiting == FIFO_DEPTH and not self._lost_in and sm.rx_fifo() == FIFO_DEPTH:
                # a word was held up and goes in just now: it and those
                # before it are good, then the count begins from here
                self.overruns += 1
                self._lost_in = FIFO_DEPTH + 1
                self._resumed = ticks.now()
            t = self._now + (HALL_TIMEOUT_TICKS + HALL_OVERHEAD_TICKS - word)
            if t >= HALF:
                t = t - HALF - HALF
            self._now = t
            if word:
                self._last_edge = self.tick[n] = t & MASK
                n += 1
                self.silent_ticks = 0
            if self._lost_in:
                self._lost_in -= 1
                if self._lost_in == 0:
                    self._set_time_base(self._resumed)
            waiting = sm.rx_fifo()
        return n
