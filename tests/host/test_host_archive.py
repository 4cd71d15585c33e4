"""The archive keeps every byte, refuses to change what is recorded, and finds things again."""

import hashlib
import json
import os
import random
import sqlite3
import threading
import time
from binascii import crc32

import pytest
from cobs import cobs
from evenfall.archive import archive as archives
from evenfall.archive.archive import Archive, Query
from evenfall.archive.search import find_sql
from evenfall.errors import ArchiveError, DamageError, InputError, NotFoundError
from evenfall.model import Air, Calibration, Setup
from evenfall.workflow.reduce_service import reduce_stored
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sample_runs import sample_run

AIR = Air(98_000.0, 295.0, 0.4)


@pytest.fixture
def kept(tmp_path):
    with Archive(tmp_path / "kept") as archive:
        yield archive


def fill(archive, count=6):
    """Two engines, `count` runs a day apart, each stronger than the one before."""
    archive.add_engine("post auger", 52)
    archive.add_engine("spare clearing saw", 45)
    archive.add_build("post auger", "wide port", "exhaust port 0.5 mm wider", "Robin")
    builds = [archive.build_id("post auger"), archive.build_id("spare clearing saw")]
    air = archive.add_record(AIR)
    runs = []
    for n in range(count):
        data = sample_run(n + 1, flow=1 + n / 100, started_unix_s=1_700_000_000 + 86_400 * n)
        runs.append(archive.store_run(data, build_id=builds[n % 2], air_id=air))
        reduce_stored(archive, runs[-1])
    return runs


def test_raw_frames_come_back_bit_for_bit(kept):
    data = sample_run(1)
    run = kept.store_run(data)
    assert kept.raw(run) == data
    assert kept.read_back(run) == data
    assert kept.row(run)["sha256"] == hashlib.sha256(data).hexdigest()


def test_the_same_run_is_kept_once(kept):
    run = kept.store_run(sample_run(1))
    assert kept.store_run(sample_run(1)) == run
    assert len(kept.find(Query())) == 1
    assert kept.known_run(kept.row(run)["board_uid"], 1, len(sample_run(1)), 0) is None


def test_bytes_that_hold_no_run_are_refused(kept):
    with pytest.raises(DamageError, match="hold no run"):
        kept.store_run(b"nonsense\0" * 20)
    assert kept.find(Query()) == []


def test_a_torn_run_is_kept_and_flagged(kept):
    run = kept.store_run(sample_run(1)[:9000])
    assert kept.row(run)["flags"] == "damaged, incomplete"
    assert [r["run"] for r in kept.find(Query(flags=("damaged",)))] == [run]


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM raw",
        "UPDATE raw SET bytes = x'00'",
        "DELETE FROM runs",
        "UPDATE runs SET sha256 = 'x'",
        "UPDATE runs SET verdict = 'good'",
        "UPDATE runs SET settings = '{}'",
        "DELETE FROM notes",
        "UPDATE notes SET text = ''",
        "UPDATE records SET body = '{}'",
        "DELETE FROM records",
        "DELETE FROM reductions",
        "UPDATE reductions SET summary = '{}'",
        "DELETE FROM bins",
        "UPDATE bins SET torque_Nm = 9",
        "DELETE FROM builds",
        "DELETE FROM engines",
        "DELETE FROM sessions",
    ],
)
def test_the_file_itself_refuses_to_lose_or_change_what_is_recorded(kept, statement):
    """Through a plain SQLite connection, as any tool would."""
    run = fill(kept, 1)[0]
    kept.add_note(run, "runs rich")
    with (
        sqlite3.connect(kept.path) as plain,
        pytest.raises(sqlite3.IntegrityError, match=r"nothing is deleted|never changed"),
    ):
        plain.execute(statement)
    assert kept.check() == []


def test_links_to_nothing_are_refused(kept):
    run = kept.store_run(sample_run(1))
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        kept.refile(run, build_id=99)


