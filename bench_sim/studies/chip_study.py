"""The firmware on an emulated RP2040, from a fresh board on: one command, one table.

    .venv/bin/python bench_sim/studies/chip_study.py [part ...] [--image IMAGE.uf2] [--sweeps 10] [--cuts 20]
        [--amplifier 0|2]

Parts: install (fresh flash, `evenfall board install`, settings, self-test), sweeps (by the button, while the
status is asked ten times a second; each stored, fetched and controlled; RAM and passes), again (installed
again, rolled back), cuts (power taken at random moments), options (start with every combination of optional
parts), costs (what the interpreter's bench charges for files, the room check and the line),
figures (start-up time, cost of passes with and without a model of the flash cache, processor share),
fast (the amplifier at 320 samples a second).
`all` is install, sweeps, again and cuts, one after the other on one board with barometer and bus amplifier.
The image is your own download of MicroPython for RPI_PICO, by --image or EVENFALL_CHIP_IMAGE.
Exit code 1 when a row failed.  An emulated chip is no silicon.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenfall_bench import host_runner
from evenfall_bench import scenario as scenarios
from evenfall_bench.chip.board import FILES_BYTES, ChipBoard
from evenfall_bench.chip.parts import Parts, find
from evenfall_bench.chip_costs import COSTS_US
from evenfall_bench.image import CHIP_MARCH, PROJECT, BenchError, describe, make_image
from evenfall_bench.session import Session

SCENARIO = "trail-crew"
COME_UP_S = 8.0  # simulated time that a board may take from power-on to its first answer
HOLE_GOAL, FREE_GOAL = 16 * 1024, 40 * 1024
PASS_GOAL_MS = 25.0  # half of what the amplifier's FIFO holds at 80 samples a second
STANDSTILL_MS = 60.0  # where nothing is measured: a collection 28, loading what learns 40, ripple 60
ASK_S, GET_STATUS = 0.1, bytes.fromhex("020201057c0dc5fc00")  # a question of protocol/vectors.json
RMS_GOAL = 1.0  # % of set speed
OPTIONS = [(b, a) for b in (0, 1) for a in (0, 1, 2)]  # barometer, amplifier


class Study:
    """Rows of the table, printed as they come."""

    def __init__(self, parts: Parts, folder: Path, amplifier: int = 0) -> None:
        self.parts, self.folder, self.amplifier = parts, folder, amplifier
        self.failed = 0
        self._from = time.monotonic()

    def row(self, what: str, ok: bool | None, detail: str) -> None:
        """One line; ok None: a figure without a bound."""
        self.failed += ok is False
        mark = {True: "pass", False: "FAIL", None: ""}[ok]
        print(f"{what:34} {mark:4}  {detail}   [{time.monotonic() - self._from:.0f} s]", flush=True)

    def session(self, image: Path, runs: int = 0, chip_cache: bool = False, **changes: Any) -> Session:
        """Power on, with the flash in `image`; `changes` are tables of the scenario."""
        scenario = scenarios.load(SCENARIO)
        if self.amplifier:
            changes = {"weather": {"sensor": True}, "amplifier": {"second_rate_Hz": 80.0}, **changes}
        for table, keys in changes.items():
            scenario[table].update(keys)
        return Session(scenario, 1, runs, image=image, chip=self.parts, chip_cache=chip_cache)

    def settings(self) -> dict[str, int]:
        """What a person types in for this bench and the parts that are fitted."""
        return {**describe(scenarios.load(SCENARIO)), "barometer": 1, "amplifier": self.amplifier}


def evenfall(session: Session, *words: str, timeout_s: float = 240.0) -> subprocess.CompletedProcess[str]:
    """A host command on the board's port while the bench goes on."""
    command = [host_runner.host_program(), *words, "--port", session.port_path]
    try:
        return session.run_beside(command, timeout_s)
    except subprocess.TimeoutExpired:
        return subprocess.CompletedProcess(command, 124, "", f"no end within {timeout_s:.0f} s")


