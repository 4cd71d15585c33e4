"""The archive's tables, and the steps that bring an older file to them.

Steps are frozen once a version with them is out: each ends in the tables that
the next one starts from.  What is recorded is never changed by a step; names of
tables and columns are.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterator
from typing import Any

APPLICATION_ID = 0x45766661  # "Evfa": this SQLite file is an archive of evenfall

_KEPT = ("engines", "builds", "sessions", "records", "raw", "runs", "reductions", "bins", "notes",
         "check_weights")  # fmt: skip
_FIXED = ("records", "raw", "reductions", "bins", "notes", "check_weights")

_LAYOUT_1 = (
    """
    CREATE TABLE engines(
        id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE COLLATE NOCASE, displacement_cc REAL,
        remark TEXT NOT NULL DEFAULT '', made_unix_s INTEGER NOT NULL) STRICT;
    CREATE TABLE builds(
        id INTEGER PRIMARY KEY, engine_id INTEGER NOT NULL REFERENCES engines(id),
        name TEXT NOT NULL COLLATE NOCASE,
        changed TEXT NOT NULL DEFAULT '', changed_by TEXT NOT NULL DEFAULT '',
        made_unix_s INTEGER NOT NULL, UNIQUE(engine_id, name)) STRICT;
    CREATE TABLE sessions(
        id INTEGER PRIMARY KEY, started_unix_s INTEGER NOT NULL, ended_unix_s INTEGER,
        title TEXT NOT NULL DEFAULT '', plan TEXT NOT NULL DEFAULT '') STRICT;
    -- calibrations, set-ups and air readings: evenfall.model records as JSON, SI units
    CREATE TABLE records(
        id INTEGER PRIMARY KEY, kind TEXT NOT NULL CHECK(kind IN ('calibration', 'setup', 'air')),
        label TEXT NOT NULL DEFAULT '', made_unix_s INTEGER NOT NULL, body TEXT NOT NULL) STRICT;
    CREATE INDEX records_by_label ON records(kind, label, id);
    CREATE TABLE in_force(what TEXT PRIMARY KEY, value TEXT NOT NULL, since_unix_s INTEGER NOT NULL) STRICT;
    CREATE TABLE raw(
        sha256 TEXT PRIMARY KEY, size INTEGER NOT NULL, crc32 INTEGER NOT NULL, bytes BLOB NOT NULL) STRICT;
    CREATE TABLE pulls(
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE REFERENCES raw(sha256),
        board_uid TEXT NOT NULL, run_id INTEGER NOT NULL, firmware TEXT NOT NULL, trigger TEXT NOT NULL,
        started_unix_s INTEGER NOT NULL, pulled_unix_s INTEGER NOT NULL, acknowledged_unix_s INTEGER,
        verdict TEXT NOT NULL, reason TEXT NOT NULL, complete INTEGER NOT NULL, damage TEXT NOT NULL,
        settings TEXT NOT NULL,
        build_id INTEGER REFERENCES builds(id), session_id INTEGER REFERENCES sessions(id),
        calibration_id INTEGER REFERENCES records(id), setup_id INTEGER REFERENCES records(id),
        air_id INTEGER REFERENCES records(id), standard TEXT NOT NULL,
        set_aside TEXT, set_aside_unix_s INTEGER,
        sweep_time_s REAL, peak_power_W REAL, peak_power_rpm REAL, peak_torque_Nm REAL, peak_torque_rpm REAL,
        reduction_id INTEGER REFERENCES reductions(id)) STRICT;
    CREATE TABLE reductions(
        id INTEGER PRIMARY KEY, pull_id INTEGER NOT NULL REFERENCES pulls(id), key TEXT NOT NULL,
        version INTEGER NOT NULL, standard TEXT NOT NULL, bin_rpm REAL NOT NULL, made_unix_s INTEGER NOT NULL,
        inputs TEXT NOT NULL, summary TEXT NOT NULL, UNIQUE(pull_id, key)) STRICT;
    CREATE TABLE bins(
        reduction_id INTEGER NOT NULL REFERENCES reductions(id),
        speed_rpm REAL, torque_Nm REAL, torque_u_Nm REAL, torque_u_repeat_Nm REAL,
        power_W REAL, power_u_W REAL, power_u_repeat_W REAL, torque_observed_Nm REAL,
        power_observed_W REAL, count INTEGER,
        PRIMARY KEY(reduction_id, speed_rpm)) STRICT, WITHOUT ROWID;
    CREATE TABLE flags(
        flag TEXT NOT NULL, pull_id INTEGER NOT NULL REFERENCES pulls(id), PRIMARY KEY(flag, pull_id)
        ) STRICT, WITHOUT ROWID;
    CREATE INDEX flags_by_pull ON flags(pull_id);
    CREATE TABLE tags(
        tag TEXT NOT NULL COLLATE NOCASE, pull_id INTEGER NOT NULL REFERENCES pulls(id),
        PRIMARY KEY(tag, pull_id)) STRICT, WITHOUT ROWID;
    CREATE INDEX tags_by_pull ON tags(pull_id);
    CREATE TABLE notes(
        id INTEGER PRIMARY KEY, pull_id INTEGER NOT NULL REFERENCES pulls(id), made_unix_s INTEGER NOT NULL,
        author TEXT NOT NULL DEFAULT '', text TEXT NOT NULL) STRICT;
    CREATE INDEX notes_by_pull ON notes(pull_id);
    -- one document per run: notes, tags, engine, build and what was changed
    CREATE VIRTUAL TABLE words USING fts5(
        text, tokenize = 'unicode61 remove_diacritics 2', prefix = '3', detail = 'none', columnsize = 0);
    """
)  # fmt: skip

# names of layout 1 to those of today; what the names hold stays as it is
_LAYOUT_2 = (
    """
    DROP VIEW IF EXISTS pull_list;
    ALTER TABLE pulls RENAME COLUMN run_id TO board_run;
    ALTER TABLE pulls RENAME COLUMN set_aside TO excluded;
    ALTER TABLE pulls RENAME COLUMN set_aside_unix_s TO excluded_unix_s;
    ALTER TABLE pulls RENAME TO runs;
    ALTER TABLE in_force RENAME TO active;
    ALTER TABLE reductions RENAME COLUMN pull_id TO run_id;
    ALTER TABLE flags RENAME COLUMN pull_id TO run_id;
    ALTER TABLE tags RENAME COLUMN pull_id TO run_id;
    ALTER TABLE notes RENAME COLUMN pull_id TO run_id;
    ALTER TABLE bins RENAME COLUMN torque_u_repeat_Nm TO torque_u_independent_Nm;
    ALTER TABLE bins RENAME COLUMN power_u_repeat_W TO power_u_independent_W;
    CREATE TABLE check_weights(
        id INTEGER PRIMARY KEY, unix_s INTEGER NOT NULL, mass_kg REAL NOT NULL,
        count_above_zero REAL NOT NULL) STRICT;
    -- where the start's date is from: the board's clock, or this computer's when the board had none
    ALTER TABLE runs ADD COLUMN clock TEXT NOT NULL DEFAULT 'board' CHECK(clock IN ('board', 'host'));
    ALTER TABLE records ADD COLUMN sha256 TEXT NOT NULL DEFAULT '';
    ALTER TABLE reductions ADD COLUMN sha256 TEXT NOT NULL DEFAULT '';
    -- the newest start of a session, so that filing need not look through its runs
    ALTER TABLE sessions ADD COLUMN last_unix_s INTEGER;
    UPDATE sessions SET last_unix_s =
        (SELECT max(started_unix_s) FROM runs WHERE session_id = sessions.id);
    DROP INDEX IF EXISTS pulls_by_date;
    DROP INDEX IF EXISTS pulls_by_build;
    DROP INDEX IF EXISTS pulls_by_session;
    DROP INDEX IF EXISTS pulls_by_board;
    DROP INDEX IF EXISTS pulls_by_power;
    DROP INDEX IF EXISTS pulls_by_torque;
    DROP INDEX flags_by_pull;
    DROP INDEX tags_by_pull;
    DROP INDEX notes_by_pull;
    CREATE INDEX runs_by_date ON runs(started_unix_s);
    CREATE INDEX runs_by_build ON runs(build_id, started_unix_s);
    CREATE INDEX runs_by_session ON runs(session_id);
    CREATE INDEX runs_by_board ON runs(board_uid, board_run);
    CREATE INDEX runs_by_power ON runs(peak_power_W);
    CREATE INDEX runs_by_torque ON runs(peak_torque_Nm);
    CREATE INDEX flags_by_run ON flags(run_id);
    CREATE INDEX tags_by_run ON tags(run_id);
    CREATE INDEX notes_by_run ON notes(run_id);
    CREATE VIEW run_list AS
        SELECT p.id AS run, e.name AS engine, b.name AS build, b.changed, b.changed_by, p.started_unix_s,
               p.clock, p.verdict, p.reason, p.sweep_time_s, p.peak_power_W, p.peak_power_rpm,
               p.peak_torque_Nm, p.peak_torque_rpm, p.excluded, p.session_id AS session, p.board_uid,
               p.board_run, p.sha256, p.standard, p.acknowledged_unix_s,
               (SELECT group_concat(tag, ', ') FROM tags t WHERE t.run_id = p.id) AS tags,
               (SELECT group_concat(flag, ', ') FROM flags f WHERE f.run_id = p.id) AS flags
        FROM runs p LEFT JOIN builds b ON b.id = p.build_id LEFT JOIN engines e ON e.id = b.engine_id;
    """
    + "".join(
        f"""
    CREATE TRIGGER {table}_kept BEFORE DELETE ON {table}
        BEGIN SELECT RAISE(ABORT, '{table}: nothing is deleted; exclude a run instead'); END;"""
        for table in _KEPT
    )
)  # fmt: skip

_GUARDS_2 = (
    "".join(
        f"""
    CREATE TRIGGER {table}_fixed BEFORE UPDATE ON {table}
        BEGIN SELECT RAISE(ABORT, '{table}: what is recorded is never changed'); END;"""
        for table in _FIXED
    )
    + """
    CREATE TRIGGER runs_fixed BEFORE UPDATE OF id, sha256, board_uid, board_run, firmware, trigger,
        started_unix_s, clock, pulled_unix_s, verdict, reason, complete, damage, settings ON runs
        BEGIN SELECT RAISE(ABORT, 'runs: what the board recorded is never changed'); END;
    """
)


# what a person added can be retired and what is known of it filled in; the record itself stays as it is
_LAYOUT_3 = """
    ALTER TABLE engines ADD COLUMN retired_unix_s INTEGER;
    ALTER TABLE engines ADD COLUMN details TEXT NOT NULL DEFAULT '{}';
    ALTER TABLE builds ADD COLUMN retired_unix_s INTEGER;
    ALTER TABLE builds ADD COLUMN details TEXT NOT NULL DEFAULT '{}';
    ALTER TABLE runs ADD COLUMN details TEXT NOT NULL DEFAULT '{}';
    ALTER TABLE records ADD COLUMN retired_unix_s INTEGER;
    ALTER TABLE notes ADD COLUMN retired_unix_s INTEGER;
    ALTER TABLE check_weights ADD COLUMN retired_unix_s INTEGER;
    DROP TRIGGER records_fixed;
    DROP TRIGGER notes_fixed;
    DROP TRIGGER check_weights_fixed;
    CREATE TRIGGER records_fixed BEFORE UPDATE OF id, kind, made_unix_s, body, sha256 ON records
        BEGIN SELECT RAISE(ABORT, 'records: what is recorded is never changed'); END;
    CREATE TRIGGER notes_fixed BEFORE UPDATE OF id, run_id, made_unix_s, author, text ON notes
        BEGIN SELECT RAISE(ABORT, 'notes: what is recorded is never changed'); END;
    CREATE TRIGGER check_weights_fixed
        BEFORE UPDATE OF id, unix_s, mass_kg, count_above_zero ON check_weights
        BEGIN SELECT RAISE(ABORT, 'check_weights: what is recorded is never changed'); END;
