"""An archive of 100,000 runs, built and timed.

Printed by ``make bench``.  EVENFALL_STUDY_PULLS sets another number of runs.
"""

from __future__ import annotations

import os
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from evenfall.archive.archive import Archive, Query
from evenfall.model import Air
from evenfall.workflow.reduce_service import reduce_stored

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "host"))
from sample_runs import sample_run

pytestmark = pytest.mark.study
PULLS = int(os.environ.get("EVENFALL_STUDY_PULLS", "100000"))
WORDS = (
    "rich lean pipe port plug oil warm cold hose chain new worn loud smooth jet needle filter fuel".split()
)
AIR = Air(98_000.0, 295.0, 0.4)


def build(archive: Archive, count: int) -> None:
    """`count` runs over ten years: 200 engines, five builds each, notes, tags, flags, peaks.

    The raw frames are short (a header and two settings): lists and searches
    never touch them.  Lines go in by SQL, as making each run anew would take hours.
    """
    rng = random.Random(1)
    db = archive.db
    with archive.change():
        builds = []
        for e in range(200):
            archive.add_engine(f"engine {e}", 25 + e % 100)
            builds += [archive.add_build(f"engine {e}", f"build {b}", rng.choice(WORDS)) for b in range(5)]
        session = archive.add_session(1_400_000_000)
        for n in range(count):
            started = 1_400_000_000 + n * 3000
            sha = f"{n:064x}"
            db.execute("INSERT INTO raw VALUES (?, 3, 0, x'000000')", (sha,))
            power = rng.uniform(1000, 25000)
            db.execute(
                "INSERT INTO runs(id, sha256, board_uid, board_run, firmware, trigger, started_unix_s, "
                "pulled_unix_s, verdict, reason, complete, damage, settings, build_id, session_id, standard, "
                "peak_power_W, peak_power_rpm, peak_torque_Nm, peak_torque_rpm) VALUES (?, ?, 'e66', ?, '1', "
                "'button', ?, ?, ?, 'none', 1, '[]', '{}', ?, ?, 'iso1585', ?, 9500, ?, 7500)",
                (n + 1, sha, n, started, started, rng.choice(("good", "fair", "poor")), rng.choice(builds),
                 session, power, power / 1000),
            )  # fmt: skip
            if n % 3 == 0:
                db.execute("INSERT INTO tags VALUES (?, ?)", (rng.choice(WORDS), n + 1))
            if n % 50 == 0:
                db.execute("INSERT INTO flags VALUES ('damaged', ?)", (n + 1,))
            text = " ".join(rng.choices(WORDS, k=8)) + (f" special{n}" if n % 1000 == 0 else "")
            db.execute(
                "INSERT INTO notes(run_id, made_unix_s, text) VALUES (?, ?, ?)", (n + 1, started, text)
            )
            archive._index_words(n + 1)
    db.execute("ANALYZE")


def timed(work: Callable[[], object], rounds: int = 7) -> float:
    """Median milliseconds of one core (processor time: other work on the machine does not count)."""
    took = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        took.append((time.process_time() - start) * 1e3)
    return sorted(took)[rounds // 2]


def test_study_of_a_large_archive(tmp_path):
    with Archive(tmp_path) as archive:
        start = time.perf_counter()
        build(archive, PULLS)
        print(f"\narchive of {PULLS:,} runs built in {time.perf_counter() - start:.0f} s")
    queries = {
        "list, newest 50": Query(),
        "one engine": Query(engine="engine 7"),
        "one build": Query(engine="engine 7", build="build 3"),
        "a month": Query(since_unix_s=1_500_000_000, until_unix_s=1_502_592_000),
        "strongest": Query(sort="power"),
        "a range of peak power": Query(power_W=(5000, 5050)),
        "flag": Query(flags=("damaged",)),
        "tag": Query(tags=("oil",)),
        "a common word": Query(words="oil"),
        "three words": Query(words="oil rich loud"),
        "a rare word": Query(words="special5000"),
        "word that is not there": Query(words="zzz"),
        "engine, word and verdict": Query(engine="engine 7", words="pipe", verdict="good"),
        "poor, damaged, with word": Query(words="pipe", verdict="poor", flags=("damaged",)),
    }
    slowest = 0.0
    with Archive(tmp_path) as archive:
        for name, query in queries.items():
            ms = timed(lambda q=query: archive.find(q))
            slowest = max(slowest, ms)
            print(f"  {name:28} {len(archive.find(query)):3} shown {ms:8.1f} ms")
        new = archive.store_run(sample_run(1), air_id=archive.add_record(AIR))
        ms = timed(lambda: reduce_stored(archive, new), 5)
        print(f"  {'open and reduce one run':28}           {ms:8.1f} ms (goal 1,000)")
    print(f"  slowest search {slowest:.0f} ms (goal 100)")
