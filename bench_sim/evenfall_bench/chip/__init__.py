"""The firmware on an emulated RP2040, under the user's own MicroPython image.

`parts.find` looks for the image, the emulator and the boot ROM; `board.ChipBoard` is the
board on the bench.  The emulator is rp2040js; the *.mjs files add what it lacks (core.mjs,
pio.mjs, flash.mjs, usb.mjs) and put the chip on the bench (chip.mjs, load_cell.mjs, main.mjs).
"""
