"""A board on the simulated bench, with this test as its host at the other end of the line."""

from __future__ import annotations

import tempfile
from binascii import crc32
from pathlib import Path
from typing import Any

from evenfall.board import run_file
from evenfall_bench import image, scenario
from evenfall_bench.lockstep import PINS, Board
from evenfall_bench.operator import Operator
from evenfall_bench.physics import Bench
from evenfall_wire import codes, messages


class Line:
    """The host's end of the serial line, without a pty."""

    full = False
    room = 0

    def __init__(self) -> None:
        self.to_board = b""
        self.from_board = bytearray()
        self.open = True

    def exchange(self, wait_ms: int = 0) -> tuple[bytes, bool]:
        data, self.to_board = self.to_board, b""
        return data, self.open

    def write(self, data: bytes) -> bool:
        self.from_board += data
        return True

    def drop(self) -> None:
        pass

    def plug(self) -> None:
        pass

    def unplug(self) -> None:
        pass


class Rig:
    """The firmware of this tree on a bench of `partial`; `runs` sweeps by the usual person."""

    def __init__(
        self,
        partial: dict[str, Any] | None = None,
        runs: int = 1,
        seed: int = 1,
        extra: dict[str, bytes] | None = None,
        blocks: int | None = None,
        march: str = "",
        **board: Any,
    ) -> None:
        partial = dict(partial or {})
        if blocks:
            partial["flash"] = {**partial.get("flash", {}), "blocks": blocks}
        self.scenario = scenario.complete(partial)
        self._folder = tempfile.TemporaryDirectory(prefix="evenfall-rig-")
        path = Path(self._folder.name) / "image"
        flash = self.scenario["flash"]["blocks"]
        own = "/settings.json" in (extra or {})
        typed = None if own else image.describe(self.scenario)
        image.make_image(path, settings=typed, extra=extra, blocks=flash, march=march)
        self.bench = Bench(self.scenario, seed)
        self.operator = Operator(self.scenario, self.bench, runs)
        self.line = Line()
        self.board = Board(self.scenario, self.bench, self.operator, path, self.line, **board)
        self._sequence = 0
        self.session = 7
        self._greeted_s = -10.0
        self.kill: list[tuple[float, int]] = []  # changes of the kill line
        self.valve: list[tuple[float, float]] = []  # changes of the servo's pulse, us
        inner = self.board._outputs

        def outputs(levels: int, duty_ns: int) -> None:
            level = levels >> PINS["kill"] & 1
            if level != (self.kill[-1][1] if self.kill else 0):
                self.kill.append((self.now, level))
            if duty_ns / 1000 != (self.valve[-1][1] if self.valve else 0.0):
                self.valve.append((self.now, duty_ns / 1000))
            inner(levels, duty_ns)

        self.board._outputs = outputs  # type: ignore[method-assign]

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self.board.close()
        self._folder.cleanup()

    @property
    def now(self) -> float:
        return self.board.time_s

    def run(self, seconds: float) -> None:
        self.board.run_until(self.now + seconds)

    def greet(self) -> None:
        """Say hello when the session may have lapsed; what comes meanwhile is dropped."""
        if self.now - self._greeted_s > 2.0:
            self.ask("hello", (messages.PROTO_MAJOR, messages.PROTO_MINOR, self.session))
            self._greeted_s = self.now

    def send(self, name: str, head: Any = (), each: Any = (), session: int | None = None) -> int:
        """Put a request on the line, in this rig's session or in `session`; return its sequence."""
        if [f[0] for f in messages.BY_NAME[name][2]][:1] == ["session"]:
            if session is None:
                self.greet()
            head = (self.session if session is None else session, *head)
        self._sequence = (self._sequence + 1) & 0xFFFF
        self.line.to_board += run_file.frame_bytes(name, self._sequence, head, each)
        return self._sequence

    def replies(self, seconds: float = 4.0, until: bool = True) -> tuple[list[run_file.Message], bytes]:
        """Messages that come within `seconds` (up to the first when `until`), and bytes of stored runs."""
        end = self.now + seconds
        came: list[run_file.Message] = []
        stored = b""
        while self.now < end and not (until and came):
            self.run(0.004)
            while b"\0" in self.line.from_board:
                at = self.line.from_board.index(0)
                chunk = bytes(self.line.from_board[:at])
                del self.line.from_board[: at + 1]
                frame = run_file.open_frame(chunk)
                if frame is None:
                    continue
                if frame.kind == run_file.TYPE_OF["run_data"]:
                    stored += frame.payload[4:]
                    continue
                message = run_file.decode_message(frame.kind, frame.payload)
                assert message is not None
                came.append(message)
        return came, stored

    def ask(
        self, name: str, head: Any = (), each: Any = (), seconds: float = 4.0, session: int | None = None
    ) -> run_file.Message:
        """Send a request and return its reply."""
        self.send(name, head, each, session)
        came, self.stored = self.replies(seconds)
        assert came, f"no reply to {name}; {self.trouble()}"
        return came[0]

    def acknowledge(self, run_id: int, data: bytes) -> run_file.Message:
        """Prove to the board that `data` is here."""
        challenge = self.ask("read_run", (run_id, len(data), 0)).head["challenge"]
        proof = run_file.proof(challenge, data)
        return self.ask("ack_run", (run_id, len(data), crc32(data), proof))

    def trouble(self) -> str:
        return (
            f"log {self.board.log[-6:]}, console {bytes(self.board.console[-1500:]).decode(errors='replace')}"
        )

    def status(self) -> dict[str, Any]:
        head = self.ask("get_status").head
        return {**head, "state": codes.STATES[head["state"]], "fault": codes.FAULTS[head["fault"]]}

    def until(self, state: str, seconds: float, step: float = 0.05) -> dict[str, Any]:
        """Run until the board is in `state`; fail when it is not within `seconds`."""
        end = self.now + seconds
        seen = []
        while self.now < end:
            status = self.status()
            if status["state"] == state:
                return status
            if not seen or seen[-1] != (status["state"], status["fault"]):
                seen.append((status["state"], status["fault"]))
            self.run(step)
        raise AssertionError(f"state {state} not reached by {self.now:.2f} s; went {seen}; {self.trouble()}")

    def runs(self) -> list[tuple[Any, ...]]:
        return self.ask("list_runs", (0,)).each

    def read(self, run_id: int) -> bytes:
        """The bytes of a stored run."""
        reply = self.ask("read_run", (run_id, 0, 1 << 24), seconds=20)
        assert reply.name == "read_done", reply
        return self.stored