def test_find_by_engine_build_date_words_peaks_flags_tags(kept):
    runs = fill(kept)

    def found(**query):
        return [r["run"] for r in kept.find(Query(**query))]

    assert found() == runs[::-1]
    assert found(engine="POST AUGER") == runs[::2][::-1]
    assert found(build="wide port") == runs[::2][::-1]
    assert found(since_unix_s=1_700_000_000 + 86_400 * 4) == runs[4:][::-1]
    assert found(until_unix_s=1_700_000_000) == runs[:1]
    assert found(sort="power") == runs[::-1]
    power = kept.row(runs[3])["peak_power_W"]
    assert found(power_W=(power, None)) == runs[3:][::-1]
    assert found(power_W=(None, power - 1)) == runs[:3][::-1]
    assert found(torque_Nm=(kept.row(runs[5])["peak_torque_Nm"], None)) == runs[5:]
    assert found(limit=2) == runs[-2:][::-1]
    assert found(limit=2, offset=4) == runs[:2][::-1]
    kept.add_note(runs[2], "smells of burnt oil, plug café-brown", "Robin")
    kept.add_tag(runs[4], "warm")
    assert found(words="burnt oil") == [runs[2]]
    assert found(words="BURN cafe") == [runs[2]]  # beginnings of words, accents and case aside
    assert found(words="burnt water") == []
    assert found(words="wider") == runs[::2][::-1]  # what was changed in the build
    assert found(words="warm") == [runs[4]]
    assert found(tags=("warm",)) == [runs[4]]
    assert found(verdict="good") == runs[::-1]
    assert found(verdict="poor") == []
    with pytest.raises(InputError, match="holds no word"):
        found(words='"*" ()')


@pytest.mark.parametrize(
    "words", ['oil" OR "x', "text: oil", "oil NOT x", "-oil", "NEAR(oil)", "oil'; DROP TABLE runs"]
)
def test_typed_words_are_never_operators(kept, words):
    fill(kept, 1)
    assert kept.find(Query(words=words)) == []
    assert len(kept.find(Query())) == 1


def test_excluding_needs_a_reason_and_keeps_everything(kept):
    runs = fill(kept, 3)
    with pytest.raises(InputError, match="needs a reason"):
        kept.exclude(runs[1], " ")
    kept.exclude(runs[1], "hose fell off")
    assert [r["run"] for r in kept.find(Query())] == [runs[2], runs[0]]
    assert [r["run"] for r in kept.find(Query(excluded=True))] == [runs[1]]
    assert len(kept.find(Query(excluded=None))) == 3
    assert kept.raw(runs[1])
    kept.include(runs[1])
    assert len(kept.find(Query())) == 3
    assert [n["text"] for n in kept.notes(runs[1])] == ["Excluded: hose fell off", "Included again."]


def test_a_reduction_is_recomputed_never_edited(kept):
    run = fill(kept, 1)[0]
    first = kept.reductions(run)
    assert len(first) == 1
    reduce_stored(kept, run)
    assert kept.reductions(run) == first  # same inputs, same method: the same line
    reduce_stored(kept, run, standard="j1349")
    by_other = kept.reductions(run)
    assert [r["standard"] for r in by_other] == ["SAE J1349", "ISO 1585"]
    assert by_other[1] == first[0]
    # another standard only asked for does not become the run's own figure
    assert kept.row(run)["peak_power_W"] == first[0]["summary"]["peak_power_W"]["value"]
    kept.refile(run, setup_id=kept.add_record(Setup(inertia_kg_m2=0.003)))
    reduce_stored(kept, run)
    third = kept.reductions(run)[0]
    assert third["inputs"]["setup"] != first[0]["inputs"]["setup"]
    assert third["inputs"]["run"] == first[0]["inputs"]["run"]
    assert kept.row(run)["peak_power_W"] < first[0]["summary"]["peak_power_W"]["value"]


def test_any_sqlite_tool_reads_the_bins(kept):
    run = fill(kept, 1)[0]
    result = reduce_stored(kept, run)
    with sqlite3.connect(kept.path) as plain:
        rows = plain.execute(
            "SELECT speed_rpm, torque_Nm FROM bins JOIN runs p USING (reduction_id) WHERE p.id = ? "
            "ORDER BY speed_rpm",
            (run,),
        ).fetchall()
    assert len(rows) >= 20
    bins = dict(zip(result.bins.speed_rpm.tolist(), result.bins.torque_Nm.tolist(), strict=True))
    assert all(bins[speed] == torque for speed, torque in rows)


def test_without_air_nothing_is_corrected(kept):
    data = sample_run(1)
    chunks = [c for c in data.split(b"\0")[:-1]]
    no_air = b"\0".join(chunks[:3] + chunks[4:]) + b"\0"  # frame 3 holds the barometer's reading
    run = kept.store_run(no_air)
    assert kept.run(run).air == []
    result = reduce_stored(kept, run)
    assert result.standard == "no correction"
    assert result.air_factor == 1.0
    assert any("No air reading" in note for note in result.notes)