def last_line(done: subprocess.CompletedProcess[str]) -> str:
    """What a command said last."""
    lines = (done.stderr.strip() or done.stdout.strip()).splitlines()
    return lines[-1].strip() if lines else "it said nothing"


def status(session: Session) -> tuple[dict[str, Any], str]:
    """(status of the board, "") or ({}, why there is none)."""
    done = evenfall(session, "board", "status", "--json", timeout_s=60.0)
    try:
        return dict(json.loads(done.stdout)["status"]), ""
    except (ValueError, KeyError):
        return {}, last_line(done)


def chip(session: Session) -> ChipBoard:
    """The session's board, which is a chip here."""
    assert isinstance(session.board, ChipBoard)
    return session.board


def memory(session: Session) -> tuple[bool, str]:
    """Free bytes and the largest free piece, as a collection would leave them now."""
    session.run_for(0.5)
    heap = chip(session).heap()
    if not heap:
        return False, "no heap found"
    hole, free = heap["hole"], heap["free"]
    return hole >= HOLE_GOAL and free >= FREE_GOAL, f"free {free}, largest hole {hole}"


def state_of(session: Session) -> tuple[bool, str]:
    """(True when the board answers without a fault, what it says)."""
    told, why = status(session)
    if not told:
        said = bytes(session.board.console[-400:]).decode(errors="replace").split("\r\n")
        return False, f"{why}; the board wrote: {' / '.join(line for line in said[-6:] if line)}"
    good = told["fault"] == "none" and {"store_ok", "settings_ok"} <= set(told["flags"])
    return good, f"state {told['state']}, fault {told['fault']}"


# --- parts ----------------------------------------------------------------------


def study_install(study: Study, image: Path) -> None:
    """A fresh board as README's first steps take it."""
    image.write_bytes(b"\xff" * FILES_BYTES)
    with study.session(image) as session:
        session.run_for(3.0)
        done = evenfall(session, "board", "install")
        study.row("install on a fresh board", done.returncode == 0, last_line(done))
        session.run_for(COME_UP_S)
        study.row("comes up after the install", *state_of(session))
        settings = study.settings()
        done = evenfall(session, "board", "set", *(f"{k}={v}" for k, v in settings.items()))
        study.row(
            "settings",
            done.returncode == 0,
            f"{len(settings)} set" if not done.returncode else last_line(done),
        )
        evenfall(session, "board", "clock")
        done = evenfall(session, "board", "self-test")
        study.row("self-test", done.returncode == 0, last_line(done))
        study.row("no fault after it", *state_of(session))


def study_again(study: Study, image: Path) -> None:
    """Another firmware onto a board that is in use, and back."""
    with study.session(image) as session:
        session.run_for(COME_UP_S)
        for verb, more in (
            ("install", ["--checkout", str(changed_firmware(study.folder))]),
            ("rollback", []),
        ):
            session.board.fault("button_stuck", for_s=3.0)
            session.board.fault("reset")
            session.run_for(4.0)
            done = evenfall(session, "board", verb, *more)
            study.row(f"{verb} with the button held", done.returncode == 0, last_line(done))
            session.run_for(COME_UP_S)
            study.row(f"comes up after the {verb}", *state_of(session))


def changed_firmware(folder: Path) -> Path:
    """A checkout whose firmware differs in one file, so that there is something to install again."""
    checkout = folder / "checkout"
    for part in ("firmware", "protocol"):
        shutil.copytree(PROJECT / part, checkout / part, ignore=shutil.ignore_patterns("__pycache__"))
    with (checkout / "firmware/lib/evenfall_board/__init__.py").open("a") as file:
        file.write("\nanother_edition = True\n")
    return checkout


