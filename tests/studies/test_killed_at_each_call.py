"""Programs killed before each system call that changes a file or speaks to the board.

Between two such calls nothing outside the program changes, so these are all the states that a kill can leave.
strace (Debian's package) delivers SIGKILL on entering the nth call of one name; n goes up until the program
comes through.  A process that has imported everything forks each program, so that only its work is counted.
Another share of the calls: EVENFALL_STUDY_ATTACKS (1: all).
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from evenfall.archive.archive import FILE_NAME, Archive, Query

sys.path.append(str(Path(__file__).resolve().parents[1] / "host"))
from faulty_board import Faults, FaultyBoard
from sample_runs import sample_run

pytestmark = [
    pytest.mark.study,
    pytest.mark.skipif(not shutil.which("strace"), reason="needs strace (apt-get install strace)"),
]
SHARE = float(os.environ.get("EVENFALL_STUDY_ATTACKS", "1"))
CALLS = (
    "openat", "write", "pwrite64", "writev", "fsync", "fdatasync", "ftruncate", "fallocate",
    "unlink", "unlinkat", "rename", "renameat", "renameat2", "link", "linkat", "mkdir", "mkdirat",
)  # fmt: skip

NURSERY = """
import json, os, sys
from pathlib import Path
import scipy.ndimage, scipy.optimize, scipy.signal, scipy.special, scipy.stats, uvicorn
from evenfall.archive.archive import Archive, read_export, restore
from evenfall.board import link
from evenfall.cli import load_commands, run
import evenfall.screen.server
from evenfall.workflow import fetch
from evenfall.workflow.reduce_service import reduce_stored
load_commands()

def pull(folder, url):
    with Archive(folder) as archive, link.Link(url) as line:
        entries = [e for e in line.runs() if "acknowledged" not in e.flags]
        for _, number, _ in fetch.take_runs(line, archive, entries, fetch.Filing()):
            reduce_stored(archive, number)

def take_in(folder, *paths):
    with Archive(folder) as archive:
        for path in paths:
            number, _ = archive.import_file(read_export(Path(path)))
            reduce_stored(archive, number)

def put_back(folder, source):
    restore(Path(folder), Path(source))

def copy(folder, target, *replace):
    with Archive(folder) as archive:
        archive.backup(Path(target), bool(replace))

def screen(folder, url):
    os.dup2(0, 2)
    run(["screen", "--port", url, "--archive", folder, "--no-browser", "--http-port", "0"])

print("ready", flush=True)
for line in sys.stdin:
    work, *words = json.loads(line)
    out, go = os.pipe()
    child = os.fork()
    if not child:
        os.close(go)
        os.read(out, 1)
        os.dup2(os.open(os.devnull, os.O_RDWR), 0), os.dup2(0, 1)
        try:
            globals()[work](*words)
        except BaseException as error:
            print(repr(error), file=sys.stderr, flush=True)
            os._exit(1)
        os._exit(0)
    os.close(out)
    print(child, flush=True)
    sys.stdin.readline()
    os.write(go, b"g")
    os.close(go)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