def test_sessions_open_by_themselves_after_hours_without_a_run(kept):
    times = [1_700_000_000, 1_700_000_600, 1_700_004_000, 1_700_050_000]
    runs = [kept.store_run(sample_run(n, started_unix_s=t)) for n, t in enumerate(times)]
    assert [kept.row(p)["session"] for p in runs] == [1, 1, 1, 2]
    assert [s["runs"] for s in kept.sessions()] == [1, 3]


def test_records_are_versions(kept):
    first = kept.add_record(Setup(engine_teeth=12), "auger")
    second = kept.add_record(Setup(engine_teeth=13), "auger")
    assert kept.record_named(Setup, "auger") == second
    assert kept.record_named(Setup, str(first)) == first
    assert kept.record(Setup, first).engine_teeth == 12
    assert [r["engine_teeth"] for r in kept.records(Setup)] == [13, 12]
    with pytest.raises(NotFoundError, match="no calibration 'auger'"):
        kept.record_named(Calibration, "auger")
    kept.activate("setup", second)
    assert kept.active("setup").value == str(second)


@pytest.mark.parametrize("name", ["", "  ", "x" * 300, "a\nb", "\x1b[31m"])
def test_names_are_printable(kept, name):
    with pytest.raises(InputError, match="cannot be the name"):
        kept.add_engine(name)


def test_unknown_names_say_what_there_is(kept):
    kept.add_engine("post auger")
    with pytest.raises(NotFoundError, match="no engine 'post augur'; engines here: post auger"):
        kept.engine_id("post augur")
    with pytest.raises(NotFoundError, match="no build 'b'; it has: none"):
        kept.build_id("post auger", "b")
    with pytest.raises(NotFoundError, match="no run 7"):
        kept.row(7)
    with pytest.raises(InputError, match="an engine 'Post Auger' already"):
        kept.add_engine("Post Auger")


# --- care ---


def test_backup_and_restore(kept, tmp_path):
    runs = fill(kept, 3)
    copy = tmp_path / "copy.sqlite"
    kept.backup(copy)
    kept.store_run(sample_run(50))
    kept.close()
    moved = archives.restore(kept.folder, copy)
    with Archive(kept.folder) as again:
        assert [r["run"] for r in again.find(Query())] == runs[::-1]
        assert again.check() == []
        assert again.raw(runs[0]) == sample_run(1, started_unix_s=1_700_000_000)
    # what was there before is still there, under another name
    assert moved is not None
    with sqlite3.connect(moved) as old:
        assert old.execute("SELECT count(*) FROM runs").fetchone() == (4,)


def test_nothing_is_restored_under_a_program_at_work(kept, tmp_path):
    fill(kept, 1)
    kept.backup(tmp_path / "copy.sqlite")
    with pytest.raises(ArchiveError, match=r"another program has .* open"):
        archives.restore(kept.folder, tmp_path / "copy.sqlite")
    assert kept.check() == []


def test_an_archive_that_was_damaged_is_replaced(kept, tmp_path):
    runs = fill(kept, 1)
    kept.backup(tmp_path / "copy.sqlite")
    kept.close()
    kept.path.write_bytes(os.urandom(50_000))
    assert archives.restore(kept.folder, tmp_path / "copy.sqlite").stat().st_size == 50_000
    with Archive(kept.folder) as again:
        assert again.raw(runs[0])


def test_backup_while_another_program_writes(kept, tmp_path):
    fill(kept, 2)
    stop = threading.Event()

    def write():
        with Archive(kept.folder) as other:
            n = 100
            while not stop.is_set():
                other.store_run(sample_run(n, seconds=0.3))
                n += 1

    writer = threading.Thread(target=write)
    writer.start()
    time.sleep(0.1)
    try:
        kept.backup(tmp_path / "copy.sqlite")
    finally:
        stop.set()
        writer.join()
    archives.restore(tmp_path / "elsewhere", tmp_path / "copy.sqlite")
    with Archive(tmp_path / "elsewhere") as copy:
        assert copy.check() == []
        assert len(copy.find(Query())) >= 2


def test_a_damaged_backup_is_not_restored(kept, tmp_path):
    fill(kept, 3)
    copy = tmp_path / "copy.sqlite"
    kept.backup(copy)
    data = bytearray(copy.read_bytes())
    data[4096 * 3 : 4096 * 6] = os.urandom(4096 * 3)
    copy.write_bytes(data)
    with pytest.raises(DamageError, match=r"copy.sqlite.* is damaged"):
        archives.restore(kept.folder, copy)
    assert kept.check() == []
    with pytest.raises(ArchiveError, match="there is no backup"):
        archives.restore(kept.folder, tmp_path / "nothing")


