"""Opening the file: who may, in what mode, and what is refused. A ledger that is damaged is left exactly as it is."""

import fcntl
import os
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from accounting.ledger.connecting import Connect, address, atomic, connect, keeping, migrate, refuse_foreign
from accounting.ledger.errors import LedgerError, looking, speaking
from accounting.ledger.schema import MIGRATIONS, Step
from accounting.ledger.upgrading import upgrade

__all__ = ["Connect", "atomic", "connect", "lock", "migrate", "open_reading", "open_writing", "restoring"]

_NO_INDEX = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
_BUSY_TIMEOUT_MS = 1000  # the loop waits as long, and control with it
_WRITING = "open the ledger for writing"
_READING = "read the ledger"


def open_writing(
    path: Path, making: Connect = connect, migrations: Sequence[Sequence[Step]] = MIGRATIONS
) -> tuple[sqlite3.Connection, int]:
    """The write connection and the descriptor of the lock that keeps a second writer out.

    Creates the file (mode 0600) if there is none; upgrades an older one, which stays beside it.
    Raises LedgerError: no folder, no right, another writer, damaged, no ledger, or a newer one than this program knows.
    """
    held = lock(path)
    try:
        db = _open_locked(path, making, migrations)
    except BaseException:
        os.close(held)
        raise
    return db, held


def open_reading(path: Path, making: Connect = connect, *, older: bool = False) -> sqlite3.Connection:
    """A connection that can only read, also while the daemon writes. older: an older schema will do.

    Raises LedgerError: missing, no right, damaged, no ledger, or of another schema.
    """
    with looking(_READING, path):
        is_file, is_folder = path.is_file(), path.is_dir()
    if is_folder:
        raise LedgerError(_READING, str(path), "expected a file, got a folder", "name the file in it")
    if not is_file:
        raise LedgerError(_READING, str(path), "there is no such file", "the daemon makes it; check the path")
    with speaking(_READING, path):
        try:
            return _checked_reader(path, making(address(path, "mode=ro")), older)
        except sqlite3.OperationalError as error:
            # A ledger at rest in a folder that may not be written: SQLite cannot make its index of the (absent) log.
            # With no log there is nothing that could change under us.
            if error.sqlite_errorcode & 0xFF not in _NO_INDEX or _beside(path, "-wal").exists():
                raise
            return _checked_reader(path, making(address(path, "immutable=1")), older)


def restoring(path: Path) -> Path:
    """Where a backup is made ready to take the ledger's place. While it is there, a restore has not been finished."""
    return _beside(path, ".restoring")


def lock(path: Path) -> int:
    """The descriptor of the lock that only one writer can hold. Raises LedgerError.

    It is beside the file, not on it (SQLite's own locks live there); the kernel drops it when the process dies.
    """
    with looking(_WRITING, path):
        has_folder = path.parent.is_dir()
    if not has_folder:
        hint = "make the folder, or mount the disk it is on"
        raise LedgerError(_WRITING, str(path), "its folder does not exist", hint, may_pass=True)
    beside = _beside(path, "-writer")
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


def _beside(path: Path, tail: str) -> Path:
    return path.with_name(path.name + tail)


def _open_locked(path: Path, making: Connect, migrations: Sequence[Sequence[Step]]) -> sqlite3.Connection:
    _refuse_remains(path)
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))  # the log files take their mode from this one
    except OSError as error:
        hint = "check the file's and its folder's permissions and mount"
        raise LedgerError(
            _WRITING, str(path), f"it may not be written ({error.strerror})", hint, may_pass=True
        ) from error
    with speaking(_WRITING, path):
        version = _sound(path, making, len(migrations)) if path.stat().st_size else 0
        if 0 < version < len(migrations):
            upgrade(path, version, migrations)
        db = opened_to_write(path, making)
        try:
            migrate(db, migrations)
        except BaseException:
            db.close()
            raise
    return db


def opened_to_write(path: Path, making: Connect) -> sqlite3.Connection:
    """A connection that writes, for the holder of the lock."""
    db = making(address(path, "mode=rw"))
    try:
        db.execute(f"PRAGMA busy_timeout = {_BUSY_TIMEOUT_MS}")
        db.execute("PRAGMA journal_mode = WAL")
        keeping(db)
    except BaseException:
        db.close()
        raise
    return db


def _refuse_remains(path: Path) -> None:
    """No new ledger where the log of one lies, or where a restore was cut short."""
    log = _beside(path, "-wal")
    with looking(_WRITING, path):
        unfinished = restoring(path).exists()
        alone = log.exists() and log.stat().st_size and not (path.exists() and path.stat().st_size)
    if unfinished:
        cause = "a restore was cut short"
        raise LedgerError(_WRITING, str(path), cause, "run the same `brimful restore` again", damaged=True)
    if alone:
        cause = "its log is there, but the file itself is empty or gone"
        raise LedgerError(_WRITING, str(path), cause, "keep both as they are and restore a backup", damaged=True)


def _sound(path: Path, making: Connect, known: int) -> int:
    """The schema's number of a file in order.

    The file is only read for it: a connection that can write folds the log into it when it closes.
    """
    # A journal left by a kill while the file was founded is rolled back first, and only a writer can.
    db = making(address(path, "mode=rw" if _beside(path, "-journal").exists() else "mode=ro"))
    try:
        db.execute(f"PRAGMA busy_timeout = {_BUSY_TIMEOUT_MS}")
        version = refuse_foreign(_WRITING, path, db, known)
        problems = [str(row[0]) for row in db.execute("PRAGMA quick_check(1)") if row[0] != "ok"]
        if not problems and _log_is_anothers(path, db, making):
            problems = ["its log is that of another ledger"]
    finally:
        db.close()
    if problems:
        hint = "keep it as it is and restore a backup"
        problem = problems[0].splitlines()[-1]  # the first names the database, in several lines
        raise LedgerError(_WRITING, str(path), f"it is damaged ({problem})", hint, damaged=True)
    return version


def _log_is_anothers(path: Path, db: sqlite3.Connection, making: Connect) -> bool:
    """Whether the log takes away what the file alone has, which no log of its own can: entries are never deleted.

    A log that holds every page of another ledger is in order in itself.
    """
    if not _beside(path, "-wal").exists():
        return False
    newest = "SELECT start_s, heater, version, diverted_wh, booked_at_s FROM entry ORDER BY start_s DESC LIMIT 1"
    same = (
        "SELECT 1 FROM entry WHERE start_s = ? AND heater = ? AND version = ? AND diverted_wh = ? AND booked_at_s = ?"
    )
    try:
        alone = making(address(path, "immutable=1"))
        try:
            row = alone.execute(newest).fetchone()
        finally:
            alone.close()
    except sqlite3.DatabaseError:
        return False  # all of it is in the log still, or the log was being folded in: nothing to compare with
    return row is not None and db.execute(same, row).fetchone() is None


def _checked_reader(path: Path, db: sqlite3.Connection, older: bool) -> sqlite3.Connection:
    try:
        db.execute(f"PRAGMA busy_timeout = {_BUSY_TIMEOUT_MS}")
        version = refuse_foreign(_READING, path, db)
        if version < (1 if older else len(MIGRATIONS)):
            cause = f"it has schema {version}, this program reads {len(MIGRATIONS)}"
            hint = "the daemon upgrades it when it starts" if version else "the daemon fills it when it starts"
            raise LedgerError(_READING, str(path), cause, hint)
    except BaseException:
        db.close()
        raise
    return db
