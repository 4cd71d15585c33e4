"""The open file: connection, transactions, and the true cause when the file cannot be used.

WAL with full synchronisation: what was committed survives a kill and a power cut
(SQLite, "Write-Ahead Logging", "PRAGMA synchronous").  What lies in the log alone
is lost with it, so `settle` moves it into the file before anybody relies on it.
A file that cannot be written is opened for reading; the cause is logged once and
named again by whatever tries to change something.

Nothing else opens the file while it may be in use here: closing it would drop the
locks that SQLite has on it (POSIX; SQLite, "How To Corrupt", 2.2).
"""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from evenfall.archive import schema, write_ahead_log
from evenfall.archive.files import link_new, reason, sync, temporary_file_beside, unused_name, write_whole
from evenfall.errors import ArchiveError, DamageError, EvenfallError

FILE_NAME = "evenfall.sqlite"
BUSY_S = 30.0  # another program's transaction is waited for so long
SETTLE_S = 30.0  # and other programs that read, when what was committed has to leave the log
RESTORE = "restore a backup with: evenfall archive restore BACKUP"
log = logging.getLogger("evenfall.archive")

NOT_WRITABLE = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR,
                 sqlite3.SQLITE_PERM)  # fmt: skip


def now() -> int:
    """This computer's clock, Unix seconds."""
    return int(time.time())


