"""Connections, transactions and the schema's steps: what everything that touches the file goes through."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from accounting.ledger.errors import LedgerError
from accounting.ledger.schema import APPLICATION_ID, MIGRATIONS, Step

Connect = Callable[[str], sqlite3.Connection]
"""Makes a connection from a `file:` address: a seam for tests that inject faults."""


def connect(address: str) -> sqlite3.Connection:
    """A connection without the module's implicit transactions.

    It may be handed to another thread, as a daemon that starts does with its loop; it must not be shared.
    """
    return sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False)


def address(path: Path, mode: str) -> str:
    """The `file:` address of a path; mode: what follows the question mark."""
    return f"file:{quote(str(path.absolute()))}?{mode}"


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


def pragma(db: sqlite3.Connection, name: str) -> int:
    """The whole number that a pragma answers with."""
    return int(db.execute(f"PRAGMA {name}").fetchone()[0])


def keeping(db: sqlite3.Connection) -> None:
    """Set a connection up for writing: what is committed is on the disk, and no constraint is passed by."""
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA recursive_triggers = ON")  # else INSERT OR REPLACE deletes behind the triggers' back


def migrate(db: sqlite3.Connection, migrations: Sequence[Sequence[Step]] = MIGRATIONS) -> None:
    """Bring the file up to the newest schema, each step in one transaction together with its number."""
    for number in range(pragma(db, "user_version"), len(migrations)):
        with atomic(db):
            for step in migrations[number]:
                if callable(step):
                    step(db)
                else:
                    db.execute(step)
            db.execute(f"PRAGMA user_version = {number + 1}")


def refuse_foreign(op: str, path: Path, db: sqlite3.Connection, known: int = len(MIGRATIONS)) -> int:
    """The schema's number (0: an empty file), if this is a ledger of at most the schema `known`."""
    version = pragma(db, "user_version")
    if pragma(db, "application_id") != APPLICATION_ID:
        if version == 0 and db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            return 0
        raise LedgerError(op, str(path), "it is a database, but no ledger", "name another file")
    if version > known:
        cause = f"it has schema {version}, this program knows up to {known}"
        raise LedgerError(op, str(path), cause, "a newer brimful wrote it: install that one, or restore a backup")
    return version
