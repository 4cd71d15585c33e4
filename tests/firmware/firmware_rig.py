"""Runs a script in the real MicroPython interpreter with the board's files on its path."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
SCRIPTS = Path(__file__).resolve().parent / "on_board"
MICROPYTHON = Path(sys.executable).parent / "micropython"


def on_board(script: str, *args: str, heap_kib: int = 4096, timeout_s: float = 120.0) -> list[str]:
    """Lines that `on_board/<script>` printed; fails the test when it did not end well."""
    done = subprocess.run(
        [str(MICROPYTHON), "-X", f"heapsize={heap_kib}k", str(SCRIPTS / script), *args],
        env={"MICROPYPATH": f"{PROJECT}/firmware/lib:{PROJECT}/protocol:{SCRIPTS}"},
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
    assert done.returncode == 0, f"{script} {' '.join(args)}:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
    return done.stdout.splitlines()
