"""For scripts that run in MicroPython: paths, a flash of RAM that can lose power, runs to store."""

import os

from evenfall_board.recorder import LoadRing, Ring, WordRing

BLOCK = 4096


class PowerCut(BaseException):
    pass


GONE = PowerCut()  # made beforehand: a finaliser that closes a file must not allocate


class Flash:
    """NOR flash: an erase sets bits, a write only clears them.

    Power goes in operation `cut_at` (writes and erases counted from 1): `share`
    quarters of it still happen, then every access fails.  `worn` blocks keep
    what they hold.
    """

    def __init__(self, blocks=None, data=None, worn=()):
        self.data = bytearray(b"\xff" * (blocks * BLOCK)) if data is None else bytearray(data)
        self.blocks = len(self.data) // BLOCK
        self.operations = 0
        self.erased = [0] * self.blocks  # times, by block
        self.cut_at = 0
        self.share = 0
        self.worn = worn
        self.dead = False

    def ioctl(self, op, arg):
        if op == 4:
            return self.blocks
        if op == 5:
            return BLOCK
        if op == 6:
            n = self._count(BLOCK)
            self.erased[arg] += 1
            if arg not in self.worn:
                at = arg * BLOCK
                self.data[at : at + n] = b"\xff" * n
            self._cut()
        return 0

    def readblocks(self, block, buf, offset=0):
        if self.dead:
            raise GONE
        at = block * BLOCK + offset
        buf[:] = self.data[at : at + len(buf)]

    def writeblocks(self, block, buf, offset=0):
        n = self._count(len(buf))
        if block not in self.worn:
            at = block * BLOCK + offset
            data = self.data
            if data[at : at + n] == b"\xff" * n:
                data[at : at + n] = buf[:n]
            else:
                for i in range(n):
                    data[at + i] &= buf[i]
        self._cut()

    def _count(self, size):
        if self.dead:
            raise GONE
        self.operations += 1
        return size * self.share // 4 if self.operations == self.cut_at else size

    def _cut(self):
        if self.operations == self.cut_at:
            self.dead = True
            raise GONE


def mount(flash, new=False):
    if new:
        os.VfsLfs2.mkfs(flash, progsize=256)
    os.mount(os.VfsLfs2(flash, progsize=256), "/f")


def unmount():
    os.umount("/f")


class Recorder:
    """What Store.write reads of a recorder, filled with a known pattern."""

    def __init__(self, loads, edges, traces):
        self.start_tick = 1000
        self.loads = LoadRing("load_samples", loads)
        self.edges = WordRing("edge_times", edges)
        self.trace = Ring("control_trace", traces)
        self.events = Ring("events", 100)
        self.air = Ring("air", 24)
        self.zeros = Ring("zeros", 8)
        for i in range(loads):
            self.loads.put2(1000 + 50000 * i, 150000 + i * 77 - (i & 7) * 1000)
        for i in range(edges):
            self.edges.put1(1000 + 50000 * loads * i // edges)
        for i in range(traces):
            self.trace.put5(1000 + 50000 * loads * i // traces, 20000 - i, 20010 - i, 1500, 8)
        self.events.put3(1000, 2, 0)
        self.zeros.put4(900, 150000 * 16, 4000, 64)


def run_of(recorder, started=1700000000):
    return {
        "board_uid": b"12345678",
        "firmware": b"test" + bytes(12),
        "boot_count": 3,
        "started_unix_s": started,
        "trigger": 0,
        "settings": [(1, 10), (2, 10)],
        "learned": [(0, 5)],
        "recorder": recorder,
        "verdict": (1, 0, 2000, 40002000, 21000, 10000, 12, 60, 0, 0, 0, 0, 0, 0, 0),
        "complete": True,
    }


def whole(path):
    with open(path, "rb") as f:
        return f.read()
