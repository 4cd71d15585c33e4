"""Hands at a bench that runs: words from a second terminal, one line and one answer a connection.

`evenfall-bench live` listens on a socket of this user; `evenfall-bench act WORDS` sends a line and
prints the answer.  `Hands.do` knows the words.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import socket
import tempfile
import textwrap
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

from .image import BenchError, own_folder
from .scenario import FAULTS
from .session import Session

STANDARD_GRAVITY = 9.80665  # m/s2, defined (CGPM 1901)
POUND_KG = 0.45359237  # exact (international pound)
MAX_WEIGHT_KG = 200.0
HAND_S, HAND_STEPS = 0.4, 40  # how long a hand takes to let a weight down; common practice, no source
DRILL_S, MAX_DRILL_RPM = 4.0, 10_000.0  # a drill with a speed-up gear; common practice, no source
HAND_TURNS_S = 1.5  # how fast a hand turns a shaft; common practice, no source
MAX_LINE = 400
MAX_ADDRESS = 100  # bytes
FAULT_WORDS = "fault NAME [VALUE] [for SECONDS]"

HELP = f"""\
hang MASS            hang a weight on the arm, one at a time: hang 5 kg
take off             take the weight off
throttle open        also: close, or a share such as 30 %
button [SECONDS]     press the board's button, else for 0.25 s
turn [TURNS]         turn the brake's shaft by hand, else two turns
drill SPEED          chain off: spin the brake's shaft up, let go: drill 6000
start                start the stalled engine; it idles
stall                the engine stops firing
cable out            also: in
power off [SECONDS]  cut the board's power, else for 2 s (1 s at least)
reset                reset the board
{FAULT_WORDS}
                     start a fault: fault supply_lost, fault leak 0.1 for 3
