"""A run without a bench: starts the simulated bench as a program and waits for its run.

The firmware is the board's own, in a real MicroPython; all that is simulated
is physics and pins.  Data and names are invented: the engine bench of a
volunteer trail crew.
"""

from __future__ import annotations

import contextlib
import importlib.util
import shutil
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from evenfall import details
from evenfall.archive.archive import Archive, Query
from evenfall.board.link import Link
from evenfall.errors import DamageError, EvenfallError, InputError
from evenfall.model import Calibration, Setup

SCENARIO = "trail-crew"
ENGINE = "clearing saw"
# what the crew knows of its bench, the inertia from two runs at different rates
HUNG_WEIGHTS = "weights hung by the crew, invented"
CALIBRATION = Calibration(
    zero_count=0.0, span_count_per_N=142701.0, span_u_rel=0.001, arm_m=0.25, arm_u_m=0.0002, note=HUNG_WEIGHTS
)
SETUP = Setup(engine_teeth=10, brake_teeth=10, inertia_kg_m2=0.0024, inertia_u_kg_m2=0.00005)
BUILD_BEFORE, BUILD_AFTER = "as found", "raised port"
PATIENCE_S = 120.0


def bench_program() -> str:
    """Path of `evenfall-bench`; EvenfallError says how to get it, or what runs here instead."""
    if importlib.util.find_spec("termios") is None:
        raise EvenfallError(
            "the simulated bench needs Linux or macOS (its port is a pseudo-terminal); "
            "evenfall demo --recorded shows runs recorded on it, on any system"
        )
    beside = Path(sys.executable).with_name("evenfall-bench")
    found = str(beside) if beside.exists() else shutil.which("evenfall-bench")
    if not found:
        raise EvenfallError(
            "the simulated bench is not installed: install evenfall[bench], or see recorded runs with "
            "evenfall demo --recorded"
        )
    return found


def add_demo_set_up(archive: Archive) -> None:
    """File the invented engine with its calibration and set-up, once, and make them active."""
    with archive.change():
        if ENGINE not in archive.words("engine"):
            archive.add_engine(ENGINE, remark=details.INVENTED)
        archive.activate("build", archive.build_id(ENGINE))
        if archive.active("calibration") is None:
            archive.activate("calibration", archive.add_record(CALIBRATION, CALIBRATION.note))
        if archive.active("setup") is None:
            archive.activate("setup", archive.add_record(SETUP, "crew's bench"))


def take_in_recorded(archive: Archive) -> list[int]:
    """The runs that come with this program, three of each build, taken in; their numbers."""
    files = sorted((Path(__file__).parent / "recorded").glob("run-*.json"))
    if not files:
        raise DamageError("this copy of evenfall carries no recorded runs: install it again")
    add_demo_set_up(archive)
    return [archive.import_file(file.read_bytes())[0] for file in files]


def check_folder(archive: Archive) -> None:
    """Refuse an archive that holds anything but a demonstration: invented data do not go among real ones."""
    engines = [e["name"] for e in archive.engines()]
    others = [name for name in engines if name != ENGINE]
    if others or (not engines and archive.find(Query(excluded=None, limit=1))):
        what = f"the engine '{others[0]}'" if others else "runs"
        raise InputError(
            f"the archive {archive.folder} holds {what}: invented data of a demonstration do not go into it. "
            "Name a new folder, or leave --folder out"
        )


@contextlib.contextmanager
def bench_running(
    port: Path,
    scenario: str,
    seed: int,
    runs: int,
    say: Callable[[str], None],
    options: Sequence[str] = (),
) -> Iterator[Callable[[], None]]:
    """The simulated bench, its board's port linked at `port`, until the block ends.

    Yields a check that raises EvenfallError once the bench has stopped by itself.
    """
    command = [bench_program(), "live", "--scenario", scenario, "--seed", str(seed), "--runs", str(runs)]
    process = subprocess.Popen(
        [*command, *options, "--port-link", str(port)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    last: deque[str] = deque(maxlen=5)

    def listen() -> None:
        assert process.stderr
        for line in process.stderr:
            if line.strip():
                last.append(line.strip())
                say(f"bench: {line.strip()}")

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()

    def check() -> None:
        if process.poll() is not None:
            listener.join(1)
            raise EvenfallError(
                f"the simulated bench stopped (exit code {process.returncode}): {' / '.join(last)}"
            )

    try:
        yield check
    finally:
        process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        listener.join(1)


def wait_for_runs(port: Path, runs: int, check: Callable[[], None], say: Callable[[str], None]) -> None:
    """Wait until the board at `port` holds `runs` new runs and is at rest."""
    until = time.monotonic() + PATIENCE_S
    state = ""
    while not port.exists():
        check()
        _not_forever(until)
        time.sleep(0.05)
    with Link(str(port)) as line:
        while True:
            check()
            _not_forever(until)
            status = line.status()
            if status["state"] != state:
                state = status["state"]
                say(f"board: {state}")
            if status["runs_unacked"] >= runs and state in ("rest", "ready", "safe"):
                return
            time.sleep(0.1)


def _not_forever(until: float) -> None:
    if time.monotonic() > until:
        raise EvenfallError(
            f"the simulated bench made no run in {PATIENCE_S:.0f} s: is the computer very busy?"
        )