def test_check_finds_a_changed_byte(kept):
    data = sample_run(1)
    kept.store_run(data)
    kept.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    kept.close()
    file = bytearray(kept.path.read_bytes())
    at = file.index(data[1500:1540])
    file[at] ^= 1
    kept.path.write_bytes(file)
    with Archive(kept.folder) as again:
        assert any("no longer match their SHA-256" in s for s in again.check())
        with pytest.raises(DamageError, match="restore a backup"):
            again.raw(1)


def test_a_file_that_is_no_archive(tmp_path):
    (tmp_path / archives.FILE_NAME).write_bytes(b"hello, I am a letter to the crew" * 100)
    with pytest.raises(DamageError, match=r"cannot be opened: .*restore BACKUP"):
        Archive(tmp_path)


def test_an_archive_of_a_newer_evenfall(kept):
    kept.db.execute("PRAGMA user_version = 99")
    kept.close()
    with pytest.raises(ArchiveError, match="newer evenfall"):
        Archive(kept.folder)


def test_a_folder_that_cannot_be_one(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ArchiveError, match="cannot be used"):
        Archive(tmp_path / "file")


def test_a_failed_change_leaves_nothing_behind(kept):
    with pytest.raises(RuntimeError), kept.change():
        kept.store_run(sample_run(1))
        kept.add_engine("post auger")
        raise RuntimeError
    assert kept.find(Query()) == []
    assert kept.engines() == []


# --- one run as one file ---


def test_export_and_import_carry_everything(kept, tmp_path):
    run = fill(kept, 1)[0]
    kept.refile(
        run,
        setup_id=kept.add_record(Setup(engine_teeth=11, inertia_kg_m2=0.002), "auger"),
        calibration_id=kept.add_record(Calibration(50_000, 42_000.0, 0.001), "weights"),
        standard="j607",
    )
    kept.add_note(run, "rich <b>at</b> the top", "Robin")
    kept.add_tag(run, "warm")
    before = reduce_stored(kept, run)
    data = kept.export(run)
    with Archive(tmp_path / "other") as other:
        number, new = other.import_file(data)
        assert new
        assert other.raw(number) == kept.raw(run)
        row = other.row(number)
        assert (row["engine"], row["build"], row["tags"], row["changed_by"]) == (
            "post auger",
            "wide port",
            "warm",
            "Robin",
        )
        assert other.notes(number) == kept.notes(run)
        after = reduce_stored(other, number)
        assert repr(after.peak_power_W) == repr(before.peak_power_W)  # an interval not known is NaN
        assert after.inputs == before.inputs
        assert other.import_file(data) == (number, False)
        # the file explains itself
        assert "COBS" in json.loads(data)["about"]


def test_a_bare_run_file_is_imported_too(kept):
    number, new = kept.import_file(sample_run(3))
    assert new
    assert kept.row(number)["board_run"] == 3


def exported():
    import tempfile

    with tempfile.TemporaryDirectory() as folder, Archive(folder) as archive:
        run = archive.store_run(sample_run(1, seconds=0.3))
        archive.add_note(run, "x")
        return json.loads(archive.export(run))


BODY = exported()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"evenfall_run": 2}, "newer evenfall"),
        ({"evenfall_run": "1"}, "'evenfall_run' is missing"),
        ({"raw": None}, "raw frames are missing"),
        ({"raw": {**BODY["raw"], "bytes": "!!!"}}, "no base64"),
        ({"raw": {**BODY["raw"], "bytes": "AAAA"}}, "do not match their SHA-256"),
        ({"engine": 5}, "engine is no text"),
        ({"engine": "x" * 1000}, "engine is no text of a sane length"),
        ({"engine": "auger\x1b[2J"}, "cannot be the name"),
        ({"notes": {}}, None),
        ({"notes": [{"made_unix_s": -5, "author": "", "text": ""}]}, "impossible time"),
        ({"notes": [{"author": "", "text": ""}]}, "has no time"),
        ({"notes": [7]}, "has no time"),
        ({"tags": "warm"}, "tags are no list"),
        ({"tags": ["x" * 300]}, "tag is no text"),
        ({"standard": "../../etc/passwd"}, "cannot be corrected"),
        ({"calibration": []}, "not a set of named values"),
        ({"calibration": {"zero_count": 1}}, "incomplete"),
        ({"calibration": {"zero_count": "x", "span_count_per_N": 1}}, "'zero_count'"),
        ({"setup": {"engine_teeth": 1.5}}, "'engine_teeth'"),
        ({"setup": {"engine_teeth": True}}, "'engine_teeth'"),
        (
            {"air": {"pressure_Pa": 1e400, "temperature_K": 1, "relative_humidity": 1}},
            "Infinity is no number",
        ),
        ({"unknown_field": {"later": 1}}, None),
    ],
    ids=str,
)
def test_an_imported_file_is_not_trusted(kept, change, sentence):
    data = json.dumps({**BODY, **change}).encode()
    if sentence is None:
        assert kept.import_file(data)[1]
        return
    with pytest.raises((DamageError, InputError), match=sentence):
        kept.import_file(data)
    assert kept.find(Query(excluded=None)) == []
    assert kept.engines() == []