def study_options(study: Study) -> None:
    """Every combination of the optional parts, started from power-on."""
    for barometer, amplifier in OPTIONS:
        rate = {0: 0.0, 1: 320.0, 2: 80.0}[amplifier]
        name = f"barometer={barometer} amplifier={amplifier}"
        tables = {"weather": {"sensor": bool(barometer)}, "amplifier": {"second_rate_Hz": rate}}
        copy = study.folder / "options.img"
        make_image(
            copy,
            settings={
                **describe(scenarios.load(SCENARIO)),
                "barometer": barometer,
                "amplifier": amplifier,
                "sweep_time": 5000 if amplifier == 1 else 10000,  # what fits at 320 samples a second
            },
            march=CHIP_MARCH,
        )
        with study.session(copy, **tables) as session:
            session.run_for(COME_UP_S)
            good, text = state_of(session)
            study.row(f"{name}: starts", good, text)
            study.row(f"{name}: memory", *memory(session))
            done = evenfall(session, "board", "self-test")
            study.row(
                f"{name}: self-test", "clock" in last_line(done) or done.returncode == 0, last_line(done)
            )
            study.row(f"{name}: memory after it", *memory(session))


def study_sweeps(study: Study, image: Path, count: int) -> None:
    """`count` sweeps by the button in one boot, then fetched by the host."""
    with study.session(image, runs=count) as session:
        told = host_runner.tell_set_up(session)
        session.run_for(2.9)
        study.row("memory after the start", *memory(session))
        chip(session).passes()
        for number in range(1, count + 1):
            run_asking(session, 120.0, lambda n=number: len(session.operator.closed_s) >= n)
            run_asking(session, 9.0)  # the board releases the load and stores the run
            passes_of_sweep(study, session, number)
        result: dict[str, Any] = {"runs": [host_runner_truth(session, i) for i in range(count)]}
        host_runner.fetch_and_reduce(session, result, told)
        if "error" in result:
            study.row("fetch", False, result["error"])
            return
        for at, run in enumerate(result["runs"][:count], 1):
            kept = run.get("tracking", {})
            good = run.get("host", {}).get("verdict") == "good" and kept.get("rms_percent", 99) < RMS_GOAL
            study.row(f"sweep {at}", good, _in_words(run))
        study.row("no fault at the end", *state_of(session))
        study.row("memory at the end", *memory(session))


def run_asking(session: Session, seconds: float, until: Callable[[], bool] | None = None) -> None:
    """Run on while the line asks for the status, as the bench's screen does."""
    line = os.open(session.port_path, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)
    end = chip(session).time_s + seconds
    while chip(session).time_s < end and not (until and until()):
        with contextlib.suppress(BlockingIOError):
            os.write(line, GET_STATUS)
        session.run_for(ASK_S)
        with contextlib.suppress(BlockingIOError):
            os.read(line, 10_000)
    os.close(line)


def passes_of_sweep(study: Study, session: Session, number: int) -> None:
    """Passes since the last look: with the throttle open, and at standstill, where the heap is collected."""
    passes = chip(session).passes()
    opened, closed = session.operator.opened_s[number - 1], session.operator.closed_s[number - 1]
    longer = [(one["at"] * 1e-9, one["busy"] / 1e6) for one in passes["long"]]
    running = [ms for at_s, ms in longer if opened < at_s < closed + 1.5]
    others = [ms for _, ms in longer if ms > PASS_GOAL_MS]
    good = max(running, default=0.0) <= PASS_GOAL_MS and max(others, default=0.0) <= STANDSTILL_MS
    study.row(
        f"sweep {number}: passes without flash",
        good,
        f"throttle open {max(running, default=0.0):.1f} ms (0: under 20); else {len(others)} over "
        f"{PASS_GOAL_MS:.0f} ms, worst {max(others, default=0.0):.1f}; with flash "
        f"{passes['flash']['worst'] / 1e6:.0f} ms; heap {chip(session).heap()}",
    )


def host_runner_truth(session: Session, index: int) -> dict[str, Any]:
    """The frame that the host's figures of a run are put into."""
    operator = session.operator
    return {
        "opened_s": operator.opened_s[index],
        "closed_s": operator.closed_s[index],
        "engine": operator.engine_states[index],
    }


