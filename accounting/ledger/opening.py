"""Opening the file: who may, in what mode, and what is refused."""

import fcntl
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from accounting.ledger.errors import LedgerError, speaking
from accounting.ledger.schema import APPLICATION_ID, MIGRATIONS

Connect = Callable[[str], sqlite3.Connection]
"""Makes a connection from a `file:` address: a seam for tests that inject faults."""

_NO_INDEX = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
_BUSY_TIMEOUT_MS = 1000  # the loop waits as long, and control with it
_WRITING = "open the ledger for writing"
_READING = "read the ledger"


def connect(address: str) -> sqlite3.Connection:
    """A connection without the module's implicit transactions.

    It may be handed to another thread, as a daemon that starts does with its loop; it must not be shared.
    """
    return sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False)


@contextmanager
def atomic(db: sqlite3.Connection, begin: str = "BEGIN IMMEDIATE") -> Iterator[None]:
    """One transaction: all of the block or nothing of it."""
    db.execute(begin)
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:  # SQLite itself has rolled back after some errors, a full disk among them
            db.execute("ROLLBACK")
        raise


def migrate(db: sqlite3.Connection, migrations: Sequence[Sequence[str]] = MIGRATIONS) -> None:
    """Bring the file up to the newest schema, each step in one transaction together with its number."""
    for number in range(_pragma(db, "user_version"), len(migrations)):
        with atomic(db):
            for statement in migrations[number]:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {number + 1}")


def open_writing(path: Path, making: Connect = connect) -> tuple[sqlite3.Connection, int]:
    """The write connection and the descriptor of the lock that keeps a second writer out.

    Creates the file (mode 0600) if there is none; migrates an older one.
    Raises LedgerError: no folder, no right, another writer, damaged, no ledger, or a newer one than this program knows.
    """
    if not path.parent.is_dir():
        raise LedgerError(
            _WRITING,
            str(path),
            "its folder does not exist",
            "make the folder, or mount the disk it is on",
            may_pass=True,
        )
    lock = _lock(path)
    try:
        db = _open_locked(path, making)
    except BaseException:
        os.close(lock)
        raise
    return db, lock


def open_reading(path: Path, making: Connect = connect) -> sqlite3.Connection:
    """A connection that can only read, also while the daemon writes.

    Raises LedgerError: missing, no right, damaged, no ledger, or of another schema.
    """
    if not path.is_file():
        raise LedgerError(_READING, str(path), "there is no such file", "the daemon makes it; check the path")
    address = f"file:{quote(str(path.absolute()))}"
    with speaking(_READING, path):
        try:
            return _checked_reader(path, making(f"{address}?mode=ro"))
        except sqlite3.OperationalError as error:
            # A ledger at rest in a folder that may not be written: SQLite cannot make its index of the (absent) log.
            # With no log there is nothing that could change under us.
            if error.sqlite_errorcode & 0xFF not in _NO_INDEX or _log_of(path).exists():
                raise
            return _checked_reader(path, making(f"{address}?immutable=1"))


def _log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _lock(path: Path) -> int:
    """A lock beside the file, not on it (SQLite's own locks live there); the kernel drops it when the process dies."""
    beside = path.with_name(path.name + "-writer")
    try:
        descriptor = os.open(beside, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        cause = f"its lock file cannot be made ({error.strerror})"
        hint = "check the folder's permissions and mount"
        raise LedgerError(_WRITING, str(path), cause, hint, may_pass=True) from error
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(descriptor)
        hint = "only one daemon may own a ledger; stop the other one"
        raise LedgerError(_WRITING, str(path), "another brimful is writing to it", hint, may_pass=True) from error
    return descriptor


def _open_locked(path: Path, making: Connect) -> sqlite3.Connection:
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))  # the log files take their mode from this one
    except OSError as error:
        hint = "check the file's and its folder's permissions and mount"
        raise LedgerError(
            _WRITING, str(path), f"it may not be written ({error.strerror})", hint, may_pass=True
        ) from error
    with speaking(_WRITING, path):
        db = making(f"file:{quote(str(path.absolute()))}?mode=rw")
        try:
            db.execute(f"PRAGMA busy_timeout = {_BUSY_TIMEOUT_MS}")
            _refuse_foreign(_WRITING, path, db)
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("PRAGMA recursive_triggers = ON")  # else INSERT OR REPLACE deletes behind the triggers' back
            migrate(db)
            problems = [str(row[0]) for row in db.execute("PRAGMA quick_check(1)") if row[0] != "ok"]
            if problems:
                hint = "keep it as it is and restore a backup"
                raise LedgerError(_WRITING, str(path), f"it is damaged ({problems[0]})", hint)
        except BaseException:
            db.close()
            raise
    return db


def _checked_reader(path: Path, db: sqlite3.Connection) -> sqlite3.Connection:
    try:
        db.execute(f"PRAGMA busy_timeout = {_BUSY_TIMEOUT_MS}")
        version = _refuse_foreign(_READING, path, db)
        if version < len(MIGRATIONS):
            cause = f"it has schema {version}, this program reads {len(MIGRATIONS)}"
            hint = "the daemon upgrades it when it starts" if version else "the daemon fills it when it starts"
            raise LedgerError(_READING, str(path), cause, hint)
    except BaseException:
        db.close()
        raise
    return db


def _refuse_foreign(op: str, path: Path, db: sqlite3.Connection) -> int:
    """The schema's number (0: an empty file), if this is a ledger that the program knows."""
    version = _pragma(db, "user_version")
    if _pragma(db, "application_id") != APPLICATION_ID:
        if version == 0 and db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            return 0
        raise LedgerError(op, str(path), "it is a database, but no ledger", "name another file")
    if version > len(MIGRATIONS):
        cause = f"it has schema {version}, this program knows up to {len(MIGRATIONS)}"
        raise LedgerError(op, str(path), cause, "a newer brimful wrote it: install that one, or restore a backup")
    return version


def _pragma(db: sqlite3.Connection, name: str) -> int:
    return int(db.execute(f"PRAGMA {name}").fetchone()[0])
