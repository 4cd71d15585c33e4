"""Runs stored while more and more blocks go bad, until the superblock's own do: the flash as it is then.

worn_flash.py SEED IMAGE: prints how many runs were stored; their files lie beside IMAGE.
"""

import random
import sys

from rig import BLOCK, Flash, Recorder, mount, run_of, unmount, whole

from evenfall_board.settings import BootCounter
from evenfall_board.store import Store

SEED, IMAGE = int(sys.argv[1]), sys.argv[2]
random.seed(SEED)
flash = Flash(160)
mount(flash, new=True)
starts = BootCounter("/f/starts.json")
starts.load()
store = Store(starts, "/f/runs")
store.open()
stored = 0
try:
    while stored < 14:
        for _ in store.write(run_of(Recorder(200 + 20 * stored, 500, 200), 1700000000 + stored)):
            pass
        stored += 1
        name = "/f/runs/%08x.run" % stored
        with open("%s.%d" % (IMAGE, stored), "wb") as f:
            f.write(whole(name))
        flash.worn = flash.worn + tuple([random.randrange(2, flash.blocks) for _ in range(3)])
except OSError as error:
    print("stopped by", error)
unmount()
# the superblock's pair goes last: what it held is garbage, and stays so
for at in range(2 * BLOCK):
    flash.data[at] = random.getrandbits(8)
try:
    mount(flash)
    print("mounted")
except OSError:
    pass
with open(IMAGE, "wb") as f:
    f.write(flash.data)
print(stored)
