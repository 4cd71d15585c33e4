"""A run that the board was told is safe lies in the archive's own file, whatever happens to the log."""

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import closing

import pytest
from evenfall.archive import database
from evenfall.archive.archive import FILE_NAME, Archive, Query
from evenfall.board import link
from evenfall.errors import ArchiveError
from evenfall.workflow import fetch
from faulty_board import FaultyBoard
from sample_runs import sample_run

LOG = f"{FILE_NAME}-wal"


def kept_in(folder):
    """The frames of all runs of a closed archive."""
    with Archive(folder) as archive:
        return {archive.raw(row["run"]) for row in archive.find(Query(limit=1000))}


def damages(log, rng):
    """The log gone, cut at places, flipped at places."""
    yield None
    for _ in range(6):
        yield log[: rng.randrange(len(log) + 1)]
    for _ in range(6 if log else 0):
        hurt = bytearray(log)
        hurt[rng.randrange(len(log))] ^= 1 << rng.randrange(8)
        yield bytes(hurt)


def test_every_acknowledged_run_survives_any_damage_of_the_log(tmp_path):
    """The files as they lie after each acknowledgement, while the program is still at work."""
    runs = {n: sample_run(n, seconds=2.0) for n in range(1, 5)}
    rng, seen = random.Random(1), 0
    with FaultyBoard(tmp_path, runs) as board, Archive(tmp_path / "kept") as archive:
        with link.Link(board.url) as line:
            entries = line.runs()
            for _, number, _ in fetch.take_runs(line, archive, entries, fetch.Filing()):
                archive.add_note(number, "left in the log")
                main = (tmp_path / "kept" / FILE_NAME).read_bytes()
                log = (tmp_path / "kept" / LOG).read_bytes()
                for hurt in damages(log, rng):
                    place = tmp_path / f"damaged-{seen}"
                    place.mkdir()
                    (place / FILE_NAME).write_bytes(main)
                    if hurt is not None:
                        (place / LOG).write_bytes(hurt)
                    kept = kept_in(place)
                    assert {runs[n] for n in board.acknowledged} <= kept
                    shutil.rmtree(place)
                    seen += 1
    assert set(board.acknowledged) == set(runs) and seen >= 4 * 13


def test_nothing_is_acknowledged_while_a_reader_holds_the_log(tmp_path, monkeypatch):
    """A program that reads for long keeps SQLite from emptying the log; the next fetch tells the board."""
    monkeypatch.setattr(database, "SETTLE_S", 0.5)
    runs = {1: sample_run(1, seconds=1.0), 2: sample_run(2, seconds=1.0)}
    folder = tmp_path / "kept"
    Archive(folder).close()
    with FaultyBoard(tmp_path, runs) as board, closing(sqlite3.connect(folder / FILE_NAME)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM runs").fetchone()
        with Archive(folder) as archive, link.Link(board.url) as line:
            with pytest.raises(ArchiveError, match=r"run 1 .*board was not told.* another program .*"):
                list(fetch.take_runs(line, archive, line.runs(), fetch.Filing()))
            # whoever shows the progress can end the wait, as the screen does when somebody stops the bench
            monkeypatch.setattr(database, "SETTLE_S", 1e6)

            def stop(run, done, of):
                if len(archive.find(Query())) and done == of:
                    raise InterruptedError

            with pytest.raises(InterruptedError):
                list(fetch.take_runs(line, archive, line.runs(), fetch.Filing(), stop))
        assert board.acknowledged == {}
        reader.execute("ROLLBACK")
        with Archive(folder) as archive, link.Link(board.url) as line:
            came = [new for _, _, new in fetch.take_runs(line, archive, line.runs(), fetch.Filing())]
        assert came == [False, True] and set(board.acknowledged) == {1, 2}
    assert kept_in(folder) == set(runs.values())


def test_a_reader_that_soon_ends_only_delays_the_acknowledgement(tmp_path):
    runs = {1: sample_run(1, seconds=1.0)}
    folder = tmp_path / "kept"
    Archive(folder).close()
    reading = """
        import sqlite3, sys, time
        db = sqlite3.connect(sys.argv[1])
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM runs").fetchone()
        print("reading", flush=True)
        time.sleep(1.0)
    """
    with FaultyBoard(tmp_path, runs) as board:
        reader = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(reading), folder / FILE_NAME], stdout=subprocess.PIPE
        )
        assert reader.stdout and reader.stdout.readline()
        with Archive(folder) as archive, link.Link(board.url) as line:
            assert len(list(fetch.take_runs(line, archive, line.runs(), fetch.Filing()))) == 1
        assert set(board.acknowledged) == {1}
        assert reader.wait(120) == 0


