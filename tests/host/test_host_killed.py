"""Programs killed (SIGKILL) at random moments while they run and import: nothing is lost."""

import hashlib
import random
import signal
import subprocess
import sys
import time
from binascii import crc32

import pytest
from evenfall.archive.archive import Archive, Query
from faulty_board import Faults, FaultyBoard
from sample_runs import sample_run

SCRIPT = """
import sys
from pathlib import Path
from evenfall.workflow import fetch
from evenfall.board import link
from evenfall.archive.archive import Archive, read_export
from evenfall.workflow.reduce_service import reduce_stored

def work(folder, *what):
    with Archive(folder) as archive:
        print("at work", flush=True)
        if what[0] == "pull":
            with link.Link(what[1]) as line:
                entries = [e for e in line.runs() if "acknowledged" not in e.flags]
                for _, run, _ in fetch.take_runs(line, archive, entries, fetch.Filing()):
                    reduce_stored(archive, run)
        else:
            for path in what[1:]:
                run, new = archive.import_file(read_export(Path(path)))
                archive.add_note(run, "imported " + path)
                reduce_stored(archive, run)
work(*sys.argv[1:])
"""


def started(folder, *what):
    """The program, once it is past its imports and at work; each import takes it more than a second."""
    process = subprocess.Popen(
        [sys.executable, "-c", SCRIPT, str(folder), *what], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout
    assert process.stdout.readline() == "at work\n"
    return process


def killed_while_pulling(times, seed, tmp_path):
    """Kill the run `times` times at random moments, then let it finish; return how often it was hit."""
    rng = random.Random(seed)
    hits = tried = 0
    runs = {n: sample_run(n, seconds=5.0) for n in range(1, 3 + times)}
    folder = tmp_path / "kept"
    with FaultyBoard(tmp_path, runs, Faults(bytes_per_s=400_000)) as board:
        while tried < times or (not hits and tried < 10 * times):
            tried += 1
            process = started(folder, "pull", board.url)
            time.sleep(rng.uniform(0, 0.25))
            process.send_signal(signal.SIGKILL)
            hits += process.wait() == -signal.SIGKILL
            time.sleep(0.05)  # the board's half-sent frame runs into the closed port
            with Archive(folder) as archive:
                assert archive.check() == []
                kept = {archive.row(r["run"])["sha256"] for r in archive.find(Query(limit=10_000))}
            # whatever the board was told is safe, is
            for run_id, (size, crc) in board.acknowledged.items():
                assert (size, crc) == (len(runs[run_id]), crc32(runs[run_id]))
                assert hashlib.sha256(runs[run_id]).hexdigest() in kept
        last = started(folder, "pull", board.url)
        assert last.wait(120) == 0
        assert set(board.acknowledged) == set(runs)
    with Archive(folder) as archive:
        rows = archive.find(Query(limit=10_000))
        assert sorted(archive.raw(r["run"]) for r in rows) == sorted(runs.values())
        assert archive.check() == []
    assert list((folder / "incoming").iterdir()) == []
    return hits


def killed_while_importing(times, seed, tmp_path):
    """As above with files; a file imported before the kill is not imported twice."""
    rng = random.Random(seed)
    hits = tried = 0
    files = []
    with Archive(tmp_path / "source") as source:
        for n in range(8):
            run = source.store_run(sample_run(n))
            source.add_note(run, f"note {n}")
            files.append(tmp_path / f"{n}.json")
            files[-1].write_bytes(source.export(run))
    folder = tmp_path / "kept"
    while tried < times or (not hits and tried < 10 * times):
        tried += 1
        process = started(folder, "import", *map(str, files))
        time.sleep(rng.uniform(0, 0.2))
        process.send_signal(signal.SIGKILL)
        hits += process.wait() == -signal.SIGKILL
        with Archive(folder) as archive:
            assert archive.check() == []
            for row in archive.find(Query(limit=100)):
                # whole or not at all: with its frames come its notes
                assert archive.notes(row["run"])[0]["text"] == f"note {row['board_run']}"
    assert started(folder, "import", *map(str, files)).wait(120) == 0
    with Archive(folder) as archive:
        assert len(archive.find(Query(limit=100))) == len(files)
        assert archive.check() == []
    return hits


def test_killed_while_pulling(tmp_path):
    assert killed_while_pulling(3, 1, tmp_path) >= 1


def test_killed_while_importing(tmp_path):
    assert killed_while_importing(3, 2, tmp_path) >= 1


@pytest.mark.study
def test_study_of_killed_programs(tmp_path):
    for name, work in (("pulling", killed_while_pulling), ("importing", killed_while_importing)):
        (tmp_path / name).mkdir()
        hits = work(100, 3, tmp_path / name)
        print(f"\nkilled {hits} times of 100 while {name}: archive sound, nothing lost or twice")
