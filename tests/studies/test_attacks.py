"""What the archive, the host and the board's settings stand: one table of attacks with counts and outcomes.

Printed by ``make bench``.  EVENFALL_STUDY_ATTACKS sets another share of the numbers of attempts (1: all).
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from evenfall.archive.archive import FILE_NAME, Archive, Query
from evenfall.errors import EvenfallError
from evenfall.model import Air, Calibration, Setup
from evenfall.workflow.reduce_service import reduce_stored
from evenfall_wire import messages
from evenfall_wire.settings import SETTINGS

sys.path.append(str(Path(__file__).resolve().parents[1] / "host"))
sys.path.append(str(Path(__file__).resolve().parents[1] / "link"))
sys.path.append(str(Path(__file__).resolve().parents[1] / "firmware"))
sys.path.append(str(Path(__file__).resolve().parents[2] / "firmware/lib"))
import test_host_killed as killed
from faulty_board import Faults, FaultyBoard
from run_writer import run_bytes
from sample_runs import UID, sample_run

pytestmark = pytest.mark.study
SHARE = float(os.environ.get("EVENFALL_STUDY_ATTACKS", "1"))
MAX_MB, MAX_S = 256, 5.0  # that any one run file may cost
TABLE: list[tuple[str, int, str]] = []


def times(count: int) -> int:
    return max(3, round(count * SHARE))


def told(attack: str, tried: int, outcomes: Counter[str] | str) -> None:
    """A row of the table."""
    if isinstance(outcomes, Counter):
        outcomes = ", ".join(f"{n} {what}" for what, n in outcomes.most_common())
    TABLE.append((attack, tried, outcomes))


@pytest.fixture(scope="module", autouse=True)
def table() -> Any:
    yield
    width = max((len(row[0]) for row in TABLE), default=0)
    print("\n\nattack" + " " * (width - 6) + "   tried  outcome")
    for attack, tried, outcome in TABLE:
        print(f"{attack:{width}} {tried:7}  {outcome}")


def furnished(folder: Path, runs: int = 4) -> Path:
    """An archive with records, notes and reduced runs, closed and folded into one file."""
    with Archive(folder) as archive:
        archive.add_engine("post auger", 51)
        filed: dict[str, Any] = {
            "build_id": archive.build_id("post auger"),
            "calibration_id": archive.add_record(Calibration(50_000.0, 42_000.0, 0.001), "weights"),
            "setup_id": archive.add_record(Setup(engine_teeth=11, inertia_kg_m2=0.002), "bench"),
            "air_id": archive.add_record(Air(98_000.0, 295.0, 0.4), "typed"),
        }
        for n in range(1, runs + 1):
            number = archive.store_run(sample_run(n, seconds=6.0, load_hz=40.0), **filed)
            archive.add_note(number, f"the crew's remark {n}")
            reduce_stored(archive, number)
        archive.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        archive.db.execute("PRAGMA journal_mode = DELETE")
    return folder


# --- kills ---


@pytest.mark.parametrize("what", ["pulling", "importing"])
def test_killed_at_random_moments(what: str, tmp_path: Path) -> None:
    count = times(100)
    work = killed.killed_while_pulling if what == "pulling" else killed.killed_while_importing
    hits = work(count, 3, tmp_path)
    told(f"killed at random moments while {what}", count, f"{hits} hit: sound, nothing lost or twice")


def whole_or_earlier(folder: Path, runs: dict[int, bytes], acknowledged: dict[int, Any]) -> set[int]:
    """Assert a sound archive whose runs are some of `runs`, each once and at least what the board was told is
    safe; the board's numbers of those that are kept."""
    with Archive(folder) as archive:
        assert archive.check() == []
        kept = [archive.raw(r["run"]) for r in archive.find(Query(limit=10_000))]
    assert len(set(kept)) == len(kept)
    numbers = {n for n, data in runs.items() if data in kept}
    assert len(numbers) == len(kept) and numbers >= set(acknowledged)
    return numbers


