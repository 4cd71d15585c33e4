"""Runs bit for bit, what people say about them, and their reductions."""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
from binascii import crc32
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from evenfall.archive.database import RESTORE, connect, now, unpacked
from evenfall.archive.filing import Filing, check_name
from evenfall.archive.schema import reduction_hash
from evenfall.board import run_file
from evenfall.details import size_of
from evenfall.errors import DamageError, InputError, NotFoundError
from evenfall.model import DEFAULT_STANDARD, Air, Bins, Calibration, Reduction, Run, Setup
from evenfall.reduction.engine_figures import EngineSize, engine_size

CORRECTED_WITH = {"calibration_id", "setup_id", "air_id", "standard"}
BIN_COLUMNS = tuple(f.name for f in fields(Bins))


class Runs(Filing):
    """Runs as the board recorded them, written once; nothing is deleted."""

    def partial_path(self, board_uid: str, board_run: int, size: int, crc: int) -> Path:
        """Where a transfer of that run is kept until it is whole."""
        self.incoming.mkdir(parents=True, exist_ok=True)
        return self.incoming / f"{board_uid}-{board_run}-{size}-{crc:08x}.part"

    def store_run(
        self,
        data: bytes,
        *,
        build_id: int | None = None,
        session_id: int | None = None,
        calibration_id: int | None = None,
        setup_id: int | None = None,
        air_id: int | None = None,
        standard: str = DEFAULT_STANDARD,
        run: Run | None = None,
        started_unix_s: int | None = None,
        time_known: bool = True,
    ) -> int:  # longer than 60 lines by the columns it names
        """Keep a run file; return its number in the archive.  The same bytes are kept once.

        `started_unix_s`: when a run without a date of its own began, as this computer knows it from the
        board's ticks; such a run is marked (`clock` is 'host').  Where nobody knows, `time_known` is false
        and it only gives the run its place among the others (`clock` is 'unknown').  Raises DamageError
        when the bytes hold no run at all.
        """
        if len(data) > run_file.MAX_RUN_BYTES:
            raise DamageError(f"{len(data)} bytes are more than any board holds: not a run")
        sha = hashlib.sha256(data).hexdigest()
        known = self.number_of(sha)
        if known is not None:
            return known
        run = run or run_file.decode_run(data)
        run_file.check_holds_a_run(run)
        started = run.started_unix_s or started_unix_s or now()
        time_known = bool(run.started_unix_s or (started_unix_s and time_known))
        with self.change():
            known = self.number_of(sha)  # another program may have kept it since
            if known is not None:
                return known
            self.db.execute(
                "INSERT OR IGNORE INTO raw VALUES (?, ?, ?, ?)", (sha, len(data), crc32(data), data)
            )
            session = session_id if session_id is not None else self.session_for(started)
            number = self.insert(
                "runs",
                sha256=sha,
                **{**listed_of(run), "started_unix_s": started},
                clock="board" if run.started_unix_s else "host",
                time_known=int(time_known),
                pulled_unix_s=now(),
                damage=json.dumps(run.damage),
                settings=json.dumps(run.settings),
                build_id=build_id,
                session_id=session,
                calibration_id=calibration_id,
                setup_id=setup_id,
                air_id=air_id,
                standard=standard,
            )
            self.joined_session(session, started)
            self.db.executemany("INSERT INTO flags VALUES (?, ?)", [(flag, number) for flag in flags_of(run)])
            self._index_words(number)
        return number

    def number_of(self, sha: str) -> int | None:
        """The number of the run whose frames have this SHA-256, or None."""
        row = self.db.execute("SELECT id FROM runs WHERE sha256 = ?", (sha,)).fetchone()
        return int(row["id"]) if row else None

    def read_back(self, number: int, waiting: Callable[[], None] = lambda: None) -> bytes:
        """The run's bytes, once they lie in the archive's own file, by a connection of their own and checked
        against their SHA-256.

        What the host acknowledges to the board rests on this.  In the write-ahead log alone they would be
        lost without a word when that is damaged.  `waiting`: as in `settle`.
        """
        self.settle(waiting)
        with contextlib.closing(connect(self.path, "ro")) as other:
            return _raw(other, number)

    def acknowledged(self, number: int) -> None:
        """Note that the board knows of the copy."""
        with self.change():
            self.db.execute(
                "UPDATE runs SET acknowledged_unix_s = ? WHERE id = ? AND acknowledged_unix_s IS NULL",
                (now(), number),
            )

    def known_run(self, board_uid: str, board_run: int, size: int, crc: int) -> int | None:
        """The number under which this run of that board is kept, or None."""
        row = self.db.execute(
            "SELECT p.id FROM runs p JOIN raw r USING (sha256) "
            "WHERE board_uid = ? AND board_run = ? AND size = ? AND crc32 = ?",
            (board_uid, board_run, size, crc),
        ).fetchone()
        return int(row["id"]) if row else None

    def raw(self, number: int) -> bytes:
        """The run's frames, bit for bit; DamageError when they no longer match their SHA-256."""
        return _raw(self.db, number)

    def run(self, number: int) -> Run:
        """The run, decoded."""
        return run_file.decode_run(self.raw(number))

    def row(self, number: int) -> dict[str, Any]:
        """The run's line of `run_list`; NotFoundError when there is none."""
        rows = self.rows("SELECT * FROM run_list WHERE run = ?", number)
        if not rows:
            (count,) = self.db.execute("SELECT count(*) FROM runs").fetchone()
            raise NotFoundError(f"there is no run {number} in {self.folder}; it holds {count} runs")
        return rows[0]

    def refile(self, number: int, **columns: int | str | None) -> None:
        """File a run under another build, calibration, set-up, air, session or standard."""
        assert columns and set(columns) <= CORRECTED_WITH | {"build_id", "session_id"}
        self.row(number)
        with self.change():
            names = ", ".join(f"{name} = ?" for name in columns)
            self.db.execute(f"UPDATE runs SET {names} WHERE id = ?", (*columns.values(), number))
            if columns.get("session_id"):
                row = self.db.execute("SELECT started_unix_s FROM runs WHERE id = ?", (number,)).fetchone()
                self.joined_session(int(columns["session_id"] or 0), row["started_unix_s"])
            if set(columns) & CORRECTED_WITH:  # the figures it had were made with something else
                self.db.execute(
                    "UPDATE runs SET reduction_id = NULL, sweep_time_s = NULL, peak_power_W = NULL, "
                    "peak_power_rpm = NULL, peak_torque_Nm = NULL, peak_torque_rpm = NULL WHERE id = ?",
                    (number,),
                )
            self._index_words(number)

    # --- what people say about a run ---

    def add_note(self, number: int, text: str, author: str = "") -> None:
        """Add a note; notes are never changed, but may be retired."""
        if not text.strip():
            raise InputError("an empty note says nothing: write some words")
        self.row(number)
        with self.change():
            self.insert("notes", run_id=number, made_unix_s=now(), author=author, text=text)
            self._index_words(number)

    def notes(self, number: int) -> list[dict[str, Any]]:
        """Notes of a run, oldest first; none that was retired."""
        return self.rows(
            "SELECT id AS number, made_unix_s, author, text FROM notes "
            "WHERE run_id = ? AND retired_unix_s IS NULL ORDER BY id",
            number,
        )

    def retire_note(self, note: int) -> str:
        """Take a note out of sight; return its text."""
        row = self.db.execute("SELECT run_id, text FROM notes WHERE id = ?", (note,)).fetchone()
        if row is None:
            raise NotFoundError(
                f"there is no note {note}", "; evenfall runs show says the numbers of a run's notes"
            )
        with self.change():
            self.db.execute("UPDATE notes SET retired_unix_s = ? WHERE id = ?", (now(), note))
            self._index_words(row["run_id"])
        return str(row["text"])

    def details(self, number: int) -> dict[str, str]:
        """All details of a run, its build and its engine, by name."""
        row = self.db.execute(
            "SELECT p.details, b.details, e.details FROM runs p LEFT JOIN builds b ON b.id = p.build_id "
            "LEFT JOIN engines e ON e.id = b.engine_id WHERE p.id = ?",
            (number,),
        ).fetchone()
        if row is None:
            self.row(number)
        return {
            k: v for text in reversed(row) for k, v in unpacked(text, f"what is said of run {number}").items()
        }

    def engine_size(self, number: int) -> EngineSize:
        """Displacement and stroke of the engine of a run, as far as they were entered."""
        row = self.db.execute(
            "SELECT e.displacement_cc FROM runs p JOIN builds b ON b.id = p.build_id "
            "JOIN engines e ON e.id = b.engine_id WHERE p.id = ?",
            (number,),
        ).fetchone()
        known = self.details(number)
        bore, stroke, cylinders = size_of(known)
        return engine_size(row["displacement_cc"] if row else None, bore, stroke, cylinders or 1)

    def set_run_details(self, number: int, values: dict[str, str]) -> dict[str, str]:
        """Note details of one run; an empty value forgets one; return all that is known of it."""
        self.row(number)
        with self.change():
            known = self._set_details("runs", number, values)
            self._index_words(number)
        return known

    def add_tag(self, number: int, tag: str) -> None:
        """Tag a run with a word."""
        check_name(tag, "tag")
        self.row(number)
        with self.change():
            self.db.execute("INSERT OR IGNORE INTO tags VALUES (?, ?)", (tag, number))
            self._index_words(number)

    def remove_tag(self, number: int, tag: str) -> None:
        """Take a tag off."""
        with self.change():
            gone = self.db.execute("DELETE FROM tags WHERE run_id = ? AND tag = ?", (number, tag)).rowcount
            if not gone:
                raise NotFoundError(f"run {number} has no tag '{tag}'")
            self._index_words(number)

    def exclude(self, number: int, reason: str) -> None:
        """Leave a run out of lists and comparisons, with a reason; it is kept."""
        if not reason.strip():
            raise InputError("excluding a run needs a reason")
        self.row(number)
        with self.change():
            self.db.execute(
                "UPDATE runs SET excluded = ?, excluded_unix_s = ? WHERE id = ?", (reason, now(), number)
            )
            self.add_note(number, f"Excluded: {reason}")

    def include(self, number: int) -> None:
        """Count a run again that was excluded."""
        if self.row(number)["excluded"] is None:
            raise InputError(f"run {number} is not excluded")
        with self.change():
            self.db.execute("UPDATE runs SET excluded = NULL, excluded_unix_s = NULL WHERE id = ?", (number,))
            self.add_note(number, "Included again.")

    def store_reduction(self, number: int, result: Reduction, bin_rpm: float, current: bool = True) -> int:
        """Keep a reduction; the same inputs and method give the same line.  Returns its number."""
        inputs = json.dumps(result.inputs, sort_keys=True)
        key = hashlib.sha256(repr((result.version, result.standard, bin_rpm, inputs)).encode()).hexdigest()
        summary = {
            "air_factor": result.air_factor,
            "air_factor_u": result.air_factor_u,
            "air_factor_in_range": result.air_factor_in_range,
            "peak_power_W": vars(result.peak_power_W),
            "peak_torque_Nm": vars(result.peak_torque_Nm),
            "sweep_time_s": result.sweep_time_s,
            "budget": result.budget,
            "notes": result.notes,
        }
        with self.change():
            row = self.db.execute(
                "SELECT id FROM reductions WHERE run_id = ? AND key = ?", (number, key)
            ).fetchone()
            if row:
                kept = int(row["id"])
            else:
                body = {
                    "run_id": number,
                    "key": key,
                    "version": result.version,
                    "standard": result.standard,
                    "bin_rpm": float(bin_rpm),
                    "inputs": inputs,
                    "summary": json.dumps(summary),
                }
                whole = np.flatnonzero(np.isfinite(result.bins.torque_Nm))
                columns = {c: getattr(result.bins, c)[whole].tolist() for c in BIN_COLUMNS}
                # an uncertainty that is not known is NaN here and NULL in the file
                rows = sorted(zip(*columns.values(), strict=True))
                bins = [row if sum(row) == sum(row) else tuple(map(_known, row)) for row in rows]
                kept = self.insert("reductions", made_unix_s=now(), sha256=reduction_hash(body, bins), **body)
                self.db.executemany(
                    f"INSERT INTO bins(reduction_id, {', '.join(columns)}) "
                    f"VALUES ({', '.join('?' * (1 + len(columns)))})",
                    [(kept, *row) for row in bins],
                )
            if current:
                peaks = (result.peak_power_W, result.peak_torque_Nm)
                values = [_finite(v) for peak in peaks for v in (peak.value, peak.speed_rpm)]
                self.db.execute(
                    "UPDATE runs SET reduction_id = ?, sweep_time_s = ?, peak_power_W = ?, "
                    "peak_power_rpm = ?, peak_torque_Nm = ?, peak_torque_rpm = ? WHERE id = ?",
                    (kept, _finite(result.sweep_time_s), *values, number),
                )
        return kept

    def filed(self, number: int) -> tuple[Calibration | None, Setup | None, Air | None, str]:
        """Calibration, set-up, air and standard a run is filed under; None for what is not filed."""
        row = self.db.execute(
            "SELECT calibration_id, setup_id, air_id, standard FROM runs WHERE id = ?", (number,)
        ).fetchone()
        if row is None:
            self.row(number)
        return (
            self.record(Calibration, row["calibration_id"]) if row["calibration_id"] else None,
            self.record(Setup, row["setup_id"]) if row["setup_id"] else None,
            self.record(Air, row["air_id"]) if row["air_id"] else None,
            row["standard"],
        )

    def reductions(self, number: int) -> list[dict[str, Any]]:
        """All reductions kept of a run, newest first, `inputs` and `summary` as dicts."""
        rows = self.rows("SELECT * FROM reductions WHERE run_id = ? ORDER BY id DESC", number)
        for row in rows:
            what = f"a kept result of run {number}"
            row["inputs"], row["summary"] = unpacked(row["inputs"], what), unpacked(row["summary"], what)
        return rows

    def current_bins(self, number: int) -> Bins | None:
        """The bins of the run's current reduction, by speed; None when it has none."""
        rows = self.db.execute(
            f"SELECT {', '.join(BIN_COLUMNS)} FROM bins "
            "WHERE reduction_id = (SELECT reduction_id FROM runs WHERE id = ?) ORDER BY speed_rpm",
            (number,),
        ).fetchall()
        if not rows:
            return None
        columns = np.array([[np.nan if v is None else v for v in row] for row in rows], float).T
        return Bins(**dict(zip(BIN_COLUMNS, columns, strict=True)))


