"""The bench's end inside MicroPython: one pipe each way, one exchange at a time.

Every exchange carries to the bench what the board did since the last one (time spent,
FIFO words taken, outputs) and brings back the time, input levels and FIFO contents.
Virtual time passes only here.  lockstep.py is the other end and holds the same layout.
"""

from array import array

# operations; the same numbers stand in lockstep.py
SLEEP, STOP, SM_SET, SM_RUN, I2C, WATCHDOG, NOTE, PROMPT = 0, 1, 2, 3, 4, 5, 6, 7

PERIOD = 1 << 30  # of ticks_ms and ticks_us, as on the chip
CALL_US = 2  # what one look at the clock costs
SPIN_US = 4000  # after so long without a sleep the bench is told, so that time passes for it too

_up = None
_down = None
# op | pops0 << 8 | pops1 << 16 | fed << 24, sleep us, pins, directions, duty_ns, extra size, work us
_out = array("I", [0] * 7)
_in = array(
    "I", [0] * 25
)  # now low, now high, pins, counts | supply mV << 16, 9 + 9 words, extra size, cut, pass | sample us << 16
DEPTH = 8  # of a joined FIFO; a ninth word is one held up at a full FIFO
_words = (array("I", [0] * 9), array("I", [0] * 9))
_have = [0, 0]
_next = [0, 0]
_pops = [0, 0]
_fed = 0
_spent = 0  # us of work since the last exchange that the bench does not know of yet
_looks = 0  # at the clock in this pass of the program's loop
pass_us = 0  # what a pass of the program's loop costs: charged at its second look at the clock
half_sample_us = 0  # half of what a load sample costs: charged at each of its two words
now_us = 0
cut_in = 0  # power is to go in this many flash operations
clock_offset_us = 0
pins_in = 0
pins_out = 0
supply_mV = 5000
pins_dir = 0
duty_ns = 0


def open_pipes(up, down):
    global _up, _down
    _up = open(up, "wb")
    _down = open(down, "rb")


def exchange(op, us, extra=None):
    """Tell the bench, let `us` pass, take what it answers; returns the size of extra data."""
    global _fed, _spent, now_us, pins_in, cut_in, supply_mV, pass_us, half_sample_us
    out = _out
    out[0] = op | _pops[0] << 8 | _pops[1] << 16 | _fed << 24
    out[1] = us
    out[2] = pins_out
    out[3] = pins_dir
    out[4] = duty_ns
    out[5] = 0 if extra is None else len(extra)
    out[6] = _spent
    _spent = 0
    _fed = 0
    _pops[0] = _pops[1] = 0
    _up.write(out)
    if extra is not None:
        _up.write(extra)
    got = _in
    _down.readinto(got)
    now_us = got[0] | got[1] << 32
    pins_in = got[2]
    counts = got[3]
    supply_mV = counts >> 16
    _next[0] = _next[1] = 0
    n = _have[0] = counts & 15
    if n:
        words = _words[0]
        for i in range(n):
            words[i] = got[4 + i]
    n = _have[1] = (counts >> 4) & 15
    if n:
        words = _words[1]
        for i in range(n):
            words[i] = got[13 + i]
    if got[23]:
        cut_in = got[23]
    pass_us = got[24] & 0xFFFF
    half_sample_us = got[24] >> 17
    return got[22]


def reply(size):
    """Extra data that followed an exchange."""
    return _down.read(size)


def look():
    """The clock in us since power-on; looking costs a little time."""
    global _spent, _looks
    _spent += CALL_US
    _looks += 1
    if _looks == 2:
        _spent += pass_us
    if _spent > SPIN_US:
        exchange(SLEEP, 0)
    return now_us + _spent + clock_offset_us


def sleep(us):
    """The program sleeps: a pass of its loop is over."""
    global _spent, _looks
    if _looks < 2:
        _spent += pass_us
    _looks = 0
    exchange(SLEEP, us if us > 0 else 0)


def spend(us):
    """The chip is busy for `us` (flash): outputs stand, inputs go on."""
    exchange(SLEEP, us)


def work(us):
    """The chip works for `us`: the bench is told at the next exchange, or now when it is long."""
    global _spent
    _spent += us
    if _spent > SPIN_US:
        exchange(SLEEP, 0)


def feed():
    global _fed, _looks
    _fed = 1
    _looks = 0


def stop(kind):
    """The chip stops here (reset, power cut): the bench ends this process."""
    exchange(STOP, kind)
    while True:
        _down.read(1)


def fifo_level(slot):
    n = _have[slot] - _next[slot]
    return n if n < DEPTH else DEPTH


def fifo_get(slot):
    global _spent
    at = _next[slot]
    if at >= _have[slot]:
        return None
    _next[slot] = at + 1
    _pops[slot] += 1
    if slot == 0:
        _spent += half_sample_us
    return _words[slot][at]
