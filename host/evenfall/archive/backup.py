"""Maintenance of the archive: check, backup, restore."""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

from evenfall.archive import schema
from evenfall.archive.database import (
    FILE_NAME,
    NOT_WRITABLE,
    Database,
    cause,
    code_of,
    connect,
    layout_of,
    unpacked,
)
from evenfall.archive.files import link_new, reason, sync, temporary_file_beside, unused_name
from evenfall.archive.runs import listed_of
from evenfall.board import run_file
from evenfall.errors import ArchiveError, DamageError, InputError


class Maintenance(Database):
    """Checks and copies of the open archive."""

    def check(self) -> list[str]:
        """Sentences for whatever is wrong with the file or its contents; none when it is sound.

        Checked are the file's own structure, its links, the SHA-256 of every run, of every
        calibration, set-up and air reading, and of every kept reduction, and that the figures in
        lists are those of the reduction.
        """
        wrong: list[str] = []
        for part in (
            self._check_file,
            self._check_layout,
            self._check_raw,
            self._check_lists,
            self._check_records,
            self._check_reductions,
            self._check_logs,
        ):
            try:
                wrong += part()
            except sqlite3.Error as error:
                wrong.append(f"the file is damaged: {error}")
            except DamageError as error:
                wrong.append(str(error))
        return list(dict.fromkeys(wrong))

    def _check_file(self) -> Iterator[str]:
        for (line,) in self.db.execute("PRAGMA integrity_check"):
            if line != "ok":
                yield f"the file is damaged: {line.splitlines()[-1]}"
        for table, rowid, parent, _ in self.db.execute("PRAGMA foreign_key_check"):
            yield f"line {rowid} of '{table}' points to a missing line of '{parent}'"
        for row in self.db.execute("SELECT id FROM runs WHERE id NOT IN (SELECT rowid FROM words)"):
            yield f"run {row['id']} is missing in the word index"

    def _check_raw(self) -> Iterator[str]:
        for row in self.db.execute("SELECT sha256, size, crc32, bytes FROM raw"):
            data = row["bytes"]
            if hashlib.sha256(data).hexdigest() != row["sha256"] or len(data) != row["size"]:
                yield f"the raw frames {row['sha256'][:12]} no longer match their SHA-256"

    def _check_layout(self) -> Iterator[str]:
        """Tables and their columns are named as this program makes them."""
        question = (
            "SELECT t.name, group_concat(c.name) FROM sqlite_master t, pragma_table_info(t.name) c "
            "WHERE t.type IN ('table', 'view') AND t.name NOT LIKE 'sqlite_%' GROUP BY t.name"
        )
        with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
            fresh.execute("BEGIN")
            schema.migrate(fresh, 0)
            wanted = dict(fresh.execute(question).fetchall())
        found = {name: columns for name, columns in self.db.execute(question)}
        for name in sorted(wanted):
            if wanted[name] != found.get(name):
                yield f"the columns of '{name}' are not those that this program makes"

    def _check_lists(self) -> Iterator[str]:
        """What lists show of a run is what its frames say."""
        for row in self.db.execute("SELECT runs.*, raw.bytes FROM runs JOIN raw USING (sha256)"):
            said = listed_of(run_file.decode_run(row["bytes"]))
            for name, value in said.items():
                if row[name] != value:
                    yield f"run {row['id']} is listed with another {name} than its frames say"

    def _check_records(self) -> Iterator[str]:
        for row in self.db.execute("SELECT id, kind, body, sha256 FROM records"):
            if schema.record_hash(row["kind"], row["body"]) != row["sha256"]:
                yield f"{row['kind']} {row['id']} was changed after it was filed (its SHA-256 differs)"

    def _check_reductions(self) -> Iterator[str]:
        for row in self.db.execute("SELECT * FROM reductions"):
            if schema.reduction_hash(dict(row), schema.bins_of(self.db, row["id"])) != row["sha256"]:
                yield f"a kept result of run {row['run_id']} was changed (its SHA-256 differs)"
        for row in self.db.execute(
            "SELECT r.id, r.peak_power_W, r.peak_torque_Nm, d.summary FROM runs r "
            "JOIN reductions d ON d.id = r.reduction_id"
        ):
            try:
                summary = unpacked(row["summary"], "")
                peaks = {name: summary[name]["value"] for name in ("peak_power_W", "peak_torque_Nm")}
            except (DamageError, KeyError, TypeError):
                yield f"a kept result of run {row['id']} cannot be read any more"
                continue
            for name, kept in peaks.items():
                if row[name] != (kept if kept is None or math.isfinite(kept) else None):
                    yield f"run {row['id']} is listed with another {name} than its result has"

    def _check_logs(self) -> Iterator[str]:
        for copy in self.damaged_logs():
            yield (
                f"changes are lost: {copy.name} is the log they were in, found damaged. "
                "Look at what was entered before that day, then remove that file"
            )

    def backup(self, target: Path, replace: bool = False) -> None:
        """Copy the archive, consistent even while it is in use, checked before it gets its name.

        Never onto itself; over another file only when `replace` says so.
        """
        try:
            if target.exists() and target.samefile(self.path):
                raise InputError(f"{target} is the archive itself: give the backup another name or folder")
            if target.exists() and not replace:
                raise InputError(f"{target} is there already: give another name, or --yes to replace it")
            with temporary_file_beside(target) as spare:
                with contextlib.closing(sqlite3.connect(spare)) as copy:
                    self.db.backup(copy)
                    copy.execute("PRAGMA journal_mode = DELETE")
                    _sound(copy, self.path)
                sync(spare)
                if replace:
                    os.replace(spare, target)
                elif not link_new(spare, target):
                    raise InputError(f"{target} is there already: give another name")
            sync(target.parent)
        except OSError as error:
            raise ArchiveError(f"no backup was made at {target}: {reason(error)}") from None
        except sqlite3.Error as error:
            raise ArchiveError(f"no backup was made at {target}: {cause(error)}") from None


