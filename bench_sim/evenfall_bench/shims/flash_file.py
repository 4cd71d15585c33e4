"""The flash of a board as a file, inside the interpreter: without time or faults."""

BLOCK_BYTES = 4096


class FlashFile:
    """Block device for littlefs; erased throughout where there was no file yet, `fresh` then."""

    def __init__(self, path, blocks=0):
        try:
            self._f = open(path, "r+b")
            self.fresh = False
        except OSError:
            self._f = open(path, "w+b")
            self.fresh = True
            for _ in range(blocks):
                self._f.write(b"\xff" * BLOCK_BYTES)
        self._blocks = self._f.seek(0, 2) // BLOCK_BYTES

    def ioctl(self, op, arg):
        if op == 4:
            return self._blocks
        if op == 5:
            return BLOCK_BYTES
        if op == 6:
            self._f.seek(arg * BLOCK_BYTES)
            self._f.write(b"\xff" * BLOCK_BYTES)
        elif op in (2, 3):
            self._f.flush()
        return 0

    def readblocks(self, block, buf, offset=0):
        self._f.seek(block * BLOCK_BYTES + offset)
        self._f.readinto(buf)

    def writeblocks(self, block, buf, offset=0):
        self._f.seek(block * BLOCK_BYTES + offset)
        self._f.write(buf)
