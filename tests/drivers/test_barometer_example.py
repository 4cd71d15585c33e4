"""The barometer's compensation against the maker's published worked example and formulas."""

import math
import struct

import pytest
from pio_rig import board

BOARD = board(None, lambda: 0)
barometer = BOARD.barometer

# Data sheet, section 3.12 ("Calculating pressure and temperature"): constants, raw values, results
T = (27504, 26435, -1000)
P = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
RAW_T, RAW_P = 519888, 415148
# Humidity constants have no published example: typical of a part (common practice, no source)
H = (75, 370, 0, 313, 50, 30)


def test_the_data_sheets_worked_example():
    t_fine = barometer.t_fine_of(RAW_T, T)
    assert t_fine == 128422
    assert barometer.temperature_of(t_fine) == 2508  # 25.08 degC
    # 100653.27 Pa; the integer variants differ by up to 0.02 Pa
    assert barometer.pressure_of(RAW_P, t_fine, P) / 256 == pytest.approx(100653.27, abs=0.02)


def float_humidity(raw, t_fine, h):
    """Data sheet of the part with humidity, floating point variant (from memory)."""
    x = t_fine - 76800.0
    x = (raw - (h[3] * 64.0 + h[4] / 16384.0 * x)) * (
        h[1] / 65536.0 * (1.0 + h[5] / 67108864.0 * x * (1.0 + h[2] / 67108864.0 * x))
    )
    return min(100.0, max(0.0, x * (1.0 - h[0] * x / 524288.0)))


@pytest.mark.parametrize("raw", [0, 15000, 25000, 28000, 32000, 40000, 65535])
@pytest.mark.parametrize("t_fine", [25000, 76800, 128422, 200000])
def test_integer_humidity_follows_the_floating_point_variant(raw, t_fine):
    got = barometer.humidity_of(raw, t_fine, H) / 1024
    assert got == pytest.approx(float_humidity(raw, t_fine, H), abs=0.05)


def float_pressure(raw, t_fine, p):
    """Data sheet, floating point variant (from memory)."""
    a = t_fine / 2.0 - 64000.0
    b = a * a * p[5] / 32768.0 + a * p[4] * 2.0
    b = b / 4.0 + p[3] * 65536.0
    a = (p[2] * a * a / 524288.0 + p[1] * a) / 524288.0
    a = (1.0 + a / 32768.0) * p[0]
    c = (1048576.0 - raw - b / 4096.0) * 6250.0 / a
    return c + (p[8] * c * c / 2147483648.0 + c * p[7] / 32768.0 + p[6]) / 16.0


@pytest.mark.parametrize("raw", [250000, 350000, 415148, 500000, 650000])
@pytest.mark.parametrize("t_fine", [0, 60000, 128422, 205000])
def test_integer_pressure_follows_the_floating_point_variant(raw, t_fine):
    got = barometer.pressure_of(raw, t_fine, P) / 256
    assert got == pytest.approx(float_pressure(raw, t_fine, P), abs=0.5)


class Chip:
    """Register file of the sensor with the example's constants in it."""

    def __init__(self, kind=0x60, address=0x76):
        self.address = address
        r = self.registers = bytearray(256)
        r[0xD0] = kind
        r[0x88:0xA0] = struct.pack("<HhhHhhhhhhhh", *T, *P)
        r[0xA1] = H[0]
        r[0xE1:0xE8] = struct.pack(
            "<hBBBBb", H[1], H[2], H[3] >> 4, H[3] & 15 | (H[4] & 15) << 4, H[4] >> 4, H[5]
        )
        self.measure(0x80000, 0x80000, 0x8000)

    def measure(self, raw_p, raw_t, raw_h):
        r = self.registers
        r[0xF7:0xFA] = (raw_p << 4).to_bytes(3, "big")
        r[0xFA:0xFD] = (raw_t << 4).to_bytes(3, "big")
        r[0xFD:0xFF] = raw_h.to_bytes(2, "big")

    def _answer(self, address):
        if address != self.address:
            raise OSError(5)

    def writeto_mem(self, address, register, data):
        self._answer(address)
        self.registers[register] = data[0]

    def readfrom_mem_into(self, address, register, data):
        self._answer(address)
        data[:] = self.registers[register : register + len(data)]


@pytest.mark.parametrize("address", [0x76, 0x77])
def test_reading_the_part(address):
    chip = Chip(address=address)
    air = barometer.Barometer(chip)
    assert air.start() and air.has_humidity
    assert not air.read()  # nothing measured yet
    chip.measure(RAW_P, RAW_T, 28000)
    assert air.read()
    assert (air.pressure, air.temperature) == (100653, 2508)
    assert air.humidity == pytest.approx(100 * float_humidity(28000, 128422, H), abs=5)
    assert chip.registers[0xF4] & 3 == 3 and chip.registers[0xF2] == 1  # measures by itself


def test_sibling_without_humidity_and_no_part():
    chip = Chip(kind=0x58)
    air = barometer.Barometer(chip)
    assert air.start() and not air.has_humidity
    chip.measure(RAW_P, RAW_T, 0)
    assert air.read() and air.humidity == 0
    foreign = barometer.Barometer(Chip(kind=0x61))
    assert not foreign.start() and not foreign.read()
    gone = barometer.Barometer(Chip(address=0x40))
    assert not gone.start()


def test_nonsense_constants_do_not_divide_by_zero():
    assert barometer.pressure_of(RAW_P, 128422, (0,) * 9) == 0
    assert not math.isnan(barometer.humidity_of(0, 0, (0,) * 6))