fault NAME off       it is over
faults               list the faults
state                what the bench does now
quit                 switch the bench off
help                 this list"""


def free_socket() -> Path:
    """Where a bench of this user listens unless told otherwise: a name that no other one listens at."""
    folder = own_folder("benches")
    return next(path for path in (folder / f"bench-{n}" for n in count(1)) if not _alive(path))


def only_socket() -> Path:
    """The bench of this user that runs; BenchError when there is none, or more than one."""
    folder = own_folder("benches")
    running = [path for path in sorted(folder.iterdir()) if _alive(path)]
    if not running:
        raise BenchError("no bench runs; start evenfall-bench live in another terminal")
    if len(running) > 1:
        named = ", ".join(f"--control {path}" for path in running)
        raise BenchError(f"{len(running)} benches run; say which: {named}")
    return running[0]


@contextlib.contextmanager
def _address(path: Path) -> Iterator[str]:
    """`path` as an address, by a link from /tmp where it is too long (104 bytes is the least limit)."""
    if len(os.fsencode(path)) < MAX_ADDRESS:
        yield str(path)
        return
    with tempfile.TemporaryDirectory(prefix="bench", dir="/tmp") as folder:
        link = Path(folder, "to")
        link.symlink_to(path.parent.resolve())
        yield str(link / path.name)


def ask(path: Path, line: str) -> str:
    """Send one line to the bench at `path`; its answer.  BenchError when none listens."""
    with socket.socket(socket.AF_UNIX) as talk:
        talk.settimeout(20.0)
        try:
            with _address(path) as address:
                talk.connect(address)
            talk.sendall(line[:MAX_LINE].encode() + b"\n")
            answer = b""
            while data := talk.recv(4096):
                answer += data
        except (OSError, ValueError) as error:
            raise BenchError(
                f"no bench listens at {path} ({error}); start evenfall-bench live in another terminal"
            ) from None
    return answer.decode(errors="replace").rstrip("\n")


@contextlib.contextmanager
def listening(path: Path | None) -> Iterator[Callable[[Callable[[str], str]], None] | None]:
    """Listen at `path`; yields poll(answer), which answers whoever has connected.

    None where nothing is to listen, or another bench already does.
    """
    if path is None or _alive(path):
        yield None
        return
    path.unlink(missing_ok=True)
    with socket.socket(socket.AF_UNIX) as server:
        old = os.umask(0o177)  # this user only
        try:
            with _address(path) as address:
                server.bind(address)
        except OSError as error:
            raise BenchError(f"cannot listen at {path}: {error}; give another path with --control") from None
        finally:
            os.umask(old)
        server.listen(4)
        server.setblocking(False)
        try:
            yield lambda answer: _serve(server, answer)
        finally:
            path.unlink(missing_ok=True)


def _alive(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as talk:
        try:
            with _address(path) as address:
                talk.connect(address)
        except (OSError, ValueError):
            return False
    return True


def _serve(server: socket.socket, answer: Callable[[str], str]) -> None:
    while True:
        try:
            talk, _ = server.accept()
        except BlockingIOError:
            return
        with talk, contextlib.suppress(OSError):
            talk.settimeout(1.0)
            line = b""
            while b"\n" not in line and len(line) <= MAX_LINE and (data := talk.recv(MAX_LINE)):
                line += data
            if line:
                talk.sendall(answer(line.decode(errors="replace").strip()).encode() + b"\n")


def _wrapped(name: str, text: str) -> str:
    """A line of a list, wrapped at words to a terminal of 80 columns."""
    return textwrap.fill(f"{name:21} {text}", 79, subsequent_indent=22 * " ")


class Hands:
    """What a person can do at a bench; `do` takes a line of words and answers in one or more lines."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.over = False
        self.weight_kg = 0.0
        self._actions: dict[str, Callable[[list[str]], str]] = {
            "hang": self._hang,
            "take": self._take_off,
            "throttle": self._throttle,
            "button": self._button,
            "turn": self._turn,
            "drill": self._drill,
            "start": lambda _: self._engine(0.0),
            "stall": lambda _: self._engine(1.0),
            "cable": self._cable,
            "power": self._power,
            "reset": lambda _: self._fault(["reset"]),
            "fault": self._fault,
            "faults": lambda _: "\n".join(_wrapped(name, fault.text) for name, fault in FAULTS.items()),
            "state": lambda _: self._state(),
            "quit": self._quit,
            "help": lambda _: HELP,
        }

    def do(self, line: str) -> str:
        """The answer; "error: " and a sentence when the words are not understood: nothing is done then."""
        words = line.lower().split()
        if not words:
            return HELP
        action = self._actions.get(words[0])
        if action is None:
            return f"error: {line[:40]!r} is not known; act help lists what can be done"
        try:
            return action(words[1:])
        except BenchError as error:
            return f"error: {error}"

    def _hang(self, words: list[str]) -> str:
        match = re.fullmatch(r"([0-9.]+)\s*(kg|g|lb)", " ".join(words).replace(",", "."))
        try:
            number = float(match[1]) if match else -1.0
        except ValueError:
            number = -1.0
        if match is None or number < 0.0:
            raise BenchError("say the mass with its unit: hang 5 kg, hang 500 g or hang 10 lb")
        mass = number * {"kg": 1.0, "g": 1e-3, "lb": POUND_KG}[match[2]]
        if mass > MAX_WEIGHT_KG:
            raise BenchError(f"the arm holds {MAX_WEIGHT_KG:g} kg; hang less")
        return self._load(mass)

    def _take_off(self, words: list[str]) -> str:
        return self._load(0.0)

    def _load(self, mass_kg: float) -> str:
        bench, before = self.session.bench, self.weight_kg
        self.weight_kg = mass_kg
        standing = self.session.scenario["load_cell"]["hose_N"]
        for n in range(1, HAND_STEPS + 1):  # no hand lets a weight fall onto the arm
            push_N = standing + (before + (mass_kg - before) * n / HAND_STEPS) * STANDARD_GRAVITY
            bench.set("cell_push_N", push_N, bench.time_s + HAND_S * n / HAND_STEPS)
        return f"{mass_kg:.4g} kg hang on the arm" if mass_kg else "no weight hangs on the arm"

    def _throttle(self, words: list[str]) -> str:
        text = " ".join(words).rstrip("% ")
        known = {"open": 100.0, "close": 0.0, "closed": 0.0}
        try:
            percent = known[text] if text in known else float(text)
        except ValueError:
            percent = -1.0
        if not 0.0 <= percent <= 100.0:
            raise BenchError("say throttle open, throttle close, or a share from 0 to 100 %")
        if percent == 100.0:
            self.session.bench.new_run()
        self.session.bench.set_throttle(percent / 100.0)
        return f"throttle to {percent:g} %"

    def _button(self, words: list[str]) -> str:
        seconds = self._seconds(words, 0.25, 0.02, 60.0, "button 3")
        self.session.operator.press(self.session.board.time_s, seconds)
        return f"button pressed for {seconds:g} s"

    def _turn(self, words: list[str]) -> str:
        try:
            turns = float(" ".join(words).removesuffix("turns") or 2)
        except ValueError:
            turns = -1.0
        if not 0.1 <= turns <= 100.0:
            raise BenchError("say how many turns, 0.1 to 100: turn 3")
        bench = self.session.bench
        if bench.now["brake_speed_rpm"] > 30.0:
            raise BenchError("the shaft turns: nobody touches it. Close the throttle and wait")
        bench.set("hand_rad_s", HAND_TURNS_S * 2.0 * math.pi)
        bench.set("hand_rad_s", 0.0, bench.time_s + turns / HAND_TURNS_S)
        return f"{turns:g} turns by hand, in {turns / HAND_TURNS_S:.1f} s"

    def _drill(self, words: list[str]) -> str:
        try:
            speed_rpm = float(" ".join(words).replace(",", "").removesuffix("rpm"))
        except ValueError:
            speed_rpm = -1.0
        if not 100.0 <= speed_rpm <= MAX_DRILL_RPM:
            raise BenchError(f"say to what speed, 100 to {MAX_DRILL_RPM:g} rpm: drill 6000")
        bench = self.session.bench
        if bench.drive.coupled:
            raise BenchError("the chain is on: take it off first (fault load_lost)")
        if bench.now["brake_speed_rpm"] > 30.0:
            raise BenchError("the shaft turns: nobody touches it. Wait until it stands")
        for n in range(1, HAND_STEPS + 1):
            bench.set(
                "hand_rad_s",
                speed_rpm * math.pi / 30.0 * n / HAND_STEPS,
                bench.time_s + DRILL_S * n / HAND_STEPS,
            )
        bench.set("hand_rad_s", -1.0, bench.time_s + 1.2 * DRILL_S)
        return f"the drill spins the shaft up to {speed_rpm:g} rpm in {DRILL_S:g} s and lets go"

    def _engine(self, stalled: float) -> str:
        self.session.bench.set("stall", stalled)
        return "the engine stops" if stalled else "the engine runs"

    def _cable(self, words: list[str]) -> str:
        if words not in (["out"], ["in"]):
            raise BenchError("say cable out or cable in")
        if words == ["out"]:
            self.session.board.fault("unplug")
        else:
            self.session.board.end_fault("unplug")
        return f"the USB cable is {words[0]}"

    def _power(self, words: list[str]) -> str:
        if not words or words[0] != "off":
            raise BenchError("say power off, or power off 5 for five seconds; it comes back by itself")
        seconds = self._seconds(words[1:], 2.0, 1.0, 3600.0, "power off 5")
        self.session.board.fault("power_cut", for_s=seconds)
        return f"the board's power is off for {seconds:g} s"

    def _fault(self, words: list[str]) -> str:
        if not words or words[0] not in FAULTS:
            raise BenchError(f"say {FAULT_WORDS}; act faults lists the names")
        name, rest = words[0], words[1:]
        if rest == ["off"]:
            self.session.board.end_fault(name)
            return f"{name} is over"
        for_s = 0.0
        if "for" in rest:
            at = rest.index("for")
            for_s = self._seconds(rest[at + 1 :], 0.0, 0.0, 1e6, "fault leak 0.1 for 3")
            rest = rest[:at]
        value = 0.0
        try:
            value = float(rest[0]) if rest else 0.0
        except ValueError:
            raise BenchError(f"{rest[0]!r} is no number; say {FAULT_WORDS}") from None
        if FAULTS[name].on is None and not rest:
            raise BenchError(f"{name} needs a value: {FAULTS[name].text}")
        if len(rest) > 1 or not abs(value) < 1e9:
            raise BenchError(f"say {FAULT_WORDS}")
        self.session.board.fault(name, value, for_s)
        return f"{name} begins" + (f", for {for_s:g} s" if for_s else "")

    def _state(self) -> str:
        now, board = self.session.bench.now, self.session.board
        led = "on" if board.led and board.led[-1][1] else "off"
        return (
            f"{board.time_s:.1f} s  {now['speed_rpm']:.0f} rpm  brake {now['brake_torque_Nm']:.2f} N·m  "
            f"fill {now['fill']:.1%}\nvalve {now['valve']:.0%}  throttle {now['throttle']:.0%}  "
            f"weight {self.weight_kg:g} kg  led {led}"
        )

    def _quit(self, words: list[str]) -> str:
        self.over = True
        return "the bench is switched off"

    @staticmethod
    def _seconds(words: list[str], default: float, low: float, high: float, example: str) -> float:
        text = " ".join(words).removesuffix("s").strip()
        try:
            seconds = float(text) if text else default
        except ValueError:
            seconds = -1.0
        if not low <= seconds <= high:
            raise BenchError(f"say the time in seconds, {low:g} to {high:g}: {example}")
        return seconds