def _in_words(run: dict[str, Any]) -> str:
    host, kept, error = run.get("host", {}), run.get("tracking"), run.get("torque_error", {})
    if not kept:
        why = run.get("error") or host.get("error") or "not tracked"
        return f"{host.get('verdict', 'no run')}; {why}"
    return (
        f"{host['verdict']}, {kept['sweep_s']:.2f} s, {kept['rms_percent']:.2f} % rms off,"
        f" torque {error.get('rms_percent')} % rms off"
    )


def study_cuts(study: Study, image: Path, count: int) -> None:
    """Power taken at random moments: half of them anywhere in a sweep and its store, half in the flash."""
    rng = random.Random("power cuts")
    for number in range(1, count + 1):
        copy = study.folder / "cut.img"
        copy.write_bytes(image.read_bytes())
        with study.session(copy, runs=1) as session:
            if number % 2:
                at = rng.uniform(0.2, 34.0)
                session.run_for(at)
                where = f"after {at:.2f} s"
            else:
                operation = rng.randrange(1, 140)
                session.board.fault("power_cut_at_flash_op", operation)
                session.run_for(40.0, lambda: session.board.boots > 1)
                where = f"in flash operation {operation}"
            turned = session.bench.now["brake_speed_rpm"] > 300.0 and session.board.boots == 1
            if session.board.boots == 1:
                session.board.fault("power_cut")
                session.run_for(0.1)
            session.run_for(COME_UP_S + 1.0)
            good, text = state_of(session)
            # a board that comes up while the shaft turns cuts the engine: its table of faults wants that
            booted_s = max(at_s for at_s, what, _ in session.board.log if what == "boot")
            turned = turned or any(booted_s - 3.0 < s < booted_s + 3.0 for s in session.operator.opened_s)
            good = good or (turned and "fault brown_out" in text)
            study.row(
                f"power cut {number}", good, f"{where}, shaft {'turning' if turned else 'at rest'}: {text}"
            )


def study_figures(study: Study, image: Path) -> None:
    """Start-up time and the cost of passes, in a sweep, without and with the cache's model."""
    for xip in (False, True):
        copy = study.folder / "figures.img"
        copy.write_bytes(image.read_bytes())
        with study.session(copy, 1, chip_cache=xip, operator={"ready_s": 10.0}) as session:
            board, name = chip(session), "with the flash cache" if xip else "no cache misses"
            session.run_for(COME_UP_S, lambda log=board.log: any(what == "kill line" for _, what, _ in log))
            study.row(name, None, pystone(study, xip))
            study.row(f"{name}: start-up", None, start_up(board))
            for title, at_s in (("at rest", 6.0), ("in the sweep", 18.0)):
                session.run_for(at_s - board.time_s)
                before, at = board.busy_s, board.time_s
                board.passes()
                session.run_for(3.0)
                share = (board.busy_s - before) / (board.time_s - at)
                study.row(f"{name}: {title}", None, _costs(board.passes(), share))


COST_MAIN = """
import gc, json, os, time
gc.threshold(32768)
import evenfall_board.sweep
from evenfall_board import app
gc.collect()
board = app.Board()
board.start()
gc.threshold(-1)
nothing = [0]

def timed(name, times, work):
    gc.collect()
    before = time.ticks_us()
    for _ in range(times):
        work()
    print("cost", name, time.ticks_diff(time.ticks_us(), before) // times - nothing[0])

timed("nothing", 20, lambda: None)
timed("collect", 4, gc.collect)
timed("mem_free", 4, gc.mem_free)
timed("open_read", 8, lambda: open("/settings.json", "rb").close())
timed("open_write", 8, lambda: open("/cost.tmp", "wb").close())

def rename():
    os.rename("/cost.tmp", "/cost.new")
    os.rename("/cost.new", "/cost.tmp")

timed("rename_twice", 4, rename)
timed("room", 4, lambda: os.statvfs("/runs"))
timed("room_check", 4, board.make_room)
pairs = [(k, 100000 + k) for k in range(1, 7)] + [(10 + k, 8192 * 3000 + k) for k in range(54)]
timed("learned_store", 4, lambda: board.learned.store(pairs))
timed("new_controller", 3, board.renew_controller)
loads, link = board.recorder.loads, board.link
for n in range(200):
    loads.put2(1000 + 50000 * n, 150000 + n * 77)
payload = link._framer.payload
timed("copy_loads", 8, lambda: loads.copy(0, 45, payload))
timed("frame_of_loads", 8, lambda: link._framer.finish(0x90, 5, 360))
timed("status", 8, lambda: link._board.status(payload))
timed("frame_of_status", 8, lambda: link._framer.finish(0x42, 5, 64))
request = bytes(link._framer.finish(0x02, 5, 0))
byte = bytearray(b"\\n")
timed("write", 40, lambda: link._ready(link._poll_out, 4) and link._out.write(byte))
timed("frame_in", 8, lambda: link._unframer.feed(request, lambda kind, sequence, payload: None))
"""
NOISE_BYTES = 100  # on the line at each slice of 20 ms: the board takes them all