def test_the_screens_server_killed_at_random_moments(tmp_path: Path) -> None:
    """`evenfall screen` fetches by itself; killed while it does, nothing is lost or kept twice."""
    rng, count, hits = random.Random(9), times(60), 0
    runs = {n: sample_run(n, seconds=5.0) for n in range(1, 4 + 3 * count)}
    folder, program = tmp_path / "kept", Path(sys.executable).parent / "evenfall"
    with FaultyBoard(tmp_path, runs, Faults(bytes_per_s=60_000)) as board:
        words = [
            program,
            "screen",
            "--port",
            board.url,
            "--archive",
            folder,
            "--no-browser",
            "--http-port",
            "0",
        ]
        how: dict[str, Any] = {
            "stdout": subprocess.PIPE,
            "stderr": subprocess.DEVNULL,
            "stdin": subprocess.PIPE,
            "text": True,
            "env": {**os.environ, "PYTHONUNBUFFERED": "1"},
        }
        for n in range(count + 1):
            server = subprocess.Popen(words, **how)
            try:
                assert server.stdout and "http" in server.stdout.readline()
                if n < count:
                    time.sleep(rng.uniform(0, 0.8))
                    hits += board.requests[-1:] in (["read_run"], ["read_next"], ["ack_run"])
                else:
                    end = time.monotonic() + 120
                    while set(board.acknowledged) != set(runs) and time.monotonic() < end:
                        time.sleep(0.1)
            finally:
                server.kill()
                server.wait()
            whole_or_earlier(folder, runs, board.acknowledged)
        assert whole_or_earlier(folder, runs, board.acknowledged) == set(runs)
    told(
        "the screen's server killed at random moments",
        count,
        f"{hits} in a fetch: sound, nothing lost or twice",
    )


def test_two_programs_at_once_one_of_them_killed(tmp_path: Path) -> None:
    """Two fetches of the same runs into one archive; one dies at a random moment, the other finishes."""
    rng, count, hits = random.Random(10), times(60), 0
    for n in range(count):
        folder = tmp_path / str(n)
        runs = {i: sample_run(i, seconds=3.0) for i in (1, 2, 3)}
        for name in ("a", "b"):
            (folder / name).mkdir(parents=True)
        slow = Faults(bytes_per_s=20_000)
        with FaultyBoard(folder / "a", runs, slow) as one, FaultyBoard(folder / "b", runs, slow) as two:
            with ThreadPoolExecutor() as both:  # side by side: a start takes longer than the fetch
                first, other = both.map(partial(killed.started, folder / "kept", "pull"), (one.url, two.url))
            time.sleep(rng.uniform(0, 0.25))
            first.kill()
            hits += first.wait() == -signal.SIGKILL
            assert other.wait(120) == 0
            assert set(two.acknowledged) == set(runs)
            assert whole_or_earlier(folder / "kept", runs, one.acknowledged) == set(runs)
        shutil.rmtree(folder)
    assert hits
    told(
        "two programs fetch the same runs, one is killed",
        count,
        f"{hits} hit: the other finished, each run once",
    )


# --- media ---


def test_damaged_write_ahead_log(tmp_path: Path) -> None:
    """A copy taken while a program was at work, its log cut or flipped anywhere: a sound earlier state.

    None of these was acknowledged; for those see tests/host/test_what_the_board_is_told.py.
    """
    folder, rng = furnished(tmp_path / "kept"), random.Random(11)
    runs = [sample_run(n, seconds=6.0, load_hz=40.0) for n in range(1, 8)]
    with Archive(folder) as archive:
        archive.db.execute("PRAGMA journal_mode = WAL")
        archive.db.execute("PRAGMA wal_autocheckpoint = 0")
        for data in runs[4:]:
            number = archive.store_run(data)
            reduce_stored(archive, number)
        main = (folder / FILE_NAME).read_bytes()
        log = (folder / f"{FILE_NAME}-wal").read_bytes()
    assert len(log) > 50_000
    for how in ("cut", "one bit flipped"):
        count, outcomes = times(300), Counter[str]()
        for n in range(count):
            place = tmp_path / f"{how[:3]}-{n}"
            place.mkdir()
            hurt = bytearray(log)
            if how == "cut":
                hurt = hurt[: rng.randrange(len(log))]
            else:
                hurt[rng.randrange(len(log))] ^= 1 << rng.randrange(8)
            (place / FILE_NAME).write_bytes(main)
            (place / f"{FILE_NAME}-wal").write_bytes(hurt)
            with Archive(place) as archive:
                assert [s for s in archive.check() if "found damaged" not in s] == []
                kept = [archive.raw(r["run"]) for r in archive.find(Query(limit=100))]
                said = ", said" if archive.damaged_logs() else ""
            assert sorted(kept) == sorted(runs[: len(kept)]) and len(kept) >= 4
            assert not said or how != "cut"  # a cut log looks as after a kill
            outcomes[f"with {len(kept) - 4} of the 3 newest runs{said}"] += 1
            shutil.rmtree(place)
        told(f"write-ahead log, {how}", count, outcomes)


