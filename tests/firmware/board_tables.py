"""Writes firmware/BOARD.md from the firmware's own tables: states, faults, LED, RAM.

python tests/firmware/board_tables.py > firmware/BOARD.md
"""

from __future__ import annotations

import sys
import types
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(PROJECT / "firmware" / "lib"), str(PROJECT / "protocol"), str(PROJECT / "host")]

machine = types.ModuleType("machine")
machine.Pin = object  # type: ignore[attr-defined]
sys.modules.setdefault("machine", machine)

from evenfall.board import code_texts  # noqa: E402
from evenfall_board import guard, recorder, states  # noqa: E402
from evenfall_board.drivers import led  # noqa: E402
from evenfall_wire import codes, settings  # noqa: E402

ACTIONS = {
    "kill": "kill output falls, valve by `fail_valve`",
    "valve": "valve by `fail_valve`; the engine may run on",
    "end": "the sweep ends in a controlled release",
    "note": "nothing moves; no sweep until cleared",
}


# what the board sees of each fault; kept here, since its RAM has better use for the texts
SEEN = {
    "overspeed": "crank speed above the limit at three edges running",
    "load_open": "while turning 1/16 of the force limit backwards, 4 samples; an end code at standstill",
    "load_clamped": "an end code of the amplifier, 3 samples",
    "cell_overload": "force beyond the limit, 4 samples; an end code, 3 samples, after 4 or more that rose "
    "or lay in the upper half of the amplifier's range (a wire that breaks gets there within the filter's "
    "settling)",
    "load_stuck": "the same count for 0.3 s",
    "load_silent": "no sample for 120 ms",
    "hall_lost": "no edge for hall_timeout, torque still there",
    "servo_no_answer": "4 % off the set speed for 0.25 s; for 0.25 s and twice the delay the valve moved by "
    "15 % from where the speed still followed, torque the same (a brake that is full looks so, too)",
    "water_lost": "over the set speed by 4 % for 0.5 s and twice the delay, valve not shut, torque down by a "
    "third; or as `servo_no_answer`, but the engine has gained speed",
    "brown_out": "board supply under 4.0 V, 20 ms; or a start of the board while the shaft already turns",
    "button_stuck": "button down for 10 s",
    "load_lost": "speed breaks down in mid-sweep faster than the brake slows the engine, "
    "or torque gone (chain off)",
    "stalled": "the same near the end of the sweep, speed under 0.6 of it, or no edge and no torque",
    "watchdog": "the chip was reset by its watchdog",
    "flash_full": "no room for a run beside what is not acknowledged",
    "store_damaged": "the file system does not mount or cannot be read",
    "settings_bad": "a setting out of bounds or against another",
    "top_speed_not_held": "15 s without a steady top speed",
}


def diagram() -> str:
    lines = ["```mermaid", "stateDiagram-v2", "    [*] --> start"]
    lines += [f"    {a} --> {b}: {event}" for a, event, b in states.TRANSITIONS if event != "fault"]
    lines += ["```"]
    faulty = ", ".join(a for a, event, b in states.TRANSITIONS if event == "fault")
    return "\n".join([*lines, "", f"From {faulty}: `fault` leads to `safe`."])


def faults() -> str:
    rows = ["| fault | what is seen | within | action | LED blinks |", "|---|---|---|---|---|"]
    for name, limit_ms, action, blinks in guard.TABLE:
        seen = SEEN[name]
        within = f"{limit_ms} ms" if limit_ms else "at start, before a sweep"
        rows.append(f"| `{name}` | {seen} | {within} | {ACTIONS[action]} | {blinks} |")
    return "\n".join(rows)


DECISIONS = (
    ("what happens", "`ready`", "`steady`: the top speed is held", "`sweep`", "`release`"),
    ("---",) * 5,
    (
        "chain off: the engine runs free",
        "nothing: the throttle is the person's, use the kill switch",
        "kill within 0.6 s under load; within 2.5 s where the brake is nearly empty and coasts",
        "kill within 0.3 s; within 0.6 s next to the free speed, where a small engine leaves little torque",
        "kill within 0.15 s when a shaft that was held falls evenly, from one turn to the next, faster than "
        "the brake slows the engine; within 0.3 s when its edges end above 0.9 of the end speed; none when "
        "it falls by and by (a hand, then a clutch), and under 13/16 of the end speed, where clutches let go",
    ),
    (
        "the throttle is shut",
        "nothing",
        "kill when the torque is gone: nothing tells it from an engine that stops",
        "the same, as `stalled` or `load_lost`; nothing where the speed has come to its end before the ramp "
        "has, and the engine is seen to drive the shaft on",
        "nothing",
    ),
    (
        "servo sticks",
        "nothing is asked of it",
        "the sweep ends (15 s at the latest), the load stays as it is",
        "kill once it shows (speed off by 4 %): within 1.15 s where the delay is 50 ms, 2 s where it is "
        "0.2 s. Where the stuck valve first pulls the engine down to the end speed, mostly in the last 3 s, "
        "the sweep ends without a fault: the load stays on, so the engine does not speed up. One that sticks "
        "fully open ends the sweep as a brake too weak",
        "nothing: the load stays as it stuck and holds the engine or pulls it down, until the person "
        "shuts the throttle",
    ),
    (
        "water lost",
        "overspeed only",
        "overspeed; else the sweep ends with a reason",
        "kill: 1.5 s from 4 % over, and twice the delay",
        "overspeed only",
    ),
    (
        "pickup lost",
        "nothing: taken for a standstill, the valve shuts",
        "kill within 0.175 s under load, 0.35 s without",
        "the same",
        "kill when the edges end at half the end speed or more and the torque stays; none when they "
        "stretch first: that is a standstill",
    ),
    ("load cell lost", "valve by `fail_valve`", "the same", "the same", "the same"),
)