"""

# a run of an earlier start of a board without a clock: nobody knows when it was made
_LAYOUT_4 = """
    ALTER TABLE runs ADD COLUMN time_known INTEGER NOT NULL DEFAULT 1 CHECK(time_known IN (0, 1));
    DROP TRIGGER runs_fixed;
    CREATE TRIGGER runs_fixed BEFORE UPDATE OF id, sha256, board_uid, board_run, firmware, trigger,
        started_unix_s, clock, time_known, pulled_unix_s, verdict, reason, complete, damage, settings ON runs
        BEGIN SELECT RAISE(ABORT, 'runs: what the board recorded is never changed'); END;
    DROP VIEW run_list;
    CREATE VIEW run_list AS
        SELECT p.id AS run, e.name AS engine, b.name AS build, b.changed, b.changed_by, p.started_unix_s,
               CASE p.time_known WHEN 1 THEN p.clock ELSE 'unknown' END AS clock, p.pulled_unix_s,
               p.verdict, p.reason, p.sweep_time_s, p.peak_power_W, p.peak_power_rpm,
               p.peak_torque_Nm, p.peak_torque_rpm, p.excluded, p.session_id AS session, p.board_uid,
               p.board_run, p.sha256, p.standard, p.acknowledged_unix_s,
               (SELECT group_concat(tag, ', ') FROM tags t WHERE t.run_id = p.id) AS tags,
               (SELECT group_concat(flag, ', ') FROM flags f WHERE f.run_id = p.id) AS flags
        FROM runs p LEFT JOIN builds b ON b.id = p.build_id LEFT JOIN engines e ON e.id = b.engine_id;
