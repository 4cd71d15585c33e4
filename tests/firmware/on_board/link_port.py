"""A port in memory and a board that is nothing but its store, for scripts that drive the link alone."""

import io
import select


class Port(io.IOBase):
    def __init__(self):
        self.waiting = b""
        self.taken = bytearray()
        self.open = True

    def ioctl(self, op, arg):
        if op != 3:  # MP_STREAM_POLL
            return -1
        ready = select.POLLOUT if self.open else 0
        return (ready | (select.POLLIN if self.waiting else 0)) & arg

    def readinto(self, buf):
        n = min(len(buf), len(self.waiting))
        buf[:n] = self.waiting[:n]
        self.waiting = self.waiting[n:]
        return n

    def write(self, data):
        assert self.open, "wrote to a port that takes nothing"
        self.taken += data
        return len(data)


class Poller:
    """Asks the port at once; the interpreter's own poll sleeps 1 ms with a port that is no file."""

    def __init__(self, port):
        self._port = port

    def ipoll(self, _):
        ready = self._port.ioctl(3, select.POLLIN | select.POLLOUT)
        return ((self._port, ready),) if ready else ()


class Board:
    state = "rest"
    uid = b"12345678"
    quiet = False

    def busy(self):
        return self.quiet

    def turning(self):
        return False

    def state_number(self):
        return 4
