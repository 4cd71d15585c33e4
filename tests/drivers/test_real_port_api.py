"""The firmware calls only what the chip's port of MicroPython has, with arguments that it takes.

Outside reference: micropython-rp2-stubs (made from the port's documentation and source), which
`make setup` puts into .venv/typings; mypy compares.
"""

import os
import re
import subprocess
import sys

import pytest
from pio_rig import ROOT

TYPINGS = ROOT / ".venv/typings"
# what a wrong name, argument or module would raise
CODES = "attr-defined|call-arg|call-overload|import-not-found|name-defined"


def findings(package_root, target):
    assert (TYPINGS / "machine.pyi").exists(), "no stubs in .venv/typings: run make setup"
    command = [
        sys.executable,
        "-m",
        "mypy",
        "--config-file=",
        "--check-untyped-defs",
        "--follow-imports=silent",
    ]
    env = {**os.environ, "MYPYPATH": f"{TYPINGS}:{ROOT / 'protocol'}"}
    done = subprocess.run(
        [*command, "--no-incremental", *target], cwd=package_root, env=env, capture_output=True, text=True
    )
    assert "errors prevented further checking" not in done.stdout, done.stdout
    assert "source file" in done.stdout, done.stdout + done.stderr
    lines = [line for line in done.stdout.splitlines() if not line.startswith(str(TYPINGS))]
    return [line for line in lines if re.search(rf"\[({CODES})\]$", line)]


@pytest.mark.slow
def test_firmware_against_the_ports_stubs():
    found = findings(ROOT / "firmware/lib", ["-p", "evenfall_board"])
    # inside the PIO programs the assembler's names are the port's own: test_pio_assembler has those
    assert [line for line in found if "drivers/programs.py" not in line] == []


def test_the_check_would_notice(tmp_path):
    (tmp_path / "wrong.py").write_text(
        "import machine\n\n\ndef f():\n    machine.Pin(1).levle()\n    machine.WDT(time=5)\n"
    )
    found = findings(tmp_path, ["wrong.py"])
    assert len(found) == 2 and "levle" in found[0], found
