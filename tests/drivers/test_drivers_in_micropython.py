"""The drivers in the MicroPython interpreter over scripted FIFO words, with the heap locked."""

import re
import subprocess
from pathlib import Path

import pytest
from pio_rig import ROOT

UPY = Path(__file__).parent / "upy"
CASES = re.findall(r"^def ((?:load|hall|i2c_amplifier)_\w+)\(\):", (UPY / "cases.py").read_text(), re.M)


def test_cases_are_found():
    assert len(CASES) >= 15


@pytest.mark.parametrize("case", CASES)
def test_case(micropython, case):
    path = [UPY, *(ROOT / p for p in ("bench_sim/evenfall_bench/shims", "firmware/lib", "protocol"))]
    env = {"MICROPYPATH": ":".join(map(str, path))}
    done = subprocess.run([micropython, UPY / "cases.py", case], env=env, capture_output=True, text=True)
    assert done.stdout.strip().endswith("passed"), done.stdout + done.stderr
