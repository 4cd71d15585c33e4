"""Each part, pass or fail: (item, result, value) as in evenfall_wire.codes."""

import gc
import os

from evenfall_wire.codes import SELF_TEST_ITEMS, SELF_TEST_RESULTS

PASS = SELF_TEST_RESULTS.index("pass")
FAIL = SELF_TEST_RESULTS.index("fail")
NOT_FITTED = SELF_TEST_RESULTS.index("not_fitted")
ASK = SELF_TEST_RESULTS.index("ask_person")
TEST_FILE = "/self_test.tmp"
MEMORY_LEFT = 20 * 1024  # bytes a run needs beside the rings


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


def run(board):
    """Generator: yields None while it waits a loop pass, else one result row.

    Only at standstill.  About 4 s of board time, right after a start up to 7.
    """
    yield from _sensing(board)
    yield from _moving(board)
    if board.button is None:
        yield item("button"), NOT_FITTED, 0
    else:
        result = FAIL if board.button.stuck else (PASS if board.presses else ASK)
        yield item("button"), result, board.presses
    if board.hall is None:
        yield item("speed_pickup"), NOT_FITTED, 0
    else:
        yield item("speed_pickup"), PASS if board.edges_seen else ASK, min(board.edges_seen, 0x3FFFFFFF)
    yield item("flash"), PASS if board.store.ok and flash_works() else FAIL, board.store.free // 1024
    yield item("clock"), PASS if board.clock_set else FAIL, board.uptime_ms // 1000
    if board.barometer is None:
        yield item("air"), NOT_FITTED, 0
    else:
        board.read_air()
        pressure = board.air[0]
        yield item("air"), PASS if 60000 <= pressure <= 110000 else FAIL, pressure
    gc.collect()
    free = gc.mem_free()
    yield item("memory"), PASS if free >= MEMORY_LEFT else FAIL, free


def _wait(board, ms):
    end = board.uptime_ms + ms
    while board.uptime_ms < end:
        yield None


def _sensing(board):
    """Load cell and zero."""
    # load cell: samples for one second at the amplifier's rate, and not dead quiet
    if board.amp is None:
        yield item("load_cell"), NOT_FITTED, 0
    else:
        before, bad = board.load_samples, board.amp.bad_words
        low = high = board.load_count
        end = board.uptime_ms + 1000
        while board.uptime_ms < end:
            low, high = min(low, board.load_count), max(high, board.load_count)
            yield None
        n = board.load_samples - before
        nominal = board.amp.nominal_hz
        good = nominal * 3 // 4 <= n <= nominal * 5 // 4 and high > low and board.amp.bad_words == bad
        yield item("load_cell"), PASS if good else FAIL, n
    # zero: steady blocks of samples at standstill, lately
    if board.amp is None:
        yield item("zero"), NOT_FITTED, 0
    else:
        zero = board.zero
        end = board.uptime_ms + 3000
        while not (zero.samples or zero.refused) and board.uptime_ms < end:
            yield None
        yield item("zero"), PASS if zero.samples and not zero.refused else FAIL, zero.spread


def _moving(board):
    """What the board moves or lights: servo, kill, LED."""
    # servo: shut, open, shut; nobody but the person can see it
    if board.servo is None:
        yield item("servo"), NOT_FITTED, 0
    else:
        values = board.settings.values
        for name in ("servo_shut", "servo_open", "servo_shut"):
            board.hold_valve(values[name])
            yield from _wait(board, 500)
        board.hold_valve(None)
        yield item("servo"), ASK, values["servo_open"] - values["servo_shut"]
    # kill: falls for half a second, must cut the ignition
    if board.kill is None:
        yield item("kill"), NOT_FITTED, 0
    else:
        board.kill_held = True
        board.kill.cut()
        yield from _wait(board, 500)
        board.kill_held = False  # the main loop allows again
        yield item("kill"), ASK, 500
    # LED: three blinks, shown by the last fault-blink pattern of the board
    if board.led is None:
        yield item("led"), NOT_FITTED, 0
    else:
        board.led.show("rest", 3)
        yield from _wait(board, 1200)
        board.show()
        yield item("led"), ASK, 3
