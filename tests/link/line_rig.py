"""A bench that goes on in its own thread, with the board's real firmware, while a test is its host."""

from __future__ import annotations

import queue
import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

from evenfall_bench import scenario as scenarios
from evenfall_bench.port import PtyPort
from evenfall_bench.session import Session
from littlefs import LittleFS, UserContext

BLOCK = 4096
# free spins of the engine, recorded without a button: what is in a run does not matter to the line
RECORDING = {
    "operator": {"arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 7.0, "rest_s": 8.0, "ready_s": 2.0},
}
SLICE_S = 0.004


def with_link(**link: Any) -> dict[str, Any]:
    """The recording scenario with other values in [link]."""
    return scenarios.complete({**RECORDING, "link": link})


def record_runs(image: Path, runs: int = 2, **more: Any) -> None:
    """Let the board record and store `runs` runs into a new flash image."""
    with Session(scenarios.complete({**RECORDING, **more}), seed=7, runs=runs, image=image) as session:
        session.run_script()
        session.run_for(4.0)
        said = bytes(session.board.console).decode(errors="replace")
        assert "Traceback" not in said, said
    assert len(runs_on_flash(image)) == runs


def files_on_flash(image: Path) -> LittleFS:
    """The image mounted by littlefs-python: another build of littlefs than MicroPython's."""
    data = bytearray(image.read_bytes())
    context = UserContext(buffsize=len(data))
    context.buffer = data
    fs = LittleFS(context, block_size=BLOCK, block_count=len(data) // BLOCK, mount=False)
    fs.mount()
    return fs


def runs_on_flash(image: Path) -> dict[int, tuple[bytes, str]]:
    """{run number: (its bytes, ending of its file name)}; the host's copies are held against these."""
    fs = files_on_flash(image)
    out = {}
    for name in fs.listdir("/runs"):
        number, _, ending = name.partition(".")
        with fs.open(f"/runs/{name}", "rb") as f:
            out[int(number, 16)] = (f.read(), ending)
    return out


class CuttingPort(PtyPort):
    """A pty on a line that now and then swallows the rest of what it was given."""

    def __init__(self, link_path: str, seed: int, chance: float) -> None:
        self._random = Random(seed)
        self._chance = chance
        self.cuts = 0
        super().__init__(link_path)

    def write(self, data: bytes) -> bool:
        """Pass `data` on, or only its beginning."""
        if data and self._random.random() < self._chance:
            self.cuts += 1
            data = data[: self._random.randrange(len(data))]
        return super().write(data)


class LiveBench:
    """Context manager.  `url` follows the port over replugging; `do(f)` runs `f(session)` in between."""

    def __init__(
        self,
        scenario: dict[str, Any],
        folder: Path,
        image: Path | None = None,
        runs: int = 0,
        port: PtyPort | None = None,
        seed: int = 7,
        slice_s: float = SLICE_S,
    ) -> None:
        self.image = folder / "flash.img"
        if image:
            shutil.copy(image, self.image)
        self.url = str(folder / "port")
        self.session = Session(
            scenario, seed, runs, image=self.image, port=port, port_link=None if port else self.url
        )
        self.session.board.paced = True
        self._todo: queue.Queue[Callable[[Session], object]] = queue.Queue()
        self._each: list[Callable[[Session], object]] = []
        self._slice_s = slice_s
        self._end = False
        self.error: BaseException | None = None
        self._thread = threading.Thread(target=self._work, daemon=True)

    def __enter__(self) -> LiveBench:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end = True
        self._thread.join(60)
        self.session.close()
        if self.error:
            raise self.error

    def _work(self) -> None:
        board = self.session.board
        try:
            while not self._end:
                board.run_until(board.time_s + self._slice_s)
                while not self._todo.empty():
                    self._todo.get()(self.session)
                for look in self._each:
                    look(self.session)
        except BaseException as error:
            self.error = error

    def do(self, what: Callable[[Session], object]) -> None:
        """Run `what(session)` in the bench's thread, soon."""
        self._todo.put(what)

    def at_each_slice(self, what: Callable[[Session], object]) -> None:
        """Run `what(session)` every few simulated milliseconds."""
        self._each.append(what)

    def happened(self, what: str) -> int:
        """How often `what` is in the board's log."""
        return sum(1 for _, name, _ in self.session.board.log if name == what)

    @property
    def console(self) -> str:
        """What the interpreter said besides frames."""
        return bytes(self.session.board.console).decode(errors="replace")
