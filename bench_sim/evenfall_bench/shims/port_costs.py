"""Files, room check, settings files and the line of the board cost what they cost on the chip.

Stand-ins for `open` and for what the firmware calls in os, json, select and binascii; chip_costs.py has the
times, `install` puts them in place.
"""

import binascii as _binascii
import builtins
import json as _json
import os as _os
import select as _select
import sys

import exchange as _w

_open = builtins.open
FRAME_BYTES = 400  # what is longer is a piece of a file


class Module:
    """What stands in the place of a module."""


class Poll:
    """A poll object: each event that is told is followed by a byte taken or a piece given."""

    def __init__(self):
        self._real = _select.poll()
        self._told = [None]

        self.register, self.unregister, self.modify = (
            self._real.register,
            self._real.unregister,
            self._real.modify,
        )

    def ipoll(self, timeout=-1):
        for event in self._real.ipoll(timeout):
            _w.work(byte_us if event[1] & _select.POLLIN else write_us)
            self._told[0] = event
            return self._told
        return ()

    def poll(self, timeout=-1):
        return list(self.ipoll(timeout))


def _stand_in(name, module):
    """A copy of a module, in its place."""
    made = sys.modules[name] = Module()
    for attribute in dir(module):
        setattr(made, attribute, getattr(module, attribute))
    return made


def install(costs):
    """Charge `costs` (us, by the names of chip_costs.py) from now on."""
    global byte_us, write_us
    byte_us, write_us = costs["byte"], costs["write"]
    read_us, open_write_us, rename_us, room_us = [
        costs[name] for name in ("open_read", "open_write", "rename", "room")
    ]
    dump_us, frame_us = costs["dump"], costs["frame"]

    def open(path, mode="r", **more):
        _w.work(read_us if mode[0] == "r" else open_write_us)
        return _open(path, mode, **more)

    def rename(old, new):
        _w.work(rename_us)
        _os.rename(old, new)

    def statvfs(path):
        _w.work(room_us)
        return _os.statvfs(path)

    def dump(value, stream):
        numbers = 0
        for part in value:
            numbers += len(part) if isinstance(part, list) else 1
        _w.work(numbers * dump_us)
        _json.dump(value, stream)

    def crc32(data, crc=0):
        if len(data) < FRAME_BYTES:
            _w.work(frame_us)
        return _binascii.crc32(data, crc)

    builtins.open = open
    os = _stand_in("os", _os)
    os.rename, os.statvfs = rename, statvfs
    _stand_in("json", _json).dump = dump
    _stand_in("binascii", _binascii).crc32 = crc32
    _stand_in("select", _select).poll = Poll