LIMITED = """
import resource, signal, sys
from pathlib import Path
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from evenfall.archive.archive import Archive
from evenfall.errors import EvenfallError
from evenfall.workflow.reduce_service import reduce_stored
limit = int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
try:
    with Archive(sys.argv[1]) as archive:
        for path in sys.argv[3:]:
            reduce_stored(archive, archive.store_run(Path(path).read_bytes()))
    print("done")
except EvenfallError as error:
    print(type(error).__name__, error)
"""


def test_full_disk(tmp_path: Path) -> None:
    """A limit on the size of files stands for the disk, at random sizes."""
    rng, outcomes, count = random.Random(4), Counter[str](), times(60)
    paths = []
    for n in (5, 6, 7):
        paths.append(tmp_path / f"{n}.run")
        paths[-1].write_bytes(sample_run(n))
    source = furnished(tmp_path / "source")
    size = (source / FILE_NAME).stat().st_size
    for n in range(count):
        folder = tmp_path / f"full-{n}"
        shutil.copytree(source, folder)
        limit = rng.randrange(4096, size + 400_000)
        words = [sys.executable, "-c", LIMITED, str(folder), str(limit), *map(str, paths)]
        done = subprocess.run(words, capture_output=True, text=True, timeout=120)
        assert done.returncode == 0 and "Traceback" not in done.stderr, done.stderr
        said = done.stdout.strip()
        assert "restore" not in said
        with Archive(folder) as archive:
            assert archive.check() == []
            kept = len(archive.find(Query()))
        assert kept >= 4 and (said != "done" or kept == 7)
        outcomes["finished" if said == "done" else "refused in a sentence, the earlier runs whole"] += 1
        shutil.rmtree(folder)
    told("disk full at a random size of file", count, outcomes)


# all commands run once as root, on another archive: what they import may not be readable for nobody
AS_NOBODY = """
import os, sys
from evenfall.cli import run
def all_of_them(folder):
    kept = ["--archive", folder]
    return [run([*words, *kept]) for words in (["runs", "list"], ["runs", "show", "1"], ["archive", "check"],
                                               ["runs", "note", "1", "x"])]
all_of_them(sys.argv[1])
os.setgid(65534)
os.setuid(65534)
print(all_of_them(sys.argv[2]))
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="changes owners")
def test_read_only() -> None:
    with tempfile.TemporaryDirectory() as place:  # other sessions of pytest shut the folders above their own
        Path(place).chmod(0o755)
        read_only(Path(place))


def read_only(tmp_path: Path) -> None:
    outcomes = Counter[str]()
    for mode, shut in ((0o555, "folder"), (0o444, "file"), (0o000, "unreadable file")):
        folder = furnished(tmp_path / shut.replace(" ", "-"))
        (folder if shut == "folder" else folder / FILE_NAME).chmod(mode)
        done = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, furnished(tmp_path / f"{shut[:4]}-before"), folder],
            capture_output=True,
            text=True,
        )
        codes = json.loads(done.stdout.splitlines()[-1])
        assert "Traceback" not in done.stderr and "restore" not in done.stderr, done.stderr
        assert codes == ([7] * 4 if mode == 0 else [0, 0, 0, 7]), (shut, codes, done.stderr)
        outcomes["refused with the cause" if mode == 0 else "read; the change refused with the cause"] += 1
    told("read-only folder, file; unreadable file", 3, outcomes)


BINS = "SELECT b.* FROM bins b JOIN reductions r ON r.id = b.reduction_id WHERE r.run_id = ?"


def contents(folder: Path) -> dict[str, Any]:
    """All that a person can get out of an archive, by part; a refusal by its sentence's class."""
    found: dict[str, Any] = {}

    def part(name: str, get: Callable[[], Any]) -> None:
        try:
            found[name] = get()
        except (EvenfallError, sqlite3.Error) as error:
            found[name] = f"refused: {type(error).__name__}"

    with Archive(folder) as archive:
        part("check", archive.check)
        part("list", lambda: archive.find(Query(excluded=None)))
        for n in range(1, 5):
            part(f"frames {n}", partial(archive.raw, n))
            part(f"notes {n}", partial(archive.notes, n))
            part(f"filed {n}", partial(lambda n: [str(r) for r in archive.filed(n)], n))
            part(f"result {n}", partial(lambda n: str(archive.reductions(n)), n))
            part(f"bins {n}", partial(archive.rows, BINS, n))
    return found


