"""`asm_pio`: assembles a PIO program as the RP2 port of MicroPython does.

Runs in the MicroPython unix interpreter and in CPython.  Encodings after the
RP2040 data sheet, section 3.4 (instruction set), and section 3.5.1 for side-set
and delay.  As on the chip's port, the decorated function sees only the
assembler's names, not its module's.
"""

from array import array


class PIO:
    """The constants a program's decorator takes (values as in the port)."""

    SHIFT_LEFT = 0
    SHIFT_RIGHT = 1
    IN_LOW = 0
    IN_HIGH = 1
    OUT_LOW = 2
    OUT_HIGH = 3
    JOIN_NONE = 0
    JOIN_TX = 1
    JOIN_RX = 2


class PioError(Exception):
    """The program breaks a rule of the assembler."""


class Program:
    """An assembled program and the state machine set-up that belongs to it."""

    def __init__(
        self,
        *,
        out_init=None,
        set_init=None,
        sideset_init=None,
        side_pindir=False,
        in_shiftdir=PIO.SHIFT_LEFT,
        out_shiftdir=PIO.SHIFT_LEFT,
        autopush=False,
        autopull=False,
        push_thresh=32,
        pull_thresh=32,
        fifo_join=PIO.JOIN_NONE,
    ):
        self.name = ""
        self.opcodes = array("H")
        self.wrap_target = 0
        self.wrap = 0
        self.out_init = out_init
        self.set_init = set_init
        self.sideset_init = sideset_init
        self.sideset_count = _pin_count(sideset_init)
        self.sideset_optional = False
        self.side_pindir = side_pindir
        self.in_shiftdir = in_shiftdir
        self.out_shiftdir = out_shiftdir
        self.autopush = autopush
        self.autopull = autopull
        self.push_thresh = push_thresh
        self.pull_thresh = pull_thresh
        self.fifo_join = fifo_join

    def rx_depth(self):
        """Words the receive FIFO holds (data sheet 3.5.6)."""
        return (4, 0, 8)[self.fifo_join]


def _pin_count(init):
    if init is None:
        return 0
    return 1 if isinstance(init, int) else len(init)


class _Assembler:
    """Two passes over the function: labels first, then code."""

    def __init__(self, program):
        self.program = program
        self.labels = {}
        self.sided = 0
        self.size = 0

    def run(self, function):
        gl = function.__globals__
        names = dict(_NAMES)
        for name in (
            "wrap_target",
            "wrap",
            "label",
            "word",
            "nop",
            "jmp",
            "wait",
            "in_",
            "out",
            "push",
            "pull",
            "mov",
            "irq",
            "set",
        ):
            names[name] = getattr(self, "_set" if name == "set" else name)
        kept = gl.copy()
        self.program.name = function.__name__
        gl.clear()
        gl.update(names)
        try:
            self.start(False)
            function()
            self.start(True)
            function()
        finally:
            gl.clear()
            gl.update(kept)
        if self.size > 32:
            raise PioError("%s: %d instructions, a PIO block holds 32" % (self.program.name, self.size))

    def start(self, emit):
        if emit:
            if not self.wrapped:
                self.wrap()
            count = self.program.sideset_count
            self.program.sideset_optional = count > 0 and self.sided != self.size
            self.side_bits = count + (1 if self.program.sideset_optional else 0)
            self.delay_bits = 5 - self.side_bits
            if self.side_bits > 5:
                raise PioError("too many side-set pins")
        self.emit = emit
        self.size = 0
        self.sided = 0
        self.wrapped = False

    # --- directives ---
    def wrap_target(self):
        self.program.wrap_target = self.size

    def wrap(self):
        if self.size == 0:
            raise PioError("wrap() before the first instruction")
        self.program.wrap = self.size - 1
        self.wrapped = True

    def label(self, name):
        if not self.emit:
            if name in self.labels:
                raise PioError("label %r is there twice" % name)
            self.labels[name] = self.size

    def word(self, opcode, label=None):
        self.size += 1
        if self.emit:
            if label is not None:
                if label not in self.labels:
                    raise PioError("no label %r" % label)
                opcode |= self.labels[label]
            self.program.opcodes.append(opcode)
        return self

    # --- what follows an instruction ---
    def side(self, value):
        self.sided += 1
        if self.emit:
            if not 0 <= value < 1 << self.program.sideset_count:
                raise PioError("side(%d) needs more side-set pins" % value)
            bits = value << 8 << self.delay_bits
            if self.program.sideset_optional:
                bits |= 1 << 12
            self.program.opcodes[-1] |= bits
        return self

    def delay(self, cycles):
        if self.emit:
            if not 0 <= cycles < 1 << self.delay_bits:
                raise PioError("delay of %d does not fit into %d bits" % (cycles, self.delay_bits))
            self.program.opcodes[-1] |= cycles << 8
        return self

    def __getitem__(self, cycles):
        return self.delay(cycles)

    # --- instructions ---
    def nop(self):
        return self.mov(2, 2)

    def jmp(self, condition, label=None):
        if label is None:
            condition, label = 0, condition
        return self.word(condition << 5, label)

    def wait(self, polarity, source, index):
        if source == 6:  # `pin`, spelled as the jmp condition
            source = 1
        elif source not in (0, 2):
            source = 2  # `irq`, which is a function here
        return self.word(0x2000 | polarity << 7 | source << 5 | index)

    def in_(self, source, count):
        return self.word(0x4000 | source << 5 | _count(count))

    def out(self, destination, count):
        return self.word(0x6000 | (7 if destination == 8 else destination) << 5 | _count(count))

    def push(self, a=0x20, b=0):
        return self.word(0x8000 | ((a | b) & 0x60))

    def pull(self, a=0x20, b=0):
        return self.word(0x8080 | ((a | b) & 0x60))

    def mov(self, destination, source):
        return self.word(0xA000 | (4 if destination == 8 else destination) << 5 | source)

    def irq(self, mode, index=None):
        if index is None:
            mode, index = 0, mode
        return self.word(0xC000 | (mode & 0x60) | index)

    def _set(self, destination, value):
        if not 0 <= value < 32:
            raise PioError("set() takes 0..31, not %d" % value)
        return self.word(0xE000 | destination << 5 | value)


def _count(bits):
    if not 1 <= bits <= 32:
        raise PioError("shift of %d bits" % bits)
    return bits & 31


_NAMES = {
    # sources and destinations
    "gpio": 0,
    "pins": 0,
    "x": 1,
    "y": 2,
    "null": 3,
    "pindirs": 4,
    "pc": 5,
    "status": 5,
    "isr": 6,
    "osr": 7,
    "exec": 8,
    "invert": lambda source: source | 0x08,
    "reverse": lambda source: source | 0x10,
    # conditions of jmp
    "not_x": 1,
    "x_dec": 2,
    "not_y": 3,
    "y_dec": 4,
    "x_not_y": 5,
    "pin": 6,
    "not_osre": 7,
    # modes of push, pull, irq
    "noblock": 0x01,
    "block": 0x21,
    "iffull": 0x40,
    "ifempty": 0x40,
    "clear": 0x40,
    "rel": lambda index: index | 0x10,
}


def asm_pio(**setup):
    """Decorator: a function of assembler calls -> a `Program`."""

    def assemble(function):
        program = Program(**setup)
        _Assembler(program).run(function)
        return program

    return assemble
