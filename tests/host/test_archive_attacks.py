"""The archive through read-only media, full disks, damage, other programs and planted files."""

import os
import re
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from contextlib import closing, suppress

import numpy as np
import pytest
from evenfall.archive import backup as care
from evenfall.archive.archive import FILE_NAME, Archive, Query, restore, write_whole
from evenfall.archive.database import explained
from evenfall.board import run_file
from evenfall.errors import ArchiveError, DamageError, EvenfallError, InputError
from evenfall.model import Air, Calibration
from evenfall.workflow import fetch, weights
from evenfall.workflow.reduce_service import reduce_stored
from evenfall_wire import messages
from run_writer import run_bytes
from sample_runs import UID, sample_run


@pytest.fixture
def folder(tmp_path):
    """An archive of three reduced runs, closed."""
    path = tmp_path / "kept"
    with Archive(path) as archive:
        for n in (1, 2, 3):
            reduce_stored(archive, archive.store_run(sample_run(n, started_unix_s=1_700_000_000 + 600 * n)))
    return path


def program(code, *args):
    """The code as a program of its own; what it printed."""
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), *map(str, args)],
        capture_output=True, text=True, timeout=120, env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


READ_EVERYTHING = """
    import os, sys
    import scipy.ndimage, scipy.signal, scipy.special, scipy.stats  # the libraries may be root's alone
    from evenfall.archive.archive import Archive, Query
    from evenfall.errors import ArchiveError
    from evenfall.workflow.reduce_service import reduce_stored
    os.setgid(65534), os.setuid(65534)  # root may write everything: nobody may not
    with Archive(sys.argv[1]) as archive:
        print(len(archive.find(Query())), reduce_stored(archive, 1).peak_power_W.value > 0, archive.check())
        try:
            archive.add_note(1, "x")
        except ArchiveError as error:
            print(error)
"""


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="changes owners")
@pytest.mark.parametrize("shut", ["folder", "file"])
def test_a_read_only_archive_is_read_and_names_the_cause(folder, shut):
    for place in (folder, *list(folder.parents)[:-2]):
        place.chmod(0o755)
    (folder / FILE_NAME).chmod(0o444 if shut == "file" else 0o644)
    told = program(READ_EVERYTHING, folder)
    assert told.startswith("3 True []\n"), told
    assert "was not changed" in told and "read" in told
    assert "restore" not in told


@pytest.mark.skipif(os.name != "posix", reason="limits of a process")
def test_a_full_disk_is_named_and_nothing_is_lost(folder):
    """A limit on the size of files stands for the disk: SQLite sees its writes refused as on a full one."""
    size = (folder / FILE_NAME).stat().st_size
    code = """
        import resource, signal, sys
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        from evenfall.archive.archive import Archive, Query
        from evenfall.errors import EvenfallError
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
        with Archive(sys.argv[1]) as archive:
            print(len(archive.find(Query())))
            try:
                for n in range(50):
                    archive.add_note(1, "words " * 5000)
            except EvenfallError as error:
                print(type(error).__name__, error)
    """
    told = program(code, folder, size + 40_000)
    assert told.startswith("3\nArchiveError "), told
    assert "restore" not in told and "locked" not in told
    with Archive(folder) as archive:
        assert archive.check() == []
        assert len(archive.find(Query())) == 3


def test_a_full_disk_has_its_own_sentence(tmp_path):
    with Archive(tmp_path) as archive:
        (pages,) = archive.db.execute("PRAGMA page_count").fetchone()
        archive.db.execute(f"PRAGMA max_page_count = {pages + 2}")
        with pytest.raises(ArchiveError, match="the disk is full: free some room") as caught:
            archive.store_run(sample_run(1))
        assert "restore" not in str(caught.value)
        archive.db.execute("PRAGMA max_page_count = 100000")
        assert archive.store_run(sample_run(1)) == 1
        assert archive.check() == []


def test_an_empty_file_is_not_sound_and_no_archive_takes_its_place(folder):
    (folder / FILE_NAME).write_bytes(b"")
    with pytest.raises(DamageError, match=r"empty \(0 bytes\).*restore BACKUP"):
        Archive(folder)
    assert (folder / FILE_NAME).stat().st_size == 0


def test_another_programs_database_is_refused_and_left_alone(tmp_path):
    path = tmp_path / FILE_NAME
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("CREATE TABLE letters(text)")
    before = path.read_bytes()
    with pytest.raises(ArchiveError, match="another program's database"):
        Archive(tmp_path)
    with pytest.raises(ArchiveError, match="another program's database"):
        restore(tmp_path / "kept", path)
    assert path.read_bytes() == before
    assert not (tmp_path / "kept" / FILE_NAME).exists()


