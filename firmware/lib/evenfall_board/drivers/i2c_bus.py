"""The I2C bus of the second amplifier and the barometer."""

from machine import I2C, Pin


def open_bus(settings):
    """The bus on the pins of the settings; GPIO 0/1, 4/5, 8/9 ... are I2C 0, the others I2C 1."""
    sda = settings["pin_sda"]
    return I2C((sda >> 1) & 1, scl=Pin(settings["pin_scl"]), sda=Pin(sda), freq=400000)
