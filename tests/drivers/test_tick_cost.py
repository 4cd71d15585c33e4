"""The cost of a control tick on an RP2040, estimated from counted instructions; printed under make bench."""

import shutil
import subprocess
import sys

import pytest
from pio_rig import ROOT

DRIVERS = ROOT / "firmware/lib/evenfall_board/drivers"


@pytest.mark.study
@pytest.mark.skipif(not shutil.which("valgrind"), reason="valgrind is not installed")
def test_tick_cost():
    done = subprocess.run(
        [sys.executable, str(ROOT / "bench_sim/studies/tick_cost.py")], capture_output=True, text=True
    )
    print(done.stdout)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "control tick" in done.stdout


@pytest.mark.parametrize("file, function", [("hall", "poll"), ("load_cell", "poll")])
def test_calls_at_each_pass_need_no_heap(micropython, tmp_path, file, function):
    """MicroPython puts a call's variables on the heap when they need more than 11 words (py/objfun.c).

    That is freed at the return, but searching the room costs as much as the work.
    """
    copy = tmp_path / f"{file}.py"
    copy.write_text((DRIVERS / f"{file}.py").read_text())
    command = [micropython, "-v", "-v", "-X", "compile-only", str(copy)]
    listing = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    block = listing[listing.index(f"code block '{function}'") :]
    words = int(block[block.index("(N_STATE ") + 9 :].split(")", 1)[0])
    assert 0 < words <= 11