class Nursery:
    """The process that forks the programs."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", NURSERY], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.answer() == "ready"

    def answer(self) -> str:
        assert self.process.stdout
        return self.process.stdout.readline().strip()

    def say(self, line: str) -> None:
        assert self.process.stdin
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def run(
        self, work: tuple[str, ...], call: str = "", nth: int = 0, until: Callable[[], bool] | None = None
    ) -> int:
        """Run the program, killed on entering its nth `call`; its exit code.

        Args:
            until: for a program that does not end by itself: it is killed when this is true.
        """
        self.say(json.dumps(work))
        child = int(self.answer())
        tracer = None
        if call:
            words = ["-f", "-p", str(child), "-o", os.devnull, "-e", f"trace={call}"]
            words += ["-e", f"inject={call}:signal=KILL:when={nth}"]
            tracer = subprocess.Popen(["strace", *words], stderr=subprocess.PIPE, text=True)
            assert tracer.stderr and "attached" in (told := tracer.stderr.readline()), told
        self.say("go")
        end = time.monotonic() + 120
        while until and Path(f"/proc/{child}").exists() and _state(child) not in ("Z", "") and not until():
            assert time.monotonic() < end
            time.sleep(0.02)
        if until and Path(f"/proc/{child}").exists():
            os.kill(child, signal.SIGKILL)
        code = int(self.answer())
        if tracer:
            tracer.wait(20)
        return code


def _state(process: int) -> str:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except (OSError, IndexError):
        return ""


@pytest.fixture(scope="module")
def nursery() -> Iterator[Nursery]:
    made = Nursery()
    yield made
    assert made.process.stdin
    made.process.stdin.close()
    made.process.wait(20)


def at_each_call(name: str, tmp_path: Path, attempt: Callable[[Path, str, int], bool]) -> None:
    """`attempt` runs a program to its nth call and looks; it says whether that call was reached."""
    hits, stride = Counter[str](), max(1, round(1 / SHARE))
    for call in CALLS:
        for nth in itertools.count(1, stride):
            folder = tmp_path / f"{call}-{nth}"
            folder.mkdir()
            reached = attempt(folder, call, nth)
            shutil.rmtree(folder)
            if not reached:
                break
            hits[call] += 1
    print(f"\nkilled before each of {hits.total()} system calls of {name}: {dict(hits)}")
    assert hits


def runs_in(folder: Path) -> list[bytes]:
    """The frames of all runs; the archive is sound and no damage of its log is told."""
    assert not list(folder.glob("*.damaged-*"))
    with Archive(folder) as archive:
        assert archive.check() == []
        return [archive.raw(r["run"]) for r in archive.find(Query(limit=1000))]


def test_a_fetch(nursery: Nursery, tmp_path: Path) -> None:
    runs = {n: sample_run(n, seconds=3.0) for n in (1, 2)}

    def attempt(folder: Path, call: str, nth: int) -> bool:
        with FaultyBoard(folder, runs, Faults()) as board:
            work = ("pull", str(folder / "kept"), board.url)
            code = nursery.run(work, call, nth)
            assert code in (0, -signal.SIGKILL)
            kept = runs_in(folder / "kept")
            assert len(set(kept)) == len(kept) and set(kept) <= set(runs.values())
            assert {runs[n] for n in board.acknowledged} <= set(kept)
            if code:
                assert nursery.run(work) == 0  # the next program finishes what this one began
                assert sorted(runs_in(folder / "kept")) == sorted(runs.values())
            assert set(board.acknowledged) == set(runs)
            assert list((folder / "kept" / "incoming").iterdir()) == []
        return code != 0

    at_each_call("a fetch of two runs", tmp_path, attempt)


def test_an_import(nursery: Nursery, tmp_path: Path) -> None:
    files = []
    with Archive(tmp_path / "source") as source:
        for n in (1, 2):
            run = source.store_run(sample_run(n, seconds=3.0))
            source.add_note(run, f"note {n}")
            files.append(tmp_path / f"{n}.json")
            files[-1].write_bytes(source.export(run))

    def attempt(folder: Path, call: str, nth: int) -> bool:
        work = ("take_in", str(folder / "kept"), *map(str, files))
        code = nursery.run(work, call, nth)
        assert code in (0, -signal.SIGKILL)
        runs_in(folder / "kept")
        with Archive(folder / "kept") as archive:
            for row in archive.find(Query()):  # whole or not at all: with its frames come its notes
                assert [n["text"] for n in archive.notes(row["run"])] == [f"note {row['board_run']}"]
        assert nursery.run(work) == 0
        assert len(runs_in(folder / "kept")) == len(files)
        return code != 0

    at_each_call("an import of two files", tmp_path, attempt)


def test_a_restore(nursery: Nursery, tmp_path: Path) -> None:
    """At work killed: the archive is the old one or the backup, and the old one is never gone."""
    old, new = ([sample_run(n, seconds=3.0) for n in numbers] for numbers in ((1, 2, 3), (4, 5)))
    for name, runs in (("old", old), ("new", new)):
        with Archive(tmp_path / name) as archive:
            for data in runs:
                archive.store_run(data)

    def attempt(folder: Path, call: str, nth: int) -> bool:
        kept = folder / "kept"
        shutil.copytree(tmp_path / "old", kept)
        work = ("put_back", str(kept), str(tmp_path / "new" / FILE_NAME))
        code = nursery.run(work, call, nth)
        assert code in (0, -signal.SIGKILL)
        found = sorted(runs_in(kept))
        assert found in (sorted(old), sorted(new))
        assert found == sorted(old) or old_is_beside(kept)
        assert nursery.run(work) == 0
        assert sorted(runs_in(kept)) == sorted(new) and old_is_beside(kept)
        return code != 0

    def old_is_beside(kept: Path) -> bool:
        for number, path in enumerate(kept.glob(f"{FILE_NAME}.before-*")):
            if not path.name.endswith(("-wal", "-shm")):
                place = kept / f"look-{number}"
                place.mkdir(exist_ok=True)
                shutil.copy(path, place / FILE_NAME)
                if sorted(runs_in(place)) == sorted(old):
                    return True
        return False

    at_each_call("a restore", tmp_path, attempt)


@pytest.mark.parametrize("over", [False, True])
def test_a_backup(nursery: Nursery, tmp_path: Path, over: bool) -> None:
    """The archive stays; the backup is whole, or the earlier one, or not there."""
    runs = [sample_run(n, seconds=3.0) for n in (1, 2, 3)]
    for name, count in (("kept", 3), ("earlier", 2)):
        with Archive(tmp_path / name) as archive:
            for data in runs[:count]:
                archive.store_run(data)

    def attempt(folder: Path, call: str, nth: int) -> bool:
        shutil.copytree(tmp_path / "kept", folder / "kept")
        target = folder / "stick" / FILE_NAME
        target.parent.mkdir()
        if over:
            shutil.copy(tmp_path / "earlier" / FILE_NAME, target)
        code = nursery.run(("copy", str(folder / "kept"), str(target), *["yes"] * over), call, nth)
        assert code in (0, -signal.SIGKILL)
        assert sorted(runs_in(folder / "kept")) == sorted(runs)
        if target.exists():
            found = sorted(runs_in(target.parent))
            assert found == sorted(runs) or (over and code and found == sorted(runs[:2]))
        else:
            assert code and not over
        return code != 0

    at_each_call("a backup over an earlier one" if over else "a backup", tmp_path, attempt)


def test_the_screens_server(nursery: Nursery, tmp_path: Path) -> None:
    """It fetches by itself; a name of calls is done when both runs were acknowledged before the kill."""
    runs = {n: sample_run(n, seconds=3.0) for n in (1, 2)}

    def attempt(folder: Path, call: str, nth: int) -> bool:
        with FaultyBoard(folder, runs, Faults()) as board:
            work = ("screen", str(folder / "kept"), board.url)
            all_told = partial_told(board)
            nursery.run(work, call, nth, until=all_told)
            reached = not all_told()
            kept = runs_in(folder / "kept")
            assert len(set(kept)) == len(kept) and set(kept) <= set(runs.values())
            assert {runs[n] for n in board.acknowledged} <= set(kept)
            if reached:
                nursery.run(work, until=all_told)
            assert sorted(runs_in(folder / "kept")) == sorted(runs.values())
        return reached

    def partial_told(board: FaultyBoard) -> Callable[[], bool]:
        return lambda: set(board.acknowledged) == set(runs)

    at_each_call("the screen's server, until two runs are fetched", tmp_path, attempt)