def test_flipped_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng, outcomes, count = random.Random(5), Counter[str](), times(1000)
    folder = furnished(tmp_path / "kept")
    sound, before = (folder / FILE_NAME).read_bytes(), contents(folder)
    assert before["check"] == []
    silent = Counter[str]()
    for _ in range(count):
        at = rng.randrange(len(sound))
        hurt = bytearray(sound)
        hurt[at] ^= 1 << rng.randrange(8)
        for stale in folder.iterdir():
            if stale.is_file():
                stale.unlink()
        (folder / FILE_NAME).write_bytes(hurt)
        try:
            after = contents(folder)
        except EvenfallError as error:
            assert "\n" not in str(error)
            outcomes["refused with the cause"] += 1
            continue
        changed = [name for name in before if name != "check" and after[name] != before[name]]
        if after["check"]:
            outcomes["found by check"] += 1
        elif not changed:
            outcomes["changed nothing"] += 1
        else:
            outcomes["changed silently"] += 1
            silent.update(name.split()[0] for name in changed)
    told("one bit flipped in the archive's file", count, outcomes)
    if silent:
        told("  of these silent, by part", outcomes["changed silently"], silent)
    for part in ("frames", "result", "bins"):
        assert not silent[part], "what was measured or computed changed and nobody said so"


# --- hostile files and boards ---


def hostile_run(rng: random.Random) -> bytes:
    """A run file of sound frames with the times, counts and settings that no bench gives."""
    wrap, hz = messages.TICK_WRAP, messages.TICK_HZ

    def ticks(n: int) -> list[int]:
        at, out = 0, []
        way = rng.choice(("even", "even", "even", "gaps", "burst", "wild", "far"))
        for _ in range(n):
            at += {
                "even": hz // 80,
                "gaps": hz // 80 if rng.random() < 0.99 else rng.randrange(5 * hz),
                "burst": 1 if rng.random() < 0.9 else rng.randrange(3 * hz),
                "wild": rng.randrange(wrap),
                "far": rng.randrange(200 * hz),
            }[way]
            out.append(at % wrap)
        return out

    def anything(bits: int) -> int:
        return rng.choice((0, 1, (1 << bits) - 1, 1 << (bits - 1), rng.randrange(1 << bits)))

    absurd = rng.random() < 0.3
    values = [(s[0], rng.choice((s[4], s[5], rng.randint(s[4], s[5]))) if absurd else s[3]) for s in SETTINGS]
    body = [
        ("run_header", (1, 1, UID, b"test", anything(32), 1_700_000_000, anything(30), 0), ()),
        ("run_settings", (), values),
        ("zeros", (), [(t, rng.randrange(-(1 << 27), 1 << 27), anything(15), 80)
                       for t in ticks(rng.randrange(4))]),
        ("load_samples", (), [(t, rng.randrange(-(1 << 23), 1 << 23)) for t in ticks(rng.randrange(3000))]),
        ("edge_times", (), [(t,) for t in ticks(rng.randrange(6000))]),
        ("control_trace", (), [(t, anything(16), anything(16), anything(16), anything(8))
                               for t in ticks(rng.randrange(500))]),
    ]  # fmt: skip
    return run_bytes(body)


def test_hostile_run_files(tmp_path: Path) -> None:
    rng, outcomes, count = random.Random(6), Counter[str](), times(300)
    worst_s = worst_MB = 0.0
    for n in range(count):
        data = hostile_run(rng)
        tracemalloc.start()
        start = time.process_time()
        try:
            with Archive(tmp_path / str(n)) as archive:
                reduce_stored(archive, archive.store_run(data))
            outcomes["reduced"] += 1
        except EvenfallError as error:
            assert "\n" not in str(error)
            outcomes["refused in a sentence"] += 1
        worst_s = max(worst_s, time.process_time() - start)
        worst_MB = max(worst_MB, tracemalloc.get_traced_memory()[1] / 1e6)
        tracemalloc.stop()
    said = ", ".join(f"{n} {what}" for what, n in outcomes.items())
    cost = f"at most {worst_s:.1f} s, {worst_MB:.0f} MB"
    told("run files of sound frames and hostile content", count, f"{said}; {cost}")
    assert worst_MB < MAX_MB and worst_s < 3 * MAX_S  # the tracing of memory costs time


