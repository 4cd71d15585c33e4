"""Runs the board's PIO programs on rp2040-pio-emulator, an independent reading of the RP2040 data sheet."""

import importlib
import importlib.util
import sys
import types
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pioemu.instructions.push as pioemu_push
from pioemu import State, emulate

ROOT = Path(__file__).resolve().parents[2]


def _load(path: Path, name: str) -> Any:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


pio_asm: Any = _load(ROOT / "bench_sim/evenfall_bench/shims/pio_asm.py", "pio_asm_under_test")


def _programs() -> Any:
    rp2 = types.ModuleType("rp2")
    rp2.asm_pio, rp2.PIO = pio_asm.asm_pio, pio_asm.PIO  # type: ignore[attr-defined]
    kept = sys.modules.get("rp2")
    sys.modules["rp2"] = rp2
    try:
        return _load(ROOT / "firmware/lib/evenfall_board/drivers/programs.py", "programs_under_test")
    finally:
        if kept is None:
            del sys.modules["rp2"]
        else:
            sys.modules["rp2"] = kept


programs = _programs()

DATA_PIN = 0  # the emulator knows no in_base: the program's input is GPIO 0
CLOCK_PIN = 1
CYCLE_S = 1 / programs.PIO_HZ
CYCLES_PER_TICK = 4


def receive_fifo_full(state: State) -> bool:
    """The emulator knows the plain FIFO of 4 words; ours is joined, 8 deep (data sheet 3.5.6)."""
    return len(state.receive_fifo) >= programs.FIFO_DEPTH


pioemu_push.receive_fifo_full = receive_fifo_full


def run(
    program: Any, source: Callable[[State], int], drain: Callable[[State], int] = lambda state: 8
) -> Iterator[tuple[State, list[int]]]:
    """Step the program for ever; yields (state after the step, words taken from the FIFO at it).

    `source(state)` gives the input pins as they are at `state.clock` (in PIO cycles);
    `drain(state)` says how many words the processor takes now.
    """
    state = State(
        pin_directions=1 << CLOCK_PIN if program.sideset_count else 0,
        x_register=0x12345678,  # junk: a program must not rely on what it finds
        y_register=0x9ABCDEF0,
    )

    def pins(state: State) -> int:  # the emulator looks at this annotation
        return source(state)

    while True:
        steps = emulate(
            list(program.opcodes),
            stop_when=lambda opcode, state: False,
            initial_state=state,
            input_source=pins,
            shift_isr_right=program.in_shiftdir == pio_asm.PIO.SHIFT_RIGHT,
            jmp_pin=DATA_PIN,
            side_set_base=CLOCK_PIN,
            side_set_count=program.sideset_count,
            wrap_target=program.wrap_target,
            wrap_top=program.wrap,
        )
        for _, state in steps:
            taken: list[int] = []
            if state.receive_fifo:
                n = min(drain(state), len(state.receive_fifo))
                if n:
                    words = list(state.receive_fifo)
                    taken = words[:n]
                    state = replace(state, receive_fifo=deque(words[n:]))
            yield state, taken
            if taken:
                break  # go on from the drained state


class EmulatedStateMachine:
    """rp2.StateMachine as a driver sees it, with the emulated program behind it; time passes in its calls."""

    def __init__(self, program: Any, source: Callable[[State], int], call_cycles: int = 80) -> None:
        self._take = 0
        self._steps = run(program, source, lambda state: self._take)
        self._call_cycles = call_cycles
        self._state, _ = next(self._steps)

    @property
    def clock(self) -> int:
        return self._state.clock

    def run_to(self, cycle: int) -> None:
        while self._state.clock < cycle:
            self._state, _ = next(self._steps)

    def active(self, on: int) -> None:
        assert on == 1

    def rx_fifo(self) -> int:
        self.run_to(self.clock + self._call_cycles)
        return len(self._state.receive_fifo)

    def get(self) -> int:
        self._take = 1
        while True:
            self._state, taken = next(self._steps)
            if taken:
                self._take = 0
                return taken[0]


def board(state_machine: Any, clock_us: Callable[[], int]) -> Any:
    """Import the drivers afresh in CPython over these parts; returns a namespace of their modules."""
    machine = types.ModuleType("machine")
    machine.Pin = type("Pin", (), {"IN": 0, "OUT": 1, "PULL_UP": 1, "__init__": lambda self, *a, **k: None})
    machine.I2C = object
    rp2 = types.ModuleType("rp2")
    rp2.asm_pio, rp2.PIO = pio_asm.asm_pio, pio_asm.PIO
    rp2.StateMachine = state_machine
    clock = types.ModuleType("time")
    clock.ticks_us = clock_us
    clock.sleep_us = clock.sleep_ms = lambda n: None
    names = ("programs", "ticks", "load_cell", "hall", "i2c_amplifier", "barometer")
    stubs = {"machine": machine, "rp2": rp2, "time": clock}
    kept = {n: sys.modules.get(n) for n in stubs}
    package = types.ModuleType("board_under_test")
    package.__path__ = [str(ROOT / "firmware/lib/evenfall_board")]
    found = {}
    try:
        sys.modules.update(stubs)
        sys.modules[package.__name__] = package
        for name in names:
            found[name] = importlib.import_module(f"{package.__name__}.drivers.{name}")
    finally:
        for name in [m for m in sys.modules if m.startswith(package.__name__)]:
            del sys.modules[name]
        for name, module in kept.items():
            if module is None:
                del sys.modules[name]
            else:
                sys.modules[name] = module
    return types.SimpleNamespace(**found)
