"""What runs are filed under: engines, builds, sessions, and what they are corrected with."""

from __future__ import annotations

import csv
import functools
import json
import sqlite3
from dataclasses import asdict, fields
from typing import Any, NamedTuple, TypeVar

import numpy as np

from evenfall.archive.database import RESTORE, Database, now, unpacked
from evenfall.archive.schema import record_hash
from evenfall.details import size_of
from evenfall.errors import DamageError, InputError, NotFoundError
from evenfall.model import Air, Calibration, Setup
from evenfall.reduction.engine_figures import check_size

RECORD_WORDS = {"setup": "set-up", "air": "air reading"}  # as a person says it
SESSION_GAP_S = 4 * 3600  # a run later than this after the last one opens a new session
R = TypeVar("R", Calibration, Setup, Air)


class Active(NamedTuple):
    """What new runs are filed under: a record's number as text, or a standard's name; and since when."""

    value: str
    since_unix_s: int

    @property
    def number(self) -> int:
        return int(self.value)


class Filing(Database):
    """Engines, builds, sessions and records; and which of them new runs are filed under."""

    def add_engine(self, name: str, displacement_cc: float | None = None, remark: str = "") -> int:
        """Add an engine; InputError when the name is taken."""
        check_name(name, "engine")
        try:
            with self.change():
                return self.insert(
                    "engines", name=name, displacement_cc=displacement_cc, remark=remark, made_unix_s=now()
                )
        except sqlite3.IntegrityError:
            raise InputError(f"there is an engine '{name}' already") from None

    def engine_id(self, name: str) -> int:
        """The engine of that name, retired or not; NotFoundError lists others."""
        row = self.db.execute("SELECT id FROM engines WHERE name = ?", (name,)).fetchone()
        if row is None:
            names = [
                r["name"]
                for r in self.db.execute(
                    "SELECT name FROM engines WHERE retired_unix_s IS NULL ORDER BY id DESC LIMIT 8"
                )
            ]
            known = f"engines here: {', '.join(names)}" if names else "the archive holds none yet"
            raise NotFoundError(
                f"there is no engine '{name}'; {known}", ". Add one: evenfall engine add NAME"
            )
        return int(row["id"])

    def engines(self, retired: bool = False) -> list[dict[str, Any]]:
        """Engines with their numbers of builds and runs; those that are retired only when asked for."""
        return self._detailed(
            "SELECT e.name, e.displacement_cc, e.remark, e.made_unix_s, e.retired_unix_s, e.details, "
            "count(DISTINCT b.id) AS builds, count(p.id) AS runs "
            "FROM engines e LEFT JOIN builds b ON b.engine_id = e.id "
            f"LEFT JOIN runs p ON p.build_id = b.id {'' if retired else 'WHERE e.retired_unix_s IS NULL'} "
            "GROUP BY e.id ORDER BY e.name"
        )

    def _detailed(self, sql: str, *values: Any) -> list[dict[str, Any]]:
        rows = self.rows(sql, *values)
        for row in rows:
            row["details"] = unpacked(row["details"], "what is said of an engine or build")
        return rows

    def add_build(self, engine: str, name: str, changed: str = "", changed_by: str = "") -> int:
        """Add a build of an engine: what was changed, by whom."""
        check_name(name, "build")
        engine_id = self.engine_id(engine)
        try:
            with self.change():
                return self.insert(
                    "builds",
                    engine_id=engine_id,
                    name=name,
                    changed=changed,
                    changed_by=changed_by,
                    made_unix_s=now(),
                )
        except sqlite3.IntegrityError:
            raise InputError(f"engine '{engine}' has a build '{name}' already") from None

    def build_id(self, engine: str, name: str | None = None) -> int:
        """The build of that name, or the engine's latest; an engine without one gets 'as found'."""
        engine_id = self.engine_id(engine)
        if name is None:
            row = self.db.execute(
                "SELECT id FROM builds WHERE engine_id = ? AND retired_unix_s IS NULL "
                "ORDER BY id DESC LIMIT 1",
                (engine_id,),
            ).fetchone()
            return int(row["id"]) if row else self.add_build(engine, "as found")
        row = self.db.execute(
            "SELECT id FROM builds WHERE engine_id = ? AND name = ?", (engine_id, name)
        ).fetchone()
        if row is None:
            names = [b["build"] for b in self.builds(engine)]
            raise NotFoundError(
                f"engine '{engine}' has no build '{name}'; it has: {', '.join(names) or 'none'}",
                ". Add one: evenfall engine build ENGINE NAME",
            )
        return int(row["id"])

    def latest_build(self, engine: str) -> str:
        """The name of the engine's latest build; 'as found' is made where there is none."""
        number = self.build_id(engine)
        (name,) = self.db.execute("SELECT name FROM builds WHERE id = ?", (number,)).fetchone()
        return str(name)

    def builds(self, engine: str, retired: bool = False) -> list[dict[str, Any]]:
        """Builds of an engine, oldest first; those that are retired only when asked for."""
        return self._detailed(
            "SELECT b.name AS build, b.changed, b.changed_by, b.made_unix_s, b.retired_unix_s, b.details, "
            "count(p.id) AS runs, max(p.peak_power_W) AS best_power_W "
            "FROM builds b LEFT JOIN runs p ON p.build_id = b.id AND p.excluded IS NULL "
            f"WHERE b.engine_id = ? {'' if retired else 'AND b.retired_unix_s IS NULL '}"
            "GROUP BY b.id ORDER BY b.id",
            self.engine_id(engine),
        )

    # --- second thoughts: what was added is renamed, retired and brought back; nothing is deleted ---

    def rename_engine(self, name: str, new: str) -> None:
        """Give an engine another name; its runs and builds go with it."""
        check_name(new, "engine")
        number = self.engine_id(name)
        try:
            with self.change():
                self.db.execute("UPDATE engines SET name = ? WHERE id = ?", (new, number))
                self._index_engine(number)
        except sqlite3.IntegrityError:
            raise InputError(f"there is an engine '{new}' already") from None

    def rename_build(self, engine: str, name: str, new: str) -> None:
        """Give a build another name; its runs go with it."""
        check_name(new, "build")
        number = self.build_id(engine, name)
        try:
            with self.change():
                self.db.execute("UPDATE builds SET name = ? WHERE id = ?", (new, number))
                self._index_engine(self.engine_id(engine))
        except sqlite3.IntegrityError:
            raise InputError(f"engine '{engine}' has a build '{new}' already") from None

    def rename_record(self, kind: type[R], name: str, new: str) -> int:
        """Give a record of that number, or all of that label, another label; return how many."""
        what = kind.__name__.lower()
        check_name(new, what)
        if self.db.execute(
            "SELECT 1 FROM records WHERE kind = ? AND label = ? AND label != ?", (what, new, name)
        ).fetchone():
            raise InputError(f"there is a {what} '{new}' already")
        return self._change_records(kind, name, "label = ?", new)

    def rename_session(self, session: int, title: str) -> None:
        """Give a session another title."""
        check_name(title, "session")
        with self.change():
            if not self.db.execute("UPDATE sessions SET title = ? WHERE id = ?", (title, session)).rowcount:
                raise NotFoundError(f"there is no session {session}", "; look at evenfall session list")

    def retire_engine(self, name: str, build: str | None = None, back: bool = False) -> None:
        """Take an engine, or one build of it, out of lists and of new filing; or bring it back."""
        engine_id = self.engine_id(name)
        table, number = ("engines", engine_id) if build is None else ("builds", self.build_id(name, build))
        with self.change():
            self.db.execute(
                f"UPDATE {table} SET retired_unix_s = ? WHERE id = ?", (None if back else now(), number)
            )
            active = self.active("build")
            if not back and active:
                ids = "SELECT id FROM builds WHERE " + ("engine_id" if build is None else "id") + " = ?"
                if active.number in [r[0] for r in self.db.execute(ids, (number,))]:
                    self.deactivate("build")

    def retire_record(self, kind: type[R], name: str, back: bool = False) -> int:
        """Take a record of that number, or all of that label, out of lists; or bring it back; how many."""
        changed = self._change_records(kind, name, "retired_unix_s = ?", None if back else now())
        active = self.active(kind.__name__.lower())
        if active and not back:
            row = self.db.execute(
                "SELECT 1 FROM records WHERE id = ? AND retired_unix_s IS NOT NULL", (active.number,)
            ).fetchone()
            if row:
                self.deactivate(kind.__name__.lower())
        return changed

    def _change_records(self, kind: type[R], name: str, change: str, value: Any) -> int:
        what = kind.__name__.lower()
        with self.change():
            changed = self.db.execute(
                f"UPDATE records SET {change} WHERE kind = ? AND (label = ? OR CAST(id AS TEXT) = ?)",
                (value, what, name, name),
            ).rowcount
        if not changed:
            raise NotFoundError(f"there is no {RECORD_WORDS.get(what, what)} '{name}' in the archive")
        return int(changed)

    def set_details(self, engine: str, build: str | None, values: dict[str, str]) -> dict[str, str]:
        """Note details of an engine, or of a build of it; an empty value forgets one; return all known."""
        engine_id = self.engine_id(engine)
        table, number = ("engines", engine_id) if build is None else ("builds", self.build_id(engine, build))
        with self.change():
            known = self._set_details(table, number, values)
            self._index_engine(engine_id)
        return known

    def _set_details(self, table: str, number: int, values: dict[str, str]) -> dict[str, str]:
        (text,) = self.db.execute(f"SELECT details FROM {table} WHERE id = ?", (number,)).fetchone()
        known = {k: v for k, v in {**unpacked(text, "what was said before"), **values}.items() if v}
        self.db.execute(f"UPDATE {table} SET details = ? WHERE id = ?", (json.dumps(known), number))
        return known

    def set_displacement(self, engine: str, displacement_cc: float) -> None:
        """Note the engine's displacement."""
        number = self.engine_id(engine)
        with self.change():
            self.db.execute("UPDATE engines SET displacement_cc = ? WHERE id = ?", (displacement_cc, number))

    def check_size(self, engine: str) -> None:
        """InputError where what is noted of an engine's size contradicts itself."""
        row = self.db.execute(
            "SELECT displacement_cc, details FROM engines WHERE id = ?", (self.engine_id(engine),)
        ).fetchone()
        check_size(row["displacement_cc"], *size_of(unpacked(row["details"], "what is said of an engine")))

    def _index_engine(self, engine_id: int) -> None:
        """The words of all runs of an engine, anew."""
        for (number,) in self.db.execute(
            "SELECT p.id FROM runs p JOIN builds b ON b.id = p.build_id WHERE b.engine_id = ?", (engine_id,)
        ).fetchall():
            self._index_words(number)

    def _index_words(self, number: int) -> None:
        """One document for the search: all that was said about a run, its build and its engine."""
        row = self.db.execute(
            "SELECT e.name AS engine, b.name AS build, b.changed, b.changed_by, p.excluded, "
            "p.details AS run_details, "
            "b.details AS build_details, e.details AS engine_details, e.remark, "
            "(SELECT group_concat(tag, ' ') FROM tags WHERE run_id = p.id) AS tags, "
            "(SELECT group_concat(text, ' ') FROM notes "
            "WHERE run_id = p.id AND retired_unix_s IS NULL) AS notes "
            "FROM runs p LEFT JOIN builds b ON b.id = p.build_id LEFT JOIN engines e ON e.id = b.engine_id "
            "WHERE p.id = ?",
            (number,),
        ).fetchone()
        said = []
        for name in row.keys():
            value = row[name] or ""
            if name.endswith("_details"):
                said += unpacked(value, "what is said of a run").values()
            else:
                said.append(value)
        self.db.execute("DELETE FROM words WHERE rowid = ?", (number,))
        self.db.execute("INSERT INTO words(rowid, text) VALUES (?, ?)", (number, " ".join(said)))

    # --- calibrations, set-ups, air readings ---

    def add_record(self, record: Calibration | Setup | Air, label: str = "") -> int:
        """Keep a calibration, a set-up or an air reading; return its number."""
        kind, body = type(record).__name__.lower(), json.dumps(asdict(record))
        with self.change():
            return self.insert(
                "records",
                kind=kind,
                label=label,
                made_unix_s=now(),
                body=body,
                sha256=record_hash(kind, body),
            )

    def record(self, kind: type[R], number: int) -> R:
        """The record of that number."""
        name = kind.__name__.lower()
        row = self.db.execute(
            "SELECT body, sha256 FROM records WHERE id = ? AND kind = ?", (number, name)
        ).fetchone()
        if row is None:
            raise NotFoundError(f"there is no {name} number {number} in the archive")
        record = _unpacked_record(name, number, row["body"], row["sha256"])
        assert isinstance(record, kind)
        return record

    def records(self, kind: type[R], retired: bool = False) -> list[dict[str, Any]]:
        """Records of a kind, newest first: number, label, filed_unix_s, retired and the record's fields."""
        rows = self.rows(
            "SELECT id, label, made_unix_s, retired_unix_s, body FROM records WHERE kind = ? "
            f"{'' if retired else 'AND retired_unix_s IS NULL '}ORDER BY id DESC",
            kind.__name__.lower(),
        )
        return [
            {
                "number": r["id"],
                "label": r["label"],
                "filed_unix_s": r["made_unix_s"],
                "retired": r["retired_unix_s"] is not None,
                **unpacked(r["body"], f"{kind.__name__.lower()} {r['id']}"),
            }
            for r in rows
        ]

    def record_named(self, kind: type[R], label: str) -> int:
        """The newest record of that label (or number)."""
        row = self.db.execute(
            "SELECT max(CASE WHEN retired_unix_s IS NULL THEN id END) AS id, count(*) AS known FROM records "
            "WHERE kind = ? AND (label = ? OR CAST(id AS TEXT) = ?)",
            (kind.__name__.lower(), label, label),
        ).fetchone()
        if row["id"] is None:
            what = kind.__name__.lower()
            if row["known"]:
                raise InputError(
                    f"the {RECORD_WORDS.get(what, what)} '{label}' is retired; bring it back first",
                    ": retire --back",
                )
            rows = self.records(kind)[:8]
            names = list(dict.fromkeys(r["label"] or str(r["number"]) for r in rows))
            here = f"here are: {', '.join(names)}" if names else "the archive holds none yet"
            raise NotFoundError(f"there is no {RECORD_WORDS.get(what, what)} '{label}'; {here}")
        return int(row["id"])

    def activate(self, what: str, value: str | int) -> None:
        """File new runs under this: calibration, setup, air, build, session (numbers) or standard."""
        with self.change():
            self.db.execute("INSERT OR REPLACE INTO active VALUES (?, ?, ?)", (what, str(value), now()))

    def deactivate(self, what: str) -> None:
        """New runs are no longer filed under one."""
        with self.change():
            self.db.execute("DELETE FROM active WHERE what = ?", (what,))

    def active(self, what: str) -> Active | None:
        """What new runs are filed under, or None."""
        row = self.db.execute("SELECT value, since_unix_s FROM active WHERE what = ?", (what,)).fetchone()
        return Active(row["value"], int(row["since_unix_s"])) if row else None

    def active_record(self, kind: type[R]) -> R | None:
        """The calibration, set-up or air reading that new runs are filed under, or None."""
        found = self.active(kind.__name__.lower())
        return self.record(kind, found.number) if found else None

    def add_check_weight(self, unix_s: float, mass_kg: float, count_above_zero: float) -> None:
        """Keep a reading of the check weight."""
        with self.change():
            self._take_in_old_log()
            self.insert(
                "check_weights", unix_s=int(unix_s), mass_kg=mass_kg, count_above_zero=count_above_zero
            )

    def check_weights(self) -> list[tuple[float, float, float]]:
        """Readings of the check weight, oldest first: Unix seconds, kg, counts above zero."""
        if not self.read_only:
            with self.change():
                self._take_in_old_log()
        rows = self.db.execute(
            "SELECT unix_s, mass_kg, count_above_zero FROM check_weights "
            "WHERE retired_unix_s IS NULL ORDER BY id"
        )
        return [(float(t), float(m), float(c)) for t, m, c in rows]

    def undo_check_weight(self) -> tuple[float, float, float]:
        """Retire the newest reading of the check weight; return it."""
        row = self.db.execute(
            "SELECT id, unix_s, mass_kg, count_above_zero FROM check_weights "
            "WHERE retired_unix_s IS NULL ORDER BY id DESC LIMIT 1"
        ).fetchone()
        if row is None:
            raise NotFoundError("there is no reading of a check weight to take back")
        with self.change():
            self.db.execute("UPDATE check_weights SET retired_unix_s = ? WHERE id = ?", (now(), row["id"]))
        return float(row["unix_s"]), float(row["mass_kg"]), float(row["count_above_zero"])

    def _take_in_old_log(self) -> None:
        """Before layout 2 the readings were in a file beside the archive; that file stays as it is."""
        path = self.folder / "check_weights.csv"
        if self.db.execute("SELECT 1 FROM check_weights LIMIT 1").fetchone() or not path.exists():
            return
        with path.open(newline="", encoding="utf-8") as stream:
            for n, row in enumerate(csv.reader(stream), 1):
                if not row or row[0] == "unix_s":
                    continue
                try:
                    unix_s, kg, count = (float(v) for v in row)
                except ValueError:
                    raise InputError(
                        f"{path}, line {n} is not three numbers; mend or remove the line"
                    ) from None
                self.insert("check_weights", unix_s=int(unix_s), mass_kg=kg, count_above_zero=count)

    def session_for(self, started_unix_s: int) -> int:
        """The session a run of that time belongs to; a new one after a long gap."""
        row = self.db.execute(
            "SELECT id, ended_unix_s, max(started_unix_s, coalesce(last_unix_s, 0)) AS last FROM sessions "
            "ORDER BY id DESC LIMIT 1"
        ).fetchone()
        if row and row["ended_unix_s"] is None and abs(started_unix_s - row["last"]) < SESSION_GAP_S:
            return int(row["id"])
        return self.add_session(started_unix_s)

    def joined_session(self, session: int, started_unix_s: int) -> None:
        """Note the newest start of a session: the next run is filed without a look through its runs."""
        self.db.execute(
            "UPDATE sessions SET last_unix_s = max(coalesce(last_unix_s, 0), ?) WHERE id = ?",
            (started_unix_s, session),
        )

    def add_session(self, started_unix_s: int | None = None, title: str = "", plan: str = "") -> int:
        """Open a session of runs."""
        with self.change():
            return self.insert("sessions", started_unix_s=started_unix_s or now(), title=title, plan=plan)

    def sessions(self) -> list[dict[str, Any]]:
        """Sessions, newest first, with their numbers of runs."""
        return self.rows(
            "SELECT s.id AS session, s.started_unix_s, s.ended_unix_s, s.title, count(p.id) AS runs "
            "FROM sessions s LEFT JOIN runs p ON p.session_id = s.id GROUP BY s.id ORDER BY s.id DESC"
        )

    def keep_plan(self, session: int, plan: str) -> None:
        """Keep how far a guided session has come, in its session."""
        with self.change():
            self.db.execute("UPDATE sessions SET plan = ? WHERE id = ?", (plan, session))

    def open_plan(self) -> tuple[int, str] | None:
        """(session, plan) of the newest guided session that has not ended."""
        row = self.db.execute(
            "SELECT id, plan FROM sessions WHERE plan != '' AND ended_unix_s IS NULL ORDER BY id DESC LIMIT 1"
        ).fetchone()
        return (int(row["id"]), str(row["plan"])) if row else None

    def end_session(self, session: int) -> None:
        """No run joins this session any more."""
        with self.change():
            self.db.execute(
                "UPDATE sessions SET ended_unix_s = ? WHERE id = ? AND ended_unix_s IS NULL",
                (now(), session),
            )


@functools.lru_cache(maxsize=256)
def _unpacked_record(name: str, number: int, body: str, sha: str) -> Calibration | Setup | Air:
    """The record in that text; thousands of runs share a few."""
    if record_hash(name, body) != sha:
        raise DamageError(f"{name} {number} was changed after it was filed: {RESTORE}")
    value = unpacked(body, f"{name} {number}")
    if name == "air":
        return checked_record(Air, value)
    return checked_record(Setup, value) if name == "setup" else checked_record(Calibration, value)


def checked_record(kind: type[R], body: Any) -> R:
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


def check_name(name: str, what: str) -> None:
    if not name.strip() or len(name) > 200 or not name.isprintable():
        article = "an" if what[0] in "aeiou" else "a"
        raise InputError(
            f"'{name[:40]}' cannot be the name of {article} {what}: use 1 to 200 printable characters"
        )