def test_the_file_says_whose_it_is(folder):
    assert (folder / FILE_NAME).read_bytes()[68:72] == b"Evfa"


def test_damage_in_the_middle_lists_and_shows_what_can_be_read(folder, caplog):
    """Every page in turn: what cannot be read is left out and counted, in words that say damage."""
    data = (folder / FILE_NAME).read_bytes()
    listed = 0
    for page in range(2, len(data) // 4096, 3):
        (folder / FILE_NAME).write_bytes(data[: page * 4096] + os.urandom(4096) + data[(page + 1) * 4096 :])
        try:
            with Archive(folder) as archive:
                listed += len(archive.find(Query())) > 0
                assert archive.check() != []
        except (DamageError, ArchiveError) as error:
            assert "damaged" in str(error) and "disk is full" not in str(error)
    assert listed > len(data) // 4096 / 6


def test_causes_have_their_own_words():
    for code, words in ((sqlite3.SQLITE_FULL, "disk is full"), (sqlite3.SQLITE_CORRUPT, "damaged"),
                        (sqlite3.SQLITE_BUSY, "another program"), (sqlite3.SQLITE_READONLY, "only be read"),
                        (sqlite3.SQLITE_IOERR, "medium failed")):  # fmt: skip
        error = sqlite3.OperationalError("x")
        error.sqlite_errorcode = code
        assert words in str(explained(error))


# --- backup and restore ---


def test_two_restores_in_one_second_keep_every_file_that_was_there(folder, tmp_path, monkeypatch):
    with Archive(folder) as archive:
        archive.backup(tmp_path / "three.sqlite")
    with Archive(tmp_path / "other") as archive:
        archive.store_run(sample_run(9))
        archive.backup(tmp_path / "one.sqlite")
    monkeypatch.setattr(care.time, "strftime", lambda *_: "20260101-000000")
    with Archive(folder) as archive:
        for n in (4, 5, 6, 7):
            archive.store_run(sample_run(n))
    moved = [restore(folder, tmp_path / name) for name in ("three.sqlite", "one.sqlite", "three.sqlite")]
    counts = []
    for path in moved:
        with closing(sqlite3.connect(path)) as db:
            counts.append(db.execute("SELECT count(*) FROM runs").fetchone()[0])
    assert counts == [7, 3, 1]


@pytest.mark.parametrize("step", ["replace", "sync", "unlink"])
def test_a_restore_cut_anywhere_leaves_an_archive_where_one_was(folder, tmp_path, monkeypatch, step):
    with Archive(folder) as archive:
        archive.backup(tmp_path / "copy.sqlite")
        archive.store_run(sample_run(4))

    class Cut(BaseException):
        pass

    def cut(*_args, **_how):
        raise Cut

    with monkeypatch.context() as patch:
        if step == "replace":
            patch.setattr(care.os, "replace", cut)
        elif step == "unlink":
            patch.setattr(care.Path, "unlink", cut)
        else:
            patch.setattr(care, "sync", cut)
        with pytest.raises(Cut):
            restore(folder, tmp_path / "copy.sqlite")
    with Archive(folder) as archive:
        assert len(archive.find(Query())) in (3, 4)
        assert archive.check() == []


def test_no_empty_archive_is_begun_where_one_was(folder):
    """As a restore of an earlier version left it when it was killed between its renames."""
    (folder / FILE_NAME).rename(folder / f"{FILE_NAME}.before-20260101-000000")
    with pytest.raises(ArchiveError, match="no empty archive is begun in its place"):
        Archive(folder)


def test_a_backup_is_never_made_onto_the_archive_or_over_another(folder, tmp_path):
    other = tmp_path / "letter"
    other.write_text("dear crew")
    (tmp_path / "link").symlink_to(folder / FILE_NAME)
    with Archive(folder) as archive:
        for target in (archive.path, tmp_path / "link"):
            with pytest.raises(InputError, match="is the archive itself"):
                archive.backup(target, replace=True)
        with pytest.raises(InputError, match="is there already"):
            archive.backup(other)
        assert other.read_text() == "dear crew"
        archive.backup(other, replace=True)
        assert archive.check() == []


def test_a_backup_holds_the_check_weights(folder, tmp_path):
    (folder / "check_weights.csv").write_text("unix_s,mass_kg,count_above_zero\r\n1700000000,5,200000\r\n")
    with Archive(folder) as archive:
        archive.add_check_weight(1_700_000_500, 5.0, 200_100.0)
        archive.backup(tmp_path / "copy.sqlite")
    restore(tmp_path / "elsewhere", tmp_path / "copy.sqlite")
    with Archive(tmp_path / "elsewhere") as archive:
        assert archive.check_weights() == [(1.7e9, 5.0, 200_000.0), (1_700_000_500.0, 5.0, 200_100.0)]


# --- what results are corrected with ---


def edited(folder, *statements):
    """As another program would that means it: the guards go first."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            db.execute(statement)


def test_an_edited_span_is_found_and_not_reduced_with(folder):
    with Archive(folder) as archive:
        number = archive.add_record(Calibration(50_000.0, 42_000.0), "weights")
        archive.refile(1, calibration_id=number)
        reduce_stored(archive, 1)
        assert archive.check() == []
    edited(folder, f"UPDATE records SET body = replace(body, '42000', '62000') WHERE id = {number}")
    with Archive(folder) as archive:
        assert any("calibration" in s and "changed after it was filed" in s for s in archive.check())
        with pytest.raises(DamageError, match="changed after it was filed"):
            reduce_stored(archive, 1)


@pytest.mark.parametrize(
    ("statement", "sentence"),
    [
        (
            "UPDATE bins SET torque_Nm = torque_Nm + 1 WHERE reduction_id = 1",
            "result of run 1",
        ),
        ("UPDATE reductions SET summary = replace(summary, '1', '2') WHERE id = 1", "result of run 1"),
        ("UPDATE reductions SET summary = '{\x01' WHERE id = 1", "result of run 1 cannot be read any more"),
        ("UPDATE reductions SET summary = '[]' WHERE id = 1", "result of run 1 cannot be read any more"),
        ("UPDATE runs SET verdict = 'poor' WHERE id = 3", "run 3 is listed with another verdict"),
        ("UPDATE runs SET started_unix_s = 7 WHERE id = 2", "run 2 is listed with another started_unix_s"),
        ("ALTER TABLE bins RENAME COLUMN power_u_W TO power_v_W", "the columns of 'bins'"),
        ("UPDATE runs SET peak_power_W = 9999 WHERE id = 2", "run 2 is listed with another peak_power_W"),
    ],
)
def test_edited_results_are_found(folder, statement, sentence):
    edited(folder, statement)
    with Archive(folder) as archive:
        assert any(sentence in s for s in archive.check()), archive.check()


# --- two programs, many runs ---


def test_two_programs_keep_the_same_runs_at_once(tmp_path):
    runs = [sample_run(n, seconds=1.0) for n in range(12)]
    Archive(tmp_path).close()
    failed, start = [], threading.Barrier(2)

    def keep():
        try:
            with Archive(tmp_path) as archive:
                start.wait()
                for data in runs:
                    archive.store_run(data)
        except Exception as error:
            failed.append(error)

    threads = [threading.Thread(target=keep) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with Archive(tmp_path) as archive:
        assert len(archive.find(Query())) == len(runs)


def test_the_check_whether_a_run_is_here_is_made_inside_the_transaction(tmp_path, monkeypatch):
    """The other program keeps the run between the first look and the transaction."""
    data = sample_run(1)
    with Archive(tmp_path) as archive, Archive(tmp_path) as other:
        decode = run_file.decode_run

        def meanwhile(given):
            monkeypatch.setattr(run_file, "decode_run", decode)
            other.store_run(given)
            return decode(given)

        monkeypatch.setattr(run_file, "decode_run", meanwhile)
        assert archive.store_run(data) == 1


def test_filing_into_a_session_does_not_look_through_its_runs(tmp_path):
    def steps(archive):
        count = [0]
        archive.db.set_progress_handler(lambda: count.__setitem__(0, count[0] + 1), 20)
        archive.session_for(1_700_000_000)
        archive.db.set_progress_handler(None, 0)
        return count[0]

    with Archive(tmp_path) as archive:
        data = sample_run(1, seconds=0.3)
        archive.store_run(data)
        few = steps(archive)
        with archive.change():
            for n in range(2, 400):
                archive.db.execute("INSERT INTO raw VALUES (?, 0, 0, x'')", (str(n),))
                archive.db.execute(
                    "INSERT INTO runs(sha256, board_uid, board_run, firmware, trigger, started_unix_s, "
                    "pulled_unix_s, verdict, reason, complete, damage, settings, session_id, standard) "
                    "VALUES (?, 'e6', 1, '1', 'button', 1700000000, 0, 'good', '', 1, '', '', 1, 'x')",
                    (str(n),),
                )
        assert steps(archive) <= few + 2


def test_a_long_list_is_given_one_by_one(folder):
    with Archive(folder) as archive:
        each = archive.each(Query(limit=100_000))
        assert next(each)["run"] == 3
        assert [r["run"] for r in each] == [2, 1]


# --- dates ---


def test_a_run_of_a_board_without_a_clock_is_marked(tmp_path):
    with Archive(tmp_path) as archive:
        number = archive.store_run(sample_run(1, started_unix_s=0), started_unix_s=1_700_000_000)
        row = archive.row(number)
        assert (row["started_unix_s"], row["clock"]) == (1_700_000_000, "host")
        assert archive.row(archive.store_run(sample_run(2)))["clock"] == "board"


def test_an_air_reading_from_the_future_is_said(tmp_path):
    said = []
    with Archive(tmp_path) as archive:
        archive.activate("air", archive.add_record(Air(98_000.0, 295.0, 0.4)))
        fetch.active_filing(archive, said.append)
        assert said == []
        archive.db.execute("UPDATE active SET since_unix_s = ?", (int(time.time()) + 86_400,))
        fetch.active_filing(archive, said.append)
    assert len(said) == 1 and "in the future" in said[0]


# --- planted files, hostile runs ---


def test_a_planted_link_is_not_followed(tmp_path):
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (tmp_path / "out.csv.part").symlink_to(victim)
    (tmp_path / "out.csv").symlink_to(victim)
    write_whole(tmp_path / "out.csv", b"data")
    assert victim.read_text() == "mine"
    assert (tmp_path / "out.csv").read_bytes() == b"data" and not (tmp_path / "out.csv").is_symlink()


@pytest.mark.skipif(os.name != "posix", reason="modes of POSIX")
def test_nobody_reads_more_than_the_umask_allows(tmp_path):
    """Archive, backup, exports, pages: what a person keeps to themselves stays so."""
    (tmp_path / "run").write_bytes(sample_run(1))
    code = """
        import os, sys
        from pathlib import Path
        os.umask(0o077)
        from evenfall.cli import run
        os.chdir(sys.argv[1])
        for words in (["runs", "import", "run"], ["runs", "reduce"], ["archive", "backup", "copy.sqlite"],
                      ["export", "1", "--out", "a.csv"], ["export", "1", "--out", "a.json"],
                      ["page", "1", "--out", "a.html"], ["plot", "1", "--out", "a.png"]):
            assert run([*words, "--archive", "kept"]) == 0, words
        for path in Path(".").rglob("*"):
            print(oct(path.stat().st_mode & 0o077), path)
    """
    made = [line.split(" ", 1) for line in program(code, tmp_path).splitlines() if line.startswith("0o")]
    open_to_others = [path for mode, path in made if mode != "0o0" and path != "run"]
    assert open_to_others == [] and len(made) >= 8


def hostile(load_ticks, edge_ticks):
    """A run file of sound frames whose times no bench gives."""
    wrap = messages.TICK_WRAP
    return run_bytes(
        [
            ("run_header", (1, 1, UID, b"test", 7, 1_700_000_000, 0, 0), ()),
            ("zeros", (), [(0, 50_000 * 16, 300, 80)]),
            ("load_samples", (), [(int(t) % wrap, 400_000) for t in load_ticks]),
            ("edge_times", (), [(int(t) % wrap,) for t in edge_ticks]),
        ]
    )


HZ = messages.TICK_HZ
EVEN_LOADS, EVEN_EDGES = np.arange(0, 12 * HZ, HZ // 80), np.arange(0, 12 * HZ, HZ // 150)
FAR = HZ * 120 * np.arange(1, 40)
HOSTILE = {
    "loads a tick apart, then seconds": (np.r_[np.arange(30), 2 * HZ, 12 * HZ], EVEN_EDGES),
    "edges a tick apart, then seconds": (EVEN_LOADS, np.r_[np.arange(30), 2 * HZ, 4 * HZ, 12 * HZ]),
    "loads over an hour": (np.r_[EVEN_LOADS[:100], FAR], EVEN_EDGES),
    "edges over an hour": (EVEN_LOADS, np.r_[EVEN_EDGES[:100], FAR]),
    "both over an hour": (FAR, FAR),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_no_run_file_takes_the_hosts_memory_or_time(name, tmp_path):
    """256 MB and 5 s of one core are the most that any run may cost."""
    path = tmp_path / "run.bin"
    path.write_bytes(hostile(*HOSTILE[name]))
    code = """
        import resource, sys, time
        from evenfall.archive.archive import Archive
        from evenfall.errors import EvenfallError
        from evenfall.workflow.reduce_service import reduce_stored
        from evenfall.reduction.diagnostics import diagnose
        before, start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
        with Archive(sys.argv[2]) as archive:
            try:
                reduce_stored(archive, archive.store_run(open(sys.argv[1], "rb").read()))
            except EvenfallError as error:
                assert "\\n" not in str(error)
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before, time.process_time() - start)
    """
    kib, seconds = program(code, path, tmp_path / "kept").split()
    assert int(kib) < 256 * 1024
    assert float(seconds) < 5


def test_an_uncertainty_that_is_not_known_is_no_damage(tmp_path) -> None:
    """NaN goes into the file as NULL: the hash of a kept result must say the same of both."""
    with Archive(tmp_path) as archive:
        number = archive.store_run(sample_run(1))
        reduce_stored(archive, number)
        assert archive.check() == []


def test_a_damaged_name_in_the_layout_is_damage(folder):
    """SQLite's own message then holds bytes that are no text, which Python's sqlite3 does not survive."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
    whole = (folder / FILE_NAME).read_bytes()
    assert whole.count(b"CREATE VIEW run_list AS") == 1
    (folder / FILE_NAME).write_bytes(whole.replace(b"CREATE VIEW run_list AS", b"CREATE VIEW\xa0run_list AS"))
    with pytest.raises(DamageError, match="it is damaged"):
        Archive(folder)


