"""The emulated chip's own parts against readings of the data sheets that others wrote."""

import json
import random
import shutil
import subprocess
from bisect import bisect_right
from pathlib import Path

import pytest
from evenfall_bench.image import PROJECT
from pio_rig import programs, run

HERE = Path(__file__).parent
RAM, CODE, DATA = 0x20000000, 0x20000100, 0x20001000
MEMORY = bytes((37 * i + 11) & 255 for i in range(256))


def emulator(**asked):
    node = shutil.which("node")
    if not node:
        pytest.skip("node is not installed: the emulated chip runs in it")
    command = [node, str(HERE / "chip_emulator.mjs"), str(PROJECT / "bench_sim/evenfall_bench/chip")]
    done = subprocess.run(command, input=json.dumps(asked), capture_output=True, text=True, check=False)
    assert not done.returncode, done.stderr
    return json.loads(done.stdout)


def a_case(rng):
    """A random instruction of ARMv6-M with registers that let it stay inside the RAM; None for others."""
    half = rng.getrandbits(16)
    registers = [rng.choice([*EDGES, rng.getrandbits(32), rng.getrandbits(8)]) for _ in range(13)]
    top, low, middle = half >> 11, half & 7, (half >> 3) & 7
    if top in (29, 30, 31) or half >> 8 in (0xBD, 0xBE, 0xBF, 0xB6, 0xDE, 0xDF):
        return None  # wide or undefined, returns, breakpoints, hints, CPS, UDF, SVC
    if (half >> 12 == 0xB and (half >> 8) & 15 in (1, 3, 7, 8, 9, 11)) or half >> 6 == 0x2EA:
        return None  # undefined on this core
    if half >> 9 in (0x5A, 0x5E) and not half & 0xFF:
        return None  # PUSH and POP of nothing
    if top in (10, 11):
        if middle == (half >> 6) & 7:
            return None
        registers[middle], registers[(half >> 6) & 7] = DATA + 4 * rng.randrange(30), 4 * rng.randrange(16)
    elif 12 <= top <= 17:
        registers[middle] = DATA + 4 * rng.randrange(30)
    elif top in (18, 19):
        half = half & 0xFF00 | rng.randrange(20)
    elif top in (24, 25):
        base = (half >> 8) & 7
        if not half & 0xFF or (top == 24 and half >> base & 1):
            return None
        registers[base] = DATA + 4 * rng.randrange(20)
    elif top == 8 and half & 0x400:
        source, target = (half >> 3) & 15, (half >> 4) & 8 | low
        if source in (13, 15) or target in (13, 15) or ((half >> 8) & 3 == 1 and source < 8 and target < 8):
            return None
        if (half >> 8) & 3 == 3:
            if low:
                return None
            if source < 13:
                registers[source] = RAM + 0x301
    return {"code": [half, 0xBF00], "registers": registers, "flags": rng.getrandbits(4)}


EDGES = [0, 1, 2, 31, 32, 33, 0xFF, 0x100, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF]


def a_call(rng):
    """BL with a random offset."""
    offset = 2 * rng.randrange(-0x100000, 0x100000)
    s, bits = int(offset < 0), offset & 0x1FFFFFF
    j1, j2 = 1 - ((bits >> 23 & 1) ^ s), 1 - ((bits >> 22 & 1) ^ s)
    code = [0xF000 | s << 10 | bits >> 12 & 0x3FF, 0xD000 | j1 << 13 | j2 << 11 | bits >> 1 & 0x7FF]
    return {"code": code, "registers": [0] * 13, "flags": 0}


@pytest.mark.outside("unicorn 2, its Cortex-M0 (derived from QEMU), on the same instructions")
def test_instructions_agree_with_another_emulator():
    """Random instructions leave the registers, flags and memory that another Cortex-M0 leaves."""
    unicorn = pytest.importorskip("unicorn", reason="unicorn is not installed: pip install 'evenfall[chip]'")
    from unicorn import arm_const

    rng = random.Random(5)
    cases = []
    while len(cases) < 6000:
        case = a_case(rng)
        if case:
            cases.append(case)
    cases += [a_call(rng) for _ in range(200)]
    for case in cases:
        case["registers"] += [RAM + 0x1080, RAM + 0x201, CODE]
        case["memory"] = MEMORY.hex()
    answers = emulator(core=cases)
    names = [getattr(arm_const, f"UC_ARM_REG_R{n}") for n in range(13)]
    names += [arm_const.UC_ARM_REG_SP, arm_const.UC_ARM_REG_LR, arm_const.UC_ARM_REG_PC]
    other = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
    other.ctl_set_cpu_model(arm_const.UC_CPU_ARM_CORTEX_M0)
    other.mem_map(0x1F000000, 0x2000000)
    for case, answer in zip(cases, answers, strict=True):
        other.mem_write(RAM, bytes(0x3000))
        other.mem_write(DATA, MEMORY)
        other.mem_write(CODE, b"".join(half.to_bytes(2, "little") for half in case["code"]))
        other.ctl_remove_cache(CODE, CODE + 16)
        for name, value in zip(names[:15], case["registers"], strict=False):
            other.reg_write(name, value)
        other.reg_write(arm_const.UC_ARM_REG_XPSR, case["flags"] << 28 | 1 << 24)
        other.emu_start(CODE | 1, 0xFFFFFFFF, count=1)
        expected = {
            "registers": [other.reg_read(name) for name in names],
            "flags": other.reg_read(arm_const.UC_ARM_REG_CPSR) >> 28,
            "memory": bytes(other.mem_read(DATA, 256)).hex(),
        }
        assert answer == expected, [hex(half) for half in case["code"]]


@pytest.mark.outside("rp2040-pio-emulator, an independent reading of the RP2040 data sheet")
@pytest.mark.parametrize("divider", [256, 2000])  # 1, and 125 MHz / 16 MHz
def test_pio_words_agree_with_another_emulator(divider):
    """The Hall program gives word for word what another PIO emulator gives, at each divider."""
    rng = random.Random(9)
    at, spans = 3000, []
    for _ in range(60):
        spans.append(
            (at, at + rng.choice([rng.randrange(40, 110), rng.randrange(150, 900)]))
        )  # some too short for the filter
        at += rng.randrange(1500, 4000)
    changes = [c for span in spans for c in span]
    program = programs.HALL_TIMER
    expected = []
    for state, taken in run(program, lambda state: 1 - bisect_right(changes, state.clock) % 2):
        expected += taken
        if state.clock > changes[-1] + 3000:
            break
    scaled = [[-(-c * divider // 256), i % 2] for i, c in enumerate(changes)]
    words = emulator(
        pio={
            "program": {
                "opcodes": list(program.opcodes),
                "wrap": program.wrap,
                "wrap_target": program.wrap_target,
            },
            "divider": divider,
            "changes": scaled,
            "polls": [c * divider // 256 for c in range(2000, changes[-1] + 4500, 1500)],
        }
    )
    assert len(words) == len(expected) > 15
    assert all(abs(a - b) <= 1 for a, b in zip(words, expected, strict=True))
    assert abs(sum(words) - sum(expected)) <= 1