@pytest.mark.parametrize(
    "data",
    [b"{", b"{}", b"{" * 100_000, b'{"a":' * 100_000, b"[]", b"", b"\xff\xfe{", b'{"evenfall_run": 1}'],
)
def test_what_is_no_export_at_all(kept, data):
    with pytest.raises(DamageError):
        kept.import_file(data)


def test_oversized_files_are_refused_before_they_are_read(kept, tmp_path):
    big = tmp_path / "big.json"
    with big.open("wb") as file:
        file.truncate(archives.MAX_EXPORT_BYTES + 1)
    with pytest.raises(DamageError, match="larger than 32 MiB"):
        archives.read_export(big)
    with pytest.raises(DamageError, match="more than any board holds"):
        kept.store_run(b"x" * (16 << 20) + b"y")


def nonsense_in_whole_frames(rng):
    """A run whose frames all have a right CRC and whose contents no board would write."""
    frames = [bytearray(cobs.decode(c)[:-4]) for c in sample_run(1, seconds=4.0).split(b"\0")[:-1]]
    for _ in range(rng.randint(1, 30)):
        frame = rng.choice(frames)
        at = rng.randrange(3, len(frame))
        match rng.randrange(4):
            case 0:
                frame[at] = rng.randrange(256)
            case 1:
                frame[3:] = rng.randbytes(len(frame) - 3)
            case 2:
                frame[at : at + 4] = rng.choice(EXTREMES)[: len(frame) - at]
            case 3:
                frame[0] = rng.randrange(0x80, 0x90)
    return b"".join(cobs.encode(bytes(f) + crc32(f).to_bytes(4, "little")) + b"\0" for f in frames)


EXTREMES = (b"\0\0\0\0", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\0\0\0\x80", b"\0\0\xff\x3f")


def test_nonsense_with_a_right_crc_is_kept_and_reduced_or_refused_with_a_sentence(kept):
    rng = random.Random(7)
    reduced = refused = 0
    for _ in range(60):
        data = nonsense_in_whole_frames(rng)
        try:
            run = kept.store_run(data)
            assert kept.raw(run) == data
            reduce_stored(kept, run)
            reduced += 1
        except (DamageError, InputError) as error:
            assert "\n" not in str(error)
            refused += 1
    assert reduced > 5 and refused > 5
    assert kept.check() == []


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3),
    max_leaves=8,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)
@given(name=st.sampled_from(sorted(BODY)), value=JSON)
def test_any_value_anywhere_is_taken_in_or_refused_with_a_sentence(kept, name, value):
    before = len(kept.find(Query(excluded=None)))
    try:
        kept.import_file(json.dumps({**BODY, name: value}).encode())
    except (DamageError, InputError) as error:
        assert len(str(error)) < 400
        assert len(kept.find(Query(excluded=None))) == before
    assert not kept.db.in_transaction


# --- the searches use indices ---


@pytest.mark.parametrize(
    ("query", "index"),
    [
        (Query(), "runs_by_date"),
        (Query(since_unix_s=5), "runs_by_date"),
        (Query(engine="a"), "runs_by_build"),
        (Query(sort="power"), "runs_by_power"),
        (Query(sort="torque"), "runs_by_torque"),
        (Query(words="oil"), "VIRTUAL TABLE INDEX"),
        (Query(flags=("damaged",)), "PRIMARY KEY"),
        (Query(tags=("warm",)), "PRIMARY KEY"),
        (Query(session=3), "runs_by_session"),
    ],
    ids=lambda v: str(v)[:40],
)
def test_searches_run_over_indices(kept, query, index):
    sql, values = find_sql(query)
    plan = [row["detail"] for row in kept.db.execute(f"EXPLAIN QUERY PLAN {sql}", values)]
    assert any(index in step for step in plan), plan
    assert not any(step.startswith("SCAN p") and "USING INDEX" not in step for step in plan), plan


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=300)
@given(words=st.text(max_size=30))
def test_any_typed_words_can_be_looked_for(kept, words):
    try:
        kept.find(Query(words=words))
    except InputError:
        assert not any(c.isalnum() for c in words)
