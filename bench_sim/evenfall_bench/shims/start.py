# ruff: noqa: E402, F401
"""Power-on: what the chip does before the board's own files run.

Run by lockstep.py as `micropython start.py UP DOWN`, two pipes; the set-up comes first
on DOWN as JSON.  Puts the bench's `time`, `machine`
and `rp2` in place, opens the flash, takes the posix file system away and then runs
_boot.py (frozen on a real board), boot.py and main.py, as the port does.
"""

import sys

_here = __file__[: __file__.rfind("/")] if "/" in __file__ else "."
sys.path[:] = [_here]

import json

import exchange

exchange.open_pipes(int(sys.argv[1]), int(sys.argv[2]))
_config = json.loads(exchange.reply(int(exchange.reply(8))))
exchange.clock_offset_us = _config["clock_offset_us"]

import machine
import rp2

machine._uid = bytes.fromhex(_config["uid"])
machine._cause = _config["cause"]
machine._reason = _config["reason"]
machine._servo_pin = _config["servo_pin"]
rp2.Flash.file = open(_config["image"], "r+b")
rp2.Flash.blocks = _config["blocks"]
rp2.Flash.erase_us = _config["erase_us"]
rp2.Flash.page_us = _config["page_us"]
rp2.Flash.bad = tuple(_config["bad_blocks"])
rp2.Flash.cut_at = _config["cut_at"]

with open(_config["boot"]) as _f:
    _boot = _f.read()

import gc
import vfs
from os import putenv as _putenv

import collector

collector.collect_us = _config["collect_us"]
sys.modules["gc"] = collector

if _config["port_costs"]:
    import port_costs

    port_costs.install(_config["port_costs"])

sys.path[:] = ["", ".frozen", "/lib"]
sys.argv[:] = []
vfs.umount("/")
del json, vfs, _here, _f, _config
gc.collect()


def _run_file(path):
    import os

    try:
        os.stat(path)
    except OSError:
        return False
    execfile(path, {"__name__": "__main__"})
    return True


def _stay_at_prompt(has_program):
    """Without a program, or told so by boot.py: the port's prompt; otherwise the process ends here."""
    if has_program:
        import evenfall_board

        if not evenfall_board.maintenance:
            return
    _putenv("MICROPYINSPECT", "1")
    exchange.exchange(exchange.PROMPT, 0)


exchange.exchange(0, 0)
exec(_boot, {"__name__": "__main__"})
del _boot
_run_file("boot.py")
_stay_at_prompt(_run_file("main.py"))
