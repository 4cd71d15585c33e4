"""Bridge amplifier of the NAU7802 class: I2C, 24 bits, 320 or 80 samples a second.

Register numbers and bits from the part's data sheet (from memory; tests hold a
register model of the same).  The part has no clock line to count, so the time
of a sample is tracked: it lies between the last look that found no data and the
look that found it, and near one period after the sample before.
"""

import time
from array import array

from evenfall_wire.codes import CLAMP_HIGH, CLAMP_LOW

from ..native import const, micropython
from . import ticks

# `const` with an underscore leaves no name in RAM: 1,260 names fill a table of them, the next takes 8 kB
_ADDRESS = const(0x2A)
_PU_CTRL = const(0x00)
_CTRL1 = const(0x01)
_CTRL2 = const(0x02)
_RESULT = const(0x12)
_CHOPPER = const(0x15)
_POWER = const(0x1C)
_RESET = const(1)
_DIGITAL_ON = const(2)
_ANALOG_ON = const(4)
_POWERED = const(8)
_GO = const(0x10)
_READY = const(0x20)
_REGULATOR = const(0x80)
REGULATOR_3V0 = 5 << 3  # from a supply of 3.3 V
GAINS = (7, 5, 6)  # 128, 32, 64: the order of the amplifier_gain setting
RATES = {320: 7 << 4, 80: 3 << 4}
_CALIBRATE = const(4)
_CALIBRATION_FAILED = const(8)

CAPACITY = 2
SETTLING = 4  # conversions
LONG_SILENCE = const(1 << 28)


class I2cAmplifier:
    """Same interface as LoadCell; `bad_words` counts transfers that failed."""

    def __init__(self, settings, i2c):
        self.nominal_hz = 80 if settings["amplifier"] == 2 else 320
        self._nominal = 4000000 // self.nominal_hz  # ticks
        self._i2c = i2c
        self._gain = GAINS[settings["amplifier_gain"]]
        self._status = bytearray(1)
        self._result = bytearray(3)
        self._on = False
        self.tick = array("i", [0] * CAPACITY)
        self.count = array("i", [0] * CAPACITY)
        self.overruns = 0
        self.bad_words = 0
        self.clamped = 0
        self.silent_ticks = 0

    def start(self):
        """Power up and calibrate the part; one that does not answer stays silent."""
        self._on = False
        self._last = self._looked = self._heard = ticks.now()
        self._period = self._nominal
        self._settling = SETTLING
        self._synced = False
        self.silent_ticks = 0
        try:
            self._write(_PU_CTRL, _RESET)
            self._write(_PU_CTRL, _DIGITAL_ON)
            self._wait(_PU_CTRL, _POWERED, _POWERED)
            self._write(_PU_CTRL, _DIGITAL_ON | _ANALOG_ON | _REGULATOR)
            self._write(_CTRL1, REGULATOR_3V0 | self._gain)
            rate = RATES[self.nominal_hz]
            self._write(_CTRL2, rate)
            self._write(_CHOPPER, 0x30)  # the data sheet: input chopper off
            self._write(_POWER, 0x80)  # the data sheet: capacitor across input 2
            self._write(_CTRL2, rate | _CALIBRATE)
            self._wait(_CTRL2, _CALIBRATE, 0)
            if self._read(_CTRL2) & _CALIBRATION_FAILED:
                raise OSError
            self._write(_PU_CTRL, _DIGITAL_ON | _ANALOG_ON | _REGULATOR | _GO)
            self._on = True
        except OSError:
            self.bad_words += 1

    def _write(self, register, value):
        self._status[0] = value
        self._i2c.writeto_mem(_ADDRESS, register, self._status)

    def _read(self, register):
        self._i2c.readfrom_mem_into(_ADDRESS, register, self._status)
        return self._status[0]

    def _wait(self, register, bits, value):
        for _ in range(400):
            if self._read(register) & bits == value:
                return
            time.sleep_ms(1)
        raise OSError

    @micropython.native
    def poll(self):
        """Fetch a conversion if one is ready; return how many are new. Allocates nothing."""
        if not self._on:
            return self._silence()
        before = self._looked
        self._looked = ticks.now()
        try:
            if not self._read(_PU_CTRL) & _READY:
                return self._silence()
            seen = ticks.now()
            self._i2c.readfrom_mem_into(_ADDRESS, _RESULT, self._result)
        except OSError:
            self.bad_words += 1
            self._settling = SETTLING
            return self._silence()
        self._time_it(before, seen)
        r = self._result
        code = r[0] << 16 | r[1] << 8 | r[2]
        if code >= 0x800000:
            code -= 0x1000000
        self._heard = seen
        self.silent_ticks = 0
        if self._settling:
            self._settling -= 1
            return 0
        if code == CLAMP_HIGH or code == CLAMP_LOW:
            self.clamped += 1
        self.tick[0] = self._last
        self.count[0] = code
        return 1

    @micropython.native
    def _time_it(self, before, seen):
        """Set `_last` to when the newest conversion became ready: after `before`, at latest at `seen`."""
        step = self._period
        nominal = self._nominal
        since = ticks.diff(seen, self._last)
        if not self._synced or since < 0 or since > 3 * nominal:
            # no history, or a gap too long to count over
            if self._synced:
                self.overruns += 1
            self._synced = True
            self._last = seen
            return
        if ticks.diff(seen, before) > step and since >= step << 1:
            # looks too far apart: more than one went by, and the part keeps only the newest
            self.overruns += 1
            step = since // step * step
        elif step > since:  # it was ready before we looked
            shorter = step - ((step - since) >> 3)
            if shorter > nominal * 3 // 4:
                self._period = shorter
            step = since
        else:
            early = ticks.diff(before, self._last)
            if step < early:  # it was not there at the look before
                longer = step + ((early - step) >> 3)
                if longer < nominal * 5 // 4:
                    self._period = longer
                step = early
        self._last = (self._last + step) & ticks.MASK

    def _silence(self):
        if self.silent_ticks < LONG_SILENCE:
            self.silent_ticks = max(0, ticks.diff(ticks.now(), self._heard))
        return 0
