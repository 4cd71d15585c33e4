"""The study of the firmware on the emulated chip, part by part; skipped without an image."""

import subprocess
import sys

import pytest
from evenfall_bench.chip import parts
from evenfall_bench.image import PROJECT, BenchError


@pytest.mark.study
@pytest.mark.parametrize("part", ["install", "options", "sweeps", "cuts", "figures", "fast"])
def test_every_row_passes(part):
    try:
        parts.find()
    except BenchError as error:
        pytest.skip(str(error))
    command = [sys.executable, str(PROJECT / "bench_sim/studies/chip_study.py"), part]
    assert subprocess.run(command, check=False).returncode == 0
