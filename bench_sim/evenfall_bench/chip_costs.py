"""What the port's calls cost an RP2040 at 125 MHz, its flash operations apart.

Measured on the emulated chip under MicroPython 1.28 with the firmware's own objects on its heap:
`python bench_sim/studies/chip_study.py costs` prints each beside what stands here.  The interpreter's bench
charges them where the firmware calls (shims/port_costs.py).
"""

COSTS_US = {
    "open_read": 2000,  # open for reading, close
    "open_write": 3500,  # open for writing, close
    "rename": 6000,
    "room": 15000,  # statvfs, which the room check asks; most of it is the same however full the flash is
    "dump": 130,  # json.dump, for each number: learned.store takes 27 ms for 60 pairs
    "frame": 3000,  # half of a frame: each is summed twice between the rings, the flash and the line
    "byte": 55,  # taken from the line one by one, noise or not
    "write": 90,  # a byte or a piece given to the line
}