def decisions() -> str:
    """What is safe in each phase; tests/firmware/test_fault_moments.py tries it."""
    return "\n".join("| " + " | ".join(row) + " |" for row in DECISIONS)


def patterns() -> str:
    rows = ["| state | LED on / off | meaning | a press of the button |", "|---|---|---|---|"]
    for state in codes.STATES:
        on, off = led.PATTERNS.get(state, (60, 1940))
        shown = "counted blinks" if state == "safe" else f"{on} / {off} ms" if off else "steady"
        rows.append(f"| `{state}` | {shown} | {code_texts.STATES[state]} | {code_texts.BUTTON[state]} |")
    on, off = led.PATTERNS["few_left"]
    rows.append(
        f"| `rest`, {app_few_runs()} runs or fewer fit | {on} / {off} ms | fetch the runs | as at rest |"
    )
    return "\n".join(rows)


def app_few_runs() -> int:
    """FEW_RUNS of app.py, which imports what only the board has."""
    text = (PROJECT / "firmware/lib/evenfall_board/app.py").read_text()
    return int(text.partition("\nFEW_RUNS = ")[2].split()[0])


def ram() -> str:
    values = {s[1]: s[3] for s in settings.SETTINGS}
    rows = [
        "| amplifier | seconds kept | load samples | edges | trace | bytes |",
        "|---|---|---|---|---|---|",
    ]
    for hz in (80, 320):
        seconds, loads, edges, trace = recorder.plan(values, hz, 10**9)
        size = loads * 6 + edges * 4 + trace * 12
        rows.append(f"| {hz}/s | {seconds} | {loads} | {edges} | {trace} | {size} |")
    return "\n".join(rows)


def document() -> str:
    return f"""# The board: states, faults, LED, RAM

Made by `python tests/firmware/board_tables.py > firmware/BOARD.md` from the tables that the
firmware itself uses; tests/firmware checks that it is up to date.

## States

{diagram()}

## Faults

`fail_valve` of the settings: 0 shut, 1 open (most load), 2 stays. The first fault counts until it is
cleared by the button or the host, unless a more serious one follows; it comes back while its cause
lasts. The ignition is allowed again
only after the fault is cleared and the shaft has stood still: press, then start the engine. The press that
clears a fault also arms the board, so that the next sweep has its controller; a second one within 2 s does
not disarm. What a fault has ended says so in its run. The times are checked on the simulated bench
(tests/firmware/test_guard_times.py, test_after_the_sweep.py). **An independent kill switch within reach is
required all the same: none of this works when the board, its supply or its program fails in a way nobody
thought of.**

{faults()}

What is decided in each phase (tried at random moments on random benches:
`pytest -m study -s tests/firmware/test_fault_moments.py`):

{decisions()}

## LED and button

{patterns()}

In `safe`, and for a fault that is only noted, the LED counts the fault's blinks, then pauses:
2 load cell, 3 speed, 4 water and valve, 5 engine and drive, 6 board and button, 7 store and settings.

## RAM at the default settings

{ram()}

When the heap holds less, the seconds shrink (evenfall_board/recorder.py); at 320/s an RP2040 holds a sweep
of 5 s with 39 kB left free, or of 8 s with 32 kB. Nothing made after the start is larger than 1,280 bytes (a
file opened for writing takes 1,148), and what is kept is made before. Measured on an interpreter with the
chip's word size and heap, with every
combination of optional parts, free bytes and the largest free block after start, sweeps, fetches, changes and
self-tests, once with every free block split to that size: `make board-32-bit`; after 200 sweeps:
`pytest -m study -s tests/firmware/test_on_32_bits.py`. On an emulated RP2040 under MicroPython 1.28 the heap
has 245,888 bytes; free bytes and the largest free block there, compiled, after start, self-test and sweeps,
with each combination of optional parts: `python bench_sim/studies/chip_study.py options sweeps`.
"""


if __name__ == "__main__":
    sys.stdout.write(document())
