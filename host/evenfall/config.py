"""What a person told once: port, units, archive, name of the bench, air standard.

One small TOML file, `$EVENFALL_CONFIG` or in the user's own configuration folder.  Options and environment
variables go before it.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import tempfile
import tomllib
from pathlib import Path

from evenfall.errors import InputError

# name -> what it is for
NAMES = {
    "port": "serial port or URL of the board",
    "units": "us: lb-ft and hp; si: N·m and kW",
    "archive": "folder of the archive",
    "bench": "name of the bench, on pages",
    "standard": "air standard of archives that chose none",
}


class NoHomeError(InputError):
    """Nobody knows the user's home folder: HOME is not set, and the system has no entry of this user."""


def home() -> Path:
    """The user's home folder; NoHomeError when it is not known."""
    try:
        return Path.home()
    except RuntimeError:
        raise NoHomeError(
            "your home folder is not known (HOME is not set, and the system has no entry of this user): "
            "set HOME",
            ", or name the folder of the archive with --archive",
        ) from None


def path() -> Path:
    """Where the file is; NoHomeError when that hangs on a home folder that nobody knows."""
    if told := os.environ.get("EVENFALL_CONFIG"):
        return Path(told)
    if sys.platform == "win32":
        folder = Path(os.environ.get("APPDATA") or home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        folder = home() / "Library" / "Application Support"
    else:
        folder = Path(os.environ.get("XDG_CONFIG_HOME") or home() / ".config")
    return folder / "evenfall" / "config.toml"


def load() -> dict[str, str]:
    """What is remembered; InputError when the file cannot be read or holds something else."""
    try:
        file = path()
    except NoHomeError:
        return {}
    try:
        body = tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{file} cannot be read ({error}); mend it, or remove it and set it anew") from None
    for name, value in body.items():
        if name not in NAMES:
            raise InputError(f"{file}: '{name}' is not known; known are {', '.join(NAMES)}")
        if not isinstance(value, str):
            raise InputError(f"{file}: {name} must be a text in quotes")
    return body


def get(name: str) -> str | None:
    """What is remembered under a name, or None."""
    return load().get(name)


def save(values: dict[str, str]) -> None:
    """Write the file whole: a crash leaves the old one.  InputError when it cannot be written."""
    file = path()
    if file.exists() and not file.is_file():
        raise InputError(f"{file} is no file: nothing can be remembered there; look at $EVENFALL_CONFIG")
    try:
        _write(file, values)
    except OSError as error:
        raise InputError(f"{file} cannot be written ({error.strerror}); look at its folder") from None


def _write(file: Path, values: dict[str, str]) -> None:
    lines = [f"{name} = {json.dumps(values[name], ensure_ascii=False)}" for name in NAMES if name in values]
    file.parent.mkdir(parents=True, exist_ok=True)
    handle, spare = tempfile.mkstemp(dir=file.parent, prefix=".config")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write("\n".join(lines) + "\n")
        os.replace(spare, file)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(spare)
        raise
