"""The built package: what it carries, and that it works where no checkout is."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PARTS = ("firmware", "protocol", "host", "bench_sim")
FILES = ("pyproject.toml", "setup.py", "MANIFEST.in", "README.md", "LICENSE")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy, so that nothing of an earlier build gets in."""
    work = tmp_path_factory.mktemp("wheel")
    for part in PARTS:
        shutil.copytree(
            ROOT / part, work / "src" / part, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info")
        )
    for name in FILES:
        shutil.copy(ROOT / name, work / "src" / name)
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", work / "dist", work / "src"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=work)
    assert done.returncode == 0, done.stderr
    return next((work / "dist").glob("*.whl"))


@pytest.fixture
def unpacked(wheel: Path, tmp_path: Path) -> Path:
    site = tmp_path / "site"
    zipfile.ZipFile(wheel).extractall(site)
    return site


def run_from(site: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command of the unpacked package; the libraries are those of this environment."""
    code = f"import sys; sys.path.insert(0, {str(site)!r}); from evenfall.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-I", "-c", code, *words], capture_output=True, text=True, cwd=site.parent
    )


def test_the_wheel_carries_the_firmware_and_no_stray_package(wheel: Path) -> None:
    archive = zipfile.ZipFile(wheel)
    names = set(archive.namelist())
    tops = {name.partition("/")[0] for name in names}
    assert {t for t in tops if not t.endswith(".dist-info")} == {
        "evenfall",
        "evenfall_bench",
        "evenfall_wire",
    }
    for source in (ROOT / "firmware").rglob("*.py"):
        if "__pycache__" not in source.parts:
            inside = f"evenfall/firmware/{source.relative_to(ROOT / 'firmware').as_posix()}"
            assert archive.read(inside) == source.read_bytes()
    for package in (
        ROOT / "host/evenfall",
        ROOT / "bench_sim/evenfall_bench",
        ROOT / "protocol/evenfall_wire",
    ):
        for source in package.rglob("*"):
            if source.is_file() and "__pycache__" not in source.parts:
                assert source.relative_to(package.parent).as_posix() in names
    hashes = json.loads(archive.read("evenfall/firmware/hashes.json"))["files"]
    for path, digest in hashes.items():
        inside = path[5:] if path.startswith("/lib/evenfall_wire/") else f"evenfall/firmware{path}"
        assert hashlib.sha256(archive.read(inside)).hexdigest() == digest
    assert "/main.py" in hashes and "/lib/evenfall_wire/frames.py" in hashes


def test_an_unpacked_wheel_builds_the_firmware_and_refuses_a_changed_file(unpacked: Path) -> None:
    from evenfall.board.firmware_install import compiled, firmware_files, version_of

    done = run_from(unpacked, "board", "build", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["version"] == version_of(compiled(firmware_files(ROOT)))
    # one byte of the carried firmware is another one: nothing is built of it
    guard = unpacked / "evenfall/firmware/lib/evenfall_board/guard.py"
    guard.write_bytes(guard.read_bytes().replace(b"1", b"2", 1))
    done = run_from(unpacked, "board", "build")
    assert done.returncode == 5
    assert "guard.py" in done.stderr and "not as it was built" in done.stderr


class Installed:
    """The wheel in a clean environment with its optional parts, and a bare board on the practice bench."""

    def __init__(self, wheel: Path, folder: Path) -> None:
        self.folder = folder
        self.bin = folder / "venv" / "bin"
        subprocess.run([sys.executable, "-m", "venv", folder / "venv"], check=True)
        pip = [self.bin / "python", "-m", "pip", "install", "-q", "-c", ROOT / ".ci" / "constraints.txt"]
        subprocess.run([*pip, f"{wheel}[bench,board,curves]"], check=True)
        self.log = folder / "log"
        words = ["live", "--bare", "--runs", "0", "--control", "control", "--port-link", "port"]
        with self.log.open("w") as log:
            self.bench = subprocess.Popen(
                [self.bin / "evenfall-bench", *words], stdout=log, stderr=log, stdin=subprocess.DEVNULL,
                cwd=folder, env=self.environment,
            )  # fmt: skip
        self.until(lambda: "prompt" in self.log.read_text())

    @property
    def environment(self) -> dict[str, str]:
        clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL", "EVENFALL"))}
        return {
            **clean,
            "PATH": f"{self.bin}:/usr/bin:/bin",
            "HOME": str(self.folder),
            "EVENFALL_PORT": "port",
        }

    def run(self, *words: str) -> str:
        done = subprocess.run(
            words, capture_output=True, text=True, cwd=self.folder, env=self.environment, timeout=300
        )
        assert done.returncode == 0, f"{words}: {done.stderr}"
        return done.stdout + done.stderr

    def until(self, happened: Callable[[], bool], limit_s: float = 120.0) -> None:
        end = time.monotonic() + limit_s
        while not happened():
            assert time.monotonic() < end and self.bench.poll() is None, self.log.read_text()
            time.sleep(0.2)


@pytest.fixture
def installed(wheel: Path, tmp_path: Path) -> Iterator[Installed]:
    made = Installed(wheel, tmp_path)
    yield made
    made.bench.terminate()
    made.bench.wait(120)


@pytest.mark.study
def test_from_the_wheel_to_a_page_outside_any_checkout(installed: Installed) -> None:
    run = installed.run
    where = run(
        "python", "-c", "import evenfall, evenfall_bench; print(evenfall.__file__, evenfall_bench.__file__)"
    )
    assert str(ROOT) not in where and str(installed.folder) in where

    assert "every file agrees by hash" in run("evenfall", "board", "install", "--any-board")
    installed.until(lambda: "boot reset" in installed.log.read_text())
    installed.until(lambda: "kill line high" in installed.log.read_text())
    told = next(line for line in installed.log.read_text().splitlines() if "board set --port PORT" in line)
    run("evenfall", "board", "set", *told.partition("PORT ")[2].split())

    run("evenfall-bench", "act", "--control", "control", "throttle", "open")
    time.sleep(3)
    run("evenfall-bench", "act", "--control", "control", "button")
    state = ""

    def state_is(*wanted: str) -> bool:
        nonlocal state
        state = json.loads(run("evenfall", "board", "status", "--json"))["status"]["state"]
        return state in wanted

    installed.until(lambda: state_is("sweep"))
    installed.until(lambda: not state_is("sweep", "steady"))
    run("evenfall-bench", "act", "--control", "control", "throttle", "close")
    installed.until(lambda: state_is("rest"))

    pulled = run("evenfall", "pull", "--archive", "archive")
    assert "Verdict of the board" in pulled
    assert list((installed.folder / "archive" / "plots").glob("*.png"))
    run("evenfall", "page", "1", "--archive", "archive")
    page = next((installed.folder / "archive" / "pages").glob("*.html")).read_text()
    assert "<svg" in page and "://" not in page.replace("http://www.w3.org", "")

    # a second firmware and back: the button held at power-on leaves the board at its prompt
    run("evenfall-bench", "act", "--control", "control", "button", "60")
    run("evenfall-bench", "act", "--control", "control", "power", "off", "1")
    installed.until(lambda: installed.log.read_text().count("its prompt answers") == 2)
    run("evenfall", "board", "install", "--any-board", "--source", "--no-restart")
    assert "earlier firmware again" in run("evenfall", "board", "rollback", "--any-board")