AT_WORK = """
    import os, signal, subprocess, sys
    from evenfall.archive.archive import Archive, Query
    folder, data = sys.argv[1], [open(name, "rb").read() for name in sys.argv[2:]]
    archive = Archive(folder)
    archive.store_run(data[0])
    Archive(folder).close()  # as each page of the bench screen does
    code = "from evenfall.archive.archive import Archive; Archive(%r).close()" % folder
    subprocess.run([sys.executable, "-c", code], check=True)  # as any command in another terminal does
    archive.store_run(data[1])
    print(len(archive.find(Query())), flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(os.name != "posix", reason="locks of POSIX")
def test_another_program_leaves_the_log_of_a_process_that_opened_the_archive_twice(tmp_path):
    """Closing a file drops every POSIX lock that the process has on it (SQLite, "How To Corrupt", 2.2).

    Then the next program believes that it is the last one and removes the log under those at work.
    """
    names = []
    for n in (1, 2):
        names.append(tmp_path / f"{n}.run")
        names[-1].write_bytes(sample_run(n, seconds=1.0))
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(AT_WORK), tmp_path / "kept", *names],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert done.returncode == -signal.SIGKILL and done.stdout.strip() == "2", done.stderr
    assert kept_in(tmp_path / "kept") == {name.read_bytes() for name in names}


def damaged_copy(tmp_path, change):
    """An archive with four notes in its log, which `change` was let at; opened by nobody."""
    with Archive(tmp_path / "kept") as archive:
        archive.store_run(sample_run(1, seconds=1.0))
        archive.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        for n in range(4):
            archive.add_note(1, f"note {n}")
        place = tmp_path / "damaged"
        place.mkdir()
        for name in (FILE_NAME, LOG):
            shutil.copy(tmp_path / "kept" / name, place / name)
    hurt = bytearray((place / LOG).read_bytes())
    change(hurt)
    (place / LOG).write_bytes(hurt)
    return place


def texts(archive):
    return [note["text"] for note in archive.notes(1)]


@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 0.99])
def test_a_damaged_log_is_said_once_and_found_by_check(tmp_path, caplog, share):
    """At 0: its header.  What came before the damage is there, and a copy of the log is kept."""

    def flip(log):
        log[int(share * len(log))] ^= 4

    place = damaged_copy(tmp_path, flip)
    hurt = (place / LOG).read_bytes()
    with Archive(place) as archive:
        said = [r.getMessage() for r in caplog.records]
        assert len(said) == 1 and "newest changes" in said[0] and "damaged" in said[0]
        found = texts(archive)
        assert found == [f"note {n}" for n in range(len(found))] and len(found) < 4
        (copy,) = place.glob(f"{LOG}.damaged-*")
        assert copy.read_bytes() == hurt
        assert [s for s in archive.check() if copy.name in s] == archive.check() != []
        with Archive(place):
            pass
        assert len(caplog.records) == 1
    copy.unlink()  # looked at
    with Archive(place) as archive:
        assert archive.check() == [] and texts(archive) == found
    assert len(caplog.records) == 1


def test_a_log_that_ends_in_an_unfinished_change_is_no_damage(tmp_path, caplog):
    """That is what a kill leaves; it cannot be told from a log that was cut."""

    def cut(log):
        del log[-1000:]

    place = damaged_copy(tmp_path, cut)
    with Archive(place) as archive:
        assert texts(archive) == ["note 0", "note 1", "note 2"] and archive.check() == []
    assert not caplog.records


def test_a_log_that_was_begun_anew_over_an_older_one_is_no_damage(tmp_path, caplog):
    """After a checkpoint SQLite writes from the log's start; behind lie frames of before."""
    folder = tmp_path / "kept"
    with Archive(folder) as archive:
        archive.store_run(sample_run(1, seconds=1.0))
        archive.db.execute("PRAGMA wal_checkpoint(PASSIVE)")
        archive.add_note(1, "one")
        place = tmp_path / "copy"
        place.mkdir()
        for name in (FILE_NAME, LOG):
            shutil.copy(folder / name, place / name)
    with Archive(place) as archive:
        assert texts(archive) == ["one"] and archive.check() == []
    assert not caplog.records


FULL = """
    import resource, signal, sys
    from evenfall.cli import run
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    limit = int(sys.argv[3])
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    sys.exit(run(["pull", "--port", sys.argv[1], "--archive", sys.argv[2], "--no-plot"]))
"""


@pytest.mark.skipif(os.name != "posix", reason="limits of a process")
def test_a_full_disk_ends_a_pull_in_one_sentence_and_the_board_keeps_the_rest(tmp_path):
    runs = {n: sample_run(n, seconds=20.0) for n in range(1, 13)}
    with FaultyBoard(tmp_path, runs) as board:
        words = [sys.executable, "-c", textwrap.dedent(FULL), board.url, str(tmp_path / "kept")]
        done = subprocess.run([*words, "300000"], capture_output=True, text=True, timeout=200)
        assert done.returncode == 7, done.stderr
        full = [line for line in done.stderr.splitlines() if "was not told" in line or "disk" in line]
        told = set(board.acknowledged)
        assert len(full) <= 2 + len(told), done.stderr  # the one that did not fit; what could not be reduced
        assert 0 < len(told) < len(runs)
        assert {runs[n] for n in told} <= kept_in(tmp_path / "kept")
        done = subprocess.run([*words, "100000000"], capture_output=True, timeout=200)
        assert done.returncode == 0 and set(board.acknowledged) == set(runs)
    assert kept_in(tmp_path / "kept") == set(runs.values())
