"""The zero of the load cell: averaged while the brake stands still, followed while its drift is small."""

from .native import const
from .sensing import Zero

_STILL_MS = const(1000)  # without an edge before a zero is taken: the brake still coasts and drains
_LONGEST_MS = const(100000)


class Standstill:
    """`ms` of standstill, finished `blocks` of zero samples and when the last one was taken."""

    def __init__(self, torque):
        self._torque = torque
        self.zero = Zero(torque.limit_count)
        self.ms = 0
        self.blocks = 0
        self.taken_ms = 0  # uptime of the last block
        self.finished = False  # a block was finished in this pass
        self.wanted = False  # a host asked for it

    def configure(self):
        self.zero.configure(self._torque.limit_count)

    def follow(self, half_rpm, passed_ms):
        """A round has passed at this speed."""
        if half_rpm > 0:
            self.ms = 0
            self.zero.restart()
        elif self.ms < _LONGEST_MS:
            self.ms += passed_ms

    def sample(self, tick, count):
        """One load sample. Allocates nothing."""
        if self.ms >= _STILL_MS and self.zero.take(tick, count):
            self.finished = True

    def ask(self):
        self.wanted = True
        self.zero.restart()

    def take(self, uptime_ms):
        """Take over a finished block; True when it is the zero that a host asked for.

        Small drift is followed; more may be a weight hung on the arm.
        """
        torque = self._torque
        self.finished = False
        mean = (self.zero.mean_x16 + 8) >> 4
        first = self.blocks == 0
        self.blocks += 1
        self.taken_ms = uptime_ms
        if self.wanted or first or abs(mean - torque.zero) < torque.limit_count // 1000:
            torque.zero = mean
            if self.wanted:
                self.wanted = False
                return True
        return False
