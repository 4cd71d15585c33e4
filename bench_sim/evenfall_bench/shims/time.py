"""`time` of the board: virtual.  Periods and epoch as on the RP2 port (2**30, 1970)."""

import exchange as _w
import utime as _real

gmtime = _real.gmtime
localtime = _real.gmtime
mktime = _real.mktime
_set_at = 1609459200 * 1000000  # the port's clock starts at 2021-01-01


def sleep_us(us):
    _w.sleep(us)


def sleep_ms(ms):
    _w.sleep(ms * 1000)


def sleep(s):
    _w.sleep(int(s * 1000000))


def ticks_us():
    return _w.look() & 0x3FFFFFFF


def ticks_ms():
    return (_w.look() // 1000) & 0x3FFFFFFF


def ticks_cpu():
    return _w.look() & 0x3FFFFFFF


def ticks_add(ticks, delta):
    return (ticks + delta) & 0x3FFFFFFF


def ticks_diff(a, b):
    return ((a - b + 0x20000000) & 0x3FFFFFFF) - 0x20000000


def time():
    return (_w.look() - _w.clock_offset_us + _set_at) // 1000000


def time_ns():
    return (_w.look() - _w.clock_offset_us + _set_at) * 1000


def _set_clock(unix_s):
    global _set_at
    _set_at = unix_s * 1000000 - (_w.look() - _w.clock_offset_us)