"""


def record_hash(kind: str, body: str) -> str:
    """SHA-256 of what results are corrected with: a calibration, a set-up, an air reading."""
    return hashlib.sha256(f"{kind}\0{body}".encode()).hexdigest()


def reduction_hash(row: dict[str, Any], bins: list[tuple[Any, ...]]) -> str:
    """SHA-256 of a kept reduction: its inputs, its summary and its bins."""
    head = [row[name] for name in ("run_id", "key", "version", "standard", "bin_rpm", "inputs", "summary")]
    return hashlib.sha256(json.dumps([head, bins]).encode()).hexdigest()


def bins_of(db: sqlite3.Connection, reduction: int) -> list[tuple[Any, ...]]:
    """Rows of a reduction's bins without the reduction's number, by speed."""
    rows = db.execute("SELECT * FROM bins WHERE reduction_id = ? ORDER BY speed_rpm", (reduction,))
    return [tuple(row)[1:] for row in rows]


def _to_2(db: sqlite3.Connection) -> None:
    for (trigger,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f'DROP TRIGGER "{trigger}"')
    _execute(db, _LAYOUT_2)
    for number, kind, body in db.execute("SELECT id, kind, body FROM records").fetchall():
        db.execute("UPDATE records SET sha256 = ? WHERE id = ?", (record_hash(kind, body), number))
    # one at a time: an archive may hold more reductions than memory
    for (number,) in db.execute("SELECT id FROM reductions").fetchall():
        cursor = db.execute("SELECT * FROM reductions WHERE id = ?", (number,))
        row = dict(zip([c[0] for c in cursor.description], cursor.fetchone(), strict=True))
        db.execute(
            "UPDATE reductions SET sha256 = ? WHERE id = ?",
            (reduction_hash(row, bins_of(db, number)), number),
        )
    _execute(db, _GUARDS_2)


STEPS: tuple[Callable[[sqlite3.Connection], None], ...] = (
    lambda db: _execute(db, _LAYOUT_1),
    _to_2,
    lambda db: _execute(db, _LAYOUT_3),
    lambda db: _execute(db, _LAYOUT_4),
)
LAYOUT = len(STEPS)


def migrate(db: sqlite3.Connection, version: int) -> None:
    """Bring a file of layout `version` (0: empty) to `LAYOUT`, inside the caller's transaction."""
    for step in STEPS[version:]:
        step(db)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {LAYOUT}")


def _execute(db: sqlite3.Connection, script: str) -> None:
    """Run a script inside the open transaction: `executescript` would commit in the middle."""
    for statement in _statements(script):
        db.execute(statement)


def _statements(script: str) -> Iterator[str]:
    piece = ""
    for line in script.splitlines(keepends=True):
        piece += line
        if sqlite3.complete_statement(piece):
            yield piece
            piece = ""
