"""A session at the bench: board, port, operator and physics run together for a while."""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

from .chip.board import ChipBoard
from .chip.parts import Parts
from .image import CHIP_MARCH, FIRMWARE, describe, make_image
from .lockstep import Board, HostPort
from .operator import Operator
from .physics import Bench
from .port import PtyPort

SLICE_S = 0.02  # virtual time between two looks at whoever waits

CHIP_READY_S = 6.0  # from power-on to the first opening of the throttle


class Session:
    """Everything switched on.  Use as a context; `close` ends the interpreter and the port.

    scenario: complete (scenario.load).  image: keep the board's flash there, and take it
    over when it exists; without one the flash lives in a temporary folder.  chip: run the firmware on
    an emulated chip (chip.parts.find) in the place of the interpreter; chip_cache: with misses
    of its flash cache.  bare: a fresh board has no firmware and no settings and waits at its prompt.
    """

    def __init__(
        self,
        scenario: dict[str, Any],
        seed: int = 1,
        runs: int = 1,
        image: Path | None = None,
        port: HostPort | None = None,
        port_link: str | None = None,
        firmware: Path = FIRMWARE,
        heap_kib: int = 512,
        chip: Parts | None = None,
        chip_cache: bool = False,
        bare: bool = False,
    ) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="evenfall-bench-")
        self.folder = Path(self._folder.name)
        self.image = image or self.folder / "flash.img"
        if not self.image.exists():
            filler = scenario["flash"]["filler_kib"]
            extra = {"/foreign.bin": bytes(range(256)) * (4 * filler)} if filler else None
            make_image(
                self.image,
                firmware,
                blocks=scenario["flash"]["blocks"],
                settings=None if bare else describe(scenario),
                march=CHIP_MARCH if chip else "",
                extra=extra,
                bare=bare,
            )
        if chip:  # it takes as long to come up as the real one: a person waits for its LED
            waits_s = max(scenario["operator"]["ready_s"], CHIP_READY_S)
            scenario = {**scenario, "operator": {**scenario["operator"], "ready_s": waits_s}}
        self.scenario = scenario
        self.bench = Bench(scenario, seed)
        self.operator = Operator(scenario, self.bench, runs)
        self.port = port or PtyPort(port_link)
        self._started = time.monotonic()
        what = (scenario, self.bench, self.operator, self.image, self.port)
        self.board: Board
        if chip is None:
            self.board = Board(*what, firmware=firmware, heap_kib=heap_kib)
        else:
            self.board = ChipBoard(*what, parts=chip, xip_model=chip_cache)

    def __enter__(self) -> Session:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Switch off."""
        self.board.close()
        if isinstance(self.port, PtyPort):
            self.port.close()
        self._folder.cleanup()

    @property
    def port_path(self) -> str:
        """What the host opens."""
        return self.port.path if isinstance(self.port, PtyPort) else ""

    @property
    def wall_s(self) -> float:
        """Real time since the session was made."""
        return time.monotonic() - self._started

    def run_for(self, seconds: float, until: Callable[[], bool] | None = None) -> None:
        """Run for simulated `seconds`, or until `until()` is true."""
        end = self.board.time_s + seconds
        while self.board.time_s < end and not (until and until()):
            self.board.run_until(min(end, self.board.time_s + SLICE_S))

    def run_script(self, limit_s: float = 3600.0) -> None:
        """Run, as fast as it goes, until the operator has made all sweeps and every fault is over."""
        self.board.paced = False
        self.run_for(limit_s, lambda: self.operator.over)

    def run_beside(self, command: list[str], timeout_s: float = 120.0) -> subprocess.CompletedProcess[str]:
        """Run a host program while the bench goes on; its output is captured.

        Raises subprocess.TimeoutExpired when it takes longer than `timeout_s` of real time.
        """
        self.board.paced = True
        out_path, err_path = self.folder / "out", self.folder / "err"
        with out_path.open("w") as out, err_path.open("w") as err:
            process = subprocess.Popen(command, stdout=out, stderr=err, stdin=subprocess.DEVNULL)
            limit = time.monotonic() + timeout_s
            try:
                while process.poll() is None:
                    self.board.run_until(self.board.time_s + SLICE_S)
                    if time.monotonic() > limit:
                        process.kill()
                        process.wait()
                        raise subprocess.TimeoutExpired(command, timeout_s)
            finally:
                if process.poll() is None:
                    process.kill()
                    process.wait()
        return subprocess.CompletedProcess(
            command, process.returncode, out_path.read_text(), err_path.read_text()
        )


def environment() -> dict[str, str]:
    """Environment for host programs: no colours, a wide terminal."""
    return {**os.environ, "NO_COLOR": "1", "COLUMNS": "120"}