def study_costs(study: Study, image: Path) -> None:
    """What chip_costs.py holds: the time of calls without the flash's own, and of bytes that come and go."""
    copy = study.folder / "costs.img"
    make_image(copy, settings=study.settings(), march=CHIP_MARCH, extra={"/main.py": COST_MAIN.encode()})
    with study.session(copy, flash={"erase_ms": 0.0, "page_ms": 0.0}) as session:
        listener = os.open(session.port_path, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)
        session.run_for(6.0)
        os.close(listener)
        lines = bytes(session.board.console).decode(errors="replace").splitlines()
    us = {name: int(text) for what, name, text in (line.split() for line in lines if line[:5] == "cost ")}
    us["rename"] = us["rename_twice"] // 2
    us["dump"] = (us["learned_store"] - us["open_write"] - us["rename"]) // 120
    us["collect_cost_us"] = us["collect"]
    us["byte"] = noise_byte_us(study, image)
    for name, figure in us.items():
        charged = COSTS_US.get(name)
        study.row(name, None, f"{figure} us" + (f"; the bench charges {charged}" if charged else ""))


def noise_byte_us(study: Study, image: Path) -> int:
    """Processor time of a byte of noise, from one second of it at rest."""
    copy = study.folder / "noise.img"
    copy.write_bytes(image.read_bytes())
    with study.session(copy) as session:
        session.run_for(COME_UP_S)
        listener = os.open(session.port_path, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)
        rng, share, taken = random.Random(5), [], 0
        for noise in (False, True):
            before, at = chip(session).busy_s, chip(session).time_s
            for _ in range(50):
                if noise:
                    with contextlib.suppress(BlockingIOError):
                        taken += os.write(listener, rng.randbytes(NOISE_BYTES))
                session.run_for(0.02)
            share.append((chip(session).busy_s - before) / (chip(session).time_s - at))
        os.close(listener)
    return round((share[1] - share[0]) * 1e6 / max(taken, 1))


def start_up(board: ChipBoard) -> str:
    """Seconds from power-on to what makes a board safe, and to the engine's leave to run."""
    first: dict[str, float] = {}
    for at_s, what, _ in board.log:
        first.setdefault(what, at_s)
    lit_s = next((at_s for at_s, level in board.led if level), float("nan"))
    return (
        f"from power-on {first['kill output']:.2f} s to the kill output driven low, {first['valve']:.2f} s "
        f"to the valve, {lit_s:.2f} s to the first blink of the LED, {first['kill line']:.2f} s to the kill "
        "line (half a second of standstill in it)"
    )