def restore(folder: Path, source: Path) -> Path | None:
    """Put a backup in place of the archive; return the name the old file has now, if there was one.

    The old file gets its second name first, then the backup takes its place in one step: at no
    moment is there no archive, and nothing is ever overwritten.
    """
    if not source.is_file():
        raise ArchiveError(f"there is no backup {source}")
    target, moved = folder / FILE_NAME, None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if target.exists() and target.samefile(source):
            raise InputError(f"{source} is the archive itself, not a backup of it")
        with temporary_file_beside(target) as spare:
            _copy_sound(source, spare)
            sync(spare)
            if target.exists():
                _check_nobody_has_it_open(target)
                moved = _second_name(target)
                sync(folder)
                for ending in ("-wal", "-shm"):  # only a damaged file still has them
                    Path(f"{target}{ending}").unlink(missing_ok=True)
            os.replace(spare, target)
        sync(folder)
        return moved
    except OSError as error:
        raise ArchiveError(f"{source} was not restored: {reason(error)}") from None
    except sqlite3.Error as error:
        raise ArchiveError(f"{source} was not restored: {cause(error)}") from None


def _copy_sound(source: Path, spare: Path) -> None:
    """Copy a backup that is sound and ours; DamageError or ArchiveError when it is not."""
    if source.stat().st_size == 0:
        raise DamageError(f"{source} is empty (0 bytes): it is no backup")
    with contextlib.closing(_read_only(source)) as copy:
        _sound(copy, source)
        version = layout_of(copy, source)
        if version == 0:
            raise ArchiveError(f"{source} is no backup of an archive: it holds no tables")
        with contextlib.closing(sqlite3.connect(spare)) as new:
            copy.backup(new)


def _read_only(path: Path) -> sqlite3.Connection:
    """A connection that changes nothing, from a medium that can only be read as well."""
    db = connect(path, "ro")
    try:
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        return db
    except sqlite3.Error as error:
        db.close()
        if code_of(error) not in NOT_WRITABLE:
            raise
        return connect(path, "ro&immutable=1")


def _second_name(target: Path) -> Path:
    """Give the archive a second name that nothing has; its log, if any, goes with it."""
    wanted = target.with_name(f"{FILE_NAME}.before-{time.strftime('%Y%m%d-%H%M%S')}")
    for name in unused_name(wanted):
        if link_new(target, name):
            break
    log = Path(f"{target}-wal")
    if log.exists():
        link_new(log, Path(f"{name}-wal"))
    return name


def _sound(db: sqlite3.Connection, path: Path) -> None:
    (line,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    if line != "ok":
        raise DamageError(f"{path} is damaged: {line.splitlines()[-1]}")


def _check_nobody_has_it_open(path: Path) -> None:
    """Refuse while another program has the archive open; also checkpoints the write-ahead log."""
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
