"""The archive: one SQLite file with every run bit for bit, and what is known about it.

    DIR/evenfall.sqlite   the catalogue and the raw frames
    DIR/incoming/         transfers not yet whole (link.read_run takes them up again)

Raw frames, calibrations, set-ups, air, notes and reductions are written once
and never changed; triggers in the file itself refuse it, whatever program asks.
Nothing is deleted: a pull is set aside with a reason.  WAL with full
synchronisation: what was committed survives a kill and a power cut (SQLite,
"Write-Ahead Logging", "PRAGMA synchronous").
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import hashlib
import json
import os
import sqlite3
import time
from binascii import crc32
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from evenfall.board import run_file
from evenfall.errors import ArchiveError, DamageError, InputError, NotFoundError
from evenfall.model import AIR_UNKNOWN, Air, Bins, Calibration, Reduction, Run, Setup

FILE_NAME = "evenfall.sqlite"
MAX_EXPORT_BYTES = 32 << 20
SESSION_GAP_S = 4 * 3600  # a pull later than this after the last one opens a new session
NO_AIR = Air(101325.0, 298.15, 0.0, 1000.0, 10.0, 0.5, AIR_UNKNOWN)
BIN_COLUMNS = tuple(f.name for f in fields(Bins))
_BIN_SQL_1 = """speed_rpm REAL, torque_Nm REAL, torque_u_Nm REAL, torque_u_repeat_Nm REAL,
        power_W REAL, power_u_W REAL, power_u_repeat_W REAL, torque_observed_Nm REAL,
        power_observed_W REAL, count INTEGER"""
R = TypeVar("R", Calibration, Setup, Air)

_MIGRATIONS = [
    f"""
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
    -- what new pulls are filed under: calibration, setup, air, build, session, standard
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
    CREATE INDEX pulls_by_date ON pulls(started_unix_s);
    CREATE INDEX pulls_by_build ON pulls(build_id, started_unix_s);
    CREATE INDEX pulls_by_session ON pulls(session_id);
    CREATE INDEX pulls_by_board ON pulls(board_uid, run_id);
    CREATE INDEX pulls_by_power ON pulls(peak_power_W);
    CREATE INDEX pulls_by_torque ON pulls(peak_torque_Nm);
    CREATE TABLE reductions(
        id INTEGER PRIMARY KEY, pull_id INTEGER NOT NULL REFERENCES pulls(id), key TEXT NOT NULL,
        version INTEGER NOT NULL, standard TEXT NOT NULL, bin_rpm REAL NOT NULL, made_unix_s INTEGER NOT NULL,
        inputs TEXT NOT NULL, summary TEXT NOT NULL, UNIQUE(pull_id, key)) STRICT;
    CREATE TABLE bins(
        reduction_id INTEGER NOT NULL REFERENCES reductions(id),
        {_BIN_SQL_1},
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
    -- one document per pull: notes, tags, engine, build and what was changed
    CREATE VIRTUAL TABLE words USING fts5(
        text, tokenize = 'unicode61 remove_diacritics 2', prefix = '3', detail = 'none', columnsize = 0);
    CREATE VIEW pull_list AS
        SELECT p.id AS pull, e.name AS engine, b.name AS build, b.changed, b.changed_by, p.started_unix_s,
               p.verdict, p.reason, p.sweep_time_s, p.peak_power_W, p.peak_power_rpm, p.peak_torque_Nm,
               p.peak_torque_rpm, p.set_aside, p.session_id AS session, p.board_uid, p.run_id, p.sha256,
               p.standard, p.acknowledged_unix_s,
               (SELECT group_concat(tag, ', ') FROM tags t WHERE t.pull_id = p.id) AS tags,
               (SELECT group_concat(flag, ', ') FROM flags f WHERE f.pull_id = p.id) AS flags
        FROM pulls p LEFT JOIN builds b ON b.id = p.build_id LEFT JOIN engines e ON e.id = b.engine_id;
    """
    + "".join(
        f"""
    CREATE TRIGGER {table}_kept BEFORE DELETE ON {table}
        BEGIN SELECT RAISE(ABORT, '{table}: nothing is deleted; set a pull aside instead'); END;"""
        for table in (
            "engines",
            "builds",
            "sessions",
            "records",
            "raw",
            "pulls",
            "reductions",
            "bins",
            "notes",
        )
    )
    + "".join(
        f"""
    CREATE TRIGGER {table}_fixed BEFORE UPDATE ON {table}
        BEGIN SELECT RAISE(ABORT, '{table}: what is recorded is never changed'); END;"""
        for table in ("records", "raw", "reductions", "bins", "notes")
    )
    + """
    CREATE TRIGGER pulls_fixed BEFORE UPDATE OF id, sha256, board_uid, run_id, firmware, trigger,
        started_unix_s, pulled_unix_s, verdict, reason, complete, damage, settings ON pulls
        BEGIN SELECT RAISE(ABORT, 'pulls: what the board recorded is never changed'); END;
    """,
    """
    ALTER TABLE bins RENAME COLUMN torque_u_repeat_Nm TO torque_u_independent_Nm;
    ALTER TABLE bins RENAME COLUMN power_u_repeat_W TO power_u_independent_W;
    """,
]


@dataclass(frozen=True)
class Query:
    """What to look for; None means any.  Powers in W, torques in N.m, times in Unix seconds."""

    engine: str | None = None
    build: str | None = None
    session: int | None = None
    since_unix_s: int | None = None
    until_unix_s: int | None = None
    words: str | None = None
    power_W: tuple[float | None, float | None] = (None, None)
    torque_Nm: tuple[float | None, float | None] = (None, None)
    flags: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    verdict: str | None = None
    set_aside: bool | None = False  # None: both
    sort: str = "date"  # date, power, torque
    limit: int = 50
    offset: int = 0


_SORTS = {"date": "p.started_unix_s", "power": "p.peak_power_W", "torque": "p.peak_torque_Nm"}


class Archive:
    """An open archive.  Use as a context manager; one per process and thread.

    Raises ArchiveError when the file cannot be used.
    """

    def __init__(self, folder: Path | str) -> None:
        self.folder = Path(folder)
        self.path = self.folder / FILE_NAME
        self.incoming = self.folder / "incoming"
        try:
            self.incoming.mkdir(parents=True, exist_ok=True)
            self.db = _connect(self.path)
        except OSError as error:
            raise ArchiveError(f"the archive folder {self.folder} cannot be used: {error.strerror}") from None
        try:
            self._migrate()
        except sqlite3.Error as error:
            self.db.close()
            raise ArchiveError(
                f"the archive {self.path} cannot be opened ({error}); "
                "if it is damaged: evenfall archive restore BACKUP"
            ) from None
        except ArchiveError:
            self.db.close()
            raise

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.db.close()

    def _migrate(self) -> None:
        (version,) = self.db.execute("PRAGMA user_version").fetchone()
        if version > len(_MIGRATIONS):
            raise ArchiveError(
                f"the archive {self.path} was made by a newer evenfall (layout {version}): update evenfall"
            )
        if version == len(_MIGRATIONS):
            return
        with self.change():
            (version,) = self.db.execute(
                "PRAGMA user_version"
            ).fetchone()  # another program may have been first
            for number in range(version, len(_MIGRATIONS)):
                for statement in _statements(_MIGRATIONS[number]):
                    self.db.execute(statement)
            self.db.execute(f"PRAGMA user_version = {len(_MIGRATIONS)}")

    @contextlib.contextmanager
    def change(self) -> Iterator[None]:
        """One transaction; changes inside another one join it."""
        if self.db.in_transaction:
            yield
            return
        self.db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self.db.execute("ROLLBACK")
            raise
        self.db.execute("COMMIT")

    # --- engines, builds, sessions, records ---

    def add_engine(self, name: str, displacement_cc: float | None = None, remark: str = "") -> int:
        """Add an engine; InputError when the name is taken."""
        _check_name(name, "engine")
        try:
            with self.change():
                return self._insert(
                    "engines", name=name, displacement_cc=displacement_cc, remark=remark, made_unix_s=_now()
                )
        except sqlite3.IntegrityError:
            raise InputError(f"there is an engine '{name}' already") from None

    def engine_id(self, name: str) -> int:
        """The engine of that name; NotFoundError lists near ones."""
        row = self.db.execute("SELECT id FROM engines WHERE name = ?", (name,)).fetchone()
        if row is None:
            names = [r["name"] for r in self.db.execute("SELECT name FROM engines ORDER BY id DESC LIMIT 8")]
            known = f"engines here: {', '.join(names)}" if names else "the archive holds none yet"
            raise NotFoundError(f"there is no engine '{name}'; {known}. Add one: evenfall engine add NAME")
        return int(row["id"])

    def engines(self) -> list[dict[str, Any]]:
        """Engines with their numbers of builds and runs."""
        return self._rows(
            "SELECT e.name, e.displacement_cc, e.remark, e.made_unix_s, count(DISTINCT b.id) AS builds, "
            "count(p.id) AS pulls FROM engines e LEFT JOIN builds b ON b.engine_id = e.id "
            "LEFT JOIN pulls p ON p.build_id = b.id GROUP BY e.id ORDER BY e.name"
        )

    def add_build(self, engine: str, name: str, changed: str = "", changed_by: str = "") -> int:
        """Add a build of an engine: what was changed, by whom."""
        _check_name(name, "build")
        engine_id = self.engine_id(engine)
        try:
            with self.change():
                return self._insert(
                    "builds",
                    engine_id=engine_id,
                    name=name,
                    changed=changed,
                    changed_by=changed_by,
                    made_unix_s=_now(),
                )
        except sqlite3.IntegrityError:
            raise InputError(f"engine '{engine}' has a build '{name}' already") from None

    def build_id(self, engine: str, name: str | None = None) -> int:
        """The build of that name, or the engine's latest; an engine without one gets 'as found'."""
        engine_id = self.engine_id(engine)
        if name is None:
            row = self.db.execute(
                "SELECT id FROM builds WHERE engine_id = ? ORDER BY id DESC LIMIT 1", (engine_id,)
            ).fetchone()
            return int(row["id"]) if row else self.add_build(engine, "as found")
        row = self.db.execute(
            "SELECT id FROM builds WHERE engine_id = ? AND name = ?", (engine_id, name)
        ).fetchone()
        if row is None:
            names = [b["build"] for b in self.builds(engine)]
            raise NotFoundError(
                f"engine '{engine}' has no build '{name}'; it has: {', '.join(names) or 'none'}. "
                "Add one: evenfall engine build ENGINE NAME"
            )
        return int(row["id"])

    def builds(self, engine: str) -> list[dict[str, Any]]:
        """Builds of an engine, oldest first."""
        return self._rows(
            "SELECT b.name AS build, b.changed, b.changed_by, b.made_unix_s, count(p.id) AS pulls, "
            "max(p.peak_power_W) AS best_power_W FROM builds b LEFT JOIN pulls p ON p.build_id = b.id "
            "AND p.set_aside IS NULL WHERE b.engine_id = ? GROUP BY b.id ORDER BY b.id",
            self.engine_id(engine),
        )

    def add_record(self, record: Calibration | Setup | Air, label: str = "") -> int:
        """Keep a calibration, a set-up or an air reading; return its number."""
        with self.change():
            return self._insert(
                "records",
                kind=type(record).__name__.lower(),
                label=label,
                made_unix_s=_now(),
                body=json.dumps(asdict(record)),
            )

    def record(self, kind: type[R], number: int) -> R:
        """The record of that number."""
        row = self.db.execute(
            "SELECT body FROM records WHERE id = ? AND kind = ?", (number, kind.__name__.lower())
        ).fetchone()
        if row is None:
            raise NotFoundError(f"there is no {kind.__name__.lower()} number {number} in the archive")
        return _record(kind, json.loads(row["body"]))

    def records(self, kind: type[R]) -> list[dict[str, Any]]:
        """All records of a kind, newest first: number, label, made_unix_s and the record's fields."""
        rows = self._rows(
            "SELECT id, label, made_unix_s, body FROM records WHERE kind = ? ORDER BY id DESC",
            kind.__name__.lower(),
        )
        return [
            {
                "number": r["id"],
                "label": r["label"],
                "filed_unix_s": r["made_unix_s"],
                **json.loads(r["body"]),
            }
            for r in rows
        ]

    def record_named(self, kind: type[R], label: str) -> int:
        """The newest record of that label (or number)."""
        row = self.db.execute(
            "SELECT max(id) AS id FROM records WHERE kind = ? AND (label = ? OR CAST(id AS TEXT) = ?)",
            (kind.__name__.lower(), label, label),
        ).fetchone()
        if row["id"] is None:
            raise NotFoundError(f"there is no {kind.__name__.lower()} '{label}' in the archive")
        return int(row["id"])

    def put_in_force(self, what: str, value: str | int) -> None:
        """File new runs under this: calibration, setup, air, build, session (numbers) or standard."""
        with self.change():
            self.db.execute("INSERT OR REPLACE INTO in_force VALUES (?, ?, ?)", (what, str(value), _now()))

    def take_out_of_force(self, what: str) -> None:
        """New runs are no longer filed under one."""
        with self.change():
            self.db.execute("DELETE FROM in_force WHERE what = ?", (what,))

    def in_force(self, what: str) -> tuple[str, int] | None:
        """(value, since_unix_s) of what new runs are filed under, or None."""
        row = self.db.execute("SELECT value, since_unix_s FROM in_force WHERE what = ?", (what,)).fetchone()
        return (row["value"], int(row["since_unix_s"])) if row else None

    def session_for(self, started_unix_s: int) -> int:
        """The session a pull of that time belongs to; a new one after a long gap."""
        row = self.db.execute(
            "SELECT s.id, max(s.started_unix_s, coalesce(max(p.started_unix_s), 0)) AS last FROM sessions s "
            "LEFT JOIN pulls p ON p.session_id = s.id "
            "WHERE s.ended_unix_s IS NULL AND s.id = (SELECT max(id) FROM sessions)"
        ).fetchone()
        if row["id"] is not None and abs(started_unix_s - row["last"]) < SESSION_GAP_S:
            return int(row["id"])
        return self.add_session(started_unix_s)

    def add_session(self, started_unix_s: int | None = None, title: str = "", plan: str = "") -> int:
        """Open a session of runs."""
        with self.change():
            return self._insert("sessions", started_unix_s=started_unix_s or _now(), title=title, plan=plan)

    def sessions(self) -> list[dict[str, Any]]:
        """Sessions, newest first, with their numbers of runs."""
        return self._rows(
            "SELECT s.id AS session, s.started_unix_s, s.ended_unix_s, s.title, count(p.id) AS pulls "
            "FROM sessions s LEFT JOIN pulls p ON p.session_id = s.id GROUP BY s.id ORDER BY s.id DESC"
        )

    def keep_plan(self, session: int, plan: str) -> None:
        """Keep how far a guided day has come, in its session."""
        with self.change():
            self.db.execute("UPDATE sessions SET plan = ? WHERE id = ?", (plan, session))

    def open_plan(self) -> tuple[int, str] | None:
        """(session, plan) of the newest guided day that has not ended."""
        row = self.db.execute(
            "SELECT id, plan FROM sessions WHERE plan != '' AND ended_unix_s IS NULL ORDER BY id DESC LIMIT 1"
        ).fetchone()
        return (int(row["id"]), str(row["plan"])) if row else None

    def end_session(self, session: int) -> None:
        """No run joins this session any more."""
        with self.change():
            self.db.execute(
                "UPDATE sessions SET ended_unix_s = ? WHERE id = ? AND ended_unix_s IS NULL",
                (_now(), session),
            )

    # --- runs ---

    def partial_path(self, board_uid: str, run_id: int, size: int, crc: int) -> Path:
        """Where a transfer of that run is kept until it is whole."""
        return self.incoming / f"{board_uid}-{run_id}-{size}-{crc:08x}.part"

    def store_run(
        self,
        data: bytes,
        *,
        build_id: int | None = None,
        session_id: int | None = None,
        calibration_id: int | None = None,
        setup_id: int | None = None,
        air_id: int | None = None,
        standard: str = "iso1585",
        run: Run | None = None,
    ) -> int:
        """Keep a run file; return its run number.  The same bytes are kept once.

        Raises DamageError when the bytes hold no run at all.
        """
        if len(data) > run_file.MAX_RUN_BYTES:
            raise DamageError(f"{len(data)} bytes are more than any board holds: not a run")
        sha = hashlib.sha256(data).hexdigest()
        row = self.db.execute("SELECT id FROM pulls WHERE sha256 = ?", (sha,)).fetchone()
        if row:
            return int(row["id"])
        run = run or run_file.decode_run(data)
        if not run.board_uid:
            raise DamageError("these bytes hold no run: " + "; ".join(run.damage[:3]))
        started = run.started_unix_s or _now()
        verdict = run.verdict or {"verdict": "none", "reason": "none"}
        with self.change():
            self.db.execute(
                "INSERT OR IGNORE INTO raw VALUES (?, ?, ?, ?)", (sha, len(data), crc32(data), data)
            )
            pull = self._insert(
                "pulls",
                sha256=sha,
                board_uid=run.board_uid,
                run_id=run.run_id,
                firmware=run.firmware,
                trigger=run.trigger,
                started_unix_s=started,
                pulled_unix_s=_now(),
                verdict=verdict["verdict"],
                reason=verdict["reason"],
                complete=int(run.complete),
                damage=json.dumps(run.damage),
                settings=json.dumps(run.settings),
                build_id=build_id,
                session_id=session_id if session_id is not None else self.session_for(started),
                calibration_id=calibration_id,
                setup_id=setup_id,
                air_id=air_id,
                standard=standard,
            )
            self.db.executemany("INSERT INTO flags VALUES (?, ?)", [(flag, pull) for flag in flags_of(run)])
            self._index_words(pull)
        return pull

    def read_back(self, pull: int) -> bytes:
        """The run's bytes through a connection of their own, checked against their SHA-256.

        What the host acknowledges to the board rests on this.
        """
        with contextlib.closing(_connect(self.path)) as other:
            return _raw(other, pull)

    def acknowledged(self, pull: int) -> None:
        """Note that the board knows of the copy."""
        with self.change():
            self.db.execute(
                "UPDATE pulls SET acknowledged_unix_s = ? WHERE id = ? AND acknowledged_unix_s IS NULL",
                (_now(), pull),
            )

    def known_run(self, board_uid: str, run_id: int, size: int, crc: int) -> int | None:
        """The run that holds this run of that board, or None."""
        row = self.db.execute(
            "SELECT p.id FROM pulls p JOIN raw r USING (sha256) "
            "WHERE board_uid = ? AND run_id = ? AND size = ? AND crc32 = ?",
            (board_uid, run_id, size, crc),
        ).fetchone()
        return int(row["id"]) if row else None

    def raw(self, pull: int) -> bytes:
        """The run's frames, bit for bit; DamageError when they no longer match their SHA-256."""
        return _raw(self.db, pull)

    def run(self, pull: int) -> Run:
        """The run, decoded."""
        return run_file.decode_run(self.raw(pull))

    def row(self, pull: int) -> dict[str, Any]:
        """The run's line of `pull_list`; NotFoundError when there is none."""
        rows = self._rows("SELECT * FROM pull_list WHERE pull = ?", pull)
        if not rows:
            (count,) = self.db.execute("SELECT count(*) FROM pulls").fetchone()
            raise NotFoundError(f"there is no run {pull} in {self.folder}; it holds {count} runs")
        return rows[0]

    def refile(self, pull: int, **columns: int | str | None) -> None:
        """File a run under another build, calibration, set-up, air, session or standard."""
        allowed = {"build_id", "session_id", "calibration_id", "setup_id", "air_id", "standard"}
        assert columns and set(columns) <= allowed
        self.row(pull)
        with self.change():
            names = ", ".join(f"{name} = ?" for name in columns)
            self.db.execute(f"UPDATE pulls SET {names} WHERE id = ?", (*columns.values(), pull))
            self._index_words(pull)

    # --- what people say about a pull ---

    def add_note(self, pull: int, text: str, author: str = "") -> None:
        """Add a note; notes are never changed."""
        if not text.strip():
            raise InputError("an empty note says nothing: write some words")
        self.row(pull)
        with self.change():
            self._insert("notes", pull_id=pull, made_unix_s=_now(), author=author, text=text)
            self._index_words(pull)

    def notes(self, pull: int) -> list[dict[str, Any]]:
        """Notes of a run, oldest first."""
        return self._rows("SELECT made_unix_s, author, text FROM notes WHERE pull_id = ? ORDER BY id", pull)

    def add_tag(self, pull: int, tag: str) -> None:
        """Tag a run with a word."""
        _check_name(tag, "tag")
        self.row(pull)
        with self.change():
            self.db.execute("INSERT OR IGNORE INTO tags VALUES (?, ?)", (tag, pull))
            self._index_words(pull)

    def remove_tag(self, pull: int, tag: str) -> None:
        """Take a tag off."""
        with self.change():
            gone = self.db.execute("DELETE FROM tags WHERE pull_id = ? AND tag = ?", (pull, tag)).rowcount
            if not gone:
                raise NotFoundError(f"run {pull} has no tag '{tag}'")
            self._index_words(pull)

    def set_aside(self, pull: int, reason: str) -> None:
        """Leave a run out of lists and comparisons, with a reason; it is kept."""
        if not reason.strip():
            raise InputError("setting a run aside needs a reason")
        self.row(pull)
        with self.change():
            self.db.execute(
                "UPDATE pulls SET set_aside = ?, set_aside_unix_s = ? WHERE id = ?", (reason, _now(), pull)
            )
            self.add_note(pull, f"Set aside: {reason}")

    def take_back(self, pull: int) -> None:
        """Count a run again that was set aside."""
        if self.row(pull)["set_aside"] is None:
            raise InputError(f"run {pull} is not set aside")
        with self.change():
            self.db.execute(
                "UPDATE pulls SET set_aside = NULL, set_aside_unix_s = NULL WHERE id = ?", (pull,)
            )
            self.add_note(pull, "Taken back.")

    def _index_words(self, pull: int) -> None:
        row = self.db.execute(
            "SELECT coalesce(e.name, '') || ' ' || coalesce(b.name, '') || ' ' || "
            "coalesce(b.changed, '') || ' ' || coalesce(b.changed_by, '') || ' ' || "
            "coalesce((SELECT group_concat(tag, ' ') FROM tags WHERE pull_id = p.id), '') || ' ' || "
            "coalesce((SELECT group_concat(text, ' ') FROM notes WHERE pull_id = p.id), '') AS text "
            "FROM pulls p LEFT JOIN builds b ON b.id = p.build_id LEFT JOIN engines e ON e.id = b.engine_id "
            "WHERE p.id = ?",
            (pull,),
        ).fetchone()
        self.db.execute("DELETE FROM words WHERE rowid = ?", (pull,))
        self.db.execute("INSERT INTO words(rowid, text) VALUES (?, ?)", (pull, row["text"]))

    # --- find ---

    def find(self, query: Query) -> list[dict[str, Any]]:
        """Lines of `pull_list` that match, sorted, at most `query.limit`."""
        sql, values = _find_sql(query)
        return self._rows(
            f"SELECT * FROM pull_list WHERE pull IN ({sql}) "
            f"ORDER BY {_SORTS[query.sort].replace('p.', '')} DESC, pull DESC",
            *values,
        )

    def words(self, column: str) -> list[str]:
        """All engine names, builds, tags or flags, for completion."""
        table, name = {"engine": ("engines", "name"), "build": ("builds", "name"), "tag": ("tags", "tag"),
                       "flag": ("flags", "flag")}[column]  # fmt: skip
        return [r[0] for r in self.db.execute(f"SELECT DISTINCT {name} FROM {table} ORDER BY 1 LIMIT 200")]

    # --- reductions ---

    def inputs(self, pull: int, run: Run | None = None) -> tuple[Calibration, Setup, Air, str]:
        """Calibration, set-up, air and standard a run is reduced with.

        What is not filed comes from the board: its settings, its barometer.
        Without any air reading the standard is 'none': no guess is corrected with.
        """
        from evenfall.reduction.air import air_from_run
        from evenfall.reduction.reduce import calibration_from_settings, setup_from_settings

        row = self.db.execute(
            "SELECT calibration_id, setup_id, air_id, standard FROM pulls WHERE id = ?", (pull,)
        ).fetchone()
        if row is None:
            self.row(pull)
        run = run or self.run(pull)
        calibration = (
            self.record(Calibration, row["calibration_id"])
            if row["calibration_id"]
            else calibration_from_settings(run)
        )
        setup = self.record(Setup, row["setup_id"]) if row["setup_id"] else setup_from_settings(run)
        air = self.record(Air, row["air_id"]) if row["air_id"] else air_from_run(run)
        return calibration, setup, air or NO_AIR, row["standard"] if air else "none"

    def reduce(
        self, pull: int, standard: str | None = None, bin_rpm: float = 250.0, run: Run | None = None
    ) -> Reduction:
        """Reduce a run from its raw frames and keep the result beside older ones."""
        from evenfall.reduction.reduce import reduce_run

        run = run or self.run(pull)
        calibration, setup, air, filed = self.inputs(pull, run)
        try:
            result = reduce_run(run, calibration, setup, air, standard or filed, bin_rpm)
        except (ArithmeticError, ValueError, LookupError, MemoryError, np.linalg.LinAlgError) as error:
            # frames whose CRC holds and whose numbers no bench can give: not written by a board
            raise DamageError(
                f"run {pull} cannot be reduced: its samples contradict each other ({error}); it is kept"
            ) from None
        if air is NO_AIR:
            result = replace(
                result,
                notes=[*result.notes, "No air reading: values are as read. Give one with evenfall air set."],
            )
        self.store_reduction(pull, result, bin_rpm, current=standard is None or standard == filed)
        return result

    def store_reduction(self, pull: int, result: Reduction, bin_rpm: float, current: bool = True) -> int:
        """Keep a reduction; the same inputs and method give the same line.  Returns its number."""
        inputs = json.dumps(result.inputs, sort_keys=True)
        key = hashlib.sha256(repr((result.version, result.standard, bin_rpm, inputs)).encode()).hexdigest()
        summary = {
            "air_factor": result.air_factor,
            "air_factor_u": result.air_factor_u,
            "air_factor_in_range": result.air_factor_in_range,
            "peak_power_W": asdict(result.peak_power_W),
            "peak_torque_Nm": asdict(result.peak_torque_Nm),
            "sweep_time_s": result.sweep_time_s,
            "budget": result.budget,
            "notes": result.notes,
        }
        with self.change():
            row = self.db.execute(
                "SELECT id FROM reductions WHERE pull_id = ? AND key = ?", (pull, key)
            ).fetchone()
            if row:
                number = int(row["id"])
            else:
                number = self._insert(
                    "reductions",
                    pull_id=pull,
                    key=key,
                    version=result.version,
                    standard=result.standard,
                    bin_rpm=bin_rpm,
                    made_unix_s=_now(),
                    inputs=inputs,
                    summary=json.dumps(summary),
                )
                keep = np.flatnonzero(np.isfinite(result.bins.torque_Nm))
                columns = [getattr(result.bins, c)[keep].tolist() for c in BIN_COLUMNS]
                marks = ", ".join("?" * (1 + len(columns)))
                self.db.executemany(
                    f"INSERT INTO bins VALUES ({marks})", zip([number] * len(keep), *columns, strict=True)
                )
            if current:
                peaks = (result.peak_power_W, result.peak_torque_Nm)
                values = [_finite(v) for peak in peaks for v in (peak.value, peak.speed_rpm)]
                self.db.execute(
                    "UPDATE pulls SET reduction_id = ?, sweep_time_s = ?, peak_power_W = ?, "
                    "peak_power_rpm = ?, peak_torque_Nm = ?, peak_torque_rpm = ? WHERE id = ?",
                    (number, _finite(result.sweep_time_s), *values, pull),
                )
        return number

    def reductions(self, pull: int) -> list[dict[str, Any]]:
        """All reductions kept of a run, newest first, `inputs` and `summary` as dicts."""
        rows = self._rows("SELECT * FROM reductions WHERE pull_id = ? ORDER BY id DESC", pull)
        for row in rows:
            row["inputs"], row["summary"] = json.loads(row["inputs"]), json.loads(row["summary"])
        return rows

    # --- care ---

    def check(self) -> list[str]:
        """Sentences for whatever is wrong with the file or its contents; none when it is sound."""
        wrong = []
        for (line,) in self.db.execute("PRAGMA integrity_check"):
            if line != "ok":
                wrong.append(f"the file is damaged: {line}")
        for table, rowid, parent, _ in self.db.execute("PRAGMA foreign_key_check"):
            wrong.append(f"line {rowid} of '{table}' points to a missing line of '{parent}'")
        for row in self.db.execute("SELECT sha256, size, crc32, bytes FROM raw"):
            data = row["bytes"]
            if hashlib.sha256(data).hexdigest() != row["sha256"] or len(data) != row["size"]:
                wrong.append(f"the raw frames {row['sha256'][:12]} no longer match their SHA-256")
        for row in self.db.execute("SELECT id FROM pulls WHERE id NOT IN (SELECT rowid FROM words)"):
            wrong.append(f"run {row['id']} is missing in the word index")
        return wrong

    def backup(self, target: Path) -> None:
        """Copy the archive, consistent even while it is in use, checked before it gets its name."""
        spare = target.with_name(target.name + ".part")
        try:
            spare.unlink(missing_ok=True)
            with contextlib.closing(sqlite3.connect(spare)) as copy:
                self.db.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                _sound(copy, spare)
            _sync(spare)
            os.replace(spare, target)
            _sync(target.parent)
        except (OSError, sqlite3.Error) as error:
            spare.unlink(missing_ok=True)
            raise ArchiveError(f"no backup was made at {target}: {error}") from None

    # --- one run as one file ---

    def export(self, pull: int) -> bytes:
        """One run as one self-describing JSON text, raw frames included."""
        row = self.row(pull)
        raw = self.raw(pull)
        calibration, setup, air, standard = self.inputs(pull)
        ids = self.db.execute(
            "SELECT calibration_id, setup_id, air_id FROM pulls WHERE id = ?", (pull,)
        ).fetchone()
        body = {
            "evenfall_run": 1,
            "about": "One run of an engine bench. 'raw' is the board's run file: frames of "
            "COBS(type u8, sequence u16, payload, CRC-32) each ended by a zero byte, message table in "
            "evenfall's protocol/SPEC.md. All other values are SI; times are Unix seconds.",
            "raw": {
                "encoding": "base64",
                "size": len(raw),
                "sha256": row["sha256"],
                "bytes": base64.b64encode(raw).decode("ascii"),
            },
            "engine": row["engine"],
            "build": row["build"],
            "changed": row["changed"],
            "changed_by": row["changed_by"],
            "standard": standard,
            # only what was filed by a person; the rest follows from the raw frames
            "calibration": asdict(calibration) if ids["calibration_id"] else None,
            "setup": asdict(setup) if ids["setup_id"] else None,
            "air": asdict(air) if ids["air_id"] else None,
            "tags": sorted(
                r["tag"] for r in self.db.execute("SELECT tag FROM tags WHERE pull_id = ?", (pull,))
            ),
            "notes": self.notes(pull),
            "set_aside": row["set_aside"],
        }
        return json.dumps(body, indent=1, ensure_ascii=False).encode()

    def import_file(self, data: bytes) -> tuple[int, bool]:
        """Take in an exported run, or a bare run file; return (pull, whether it is new).

        The bytes are not trusted: sizes, types and hashes are checked first.
        """
        if data.lstrip()[:1] != b"{":
            before = self._count()
            return self.store_run(data), self._count() > before
        body = _checked_export(data)
        with self.change():
            before = self._count()
            pull = self.store_run(body["raw"])
            if self._count() == before:
                return pull, False
            ids: dict[str, Any] = {"standard": body["standard"]}
            if body["calibration"] is not None:
                ids["calibration_id"] = self.add_record(_record(Calibration, body["calibration"]), "imported")
            if body["setup"] is not None:
                ids["setup_id"] = self.add_record(_record(Setup, body["setup"]), "imported")
            if body["air"] is not None:
                ids["air_id"] = self.add_record(_record(Air, body["air"]), "imported")
            if body["engine"]:
                ids["build_id"] = self._build_like(body)
            for tag in body["tags"]:
                self.db.execute("INSERT OR IGNORE INTO tags VALUES (?, ?)", (tag, pull))
            for note in body["notes"]:
                self._insert("notes", pull_id=pull, **note)
            if body["set_aside"]:
                self.db.execute(
                    "UPDATE pulls SET set_aside = ?, set_aside_unix_s = ? WHERE id = ?",
                    (body["set_aside"], _now(), pull),
                )
            self.refile(pull, **ids)
        return pull, True

    def _build_like(self, body: dict[str, Any]) -> int:
        """The build an imported run belongs to, made when it is not here yet."""
        engine, build = body["engine"], body["build"] or "as found"
        try:
            self.engine_id(engine)
        except NotFoundError:
            self.add_engine(engine)
        try:
            return self.build_id(engine, build)
        except NotFoundError:
            return self.add_build(engine, build, body["changed"], body["changed_by"])

    # --- helpers ---

    def _count(self) -> int:
        return int(self.db.execute("SELECT count(*) FROM pulls").fetchone()[0])

    def _insert(self, table: str, **columns: Any) -> int:
        names, marks = ", ".join(columns), ", ".join("?" * len(columns))
        cursor = self.db.execute(f"INSERT INTO {table}({names}) VALUES ({marks})", tuple(columns.values()))
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def _rows(self, sql: str, *values: Any) -> list[dict[str, Any]]:
        return [dict(row) for row in self.db.execute(sql, values)]


def flags_of(run: Run) -> list[str]:
    """Machine-made flags of a run: damaged, incomplete, and each fault by name."""
    from evenfall_wire.codes import FAULTS

    flags = set()
    if run.damage:
        flags.add("damaged")
    if not run.complete:
        flags.add("incomplete")
    for _, event, value in run.events:
        if event == "fault" and value:
            flags.add(FAULTS[value] if 0 < value < len(FAULTS) else f"fault {value}")
    return sorted(flags)


def restore(folder: Path, source: Path) -> Path | None:
    """Put a backup in place of the archive; return where the old one was moved to, if there was one."""
    if not source.is_file():
        raise ArchiveError(f"there is no backup {source}")
    try:
        read_only = source.resolve().as_uri() + "?mode=ro"  # quotes what a URI would misread
        with contextlib.closing(sqlite3.connect(read_only, uri=True)) as copy:
            _sound(copy, source)
            (version,) = copy.execute("PRAGMA user_version").fetchone()
            if not 0 < version <= len(_MIGRATIONS):
                raise ArchiveError(f"{source} is no backup of an archive this evenfall knows")
            folder.mkdir(parents=True, exist_ok=True)
            spare = folder / (FILE_NAME + ".part")
            spare.unlink(missing_ok=True)
            with contextlib.closing(sqlite3.connect(spare)) as new:
                copy.backup(new)
        _sync(spare)
        target, moved = folder / FILE_NAME, None
        if target.exists():
            _alone(target)
            stamp = time.strftime("%Y%m%d-%H%M%S")
            moved = folder / f"{FILE_NAME}.before-{stamp}"
            for ending in ("-wal", "-shm"):
                with contextlib.suppress(FileNotFoundError):
                    os.replace(f"{target}{ending}", f"{moved}{ending}")
            os.replace(target, moved)
        os.replace(spare, target)
        _sync(folder)
        return moved
    except (OSError, sqlite3.Error) as error:
        raise ArchiveError(f"{source} was not restored: {error}") from None


def _alone(path: Path) -> None:
    """Refuse while another program has the archive open; also folds the write-ahead log into the file."""
    with contextlib.closing(sqlite3.connect(path, timeout=1.0, isolation_level=None)) as db:
        try:
            db.execute("PRAGMA locking_mode = EXCLUSIVE")
            db.execute("BEGIN EXCLUSIVE")
            db.execute("COMMIT")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise ArchiveError(f"another program has {path} open: close it, then restore") from None
        except sqlite3.DatabaseError:
            pass  # damaged: that is why it is being replaced


def _connect(path: Path) -> sqlite3.Connection:
    try:
        db = sqlite3.connect(path, isolation_level=None, timeout=10.0)
        db.row_factory = sqlite3.Row
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA trusted_schema = OFF")  # a restored file may come from anyone
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        return db
    except sqlite3.Error as error:
        raise ArchiveError(
            f"the archive {path} cannot be opened ({error}); "
            "if it is damaged: evenfall archive restore BACKUP"
        ) from None


def _statements(script: str) -> Iterator[str]:
    """Split a script into statements: `executescript` would commit in the middle."""
    piece = ""
    for line in script.splitlines(keepends=True):
        piece += line
        if sqlite3.complete_statement(piece):
            yield piece
            piece = ""


def _sound(db: sqlite3.Connection, path: Path) -> None:
    (line,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    if line != "ok":
        raise ArchiveError(f"{path} is damaged: {line}")


def _raw(db: sqlite3.Connection, pull: int) -> bytes:
    row = db.execute(
        "SELECT sha256, bytes FROM raw JOIN pulls USING (sha256) WHERE id = ?", (pull,)
    ).fetchone()
    if row is None:
        raise NotFoundError(f"there is no run {pull} in the archive")
    data = bytes(row["bytes"])
    if hashlib.sha256(data).hexdigest() != row["sha256"]:
        raise DamageError(f"the raw frames of run {pull} no longer match their SHA-256: restore a backup")
    return data


def _find_sql(query: Query) -> tuple[str, list[Any]]:
    """SQL for the run numbers that match, in order, limited; every value is bound."""
    where: list[str] = []
    values: list[Any] = []

    def add(clause: str, *bound: Any) -> None:
        where.append(clause)
        values.extend(bound)

    if query.engine is not None:
        add(
            "p.build_id IN (SELECT b.id FROM builds b JOIN engines e ON e.id = b.engine_id WHERE e.name = ?)",
            query.engine,
        )
    if query.build is not None:
        add("p.build_id IN (SELECT id FROM builds WHERE name = ?)", query.build)
    if query.session is not None:
        add("p.session_id = ?", query.session)
    for column, low, high in (
        ("p.started_unix_s", query.since_unix_s, query.until_unix_s),
        ("p.peak_power_W", *query.power_W),
        ("p.peak_torque_Nm", *query.torque_Nm),
    ):
        if low is not None:
            add(f"{column} >= ?", low)
        if high is not None:
            add(f"{column} <= ?", high)
    for flag in query.flags:
        add("p.id IN (SELECT pull_id FROM flags WHERE flag = ?)", flag)
    for tag in query.tags:
        add("p.id IN (SELECT pull_id FROM tags WHERE tag = ?)", tag)
    if query.verdict is not None:
        add("p.verdict = ?", query.verdict)
    if query.set_aside is not None:
        add(f"p.set_aside IS {'NOT ' if query.set_aside else ''}NULL")
    if query.words:
        add("p.id IN (SELECT rowid FROM words WHERE words MATCH ?)", _match(query.words))
    clause = f"WHERE {' AND '.join(where)} " if where else ""
    if query.sort not in _SORTS:
        raise InputError(f"runs are sorted by {', '.join(_SORTS)}, not by '{query.sort}'")
    sql = f"SELECT p.id FROM pulls p {clause}ORDER BY {_SORTS[query.sort]} DESC, p.id DESC LIMIT ? OFFSET ?"
    return sql, [*values, query.limit, query.offset]


def _match(words: str) -> str:
    """Typed words as an FTS5 query: every word, each as a prefix; nothing typed is an operator."""
    tokens = ["".join(c if c.isalnum() else " " for c in word).split() for word in words.split()]
    flat = [t for token in tokens for t in token]
    if not flat:
        raise InputError(f"'{words}' holds no word to look for")
    return " ".join(f'"{t}"*' for t in flat)


def _record(kind: type[R], body: Any) -> R:
    """A record from JSON: unknown fields ignored, types checked, nothing but finite numbers and text."""
    if not isinstance(body, dict):
        raise DamageError(f"a {kind.__name__.lower()} is not a set of named values")
    known = {}
    for f in fields(kind):
        if f.name not in body:
            continue
        value = body[f.name]
        allowed = (str,) if str(f.type) == "str" else (int,) if str(f.type) == "int" else (int, float)
        if value is None and "None" in str(f.type):
            pass
        elif isinstance(value, bool) or not isinstance(value, allowed):
            raise DamageError(
                f"{kind.__name__.lower()}: '{f.name}' is {str(value)[:40]!r}, which is no {f.type}"
            )
        elif isinstance(value, float) and not np.isfinite(value):
            raise DamageError(f"{kind.__name__.lower()}: '{f.name}' is not a finite number")
        known[f.name] = value
    try:
        return kind(**known)
    except TypeError as error:
        raise DamageError(f"a {kind.__name__.lower()} is incomplete: {error}") from None


def _checked_export(data: bytes) -> dict[str, Any]:
    """An exported run, checked; DamageError says what is wrong with it."""
    if len(data) > MAX_EXPORT_BYTES:
        raise DamageError(f"{len(data)} bytes are more than an exported run can have")

    def no_constant(name: str) -> None:
        raise ValueError(f"{name} is no number")

    try:
        body = json.loads(data, parse_constant=no_constant)
    except (ValueError, RecursionError) as error:
        raise DamageError(f"not an exported run: {str(error)[:200]}") from None
    if not isinstance(body, dict) or not isinstance(body.get("evenfall_run"), int):
        raise DamageError("not an exported run: 'evenfall_run' is missing")
    if body["evenfall_run"] > 1:
        raise DamageError(
            f"this run was exported by a newer evenfall (format {body['evenfall_run']}): update"
        )
    raw = body.get("raw")
    if not isinstance(raw, dict) or not isinstance(raw.get("bytes"), str):
        raise DamageError("not an exported run: its raw frames are missing")
    try:
        frames = base64.b64decode(raw["bytes"], validate=True)
    except (binascii.Error, ValueError):
        raise DamageError("the exported run's raw frames are no base64") from None
    if hashlib.sha256(frames).hexdigest() != raw.get("sha256"):
        raise DamageError("the exported run's raw frames do not match their SHA-256: ask for the file again")

    def text(value: Any, what: str, limit: int = 100_000) -> str:
        if value is None:
            return ""
        if not isinstance(value, str) or len(value) > limit or "\0" in value:
            raise DamageError(f"the exported run's {what} is no text of a sane length")
        return value

    def listed(name: str, limit: int) -> list[Any]:
        value = body.get(name) or []
        if not isinstance(value, list) or len(value) > limit:
            raise DamageError(f"the exported run's {name} are no list of a sane length")
        return value

    notes = []
    for note in listed("notes", 1000):
        if not isinstance(note, dict) or not isinstance(note.get("made_unix_s"), int):
            raise DamageError("a note of the exported run has no time")
        if not 0 <= note["made_unix_s"] < 1 << 40:
            raise DamageError("a note of the exported run has an impossible time")
        notes.append(
            {
                "made_unix_s": note["made_unix_s"],
                "author": text(note.get("author"), "note's author", 200),
                "text": text(note.get("text"), "note"),
            }
        )
    standard = text(body.get("standard"), "air standard", 100) or "none"
    from evenfall.reduction.air import standard_named

    try:
        standard = standard_named(standard).key
    except InputError as error:
        raise DamageError(f"the exported run cannot be corrected: {error}") from None

    def name(value: Any, what: str) -> str:
        if value:
            _check_name(text(value, what, 200), what)
        return value or ""

    return {
        "raw": frames,
        "engine": name(body.get("engine"), "engine"),
        "build": name(body.get("build"), "build"),
        "changed": text(body.get("changed"), "change"),
        "changed_by": text(body.get("changed_by"), "author of the change", 200),
        "standard": standard,
        "calibration": body.get("calibration"),
        "setup": body.get("setup"),
        "air": body.get("air"),
        "tags": [name(tag, "tag") for tag in listed("tags", 100) if tag],
        "notes": notes,
        "set_aside": text(body.get("set_aside"), "reason for setting aside"),
    }


def _check_name(name: str, what: str) -> None:
    if not name.strip() or len(name) > 200 or not name.isprintable():
        raise InputError(f"'{name[:40]}' cannot be the name of a {what}: use 1 to 200 printable characters")


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _now() -> int:
    return int(time.time())


def _sync(path: Path) -> None:
    """fsync a file or a folder (not every system can do that to folders)."""
    if os.name == "nt" and path.is_dir():
        return
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    except OSError:
        if path.is_file():
            raise
    finally:
        os.close(fd)


def read_export(path: Path) -> bytes:
    """A file that is to be imported, unless it is missing or too large."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_EXPORT_BYTES + 1)
    except OSError as error:
        raise InputError(f"it cannot be read: {error.strerror}") from None
    if len(data) > MAX_EXPORT_BYTES:
        raise DamageError(f"it is larger than {MAX_EXPORT_BYTES >> 20} MiB: no exported run is")
    return data


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all."""
    spare = path.with_name(path.name + ".part")
    try:
        spare.write_bytes(data)
        _sync(spare)
        os.replace(spare, path)
    except OSError as error:
        raise ArchiveError(f"{path} was not written: {error.strerror}") from None
