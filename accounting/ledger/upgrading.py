"""An older ledger is upgraded on a copy, which takes its place only when it is whole; the old one stays beside it."""

import os
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path

from accounting.ledger.connecting import address, atomic, connect, keeping, migrate, pragma
from accounting.ledger.copying import Tally, copy, prove, put_in_place, tally
from accounting.ledger.errors import LedgerError, speaking
from accounting.ledger.schema import Step

_OP = "upgrade the ledger"
# What an upgrade may add to, but never change. The rest is working state.
_BOOKS = (
    "entry",
    "posting",
    "superseded",
    "restatement",
    "restated",
    "tank_entry",
    "tank_posting",
    "decision",
    "event",
    "tape",
)
STEPS = ("folded", "copied", "migrated", "proved", "kept", "placed")
"""The steps that are passed to `done`. A kill at any of them leaves a ledger that opens."""


def upgrade(
    path: Path, version: int, migrations: Sequence[Sequence[Step]], done: Callable[[str], None] = lambda step: None
) -> Path:
    """Bring a sound ledger of an older schema up to the newest; returns where the old one is kept.

    For the holder of the writer's lock. done: called with each step, a seam for tests. Raises LedgerError; then the
    ledger is as it was.
    """
    part = path.with_name(f"{path.name}.upgrading")
    try:
        _remove(part)
        _fold(path)
        done("folded")
        held = _migrated_copy(path, part, migrations, done)
        prove(part, len(migrations), held)
        done("proved")
        kept = _keep(path, version)
        done("kept")
        put_in_place(part, path)
        done("placed")
    except OSError as error:
        hint = "the ledger is as it was; check the disk, its free space and the folder's permissions"
        raise LedgerError(_OP, str(path), error.strerror or str(error), hint, may_pass=True) from error
    finally:
        _remove(part)
    return kept


def _fold(path: Path) -> None:
    """Take the log into the file, so that the file alone is the ledger."""
    with speaking(_OP, path):
        db = connect(address(path, "mode=rw"))
        try:
            db.execute("PRAGMA synchronous = FULL")
            (mode,) = db.execute("PRAGMA journal_mode = DELETE").fetchone()
        finally:
            db.close()
    if mode != "delete":
        raise LedgerError(_OP, str(path), "something else has it open", "close it and try again", may_pass=True)


def _migrated_copy(path: Path, part: Path, migrations: Sequence[Sequence[Step]], done: Callable[[str], None]) -> Tally:
    """Make the copy and upgrade it; returns what of the books must be found in it."""
    with speaking(_OP, path):
        source = connect(address(path, "mode=ro"))
        try:
            with atomic(source, "BEGIN"):
                before = tally(source)
                version = pragma(source, "user_version")
                copy(source, part)
                prove(part, version, before)
        finally:
            source.close()
    done("copied")
    held = migrated(part, migrations, before)
    done("migrated")
    return held


def migrated(path: Path, migrations: Sequence[Sequence[Step]], before: Tally) -> Tally:
    """Bring a copy's schema up to the newest; returns what of the books, as they were before, must be found in it."""
    with speaking(_OP, path):
        db = connect(address(path, "mode=rw"))
        try:
            keeping(db)
            migrate(db, migrations)
            columns = _columns(db)
        finally:
            db.close()
    return {name: total for name, total in before.items() if name.split(".")[0] in _BOOKS and name in columns}


def _columns(db: sqlite3.Connection) -> set[str]:
    """Names of the books' tables, and of their columns as table.column."""
    rows = db.execute(
        "SELECT m.name, c.name FROM sqlite_master m JOIN pragma_table_info(m.name) c WHERE m.type = 'table'"
    ).fetchall()
    return {*_BOOKS, *(f"{table}.{column}" for table, column in rows)}


def _keep(path: Path, version: int) -> Path:
    """A second name for the old ledger, which outlasts the first; another old ledger of that name is left alone."""
    number = 1
    while True:
        kept = path.with_name(f"{path.name}.schema-{version}" + (f".{number}" if number > 1 else ""))
        if not kept.exists():
            break
        if kept.samefile(path):  # an upgrade was cut short just here
            return kept
        number += 1
    try:
        os.link(path, kept)
    except OSError:  # a file system without second names
        part = kept.with_name(f"{kept.name}.part")
        _remove(part)
        source = connect(address(path, "mode=ro"))
        try:
            copy(source, part)
        finally:
            source.close()
        put_in_place(part, kept)
    return kept


def _remove(part: Path) -> None:
    for tail in ("", "-journal"):
        part.with_name(part.name + tail).unlink(missing_ok=True)
