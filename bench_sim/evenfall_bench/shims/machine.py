"""`machine` of the board, at the level of pins: the part of it that DEVELOPERS.md lists."""

import exchange as _w
import time as _time

PWRON_RESET = 1
WDT_RESET = 3

_uid = b"\xe6\x60\x58\x38\x83\x00\x00\x00"
_cause = PWRON_RESET
_reason = 0  # the watchdog's REASON register: 1 it bit, 2 a program asked for the reset
_servo_pin = -1


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, id, mode=-1, pull=-1, *, value=None, alt=-1):
        if isinstance(id, Pin):
            id = id.id
        if not 0 <= id <= 29:
            raise ValueError("invalid pin")
        self.id = id
        self._bit = 1 << id
        self.init(mode, pull, value=value)

    def init(self, mode=-1, pull=-1, *, value=None):
        if value is not None:
            if value:
                _w.pins_out |= self._bit
            else:
                _w.pins_out &= ~self._bit
        if mode == Pin.OUT:
            _w.pins_dir |= self._bit
        elif mode >= 0:
            _w.pins_dir &= ~self._bit

    def value(self, level=None):
        if level is None:
            if _w.pins_dir & self._bit:
                return 1 if _w.pins_out & self._bit else 0
            return 1 if _w.pins_in & self._bit else 0
        if level:
            _w.pins_out |= self._bit
        else:
            _w.pins_out &= ~self._bit

    __call__ = value

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    def toggle(self):
        self.value(0 if _w.pins_out & self._bit else 1)


class PWM:
    """Pulses on the servo's pin reach the servo; on another pin nobody listens."""

    def __init__(self, pin, *, freq=0, duty_u16=0, duty_ns=0):
        self._listened = pin.id == _servo_pin
        self._freq = 0
        self._ns = 0
        if freq:
            self.freq(freq)
        if duty_ns:
            self.duty_ns(duty_ns)
        elif duty_u16:
            self.duty_u16(duty_u16)

    def init(self, *, freq=0, duty_u16=0, duty_ns=0):
        self.__init__(self, freq=freq, duty_u16=duty_u16, duty_ns=duty_ns)

    def freq(self, hz=None):
        if hz is None:
            return self._freq
        if not 8 <= hz <= 62500000:
            raise ValueError("freq out of range")
        self._freq = hz
        if self._listened:
            _w.exchange(_w.SM_SET, 0, b"pwm %d" % hz)

    def duty_ns(self, ns=None):
        if ns is None:
            return self._ns
        if self._freq and ns > 1000000000 // self._freq:
            ns = 1000000000 // self._freq
        self._ns = ns
        if self._listened:
            _w.duty_ns = ns

    def duty_u16(self, value=None):
        period = 1000000000 // (self._freq or 1)
        if value is None:
            return self._ns * 65535 // period
        self.duty_ns(period * value // 65535)

    def deinit(self):
        self._ns = 0
        if self._listened:
            _w.duty_ns = 0


class WDT:
    """Once started it cannot be stopped; longest time-out as on the RP2040."""

    def __init__(self, id=0, timeout=5000):
        if not 1 <= timeout <= 8388:
            raise ValueError("timeout exceeds 8388")
        _w.exchange(_w.WATCHDOG, 0, b"%d" % timeout)

    def feed(self):
        _w.feed()


class ADC:
    CORE_TEMP = 4

    def __init__(self, pin):
        self._pin = pin.id if isinstance(pin, Pin) else pin

    def read_u16(self):
        if self._pin == 29:  # a third of the board's supply
            return min(65535, _w.supply_mV * 65535 // 9900)
        return 14100  # the chip's own sensor near 27 C


class I2C:
    """Transactions go to the bench's devices whole; on the wire 9 clocks a byte, 3 for start, again, stop."""

    def __init__(self, id=0, *, scl=None, sda=None, freq=400000, timeout=50000):
        self._freq = freq

    def _do(self, addr, out, n):
        bits = 9 * (len(out) + n + (2 if out and n else 1)) + 3
        size = _w.exchange(_w.I2C, 1 + bits * 1000000 // self._freq, bytes((addr, n)) + bytes(out))
        data = _w.reply(size) if size else b""
        if data[0]:
            raise OSError(5)  # EIO: nobody answered
        return data[1:]

    def readfrom(self, addr, n, stop=True):
        return self._do(addr, b"", n)

    def readfrom_into(self, addr, buf, stop=True):
        buf[:] = self._do(addr, b"", len(buf))

    def writeto(self, addr, buf, stop=True):
        self._do(addr, buf, 0)
        return len(buf)

    def readfrom_mem(self, addr, reg, n, *, addrsize=8):
        return self._do(addr, bytes((reg,)), n)

    def readfrom_mem_into(self, addr, reg, buf, *, addrsize=8):
        buf[:] = self._do(addr, bytes((reg,)), len(buf))

    def writeto_mem(self, addr, reg, buf, *, addrsize=8):
        self._do(addr, bytes((reg,)) + bytes(buf), 0)

    def scan(self):
        found = []
        for addr in range(8, 0x78):
            try:
                self._do(addr, b"", 1)
                found.append(addr)
            except OSError:
                pass
        return found


class RTC:
    def __init__(self, id=0):
        pass

    def datetime(self, value=None):
        if value is None:
            t = _time.gmtime(_time.time())
            return (t[0], t[1], t[2], t[6], t[3], t[4], t[5], 0)
        y, mo, d, _, h, mi, s, _ = value
        _time._set_clock(_time.mktime((y, mo, d, h, mi, s, 0, 0)))


def unique_id():
    return _uid


def reset():
    _w.stop(1)


def soft_reset():
    _w.stop(2)


def bootloader(timeout=0):
    _w.stop(3)


class _Registers:
    """`mem32`: of all registers only the watchdog's REASON (RP2040 at 0x40058008, RP2350 at 0x400D8008)."""

    def __getitem__(self, address):
        if address in (0x40058008, 0x400D8008):
            return _reason
        raise ValueError("the bench has no register at 0x%08x" % address)


mem32 = _Registers()


def reset_cause():
    return _cause


def freq(hz=None):
    return 125000000


def idle():
    _w.sleep(50)


def lightsleep(ms=0):
    _w.sleep(ms * 1000)
