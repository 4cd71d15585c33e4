"""A bench with the tiny program of tests/bench/tiny_board on it, for tests of the bench itself."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from evenfall_bench.image import PROJECT, make_image
from evenfall_bench.lockstep import Board
from evenfall_bench.operator import Operator
from evenfall_bench.physics import Bench
from evenfall_bench.scenario import complete

TINY = Path(__file__).parent / "tiny_board"
DRIVERS = PROJECT / "firmware" / "lib" / "evenfall_board" / "drivers"


class Wire:
    """A port without a pty: what the host would write and read."""

    full = False
    room = 0

    def __init__(self) -> None:
        self.to_board = b""
        self.heard = b""
        self.listening = True

    def exchange(self, wait_ms: int = 0) -> tuple[bytes, bool]:
        data, self.to_board = self.to_board, b""
        return data, self.listening

    def write(self, data: bytes) -> bool:
        self.heard += data
        return True

    def drop(self) -> None:
        pass

    def plug(self) -> None:
        self.listening = True

    def unplug(self) -> None:
        self.listening = False


class Rig:
    """`say` sends a line and returns what came back in the next simulated `for_s` seconds."""

    def __init__(self, partial: dict[str, Any] | None = None, seed: int = 1, runs: int = 0) -> None:
        self.scenario = complete(partial or {})
        self.folder = tempfile.TemporaryDirectory()
        image = Path(self.folder.name) / "flash.img"
        # the chip's programs are the firmware's own files; everything else on this board is the test's
        extra = {f"/lib/evenfall_board/drivers/{p.name}": p.read_bytes() for p in DRIVERS.glob("*.py")}
        extra["/lib/evenfall_board/__init__.py"] = b""
        make_image(image, TINY, blocks=self.scenario["flash"]["blocks"], extra=extra)
        self.wire = Wire()
        self.bench = Bench(self.scenario, seed)
        self.operator = Operator(self.scenario, self.bench, runs)
        self.board = Board(self.scenario, self.bench, self.operator, image, self.wire, TINY)

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, *_: object) -> None:
        self.board.close()
        self.folder.cleanup()

    def run(self, seconds: float) -> None:
        self.board.run_until(self.board.time_s + seconds)

    def say(self, text: str, for_s: float = 0.1) -> str:
        before = len(self.wire.heard)
        self.wire.to_board += text.encode() + b"\n"
        self.run(for_s)
        return self.wire.heard[before:].decode(errors="replace")

    def happened(self, what: str) -> list[tuple[float, str]]:
        return [(t, detail) for t, w, detail in self.board.log if w == what]
