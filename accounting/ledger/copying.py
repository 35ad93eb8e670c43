"""Copies of a ledger that are known to be good: what backups, restoring and upgrades are made of."""

import os
import sqlite3
from collections.abc import Callable, Mapping
from pathlib import Path

from accounting.ledger.connecting import address, connect, pragma
from accounting.ledger.errors import LedgerError, speaking
from accounting.ledger.schema import APPLICATION_ID

_STEP_PAGES = 256  # 1 MB at a time, so that the disk is not taken from the one who writes
Tally = Mapping[str, int]
COPYING = "copy the ledger"
"""The `op` of an error on the copy's side."""


def no_pause() -> None:
    """Copy without pausing between steps."""


def tally(db: sqlite3.Connection) -> Tally:
    """What a ledger holds: rows by table, and by table.column the sum of whole numbers and of lengths of the rest.

    Times in fractions of a second are left out: their sum depends on the order of adding.
    """
    found: dict[str, int] = {}
    tables = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
    for (table,) in db.execute(tables).fetchall():
        columns = [(row[1], row[2]) for row in db.execute(f"PRAGMA table_info({table})") if row[2] != "REAL"]
        sums = ", ".join(f"sum({name})" if kind == "INTEGER" else f"sum(length({name}))" for name, kind in columns)
        rows, *totals = db.execute(f"SELECT count(*), {sums} FROM {table}").fetchone()
        found[table] = rows
        found |= {f"{table}.{name}": total or 0 for (name, _), total in zip(columns, totals, strict=True)}
    return found


def copy(source: sqlite3.Connection, to: Path, pause: Callable[[], None] = no_pause) -> None:
    """Copy a ledger page by page into a new file, which then lies safe on the disk, whole in itself (no log beside it).

    source: in a transaction, so that what is copied is one state, whatever is written meanwhile. to: mode 0600.
    pause: called between the steps. Raises LedgerError and OSError; what was begun is for the caller to remove.
    """
    os.close(os.open(to, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    with speaking(COPYING, to):
        db = connect(address(to, "mode=rw"))
        try:
            source.backup(db, pages=_STEP_PAGES, progress=lambda *_: pause())
            db.execute("PRAGMA journal_mode = DELETE")
        finally:
            db.close()
    _sync(to)


def prove(path: Path, schema: int, expected: Tally) -> None:
    """Open a copy and compare it with what it was made from. Raises LedgerError if it is not as good."""
    with speaking("verify a copy", path):
        db = connect(address(path, "mode=ro"))
        try:
            marks = (pragma(db, "application_id"), pragma(db, "user_version"))
            problems = [
                " ".join(str(row[0]).split()) for row in db.execute("PRAGMA integrity_check(1)") if row[0] != "ok"
            ]
            problems += [] if marks == (APPLICATION_ID, schema) else [f"its marks are {marks}"]
            problems += differences(expected, tally(db))
        finally:
            db.close()
    if problems:
        cause = f"the copy is not as good as the ledger ({problems[0]})"
        raise LedgerError("verify a copy", str(path), cause, "see `brimful verify`, and check the disk")


def differences(expected: Tally, found: Tally) -> list[str]:
    """What a copy holds otherwise than expected, in words."""
    return [
        f"{name}: expected {wanted}, got {found.get(name)}"
        for name, wanted in expected.items()
        if found.get(name) != wanted
    ]


def put_in_place(prepared: Path, path: Path) -> None:
    """Give a finished file its name, in one step that a power cut does not undo. Raises OSError."""
    os.replace(prepared, path)
    _sync(path.parent)


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
