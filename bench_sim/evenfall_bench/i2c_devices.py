"""Register models of the two optional I2C parts: a bridge amplifier and a barometer.

The numbers are the parts' data sheets', written down here on their own, not taken from
the firmware's drivers, so that an error there does not cancel here.
"""

from __future__ import annotations

import struct
from typing import Any

from .physics import Bench

# registers and bits of the amplifier, by their names in its data sheet
PU_CTRL, CTRL2, RESULT, REVISION = 0x00, 0x02, 0x12, 0x1F
RR, PUD, PUA, PUR, CS, CR, AVDDS = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x80
CALS = 0x04


class I2cAmplifier:
    """A 24-bit bridge converter at address 0x2A with the NAU7802's registers.

    CTRL2 holds the rate in bits 6:4 (7: 320 per s, 3: 80); the result takes three registers.
    The cell's samples come from the bench's second amplifier.
    """

    address = 0x2A

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._registers = bytearray(32)
        self._registers[REVISION] = 0x0F
        self._pointer = 0
        self._rate_bits = 7 if bench.scenario["amplifier"]["second_rate_Hz"] > 160.0 else 3
        self._ready = False
        self.fetched = 0  # results read out
        self._power_at = 0.0
        self._calibrated_at = 0.0

    def write(self, data: bytes, now: float) -> None:
        self._update(now)
        if not data:
            return
        self._pointer = data[0] & 31
        for byte in data[1:]:
            self._set(self._pointer, byte, now)
            self._pointer = (self._pointer + 1) & 31

    def _set(self, register: int, value: int, now: float) -> None:
        r = self._registers
        if register == PU_CTRL:
            if value & RR:
                r[:] = bytes(31) + b"\x0f"
                r[PU_CTRL] = RR
                self._ready = False
                return
            if value & PUD and not r[PU_CTRL] & PUD:
                self._power_at = now + 0.0002
            r[PU_CTRL] = value & (PUD | PUA | CS | AVDDS) | value & 0x40 | r[PU_CTRL] & PUR
            if not value & CS:
                self._ready = False
        elif register == CTRL2:
            if value & CALS:
                self._calibrated_at = now + 0.006
            r[CTRL2] = value & 0xF7
        elif register not in (RESULT, RESULT + 1, RESULT + 2, REVISION):
            r[register] = value

    def _update(self, now: float) -> None:
        r = self._registers
        if r[PU_CTRL] & PUD and now >= self._power_at:
            r[PU_CTRL] |= PUR
        if r[CTRL2] & CALS and now >= self._calibrated_at:
            r[CTRL2] &= ~CALS
        new = self._bench.samples2
        code = None
        while new and new[0][0] <= now:
            code = new.pop(0)[1]
        on = PUD | PUA | CS
        running = r[PU_CTRL] & on == on and (r[CTRL2] >> 4 & 7) == self._rate_bits
        if code is not None and running:
            r[RESULT : RESULT + 3] = (code & 0xFFFFFF).to_bytes(3, "big")
            self._ready = True
        r[PU_CTRL] = r[PU_CTRL] & ~CR | (CR if self._ready else 0)

    def read(self, count: int, now: float) -> bytes:
        self._update(now)
        out = bytearray()
        for _ in range(count):
            out.append(self._registers[self._pointer])
            if self._pointer == 0x14:
                self.fetched += self._ready
                self._ready = False
            self._pointer = (self._pointer + 1) & 31
        return bytes(out)


