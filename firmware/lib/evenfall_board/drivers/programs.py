"""The two PIO programs and the numbers that turn their words into time.

Both state machines run at PIO_HZ, four cycles to a tick of 0.25 us, so that
load samples and Hall edges share one time base.  16 MHz divides the usual
system clocks (125, 133, 150, 200 MHz) exactly.  The two programs do not fit
into one PIO block together: use one state machine of each block.

Inside a decorated function only the assembler's own names exist; numbers come
in as default arguments.  tests/drivers runs these programs on an emulator.
"""

import rp2
from rp2 import PIO

PIO_HZ = 16000000
FIFO_DEPTH = 8  # both programs join the two FIFOs for receiving

# --- load cell: two words per conversion ---------------------------------
# word 1: ticks waited for data-ready since the last read-out
# word 2: code24 << k | levels of the data line during the k extra pulses
# Data-ready to data-ready takes word 1 + LOAD_OVERHEAD_TICKS[k] ticks.
LOAD_CONFIRM = 8  # samples in a row (2 us) that must find the data line low
LOAD_OVERHEAD_TICKS = (0, 203, 211, 219)  # by k; [0] is not used


def _load_cell_reader(k):
    # A full FIFO stalls the machine only at a push, with the clock low: a high
    # clock for 60 us would switch the amplifier off.  The clock is 1 us high
    # and 1 us low (data sheet: 0.2-50 us and at least 0.2 us).
    @rp2.asm_pio(sideset_init=PIO.OUT_LOW, in_shiftdir=PIO.SHIFT_LEFT, fifo_join=PIO.JOIN_RX)
    def load_cell_reader(pulses=24 + k, confirm=LOAD_CONFIRM):
        wrap_target()
        mov(x, invert(null)).side(0)
        # each way round takes four cycles for one decrement of x
        label("high")
        set(y, confirm - 1).side(0)
        label("sample")
        jmp(x_dec, "test").side(0)
        label("test")
        jmp(pin, "high").side(0)[1]
        jmp(y_dec, "sample").side(0)
        mov(isr, invert(x)).side(0)
        push(block).side(0)
        set(y, pulses - 1).side(0)[5]
        label("bit")
        nop().side(1)[15]
        in_(pins, 1).side(0)[14]
        jmp(y_dec, "bit").side(0)
        push(block).side(0)[1]
        wrap()

    return load_cell_reader


LOAD_CELL_READERS = [None] * 4  # by k, the pulses after the 24 data bits, as far as they are assembled


def load_cell_reader(k):
    """The program with `k` pulses after the data bits; assembling one takes a board 50 ms."""
    if LOAD_CELL_READERS[k] is None:
        LOAD_CELL_READERS[k] = _load_cell_reader(k)
    return LOAD_CELL_READERS[k]


# --- Hall pickup: one word per falling edge ------------------------------
# word = what is left of HALL_TIMEOUT_TICKS; 0 = no edge came in that time.
# From the last word to this one took
# HALL_TIMEOUT_TICKS - word + HALL_OVERHEAD_TICKS ticks, edge or not.
HALL_TIMEOUT_TICKS = 1 << 20  # 262 ms
HALL_OVERHEAD_TICKS = 2
HALL_CONFIRM = 32  # samples of the line in a row (8 us) that a level must last to count


def _hall_timer():
    @rp2.asm_pio(in_shiftdir=PIO.SHIFT_LEFT, fifo_join=PIO.JOIN_RX)
    def hall_timer(confirm=HALL_CONFIRM):
        set(x, 1)
        mov(isr, x)
        in_(null, 20)
        mov(osr, isr)  # HALL_TIMEOUT_TICKS, kept
        mov(isr, null)
        jmp("start")
        label("next_high")
        jmp("sample_high")
        wrap_target()
        label("word")
        push(block)  # a time-out comes here with the zero the last push left
        label("start")
        mov(x, osr)
        # the line must be high for a while before an edge can count; each way
        # round takes four cycles for one decrement of x, here and below
        label("low")
        set(y, confirm - 1)
        label("sample_high")
        jmp(x_dec, "test_high")
        jmp("word")[3]
        label("test_high")
        jmp(pin, "is_high")
        jmp("low")
        label("is_high")
        jmp(y_dec, "next_high")
        # then low for a while
        label("high")
        set(y, confirm - 1)
        label("sample_low")
        jmp(x_dec, "test_low")
        jmp("word")[3]
        label("test_low")
        jmp(pin, "high")[1]
        jmp(y_dec, "sample_low")
        mov(isr, x)[4]
        wrap()

    return hall_timer


HALL_TIMER = _hall_timer()
