"""The assembler against opcodes that are not ours, and its rules."""

import subprocess
from pathlib import Path

import pytest
from pio_rig import ROOT, pio_asm, programs

asm_pio, PIO = pio_asm.asm_pio, pio_asm.PIO


# RP2040 data sheet, 3.4.10 "nop assembles to mov y, y" and the encodings of
# 3.4.2-3.4.10 worked by hand, bit field by bit field:
#   15:13 operation | 12:8 delay/side-set | 7:0 operands
@pytest.mark.parametrize(
    "line, opcode",
    [
        ("nop()", 0b101_00000_010_00_010),
        ("jmp('here')", 0b000_00000_000_00000),
        ("jmp(not_x, 'here')", 0b000_00000_001_00000),
        ("jmp(x_dec, 'here')", 0b000_00000_010_00000),
        ("jmp(y_dec, 'here')", 0b000_00000_100_00000),
        ("jmp(x_not_y, 'here')", 0b000_00000_101_00000),
        ("jmp(pin, 'here')[3]", 0b000_00011_110_00000),
        ("jmp(not_osre, 'here')", 0b000_00000_111_00000),
        ("wait(0, gpio, 5)", 0b001_00000_0_00_00101),
        ("wait(1, pin, 2)", 0b001_00000_1_01_00010),
        ("wait(1, irq, 4)", 0b001_00000_1_10_00100),
        ("in_(pins, 1)", 0b010_00000_000_00001),
        ("in_(null, 32)", 0b010_00000_011_00000),
        ("out(x, 5)", 0b011_00000_001_00101),
        ("out(exec, 32)", 0b011_00000_111_00000),
        ("push()", 0b100_00000_0_0_1_00000),
        ("push(noblock)", 0b100_00000_0_0_0_00000),
        ("push(iffull, block)", 0b100_00000_0_1_1_00000),
        ("pull(ifempty, noblock)", 0b100_00000_1_1_0_00000),
        ("mov(isr, invert(x))", 0b101_00000_110_01_001),
        ("mov(pins, reverse(osr))", 0b101_00000_000_10_111),
        ("mov(exec, y)", 0b101_00000_100_00_010),
        ("irq(rel(1))", 0b110_00000_0_0_0_10001),
        ("irq(block, 2)", 0b110_00000_0_0_1_00010),
        ("irq(clear, 3)", 0b110_00000_0_1_0_00011),
        ("set(y, 31)", 0b111_00000_010_11111),
        ("set(pindirs, 1)[31]", 0b111_11111_100_00001),
    ],
)
def test_opcode(line, opcode):
    source = f"@asm_pio()\ndef p():\n    label('here')\n    {line}\n"
    space = {"asm_pio": asm_pio}
    exec(source, space)
    assert list(space["p"].opcodes) == [opcode]
    assert space["asm_pio"] is asm_pio  # the module's names are back


def test_side_set_and_delay_share_five_bits():
    # data sheet 3.5.1: side-set takes the upper bits, one more when it is optional
    space = {"asm_pio": asm_pio, "PIO": PIO}
    exec(
        "@asm_pio(sideset_init=PIO.OUT_LOW)\ndef always():\n    nop().side(1)[15]\n    nop().side(0)[2]\n"
        "@asm_pio(sideset_init=PIO.OUT_LOW)\ndef sometimes():\n    nop().side(1)[7]\n    nop()[2]\n",
        space,
    )
    assert list(space["always"].opcodes) == [0xBF42, 0xA242]
    assert not space["always"].sideset_optional
    assert list(space["sometimes"].opcodes) == [0xBF42, 0xA242]
    assert space["sometimes"].sideset_optional


@pytest.mark.parametrize(
    "body, sentence",
    [
        ("jmp('nowhere')", "no label"),
        ("label('a'); label('a'); nop()", "there twice"),
        ("set(x, 32)", r"0\.\.31"),
        ("in_(pins, 33)", "shift of 33"),
        ("nop()[32]", "does not fit"),
        ("nop().side(1)", "side-set"),
        ("[nop() for i in range(33)]", "33 instructions"),
    ],
)
def test_what_the_port_refuses(body, sentence):
    space = {"asm_pio": asm_pio}
    with pytest.raises(pio_asm.PioError, match=sentence):
        exec(f"@asm_pio()\ndef p():\n    {body}\n", space)
    assert space["asm_pio"] is asm_pio


def test_programs_fit_the_chip():
    for program in map(programs.load_cell_reader, (1, 2, 3)):
        assert len(program.opcodes) <= 32
    assert len(programs.HALL_TIMER.opcodes) <= 32
    assert all(
        p.rx_depth() == programs.FIFO_DEPTH
        for p in (*map(programs.load_cell_reader, (1, 2, 3)), programs.HALL_TIMER)
    )


def test_micropython_assembles_the_same(micropython):
    script = (
        "import sys, pio_asm\n"
        "class R: pass\n"
        "r = R(); r.asm_pio = pio_asm.asm_pio; r.PIO = pio_asm.PIO; sys.modules['rp2'] = r\n"
        "from evenfall_board.drivers import programs as p\n"
        "print([list(q.opcodes) for q in [p.load_cell_reader(k) for k in (1, 2, 3)] + [p.HALL_TIMER]])\n"
    )
    path = f"{ROOT}/bench_sim/evenfall_bench/shims:{ROOT}/firmware/lib"
    out = subprocess.run(
        [micropython, "-c", script], env={"MICROPYPATH": path}, capture_output=True, text=True, check=True
    ).stdout
    here = [list(q.opcodes) for q in (*map(programs.load_cell_reader, (1, 2, 3)), programs.HALL_TIMER)]
    assert out.strip() == str(here)
    assert Path(micropython).exists()