def test_lying_boards(tmp_path: Path) -> None:
    import test_lying_boards as lying

    outcomes, lies = Counter[str](), lying.LIES
    for number, lie in enumerate(lies):
        said, took_s, peak = lying.lied_to(lie, tmp_path / str(number))
        assert took_s < 120.0 and peak < 20e6
        outcomes["taken, slow but whole" if said == "took it" else "ended in a sentence"] += 1
    told("boards that lie", len(lies), outcomes)


# --- settings ---


def test_random_settings(tmp_path: Path) -> None:
    import test_settings_fit as fit
    from evenfall_board import settings

    rng, outcomes, count = random.Random(7), Counter[str](), times(10_000)
    path = tmp_path / "settings.json"
    started: list[tuple[float, str]] = []
    for _ in range(count):
        some = rng.sample([s for s in SETTINGS if s[6] != "pins"], rng.randint(1, 8))
        board = settings.Settings(str(path))
        accepted = board.change([(s[0], rng.randint(s[4], s[5])) for s in some])[0] == "none"
        assert fit.record_bytes(board.values) < 1.05 * settings.MAX_RECORD_BYTES
        assert settings.contradictions(board.values) == []
        outcomes["accepted, and fit" if accepted else "refused"] += 1
        path.unlink(missing_ok=True)
        if accepted:
            started.append((fit.record_bytes(board.values), json.dumps(board.values)))
    told("random settings", count, outcomes)
    # a start of the firmware takes half a second: the fullest, and others by chance
    started.sort(reverse=True)
    few = started[: times(100)] + rng.sample(started, min(len(started), times(1400)))
    said = Counter(starts_and_answers(values.encode()) for _, values in few)
    # an amplifier that this bench has not is silent; at a few counts a newton its rest is an overload
    assert set(said) <= {"none", "load_silent", "cell_overload"}, said
    told("  of the accepted, so many started with them", len(few), "all start and answer, none falls back")


def starts_and_answers(settings_file: bytes) -> str:
    """The fault of a board that starts with that settings file, once it has answered."""
    from bench_rig import Rig

    with Rig(runs=0, extra={"/settings.json": settings_file}) as rig:
        rig.run(1.0)
        assert rig.ask("hello", (messages.PROTO_MAJOR, messages.PROTO_MINOR, 7)).name == "board_info"
        return str(rig.status()["fault"])


def test_damaged_settings_file() -> None:
    """The board starts with it, answers, and says when something fell back."""
    whole, rng, outcomes = (
        json.dumps({s[1]: s[3] for s in SETTINGS}).encode(),
        random.Random(8),
        Counter[str](),
    )
    places = range(0, len(whole), max(1, round(1 / SHARE)))
    for at in places:
        hurt = bytearray(whole)
        hurt[at] ^= 1 << rng.randrange(8)
        fault = starts_and_answers(bytes(hurt))
        assert fault in ("none", "settings_bad"), fault
        outcomes["started and answers" + (", names what fell back" if fault != "none" else "")] += 1
    told("a settings file with one bit flipped in each byte", len(places), outcomes)


def test_two_programs_fetch_the_same_runs(tmp_path: Path) -> None:
    """Both fetch from boards with the same runs into one archive, started together."""
    count, failed = times(20), 0
    for n in range(count):
        folder = tmp_path / str(n)
        runs = {i: sample_run(i, seconds=3.0) for i in (1, 2, 3)}
        for name in ("a", "b"):
            (folder / name).mkdir(parents=True)
        with FaultyBoard(folder / "a", runs) as one, FaultyBoard(folder / "b", runs) as two:
            both = [killed.started(folder / "kept", "pull", board.url) for board in (one, two)]
            failed += sum(p.wait(120) != 0 for p in both)
            assert set(one.acknowledged) == set(two.acknowledged) == set(runs)
        with Archive(folder / "kept") as archive:
            assert archive.check() == [] and len(archive.find(Query())) == 3
    assert failed == 0
    told("two programs fetch the same runs at once", count, "each run once, both boards acknowledged")
