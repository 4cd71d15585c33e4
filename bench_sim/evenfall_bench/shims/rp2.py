"""`rp2` of the board: state machines at the level of their FIFOs, and the flash."""

import exchange as _w
from pio_asm import PIO, asm_pio  # noqa: F401


class StateMachine:
    """A state machine that runs one of the two known programs.

    The program's name picks the bench's model of the FIFO words; the program's own
    constants (evenfall_board.drivers.programs) go with it, so they stand in one place.
    """

    def __init__(self, id, prog=None, freq=-1, **pins):
        self._slot = None
        if prog is not None:
            self.init(prog, freq, **pins)

    def init(self, prog, freq=-1, **pins):
        from evenfall_board.drivers import programs as p

        name = prog.name
        if name == "load_cell_reader":
            k = p.LOAD_CELL_READERS.index(prog)
            text = "load %d %d %d" % (k, p.LOAD_OVERHEAD_TICKS[k], p.LOAD_CONFIRM)
            self._slot = 0
        elif name == "hall_timer":
            text = "hall %d %d %d" % (p.HALL_TIMEOUT_TICKS, p.HALL_OVERHEAD_TICKS, p.HALL_CONFIRM)
            self._slot = 1
        else:
            raise ValueError("the bench has no model of the PIO program " + name)
        if freq != p.PIO_HZ:
            raise ValueError("the bench knows its PIO programs at %d Hz only" % p.PIO_HZ)
        _w.exchange(_w.SM_SET, 0, text.encode())

    def active(self, on=None):
        if on is not None:
            _w.exchange(_w.SM_RUN, 0, bytes((self._slot, 1 if on else 0)))

    def restart(self):
        _w.exchange(_w.SM_RUN, 0, bytes((self._slot, 2)))

    def exec(self, instruction):
        pass

    def put(self, value, shift=0):
        pass

    def get(self, buf=None, shift=0):
        if buf is None:
            return self._one() << shift
        for i in range(len(buf)):
            buf[i] = self._one() << shift
        return buf

    def _one(self):
        while True:
            word = _w.fifo_get(self._slot)
            if word is not None:
                return word
            _w.exchange(0, 50)

    def rx_fifo(self):
        return _w.fifo_level(self._slot)

    def tx_fifo(self):
        return 0


class Flash:
    """NOR flash in a file: an erase sets 4 KiB to ones, programming only clears bits.

    Power can be cut in operation number `cut_at` (counted from the start of the
    process): an erase leaves the block half done, a write stops half-way.
    """

    BLOCK = 4096
    file = None  # opened by start.py while the posix file system is still there
    blocks = 0
    erase_us = 0
    page_us = 0
    bad = ()
    cut_at = 0
    operations = 0

    def __init__(self, *, start=0, len=0):
        self._page = bytearray(256)

    def ioctl(self, op, arg):
        if op == 4:
            return Flash.blocks
        if op == 5:
            return Flash.BLOCK
        if op == 6:
            self._erase(arg)
            return 0
        return 0

    def readblocks(self, block, buf, offset=0):
        f = Flash.file
        f.seek(block * 4096 + offset)
        f.readinto(buf)

    def writeblocks(self, block, buf, offset=None):
        if offset is None:
            for i in range(len(buf) // 4096):
                self._erase(block + i)
            offset = 0
        size = len(buf)
        pages = (size + 255) // 256
        cut = self._count()
        if cut:
            size //= 2
        if block not in Flash.bad:
            self._program(block * 4096 + offset, memoryview(buf)[:size])
        if cut:
            _power_cut()
        _w.spend(Flash.page_us * pages)

    def _program(self, at, view):
        f = Flash.file
        page = self._page
        for i in range(0, len(view), 256):
            new = view[i : i + 256]
            n = len(new)
            old = page if n == 256 else bytearray(n)
            f.seek(at + i)
            f.readinto(old)
            if old != _BLANK[:n]:
                for j in range(n):
                    old[j] &= new[j]
                new = old
            f.seek(at + i)
            f.write(new)

    def _erase(self, block):
        cut = self._count()
        if block not in Flash.bad:
            f = Flash.file
            f.seek(block * 4096)
            if cut:
                # half the block is blank, the rest is neither the old nor blank
                f.write(_BLANK * 8)
                rest = bytearray(2048)
                f.readinto(rest)
                for j in range(0, 2048, 3):
                    rest[j] |= 0x5A
                f.seek(block * 4096 + 2048)
                f.write(rest)
            else:
                for _ in range(16):  # a block at once may not fit into a small heap
                    f.write(_BLANK)
        if cut:
            _power_cut()
        _w.spend(Flash.erase_us)

    def _count(self):
        Flash.operations += 1
        if _w.cut_in:
            Flash.cut_at = Flash.operations + _w.cut_in - 1
            _w.cut_in = 0
        return Flash.operations == Flash.cut_at


_BLANK = b"\xff" * 256


def _power_cut():
    Flash.file.flush()
    _w.stop(4)