class Barometer:
    """BME280-class sensor at 0x76: calibration words, raw readings of the bench's weather.

    The maker's compensation (data sheet section 4.2.3, the double-precision form of
    section 8.1) is inverted by bisection to find the raw reading that a part would give.
    T and P words are the data sheet's example; H words are those of a plausible part (invented).
    """

    address = 0x76
    T = (27504, 26435, -1000)
    P = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
    H = (75, 362, 0, 323, 50, 30)

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._pointer = 0
        self._control = 0
        self._registers = bytearray(256)
        r = self._registers
        r[0xD0] = 0x60
        struct.pack_into("<HhhHhhhhhhhh", r, 0x88, *self.T, *self.P)
        h1, h2, h3, h4, h5, h6 = self.H
        r[0xA1] = h1
        struct.pack_into("<hB", r, 0xE1, h2, h3)
        r[0xE4] = h4 >> 4 & 0xFF
        r[0xE5] = (h4 & 15) | (h5 & 15) << 4
        r[0xE6] = h5 >> 4 & 0xFF
        r[0xE7] = h6 & 0xFF
        r[0xF7:0xFF] = bytes((0x80, 0, 0, 0x80, 0, 0, 0x80, 0))

    def t_fine(self, raw: float) -> float:
        """Fine temperature of a raw reading."""
        a = (raw / 16384.0 - self.T[0] / 1024.0) * self.T[1]
        b = (raw / 131072.0 - self.T[0] / 8192.0) ** 2 * self.T[2]
        return a + b

    def pressure_Pa(self, raw: float, t_fine: float) -> float:
        """Pressure of a raw reading."""
        p = self.P
        a = t_fine / 2.0 - 64000.0
        b = a * a * p[5] / 32768.0 + a * p[4] * 2.0
        b = b / 4.0 + p[3] * 65536.0
        a = (p[2] * a * a / 524288.0 + p[1] * a) / 524288.0
        a = (1.0 + a / 32768.0) * p[0]
        c = (1048576.0 - raw - b / 4096.0) * 6250.0 / a
        return c + (p[8] * c * c / 2147483648.0 + c * p[7] / 32768.0 + p[6]) / 16.0

    def humidity_percent(self, raw: float, t_fine: float) -> float:
        """Relative humidity of a raw reading."""
        h = self.H
        x = t_fine - 76800.0
        x = (raw - (h[3] * 64.0 + h[4] / 16384.0 * x)) * (
            h[1] / 65536.0 * (1.0 + h[5] / 67108864.0 * x * (1.0 + h[2] / 67108864.0 * x))
        )
        return max(0.0, min(100.0, x * (1.0 - h[0] * x / 524288.0)))

    def _measure(self) -> None:
        b = self._bench
        celsius = b.temperature_K - 273.15
        raw_t = _solve(lambda raw: self.t_fine(raw) / 5120.0, celsius, 0, 1 << 20)
        fine = self.t_fine(raw_t)
        raw_p = _solve(lambda raw: self.pressure_Pa(raw, fine), b.pressure_Pa, 0, 1 << 20)
        raw_h = _solve(lambda raw: self.humidity_percent(raw, fine), b.humidity * 100.0, 0, 1 << 16)
        r = self._registers
        r[0xF7:0xFA] = (raw_p << 4).to_bytes(3, "big")
        r[0xFA:0xFD] = (raw_t << 4).to_bytes(3, "big")
        r[0xFD:0xFF] = raw_h.to_bytes(2, "big")

    def write(self, data: bytes, now: float) -> None:
        if data:
            self._pointer = data[0]
            for at in range(0, len(data) - 1, 2):
                register, value = data[at], data[at + 1]
                if register in (0xF2, 0xF4, 0xF5):
                    self._registers[register] = value
                if register == 0xE0 and value == 0xB6:
                    self._registers[0xF4] = 0

    def read(self, count: int, now: float) -> bytes:
        if self._pointer <= 0xFE and self._pointer + count > 0xF7 and self._registers[0xF4] & 3:
            self._measure()
        out = bytes(self._registers[(self._pointer + i) & 0xFF] for i in range(count))
        self._pointer = (self._pointer + count) & 0xFF
        return out


def _solve(function: Any, target: float, low: int, high: int) -> int:
    """The whole number whose function value is nearest `target`; the function is monotone."""
    falling = function(low) > function(high)
    a, b = low, high - 1
    while b - a > 1:
        middle = (a + b) // 2
        if (function(middle) < target) != falling:
            a = middle
        else:
            b = middle
    return a if abs(function(a) - target) <= abs(function(b) - target) else b


class I2cBus:
    """The devices that the scenario has on the board's I2C pins."""

    def __init__(self, scenario: dict[str, Any], bench: Bench) -> None:
        self.devices: dict[int, I2cAmplifier | Barometer] = {}
        if scenario["amplifier"]["second_rate_Hz"]:
            self.devices[I2cAmplifier.address] = I2cAmplifier(bench)
        if scenario["weather"]["sensor"]:
            self.devices[Barometer.address] = Barometer(bench)

    @property
    def fetched(self) -> int:
        """Results that the board took from its amplifier so far."""
        device = self.devices.get(I2cAmplifier.address)
        return device.fetched if isinstance(device, I2cAmplifier) else 0

    def transfer(self, address: int, out: bytes, count: int, now: float) -> bytes:
        """A write, a read, or a write and a read; first byte of the answer is 1 for no reply."""
        device = self.devices.get(address)
        if device is None:
            return b"\x01"
        if out:
            device.write(out, now)
        return b"\x00" + (device.read(count, now) if count else b"")
