"""What is wired to the board, by the pin settings: drivers, what they have shown so far; the clock."""

from array import array
from struct import pack_into

import machine
from evenfall_wire.settings import BY_NAME, SETTINGS

from .drivers.button import Button
from .drivers.kill import Kill
from .drivers.led import Led
from .drivers.servo import Servo
from .native import const
from .settings import GROUP, NAME

_SUPPLY_PIN = const(29)  # a third of the board's supply, on boards that have it
FAIL_OPEN, FAIL_STAY = 1, 2  # values of the setting fail_valve


class Clock:
    """Time since the start, and the clock's time once a host has told it."""

    def __init__(self):
        self.uptime_ms = 0
        self.is_set = False
        self._at_0 = array("H", (0, 0))  # halves, the lower first, of the unix seconds at uptime 0

    def set(self, unix_s):
        at_0 = unix_s - self.uptime_ms // 1000
        self._at_0[0], self._at_0[1] = at_0 & 0xFFFF, at_0 >> 16
        self.is_set = True

    def unix_s(self):
        """Seconds since 1970, 0 while nobody has told it."""
        return (self._at_0[0] | self._at_0[1] << 16) + self.uptime_ms // 1000 if self.is_set else 0

    def put(self, buffer, at):
        """Write unix_s() into a message, in its two halves: takes nothing from the heap."""
        low = self._at_0[0] + self.uptime_ms // 1000 if self.is_set else 0
        pack_into("<HH", buffer, at, low & 0xFFFF, self._at_0[1] + (low >> 16))


class Hardware:
    """Parts that are not fitted are None.  What keeps people safe is made first, sensors later."""

    def __init__(self, settings):
        s = self._settings = settings
        self.kill = Kill(s["pin_kill"]) if s["kill_fitted"] and s["pin_kill"] >= 0 else None
        self.led = Led(s["pin_led"]) if s["pin_led"] >= 0 else None
        self.servo = Servo(s) if s["pin_servo"] >= 0 else None
        self.button = Button(s["pin_button"]) if s["pin_button"] >= 0 else None
        self.amp = self.hall = self.barometer = self.supply = None
        self.uid = machine.unique_id()
        self.kill_held = False  # by the self-test
        self.held_us = None  # the self-test's pulse for the valve
        # seen since the start
        self.presses = 0
        self.edges = 0
        self.load_samples = 0
        self.load_count = 0
        self.air = [0, 0, 0]  # filled anew, never made anew: it would lie in the heap's largest free block

    def open_sensors(self):
        s = self._settings
        bus = None
        if s["amplifier"] or s["barometer"]:
            from .drivers.i2c_bus import open_bus

            bus = open_bus(s)
        if s["amplifier"]:
            from .drivers.i2c_amplifier import I2cAmplifier

            self.amp = I2cAmplifier(s, bus)
        elif s["pin_load_data"] >= 0 and s["pin_load_clock"] >= 0:
            from .drivers.load_cell import LoadCell

            self.amp = LoadCell(s)
        if s["pin_hall"] >= 0:
            from .drivers.hall import Hall

            self.hall = Hall(s)
        if s["barometer"]:
            from .drivers.barometer import Barometer

            self.barometer = Barometer(bus)

    def missing(self):
        """The first part of a sweep that is not fitted: the number of its pin's setting; 0 when all are."""
        load = "pin_load_data" if self._settings["pin_load_data"] < 0 else "pin_load_clock"
        for part, pin in ((self.amp, load), (self.hall, "pin_hall"), (self.servo, "pin_servo")):
            if part is None:
                return BY_NAME[pin][0]
        return 0

    def open_supply(self):
        """The supply's pin, unless a setting has taken it."""
        if _SUPPLY_PIN in [self._settings[e[NAME]] for e in SETTINGS if e[GROUP] == "pins"]:
            return
        try:
            self.supply = machine.ADC(_SUPPLY_PIN)
        except (ValueError, OSError):
            pass

    def start(self):
        if self.amp:
            self.amp.start()
        if self.hall:
            self.hall.start()
        if self.barometer and not self.barometer.start():
            self.barometer = None

    def nominal_hz(self):
        """Load samples a second, as the amplifier is meant to give them."""
        return self.amp.nominal_hz if self.amp else 80

    def read_air(self):
        """Take a reading of the barometer; True when there is one."""
        b = self.barometer
        if b and b.read():
            self.air[0], self.air[1], self.air[2] = b.pressure, b.temperature, b.humidity
            return True
        return False

    def fail_valve(self, settings):
        """Move the valve to where the settings want it at a fault."""
        if self.servo and settings["fail_valve"] != FAIL_STAY:
            is_open = settings["fail_valve"] == FAIL_OPEN
            self.servo.move(settings["servo_open"] if is_open else settings["servo_shut"])

    def losses(self):
        """Counts since the start: load samples lost, words damaged, edges lost."""
        amp, hall = self.amp, self.hall
        return (
            amp.overruns if amp else 0,
            amp.bad_words if amp else 0,
            hall.overruns if hall else 0,
        )
