"""What a control tick costs on an RP2040: `python bench_sim/studies/tick_cost.py`.

The real firmware runs in the real MicroPython interpreter under valgrind, which counts the processor's
instructions exactly.  Basis of the estimate: the same interpreter on an RP2040 at 125 MHz does 860 to 910
loops of pystone a second (published for an older build), so one counted instruction here stands for
1 / (885 x instructions of a pystone loop) seconds there.  Both are the same bytecode interpreter doing
calls, attributes and small-integer arithmetic; the estimate carries perhaps 30 %, since memory and
cache weigh differently.  FIFO, PWM and pin calls are MicroPython code here and C on the board: they
are counted, and the difference between the two kinds of call is taken off.  At 200 MHz the same takes
125/200 of the time (the PIO programs keep their ticks there: tests/drivers).

The amplifier on the bus gives a sample every 3.125 ms; the controller takes the mean of three.  Its bytes at
400 kHz come on top: the status register at each pass (address, register, address again, one byte), the
result at each sample (three bytes): 9 clocks a byte, 3 more for start, second start and stop (I2C-bus
specification UM10204, from memory).
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from evenfall_bench.image import make_image, micropython

HERE = Path(__file__).resolve().parent
PYSTONES_PER_S = 885.0
TICK_MS = 12.5
BUS_HZ = 400000.0
STATUS_US = (4 * 9 + 3) * 1e6 / BUS_HZ
RESULT_US = (6 * 9 + 3) * 1e6 / BUS_HZ
FAST_MS = 3.125
PASSES = 6  # of the loop in a tick's time, in mode "loop"
GOAL = 0.25
HEAP_KIB = 512  # words and machine code are twice as wide as an RP2040's: its 190 KiB and some room


def instructions(image: Path, mode: str, rounds: int) -> tuple[int, int]:
    """(instructions executed, calls of stand-ins) for a mode of tick_cost_board.py."""
    valgrind = shutil.which("valgrind")
    if not valgrind:
        raise SystemExit("tick_cost: valgrind is not installed: apt-get install valgrind")
    fresh = image.with_suffix(".run")  # the board counts its starts there
    shutil.copyfile(image, fresh)
    command = [valgrind, "--tool=cachegrind", "--cache-sim=no", "--cachegrind-out-file=/dev/null"]
    command += [
        micropython(),
        "-X",
        f"heapsize={HEAP_KIB}k",
        str(HERE / "tick_cost_board.py"),
        str(fresh),
        mode,
        f"{rounds:05d}",  # same length: same layout of memory
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    found = re.search(r"I\s+refs:\s+([\d,]+)", done.stderr)
    if done.returncode or not found:
        raise SystemExit(f"tick_cost: {mode} failed: {(done.stderr + done.stdout).strip()[-600:]}")
    calls = re.search(r"calls (\d+)", done.stdout)
    return int(found.group(1).replace(",", "")), int(calls.group(1)) if calls else 0


def per_round(image: Path, mode: str, few: int, many: int) -> tuple[float, float]:
    """Instructions and stand-in calls of one round, from the difference of two runs."""
    (i0, c0), (i1, c1) = instructions(image, mode, few), instructions(image, mode, many)
    return (i1 - i0) / (many - few), (c1 - c0) / (many - few)


def measure() -> dict[str, float]:
    """Counts and the estimate, by name."""
    with tempfile.TemporaryDirectory(prefix="evenfall-tick-") as work:
        image = Path(work) / "image"
        make_image(image)
        pystone, _ = per_round(image, "pystone", 50, 250)
        feeding, _ = per_round(image, "none", 50, 350)
        tick, tick_calls = per_round(image, "tick", 50, 350)
        loop, loop_calls = per_round(image, "loop", 50, 350)
        # a call of a stand-in against one of a method in C
        stand_in = per_round(image, "part:load.rx_fifo()", 50, 1050)[0]
        stand_in -= per_round(image, "part:sys.argv.count(1)", 50, 1050)[0]
        make_image(image, settings={"amplifier": 1})
        bus_feeding, _ = per_round(image, "none", 120, 720)
        bus_tick, bus_tick_calls = per_round(image, "tick", 120, 720)
        bus_loop, bus_loop_calls = per_round(image, "loop", 120, 720)
    tick -= feeding + tick_calls * stand_in
    loop -= feeding + loop_calls * stand_in
    empty = (loop - tick) / PASSES
    bus_tick -= bus_feeding + bus_tick_calls * stand_in
    bus_loop -= bus_feeding + bus_loop_calls * stand_in
    ns = 1e9 / (PYSTONES_PER_S * pystone)
    tick_ms = tick * ns * 1e-6
    pass_ms = empty * ns * 1e-6
    return {
        "pystone_instructions": pystone,
        "tick_instructions": tick,
        "pass_instructions": empty,
        "stand_in_calls_per_tick": tick_calls,
        "stand_in_instructions": stand_in,
        "rp2040_ns_per_instruction": ns,
        "tick_ms_on_rp2040": tick_ms,
        "tick_share": tick_ms / TICK_MS,
        "pass_ms_on_rp2040": pass_ms,
        "tick_share_at_200_MHz": tick_ms / TICK_MS * 125 / 200,
        "loop_share": loop * ns * 1e-6 / TICK_MS,
        "bus_sample_ms_on_rp2040": bus_tick * ns * 1e-6 + (STATUS_US + RESULT_US) * 1e-3,
        "bus_loop_ms_on_rp2040": bus_loop * ns * 1e-6 + (STATUS_US + RESULT_US) * 1e-3,
        "bus_pass_ms_on_rp2040": (bus_loop - bus_tick) * ns * 1e-6 + STATUS_US * 1e-3,
    }


def main() -> None:
    found = measure()
    if "--json" in sys.argv[1:]:
        print(json.dumps(found, indent=2))
        return
    print(f"pystone loop            {found['pystone_instructions']:9.0f} instructions here")
    print(f"one of them             {found['rp2040_ns_per_instruction']:9.1f} ns on an RP2040 at 125 MHz")
    print(f"control tick            {found['tick_instructions']:9.0f} instructions")
    shares = f"{found['tick_share']:.0%} of {TICK_MS} ms, {found['tick_share_at_200_MHz']:.0%} at 200 MHz"
    print(f"                        {found['tick_ms_on_rp2040']:9.2f} ms = {shares} (goal {GOAL:.0%})")
    print(f"the rest of a pass      {found['pass_instructions']:9.0f} instructions")
    print(f"                        {found['pass_ms_on_rp2040']:9.2f} ms")
    print(f"tick and {PASSES} passes       {found['loop_share']:9.0%} of {TICK_MS} ms")
    sample_ms, loop_ms = found["bus_sample_ms_on_rp2040"], found["bus_loop_ms_on_rp2040"]
    print(f"amplifier on the bus    {sample_ms:9.2f} ms a sample, its bytes included")
    shares = f"{loop_ms / FAST_MS:.0%} of {FAST_MS} ms, {loop_ms / FAST_MS * 125 / 200:.0%} at 200 MHz"
    print(f"                        {loop_ms:9.2f} ms with the rest of a pass = {shares}")


if __name__ == "__main__":
    main()
