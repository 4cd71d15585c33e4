"""A bench to practise at: the simulated bench as a program, and the hands of whoever stands at it."""

from __future__ import annotations

import contextlib
import socket
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from evenfall.archive.archive import Archive
from evenfall.errors import EvenfallError
from evenfall.workflow.demo import SCENARIO, add_demo_set_up, bench_running, check_folder

BUILD = "as found"
START_S = 30.0  # the bench needs a second or two; a busy computer more
# what the page may do at the simulated bench: throttle, button, engine, cable, weights; nothing else
WORDS = (
    "throttle open",
    "throttle close",
    "button",
    "turn",
    "start",
    "cable out",
    "cable in",
    "take off",
    "state",
)
WEIGHT = "hang "


@dataclass(frozen=True)
class Practice:
    """A simulated bench that runs: its board's port, its hands."""

    port: Path
    hands: Callable[[str], str]


@contextlib.contextmanager
def practising(
    folder: Path, say: Callable[[str], None], scenario: str = SCENARIO, seed: int = 1
) -> Iterator[Practice]:
    """Run the bench in real time until the block ends; its invented engine is filed in `folder`."""
    with Archive(folder) as archive:
        check_folder(archive)
        add_demo_set_up(archive)
    # a socket's address is short: not below a long TMPDIR
    with tempfile.TemporaryDirectory(prefix="evenfall-practice-", dir="/tmp") as temporary:
        port, control = Path(temporary) / "practice", Path(temporary) / "hands"
        options = ("--realtime", "--control", str(control))
        with bench_running(port, scenario, seed, 0, say, options) as check:
            until = time.monotonic() + START_S
            while not (port.exists() and control.exists()):
                check()
                if time.monotonic() > until:
                    raise EvenfallError("the simulated bench does not start: is the computer very busy?")
                time.sleep(0.05)

            def hands(words: str) -> str:
                if words == "throttle open":  # a self-test or a fault has stopped the engine: started first
                    tell(control, "start")
                return tell(control, words)

            yield Practice(port, hands)


def tell(control: Path, words: str) -> str:
    """Say one line to the bench at its socket; the answer.  EvenfallError when it is none of WORDS."""
    if words not in WORDS and not words.startswith(WEIGHT):
        raise EvenfallError(f"the simulated bench does not know '{words[:40]}'")
    try:
        with socket.socket(socket.AF_UNIX) as talk:
            talk.settimeout(5.0)
            talk.connect(str(control))
            talk.sendall(words.replace("\n", " ").encode() + b"\n")
            answer = b""
            while data := talk.recv(4096):
                answer += data
    except OSError as error:
        raise EvenfallError(
            f"the simulated bench does not answer ({error}): start the screen again"
        ) from None
    text = answer.decode(errors="replace").strip()
    if text.startswith("error: "):
        raise EvenfallError(text.removeprefix("error: "))
    return text