def study_fast(study: Study) -> None:
    """The bus amplifier at 320 samples a second, with a sweep that is short enough for this chip's RAM."""
    settings = {**describe(scenarios.load(SCENARIO)), "barometer": 0, "amplifier": 1, "sweep_time": 8000}
    copy = study.folder / "fast.img"
    make_image(copy, settings=settings, march=CHIP_MARCH)
    with study.session(
        copy, runs=1, weather={"sensor": False}, amplifier={"second_rate_Hz": 320.0}
    ) as session:
        told = host_runner.tell_set_up(session)
        session.run_for(9.5)
        before = chip(session).busy_s
        session.run_for(3.0)
        study.row(
            "320 samples/s, 8 s: in the sweep",
            None,
            f"processor {(chip(session).busy_s - before) / 0.03:.0f} %",
        )
        session.run_script(60.0)
        result: dict[str, Any] = {"runs": [host_runner_truth(session, 0)]}
        host_runner.fetch_and_reduce(session, result, told)
        run = result["runs"][0]
        good = run.get("host", {}).get("verdict") == "good"
        study.row("320 samples/s, 8 s: sweep", good, result.get("error") or _in_words(run))


def pystone(study: Study, xip: bool) -> str:
    """Loops of pystone a second, as the chip prints them."""
    image = study.folder / "pystone.img"
    main = (
        "import pystone, time\nt = time.ticks_us()\npystone.Proc0(500)\n"
        "print('loops', 500e6 / time.ticks_diff(time.ticks_us(), t))\n"
    )
    source = (Path(__file__).parent / "pystone.py").read_bytes()
    make_image(image, extra={"/main.py": main.encode(), "/pystone.py": source})
    with Session(scenarios.load(SCENARIO), 1, 0, image=image, chip=study.parts, chip_cache=xip) as session:
        listener = os.open(session.port_path, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)
        session.run_for(3.0)
        os.close(listener)
        words = bytes(session.board.console).split()
        return f"pystone {float(words[words.index(b'loops') + 1]):.0f} loops a second"


def _costs(passes: dict[str, dict[str, float]], share: float) -> str:
    words = [f"processor {100 * share:.0f} %"]
    for kind in ("idle", "sample"):
        p = passes[kind]
        if p["count"]:
            words.append(
                f"{kind} pass {p['busy'] / p['count'] / 1e6:.2f} ms, worst {p['worst'] / 1e6:.2f} ms"
            )
    return "; ".join(words)


def main() -> None:
    """Run the parts asked for, print the table."""
    known = ("install", "sweeps", "again", "cuts", "options", "costs", "figures", "fast")
    whole = known[:4]
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("part", nargs="*", help=", ".join((*known, "all")))
    parser.add_argument("--image", default="", help="MicroPython for RPI_PICO (.uf2)")
    parser.add_argument("--sweeps", type=int, default=10)
    parser.add_argument("--cuts", type=int, default=20)
    parser.add_argument("--amplifier", type=int, choices=(0, 2), help="2: on the bus, at 80 samples/s")
    given = parser.parse_args()
    if unknown := [p for p in given.part if p not in (*known, "all")]:
        parser.error(f"unknown part {unknown[0]}; parts are {', '.join(known)}, all")
    try:
        parts = find(given.image)
    except BenchError as error:
        sys.exit(f"chip_study: {error}")
    wanted = [*given.part, *whole] if "all" in given.part else given.part or known
    amplifier = (2 if "all" in given.part else 0) if given.amplifier is None else given.amplifier
    with tempfile.TemporaryDirectory(prefix="evenfall-chip-") as folder:
        study = Study(parts, Path(folder), amplifier)
        image = Path(folder) / "board.img"
        if "install" in wanted:
            study_install(study, image)
        else:
            make_image(image, settings=study.settings(), march=CHIP_MARCH)
        jobs: dict[str, Callable[[], None]] = {
            "sweeps": lambda: study_sweeps(study, image, given.sweeps),
            "again": lambda: study_again(study, image),
            "cuts": lambda: study_cuts(study, image, given.cuts),
            "options": lambda: study_options(study),
            "costs": lambda: study_costs(study, image),
            "figures": lambda: study_figures(study, image),
            "fast": lambda: study_fast(study),
        }
        for name, job in jobs.items():
            if name in wanted:
                job()
    print(f"{study.failed} rows failed" if study.failed else "every row passed")
    sys.exit(1 if study.failed else 0)


if __name__ == "__main__":
    main()
