"""Why the chip was reset: the port reports a watchdog's bite and machine.reset() alike.

The watchdog's register REASON tells them apart: bit 0 (TIMER) after a bite, bit 1 (FORCE) after a reset that
a program asked for, both 0 after power-on.  RP2040 data sheet, chapter 4.7 "Watchdog"; RP2350 data sheet,
chapter 12.9; the addresses from memory of these.
"""

import sys

import machine

_TIMER = 1


def by_watchdog():
    """True when the watchdog bit."""
    address = 0x400D8008 if "RP2350" in sys.implementation._machine else 0x40058008
    return machine.mem32[address] & _TIMER != 0
