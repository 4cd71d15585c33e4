"""`gc` of the board: the interpreter's own, and the time a collection takes on the chip."""

import gc as _gc
import exchange as _w

collect_us = 0
mem_free = _gc.mem_free
mem_alloc = _gc.mem_alloc
threshold = _gc.threshold
enable = _gc.enable
disable = _gc.disable
isenabled = _gc.isenabled


def collect():
    _gc.collect()
    if collect_us:
        _w.spend(collect_us)