def listed_of(run: Run) -> dict[str, Any]:
    """What lists show of a run and its frames say, by the names of the columns."""
    verdict = run.verdict or {"verdict": "none", "reason": "none"}
    said: dict[str, Any] = {
        "board_uid": run.board_uid,
        "board_run": run.run_id,
        "firmware": run.firmware,
        "trigger": run.trigger,
        "verdict": verdict["verdict"],
        "reason": verdict["reason"],
        "complete": int(run.complete),
    }
    return {**said, "started_unix_s": run.started_unix_s} if run.started_unix_s else said


def flags_of(run: Run) -> list[str]:
    """Machine-made flags of a run: damaged, incomplete, and each fault by name."""
    from evenfall_wire.codes import FAULTS, STATES

    flags = set()
    if run.damage:
        flags.add("damaged")
    if not run.complete:
        flags.add("incomplete")
    for _, event, value in run.events:
        if event == "fault" and value:
            flags.add(FAULTS[value] if 0 < value < len(FAULTS) else f"fault {value}")
        elif event == "state" and value == STATES.index("characterise"):
            flags.add("characterise")
    return sorted(flags)


def _raw(db: sqlite3.Connection, run: int) -> bytes:
    row = db.execute("SELECT sha256, bytes FROM raw JOIN runs USING (sha256) WHERE id = ?", (run,)).fetchone()
    if row is None:
        raise NotFoundError(f"there is no run {run} in the archive")
    data = bytes(row["bytes"])
    if hashlib.sha256(data).hexdigest() != row["sha256"]:
        raise DamageError(f"the raw frames of run {run} no longer match their SHA-256: {RESTORE}")
    return data


def _known(value: float) -> float | None:
    return value if value == value else None


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
