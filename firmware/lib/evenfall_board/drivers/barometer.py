"""Pressure, temperature and humidity: an I2C sensor of the BME280 class.

`compensate` is the data sheet's integer code (section 4.2.3; the worked example
of section 3.12 of its sibling without humidity is in tests/drivers).  Its
pressure part needs 64-bit integers, so it allocates on the board: read the air
outside a sweep.
"""

from struct import unpack_from

from ..native import const

_ADDRESSES = (0x76, 0x77)
_CHIP_ID = const(0xD0)
_CALIBRATION_1 = const(0x88)
_CALIBRATION_2 = const(0xE1)
_HUMIDITY_CONTROL = const(0xF2)
_CONTROL = const(0xF4)
_CONFIG = const(0xF5)
_DATA = const(0xF7)
_WITH_HUMIDITY = const(0x60)
_WITHOUT_HUMIDITY = const(0x58)
_NOTHING_YET = const(0x80000)  # what the data registers hold before the first measurement


def _signed12(value):
    return value - 4096 if value & 2048 else value


def t_fine_of(raw_temperature, t):
    """The fine temperature that the other two corrections need; `t` = T1..T3."""
    a = (((raw_temperature >> 3) - (t[0] << 1)) * t[1]) >> 11
    b = (raw_temperature >> 4) - t[0]
    return a + ((((b * b) >> 12) * t[2]) >> 14)


def temperature_of(t_fine):
    """Hundredths of a degree C."""
    return (t_fine * 5 + 128) >> 8


def pressure_of(raw_pressure, t_fine, p):
    """Pa times 256; `p` = P1..P9. 0 when the constants are nonsense."""
    a = t_fine - 128000
    b = a * a * p[5] + ((a * p[4]) << 17) + (p[3] << 35)
    a = ((a * a * p[2]) >> 8) + ((a * p[1]) << 12)
    a = (((1 << 47) + a) * p[0]) >> 33
    if a == 0:
        return 0
    c = _divide(((((1048576 - raw_pressure) << 31) - b) * 3125), a)
    a = (p[8] * (c >> 13) * (c >> 13)) >> 25
    b = (p[7] * c) >> 19
    return ((c + a + b) >> 8) + (p[6] << 4)


def _divide(a, b):
    # C's division rounds to zero
    q = abs(a) // abs(b)
    return q if (a < 0) == (b < 0) else -q


def humidity_of(raw_humidity, t_fine, h):
    """Per cent times 1024; `h` = H1..H6."""
    a = t_fine - 76800
    b = ((raw_humidity << 14) - (h[3] << 20) - h[4] * a + 16384) >> 15
    c = (((((a * h[5]) >> 10) * (((a * h[2]) >> 11) + 32768)) >> 10) + 2097152) * h[1]
    b *= (c + 8192) >> 14
    b -= ((((b >> 15) * (b >> 15)) >> 7) * h[0]) >> 4
    return max(0, min(b, 419430400)) >> 12


class Barometer:
    """After `read()` returned true: `pressure` in Pa, `temperature` and `humidity` in hundredths.

    `humidity` stays 0 when the part has none (`has_humidity`).
    """

    def __init__(self, i2c):
        self._i2c = i2c
        self._data = bytearray(8)
        self._on = False
        self.has_humidity = False
        self.pressure = 0
        self.temperature = 0
        self.humidity = 0

    def start(self):
        """Find the part, read its constants, let it measure twice a second; false when it does not answer."""
        self._on = False
        for address in _ADDRESSES:
            try:
                self._address = address
                kind = self._fetch(_CHIP_ID, 1)[0]
                if kind not in (_WITH_HUMIDITY, _WITHOUT_HUMIDITY):
                    continue
                self.has_humidity = kind == _WITH_HUMIDITY
                self._read_constants()
                if self.has_humidity:
                    self._i2c.writeto_mem(address, _HUMIDITY_CONTROL, b"\x01")  # once
                self._i2c.writeto_mem(address, _CONFIG, b"\x88")  # pause of 500 ms, filter 4
                self._i2c.writeto_mem(address, _CONTROL, b"\x57")  # temperature twice, pressure 16 times, go
                self._on = True
                return True
            except OSError:
                pass
        return False

    def _fetch(self, register, size):
        data = bytearray(size)
        self._i2c.readfrom_mem_into(self._address, register, data)
        return data

    def _read_constants(self):
        raw = self._fetch(_CALIBRATION_1, 26)
        words = unpack_from("<HhhHhhhhhhhh", raw, 0)
        self._t = words[:3]
        self._p = words[3:]
        if self.has_humidity:
            h = self._fetch(_CALIBRATION_2, 7)
            h2, h3 = unpack_from("<hB", h, 0)
            self._h = (
                raw[25],
                h2,
                h3,
                _signed12(h[3] << 4 | h[4] & 15),
                _signed12(h[5] << 4 | h[4] >> 4),
                h[6] - 256 if h[6] > 127 else h[6],
            )

    def read(self):
        """Take the newest measurement; false when there is none. Allocates."""
        if not self._on:
            return False
        d = self._data
        try:
            self._i2c.readfrom_mem_into(self._address, _DATA, d)
        except OSError:
            return False
        raw_pressure = d[0] << 12 | d[1] << 4 | d[2] >> 4
        raw_temperature = d[3] << 12 | d[4] << 4 | d[5] >> 4
        if raw_pressure == _NOTHING_YET or raw_temperature == _NOTHING_YET:
            return False
        t_fine = t_fine_of(raw_temperature, self._t)
        self.temperature = temperature_of(t_fine)
        self.pressure = (pressure_of(raw_pressure, t_fine, self._p) + 128) >> 8
        if self.has_humidity:
            self.humidity = (humidity_of(d[6] << 8 | d[7], t_fine, self._h) * 100 + 512) >> 10
        return True