def code_of(error: sqlite3.Error) -> int:
    """SQLite's primary result code; 0 when the error did not come from SQLite itself."""
    return (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


def cause(error: sqlite3.Error) -> str:
    """The true cause of an SQLite error, in words that say what to do."""
    code = code_of(error)
    if code == sqlite3.SQLITE_FULL:
        return "the disk is full: free some room and try again; nothing that was kept is lost"
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return "the file or its folder can only be read by you"
    if code == sqlite3.SQLITE_CANTOPEN:
        return "a file beside it cannot be made: its folder or medium can only be read, or is gone"
    if code == sqlite3.SQLITE_IOERR:
        return "the medium failed to read or write: check the disk, and copy the archive to another one"
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return f"it is damaged; evenfall archive check says where, then {RESTORE}"
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "another program is writing to it; try again when that one is done"
    return str(error)


def unpacked(text: str | None, what: str) -> Any:
    """The value of a JSON text of the archive; DamageError names `what` when it is none any more."""
    try:
        return json.loads(text or "{}")
    except (ValueError, RecursionError):
        raise DamageError(f"{what} cannot be read, the file is damaged: {RESTORE}") from None


def explained(error: sqlite3.Error, path: Path | str = "the archive") -> EvenfallError:
    """The error to raise for one of SQLite's: damage of the file, or a file that cannot be used now."""
    damaged = code_of(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return (DamageError if damaged else ArchiveError)(f"{path}: {cause(error)}")


class Database:
    """The archive's open file.  Use as a context manager; one per process and thread.

    Raises ArchiveError when the file cannot be used, DamageError when it is damaged from its start.
    """

    def __init__(self, folder: Path | str) -> None:
        self.folder = Path(folder)
        self.path = self.folder / FILE_NAME
        self.incoming = self.folder / "incoming"
        self.read_only = ""  # why nothing can be written; empty when it can
        try:
            if not _is_there(self.path):
                _create(self.path)
            _check_start(self.path)
        except OSError as error:
            raise ArchiveError(f"the archive {self.path} cannot be used: {reason(error)}") from None
        try:
            self.db = self._open()
        except sqlite3.Error as error:
            if code_of(error) == sqlite3.SQLITE_NOTADB:
                raise DamageError(
                    f"{self.path} cannot be opened: it is no archive, or its start is damaged; {RESTORE}"
                ) from None
            raise explained(error, self.path) from None

    def __enter__(self):  # type: ignore[no-untyped-def]  # Self, of whatever class
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.db.close()

    def _open(self) -> sqlite3.Connection:
        try:
            db = connect(self.path, "rw")
            try:
                layout_of(db, self.path)  # before anything is written: it may be another program's
                db.execute("PRAGMA journal_mode = WAL")
                db.execute("BEGIN IMMEDIATE")  # finds out whether it can be written at all
                lost = self._lost_with_the_log()  # nobody writes meanwhile
                db.execute("ROLLBACK")
                if lost:
                    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            except (sqlite3.Error, ArchiveError) as error:
                busy = isinstance(error, sqlite3.Error) and code_of(error) in (
                    sqlite3.SQLITE_BUSY,
                    sqlite3.SQLITE_LOCKED,
                )
                if not busy:
                    db.close()
                    raise
        except sqlite3.Error as error:
            if code_of(error) not in NOT_WRITABLE:
                raise
            self.read_only = cause(error)
            db = self._open_to_read()
        try:
            return self._current(db)
        except BaseException:
            db.close()
            raise

    def _lost_with_the_log(self) -> bool:
        """Whether the log holds changes that SQLite cannot take from it; said once, and a copy is kept."""
        waiting = Path(f"{self.path}-wal")
        try:
            log_bytes = waiting.read_bytes() if waiting.exists() else b""
            if not write_ahead_log.holds_lost_changes(log_bytes):
                return False
            if any(write_ahead_log.same_log(log_bytes, c.read_bytes()) for c in self.damaged_logs()):
                return True
            wanted = waiting.with_name(f"{waiting.name}.damaged-{time.strftime('%Y%m%d-%H%M%S')}")
            copy = next(name for name in unused_name(wanted) if not name.exists())
            write_whole(copy, log_bytes)
            kept = f"a copy of the log is kept in {copy}"
        except (OSError, ArchiveError) as error:
            kept = f"no copy of the log was kept ({error})"
        log.warning(
            "the newest changes in %s are lost: the log beside it, where they were, is damaged. Runs that a "
            "board was told are safe are not among them. Look at what was entered last; %s",
            self.path,
            kept,
        )
        return True

    def damaged_logs(self) -> list[Path]:
        """Copies of logs that were found damaged."""
        return sorted(self.folder.glob(f"{FILE_NAME}-wal.damaged-*"))

    def settle(self, waiting: Callable[[], None] = lambda: None) -> None:
        """Move all that was committed from the log into the file itself, on the medium; empties the log.

        `waiting` is called a few times a second meanwhile; what it raises ends the wait.
        ArchiveError when other programs that read keep SQLite from it for longer than `SETTLE_S`.
        """
        end = time.monotonic() + SETTLE_S
        try:
            self.db.execute("PRAGMA busy_timeout = 200")
            try:
                while self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]:  # 1: held back
                    if time.monotonic() > end:
                        raise ArchiveError(
                            f"another program has been reading {self.path} for {SETTLE_S:.0f} s, and the "
                            "newest runs cannot be moved to their place in it: close that program, try again"
                        )
                    waiting()
                    time.sleep(0.02)
            finally:
                self.db.execute(f"PRAGMA busy_timeout = {BUSY_S * 1000:.0f}")
        except sqlite3.Error as error:
            raise explained(error, self.path) from None

    def _open_to_read(self) -> sqlite3.Connection:
        try:
            db = connect(self.path, "ro")
            try:
                db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            except sqlite3.Error:
                db.close()
                raise
        except sqlite3.Error:
            db = connect(self.path, "ro&immutable=1")
            waiting = Path(f"{self.path}-wal")
            if waiting.exists() and waiting.stat().st_size:
                log.warning("the newest changes are still in %s and are not shown", waiting)
        log.warning("%s is opened for reading only: %s", self.path, self.read_only)
        return db

    def _current(self, db: sqlite3.Connection) -> sqlite3.Connection:
        """The connection with today's tables; an older file that cannot be written is read from a copy."""
        version = layout_of(db, self.path)
        if version == schema.LAYOUT:
            return db
        if self.read_only:
            copy = _prepared(
                sqlite3.connect("", isolation_level=None)
            )  # a file without a name, gone at close
            db.backup(copy)
            db.close()
            db = copy
        db.execute("BEGIN IMMEDIATE")
        try:
            version = layout_of(db, self.path)  # another program may have been first
            if version < schema.LAYOUT:
                schema.migrate(db, version)
            db.execute("COMMIT")
        except BaseException:
            _roll_back(db)
            raise
        return db

    @contextlib.contextmanager
    def change(self) -> Iterator[None]:
        """One transaction; changes inside another one join it."""
        if self.read_only:
            raise ArchiveError(f"{self.path} was not changed: {self.read_only}")
        if self.db.in_transaction:
            yield
            return
        try:
            self.db.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                _roll_back(self.db)
                raise
            try:
                self.db.execute("COMMIT")
            except sqlite3.Error:
                _roll_back(self.db)
                raise
        except sqlite3.IntegrityError:
            raise
        except sqlite3.Error as error:
            raise explained(error, self.path) from None

    def insert(self, table: str, **columns: Any) -> int:
        """Insert a row; return its number."""
        names, marks = ", ".join(columns), ", ".join("?" * len(columns))
        cursor = self.db.execute(f"INSERT INTO {table}({names}) VALUES ({marks})", tuple(columns.values()))
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def rows(self, sql: str, *values: Any) -> list[dict[str, Any]]:
        """All rows of a query as dicts."""
        return [dict(row) for row in self.db.execute(sql, values)]


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """A connection to a file that is there; `mode`: rw, ro, ro&immutable=1."""
    # as_uri quotes what a URI would misread
    return _prepared(
        sqlite3.connect(
            f"{path.resolve().as_uri()}?mode={mode}", uri=True, isolation_level=None, timeout=BUSY_S
        )
    )


def _prepared(db: sqlite3.Connection) -> sqlite3.Connection:
    db.row_factory = Row
    try:
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA trusted_schema = OFF")  # a restored file may come from anyone
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA fullfsync = ON")  # macOS: through the drive's cache as well
        db.execute("PRAGMA checkpoint_fullfsync = ON")
    except UnicodeDecodeError:  # SQLite's message quotes a damaged layout
        db.close()
        damage = sqlite3.DatabaseError("the layout cannot be read")
        damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise damage from None
    return db


def _roll_back(db: sqlite3.Connection) -> None:
    """Undo what is open; SQLite has done so itself after some errors, a full disk among them."""
    if db.in_transaction:
        with contextlib.suppress(sqlite3.Error):
            db.execute("ROLLBACK")


def _is_there(path: Path) -> bool:
    """Whether the archive's file is there; refuses when it is gone and what was moved aside is not."""
    if path.exists():
        return True
    if not path.parent.is_dir():
        return False
    aside = sorted(path.parent.glob(FILE_NAME + ".before-*")) + sorted(path.parent.glob(FILE_NAME + "-wal"))
    aside = [p for p in aside if not p.name.endswith("-shm")]
    if aside:
        raise ArchiveError(
            f"{path} is missing, but {aside[-1].name} is beside it: no empty archive is begun in its place. "
            f"Give that file its name back, or {RESTORE}"
        )
    return False


def _create(path: Path) -> None:
    """A new archive, whole before it has its name; another program's that came first is kept."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with temporary_file_beside(path) as spare:
        try:
            with contextlib.closing(connect(spare, "rw")) as db:
                db.execute("BEGIN IMMEDIATE")
                schema.migrate(db, 0)
                db.execute("COMMIT")
                db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.Error as error:
            raise ArchiveError(f"no archive was begun in {path.parent}: {cause(error)}") from None
        sync(spare)
        link_new(spare, path)
        sync(path.parent)


def _check_start(path: Path) -> None:
    """Refuse an empty file and one that may not be read, without opening it: others may have it open."""
    if path.stat().st_size == 0:
        raise DamageError(
            f"{path} is empty (0 bytes): an archive was here and is not any more; {RESTORE}. "
            "To begin a new one, remove that file"
        )
    if not path.is_dir() and not os.access(path, os.R_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


class Row(sqlite3.Row):
    """A row; a column that it does not hold is damage of the file, whose layout is checked by name."""

    def __getitem__(self, key: Any) -> Any:
        try:
            return super().__getitem__(key)
        except IndexError:
            raise DamageError(
                f"the archive has no column '{key}' any more: it is damaged; {RESTORE}"
            ) from None


def layout_of(db: sqlite3.Connection, path: Path) -> int:
    """The file's layout; refuses what another program made and what a newer evenfall made."""
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if application == 0:  # layout 1 did not carry the number yet
        ours = not tables if version == 0 else {"pulls", "raw", "in_force"} <= tables
    else:
        ours = application == schema.APPLICATION_ID and "raw" in tables
    if not ours:
        raise ArchiveError(
            f"{path} is another program's database; nothing in it was changed. "
            "Choose another folder with --archive"
        )
    if version > schema.LAYOUT:
        raise ArchiveError(f"{path} was made by a newer evenfall (layout {version}): update evenfall")
    return int(version)
