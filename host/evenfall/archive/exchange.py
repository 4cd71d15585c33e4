"""One run as one self-describing file, and back."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from evenfall.archive.database import log, now
from evenfall.archive.filing import check_name, checked_record
from evenfall.archive.runs import Runs
from evenfall.archive.schema import record_hash
from evenfall.details import DETAILS
from evenfall.errors import DamageError, InputError, NotFoundError
from evenfall.model import Air, Calibration, Setup
from evenfall.reduction.air import DROPPED, standard_named

MAX_EXPORT_BYTES = 32 << 20


class Exchange(Runs):
    """Runs to files and from files."""

    def export(self, number: int) -> bytes:
        """One run as one self-describing JSON text, raw frames included."""
        row = self.row(number)
        raw = self.raw(number)
        calibration, setup, air, standard = self.filed(number)
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
            "calibration": asdict(calibration) if calibration else None,
            "setup": asdict(setup) if setup else None,
            "air": asdict(air) if air else None,
            "tags": sorted(
                r["tag"] for r in self.db.execute("SELECT tag FROM tags WHERE run_id = ?", (number,))
            ),
            "notes": [{k: note[k] for k in ("made_unix_s", "author", "text")} for note in self.notes(number)],
            "details": self.details(number),
            "excluded": row["excluded"],
            # a board without a clock does not say it, the computer that fetched the run knew it
            "started_unix_s": row["started_unix_s"] if row["clock"] == "host" else None,
        }
        return json.dumps(body, indent=1, ensure_ascii=False).encode()

    def import_file(self, data: bytes) -> tuple[int, bool]:
        """Take in an exported run, or a bare run file; return (run, whether it is new).

        The bytes are not trusted: sizes, types and hashes are checked first.
        """
        if data.lstrip()[:1] != b"{":
            return self._stored(data)
        body = _checked_export(data)
        with self.change():
            number, new = self._stored(body["raw"], body["started_unix_s"])
            if not new:
                return number, False
            ids: dict[str, Any] = {"standard": body["standard"]}
            if body["calibration"] is not None:
                ids["calibration_id"] = self._record_like(checked_record(Calibration, body["calibration"]))
            if body["setup"] is not None:
                ids["setup_id"] = self._record_like(checked_record(Setup, body["setup"]))
            if body["air"] is not None:
                ids["air_id"] = self._record_like(checked_record(Air, body["air"]))
            if body["engine"]:
                ids["build_id"] = self._build_like(body)
            for tag in body["tags"]:
                self.db.execute("INSERT OR IGNORE INTO tags VALUES (?, ?)", (tag, number))
            for note in body["notes"]:
                self.insert("notes", run_id=number, **note)
            if body["excluded"]:
                self.db.execute(
                    "UPDATE runs SET excluded = ?, excluded_unix_s = ? WHERE id = ?",
                    (body["excluded"], now(), number),
                )
            self.refile(number, **ids)
            self._take_details(number, body)
        return number, True

    def _take_details(self, number: int, body: dict[str, Any]) -> None:
        """Details that came with a run; what is known here of engine and build stays."""
        known = self.details(number)
        for whose in ("engine", "build", "run"):
            new = {k: v for k, v in body["details"].items() if DETAILS[k][0] == whose and k not in known}
            if new and whose == "run":
                self.set_run_details(number, new)
            elif new and body["engine"]:
                build = (body["build"] or "as found") if whose == "build" else None
                self.set_details(body["engine"], build, new)

    def _record_like(self, record: Calibration | Setup | Air) -> int:
        """The number of the newest record here that says the same, or of a new one."""
        kind, body = type(record).__name__.lower(), json.dumps(asdict(record))
        found = self.db.execute(
            "SELECT max(id) AS id FROM records WHERE kind = ? AND sha256 = ?", (kind, record_hash(kind, body))
        ).fetchone()
        return int(found["id"]) if found["id"] is not None else self.add_record(record, "imported")

    def _stored(self, data: bytes, started_unix_s: int | None = None) -> tuple[int, bool]:
        """`store_run`, and whether the bytes were new here."""
        with self.change():
            before = self.number_of(hashlib.sha256(data).hexdigest())
            return (
                (self.store_run(data, started_unix_s=started_unix_s), True)
                if before is None
                else (before, False)
            )

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


def _opened_export(data: bytes) -> tuple[dict[str, Any], bytes]:
    """(the exported run's JSON, its raw frames); DamageError when it is none, or of a newer program."""
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
    return body, frames


def _text(value: Any, what: str, limit: int = 100_000) -> str:
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > limit or "\0" in value:
        raise DamageError(f"the exported run's {what} is no text of a sane length")
    return value


def _name(value: Any, what: str) -> str:
    if value:
        check_name(_text(value, what, 200), what)
    return value or ""


def _listed(body: dict[str, Any], name: str, limit: int) -> list[Any]:
    value = body.get(name) or []
    if not isinstance(value, list) or len(value) > limit:
        raise DamageError(f"the exported run's {name} are no list of a sane length")
    return value


def _checked_export(data: bytes) -> dict[str, Any]:
    """An exported run, checked; DamageError says what is wrong with it."""
    body, frames = _opened_export(data)
    notes = []
    for note in _listed(body, "notes", 1000):
        if not isinstance(note, dict) or not isinstance(note.get("made_unix_s"), int):
            raise DamageError("a note of the exported run has no time")
        if not 0 <= note["made_unix_s"] < 1 << 40:
            raise DamageError("a note of the exported run has an impossible time")
        notes.append(
            {
                "made_unix_s": note["made_unix_s"],
                "author": _text(note.get("author"), "note's author", 200),
                "text": _text(note.get("text"), "note"),
            }
        )
    standard = _text(body.get("standard"), "air standard", 100) or "none"
    if standard in DROPPED:
        log.warning(
            "the run was filed under '%s', which was dropped; it is filed without correction", standard
        )
        standard = "none"
    try:
        standard = standard_named(standard).key
    except InputError as error:
        raise DamageError(f"the exported run cannot be corrected: {error}") from None

    return {
        "raw": frames,
        "engine": _name(body.get("engine"), "engine"),
        "build": _name(body.get("build"), "build"),
        "changed": _text(body.get("changed"), "change"),
        "changed_by": _text(body.get("changed_by"), "author of the change", 200),
        "standard": standard,
        "calibration": body.get("calibration"),
        "setup": body.get("setup"),
        "air": body.get("air"),
        "tags": [_name(tag, "tag") for tag in _listed(body, "tags", 100) if tag],
        "notes": notes,
        "details": _details(body),
        # before 0.2 this was named set_aside
        "started_unix_s": _moment(body.get("started_unix_s")),
        "excluded": _text(body.get("excluded", body.get("set_aside")), "reason for excluding it"),
    }


def _moment(value: Any) -> int | None:
    """Unix seconds of a run whose board had no clock, or None."""
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not 0 < value < 1 << 40:
        raise DamageError("the exported run began at an impossible time")
    return value


def _details(body: dict[str, Any]) -> dict[str, str]:
    """Details of the exported run that this evenfall knows by name."""
    given = body.get("details") or {}
    if not isinstance(given, dict):
        raise DamageError("the exported run's details are no set of named values")
    return {k: _name(given[k], "detail") for k in DETAILS if given.get(k)}


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
