"""What a command says while a bar is drawn stays on the screen, above the bar."""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path

from real_terminal import Terminal

FETCH = """
import time
from types import SimpleNamespace
from evenfall.cli._root import progress
from evenfall.cli.pull import _bars

runs = [SimpleNamespace(run_id=number, size=40000) for number in (1, 2)]
with _bars(runs) as bars:
    for run in runs:
        for here in range(0, 40001, 8000):
            bars(run.run_id, here, 40000)
            time.sleep(0.05)
        progress(f"run {run.run_id} of the board: 40000 bytes verified, archived and acknowledged")
progress("line: clean")
"""


def test_what_pull_says_is_not_erased_by_its_bar(tmp_path: Path) -> None:
    script = tmp_path / "fetch.py"
    script.write_text(FETCH, encoding="utf-8")
    with Terminal(tmp_path, dict(os.environ)) as terminal:
        terminal.run(f"{shlex.quote(sys.executable)} {script}")
        lines = terminal.text().splitlines()
        assert not terminal.wide
    said = [line for line in lines if line.startswith(("run ", "line:"))]
    assert said == [
        "run 1 of the board: 40000 bytes verified, archived and acknowledged",
        "run 2 of the board: 40000 bytes verified, archived and acknowledged",
        "line: clean",
    ]