def test_a_damaged_name_of_a_column_is_damage(folder):
    """One letter of each column's name is another one: all say so or give what was there."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        columns = [row[1] for row in db.execute("PRAGMA table_info(runs)")]
    whole = (folder / FILE_NAME).read_bytes()
    begin = whole.index(b'CREATE TABLE "runs"(')
    for name in columns:
        place = re.compile(rb"\b" + name.encode() + rb" (INTEGER|TEXT|REAL)").search(whole, begin)
        assert place and place.start() < begin + 4096, name
        hurt = bytearray(whole)
        hurt[place.start()] ^= 0x02
        (folder / FILE_NAME).write_bytes(hurt)
        asked = [
            lambda archive: archive.find(Query()),
            lambda archive: archive.filed(1),
            lambda archive: archive.run(1),
            lambda archive: reduce_stored(archive, 1),
        ]
        try:
            with Archive(folder) as archive:
                assert archive.check(), name
                for ask in asked:
                    with suppress(EvenfallError, sqlite3.Error):
                        ask(archive)
        except EvenfallError as error:
            assert "\n" not in str(error)


@pytest.mark.skipif(os.name != "posix", reason="limits of a process")
def test_what_is_written_for_a_person_is_whole_or_not_there(folder, tmp_path):
    """A limit on the size of files stands for the disk; what was there before stays."""
    (tmp_path / "there.html").write_bytes(b"an earlier page")
    code = """
        import os, resource, signal, sys
        from evenfall.cli import run
        kept, out = sys.argv[1:]
        os.chdir(out)
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (400, 400))
        for words in (["page", "1", "--out", "a.html"], ["page", "1", "--out", "there.html"],
                      ["plot", "1", "--out", "a.png"], ["plot", "1", "--out", "a.svg"],
                      ["export", "1", "--out", "a.csv"], ["export", "1", "--out", "a.json"],
                      ["board", "wiring", "--out", "."]):
            print(run([*words, "--archive", kept] if words[0] != "board" else words), *words)
    """
    done = program(code, folder, tmp_path)
    assert [line.split()[0] for line in done.splitlines()] == ["7"] * 7, done
    left = {p.name for p in tmp_path.rglob("*") if p.is_file() and folder not in p.parents}
    assert left == {"there.html"}
    assert (tmp_path / "there.html").read_bytes() == b"an earlier page"


def test_readings_begun_anew_never_write_over_earlier_ones(tmp_path):
    for n in (1, 2, 3):
        weights.save_readings(
            tmp_path / "weights.csv", [weights.WeightReading(float(n), 100.0 * n)], 1_700_000_000.0
        )
        weights.start_new_readings(tmp_path / "weights.csv")
    kept = sorted(p.read_text() for p in tmp_path.iterdir())
    assert len(kept) == 3 and len(set(kept)) == 3
