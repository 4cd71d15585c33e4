"""`evenfall-bench live`: the bench kept on for people and host programs."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import signal
import sys
import termios
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .chip.parts import Parts
from .control import Hands, listening
from .image import describe
from .session import Session
from .terminal import printable

CLEAR = "\r\x1b[K"  # to the line's start, and erase it
HELP = """\
keys: b presses the button, t opens or closes the throttle,
      k starts a stalled engine, q ends"""


@contextlib.contextmanager
def _keys() -> Iterator[bool]:
    """Single keys from the terminal while inside; yields whether there is one."""
    if sys.stdin is None or not sys.stdin.isatty():  # None: closed by the shell
        yield False
        return
    before = termios.tcgetattr(sys.stdin)
    try:
        tty.setcbreak(sys.stdin)
        yield True
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)


def run_live(
    scenario: dict[str, Any],
    seed: int,
    runs: int,
    realtime: bool,
    port_link: str | None,
    image: Path | None,
    firmware: Path,
    for_s: float,
    chip: Parts | None = None,
    control: Path | None = None,
    bare: bool = False,
) -> None:
    """Run until Ctrl-C, the key q, or `for_s` simulated seconds; the port's name is printed first."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # leave nothing behind
    with (
        Session(
            scenario, seed, runs, image=image, port_link=port_link, firmware=firmware, chip=chip, bare=bare
        ) as session,
        _keys() as keys,
        listening(control) as poll,
    ):
        board, operator, bench = session.board, session.operator, session.bench
        print(f"port {session.port_path}", flush=True)
        if bare:
            print(_first_steps(scenario), file=sys.stderr)
        if control and poll:
            print(f"control {control}", file=sys.stderr)
            print("your hands: `evenfall-bench act help` in another terminal", file=sys.stderr)
        elif control:
            print(f"control {control} is another bench's:", file=sys.stderr)
            print("give --control PATH to act on this one", file=sys.stderr)
        if keys:
            print(HELP, file=sys.stderr)
        hands = Hands(session)
        board.realtime = realtime
        bench.truth_limit = 100_000  # nobody reads it here
        shown = 0
        last_line = 0.0
        with contextlib.suppress(KeyboardInterrupt):
            while not hands.over and (not for_s or board.time_s < for_s):
                board.paced = operator.over
                board.run_until(board.time_s + 0.05)
                for at, what, detail in board.log[shown:]:
                    said = printable(f"{at:9.3f} s  {what} {detail}")
                    print(f"{CLEAR if keys else ''}{said}", file=sys.stderr, flush=True)
                shown = len(board.log)
                if poll:
                    poll(hands.do)
                if not keys:
                    continue
                if time.monotonic() - last_line > 0.2:
                    last_line = time.monotonic()
                    # a line as wide as the terminal would scroll the port's name off it
                    width = shutil.get_terminal_size().columns - 1
                    print(f"{CLEAR}{_line(session)[:width]}", end="", file=sys.stderr, flush=True)
                if select.select([sys.stdin], [], [], 0)[0]:
                    _press(os.read(sys.stdin.fileno(), 64), hands)
        print(file=sys.stderr)


def _first_steps(scenario: dict[str, Any]) -> str:
    """What to type for a board without firmware on this bench."""
    told = " ".join(f"{name}={value}" for name, value in describe(scenario).items())
    return (
        "a bare board at its prompt: evenfall board install --any-board --port PORT puts it there;\n"
        f"then evenfall board set --port PORT {told}"
    )


def _line(session: Session) -> str:
    """What the bench does now, for one line of the terminal."""
    board, n = session.board, session.bench.now
    led = board.led[-1][1] if board.led else 0
    return (
        f"{board.time_s:7.1f} s {n['speed_rpm']:6.0f} rpm {n['brake_torque_Nm']:6.2f} N·m"
        f"  fill {n['fill']:4.0%}  valve {n['valve']:4.0%}  throttle {n['throttle']:4.0%}"
        f"  led {'*' if led else '.'}"
    )


def _press(pressed: bytes, hands: Hands) -> None:
    """Do what single keys mean."""
    if not pressed:
        hands.over = True
    throttle = hands.session.bench.engine
    for key in pressed.decode(errors="replace"):
        if key == "q":
            hands.over = True
        elif key == "b":
            hands.do("button")
        elif key == "t":
            hands.do("throttle close" if throttle.throttle_to > 0.5 else "throttle open")
        elif key == "k":
            hands.do("start")
