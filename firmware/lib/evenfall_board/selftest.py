"""Each part, pass or fail: (item, result, value) as in evenfall_wire.codes."""

import gc
import os

from evenfall_wire.codes import SELF_TEST_ITEMS, SELF_TEST_RESULTS

from .native import const

PASS = SELF_TEST_RESULTS.index("pass")
FAIL = SELF_TEST_RESULTS.index("fail")
NOT_FITTED = SELF_TEST_RESULTS.index("not_fitted")
ASK = SELF_TEST_RESULTS.index("ask_person")
TEST_FILE = "/self_test.tmp"
_MEMORY_LEFT = const(20 * 1024)  # bytes a run needs beside the rings


def item(name):
    return SELF_TEST_ITEMS.index(name)


def flash_works():
    """Write a file, read it back, remove it."""
    data = bytes([(i * 7) & 255 for i in range(256)])
    try:
        with open(TEST_FILE, "wb") as f:
            for _ in range(20):
                f.write(data)
        with open(TEST_FILE, "rb") as f:
            for _ in range(20):
                if f.read(256) != data:
                    return False
        os.remove(TEST_FILE)
        return True
    except OSError:
        return False


def run(hardware, clock, zero, store, settings, board):
    """Generator: yields None while it waits a loop pass, else one result row.

    Only at standstill.  About 4 s, right after a start up to 7.  `board.show()` gives the LED back.
    """
    yield from _sensing(hardware, clock, zero)
    yield from _moving(hardware, clock, settings, board)
    if hardware.button is None:
        yield item("button"), NOT_FITTED, 0
    else:
        result = FAIL if hardware.button.stuck else (PASS if hardware.presses else ASK)
        yield item("button"), result, hardware.presses
    if hardware.hall is None:
        yield item("speed_pickup"), NOT_FITTED, 0
    else:
        yield item("speed_pickup"), PASS if hardware.edges else ASK, hardware.edges
    yield item("flash"), PASS if store.ok and flash_works() else FAIL, store.free // 1024
    yield item("clock"), PASS if clock.is_set else FAIL, clock.uptime_ms // 1000
    if hardware.barometer is None:
        yield item("air"), NOT_FITTED, 0
    else:
        hardware.read_air()
        pressure = hardware.air[0]
        yield item("air"), PASS if 60000 <= pressure <= 110000 else FAIL, pressure
    gc.collect()
    yield None
    free = gc.mem_free()
    yield item("memory"), PASS if free >= _MEMORY_LEFT else FAIL, free


def _wait(clock, ms):
    end = clock.uptime_ms + ms
    while clock.uptime_ms < end:
        yield None


def _sensing(hardware, clock, zero):
    """Load cell and zero."""
    amp = hardware.amp
    # load cell: samples for one second at the amplifier's rate, and not dead quiet
    if amp is None:
        yield item("load_cell"), NOT_FITTED, 0
        yield item("zero"), NOT_FITTED, 0
        return
    before, bad = hardware.load_samples, amp.bad_words
    low = high = hardware.load_count
    end = clock.uptime_ms + 1000
    while clock.uptime_ms < end:
        low, high = min(low, hardware.load_count), max(high, hardware.load_count)
        yield None
    n = hardware.load_samples - before
    good = amp.nominal_hz * 3 // 4 <= n <= amp.nominal_hz * 5 // 4 and high > low and amp.bad_words == bad
    yield item("load_cell"), PASS if good else FAIL, n
    # zero: the newest block of samples at standstill was steady; a hand may just have left the bench
    end = clock.uptime_ms + 3000
    while (zero.refused or not zero.samples) and clock.uptime_ms < end:
        yield None
    yield item("zero"), PASS if zero.samples and not zero.refused else FAIL, zero.spread


def _moving(hardware, clock, settings, board):
    """What the board moves or lights: servo, kill, LED."""
    # servo: shut, open, shut; nobody but the person can see it
    if hardware.servo is None:
        yield item("servo"), NOT_FITTED, 0
    else:
        for name in ("servo_shut", "servo_open", "servo_shut"):
            hardware.held_us = settings[name]
            yield from _wait(clock, 500)
        hardware.held_us = None
        yield item("servo"), ASK, settings["servo_open"] - settings["servo_shut"]
    # kill: falls for half a second, must cut the ignition
    if hardware.kill is None:
        yield item("kill"), NOT_FITTED, 0
    else:
        hardware.kill_held = True
        hardware.kill.cut()
        yield from _wait(clock, 500)
        hardware.kill_held = False  # the main loop allows again
        yield item("kill"), ASK, 500
    # LED: three blinks, shown by the last fault-blink pattern of the board
    if hardware.led is None:
        yield item("led"), NOT_FITTED, 0
    else:
        hardware.led.show("rest", 3)
        yield from _wait(clock, 1200)
        board.show()
        yield item("led"), ASK, 3
