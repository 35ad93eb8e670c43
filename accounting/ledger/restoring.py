"""Putting a backup in the ledger's place. What was there before is set aside under another name, never deleted."""

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from accounting.ledger.backup import stamp
from accounting.ledger.connecting import atomic, pragma
from accounting.ledger.copying import COPYING, copy, prove, put_in_place, tally
from accounting.ledger.errors import LedgerError, looking, speaking
from accounting.ledger.opening import lock, open_reading, restoring
from accounting.ledger.reading import Ledger
from accounting.ledger.schema import MIGRATIONS
from accounting.ledger.upgrading import migrated

_OP = "restore the ledger"
_PARTS = ("", "-wal", "-journal", "-shm")
STEPS = ("copied", "ready", "aside", "placed")
"""The steps that are passed to `done`. After a kill at any of them, restoring again repairs the rest."""


@dataclass(frozen=True, slots=True)
class Restored:
    """What was done. Times are UTC seconds; None where they are not known.

    first_s, end_s: the stretch that the books now cover; known_until_s: the instant of the backup's last batch;
    known_before_s: that of the ledger it took the place of; aside: where that one now is, with its log.
    """

    first_s: int | None
    end_s: int | None
    known_until_s: float | None
    known_before_s: float | None
    aside: tuple[Path, ...]


def restore(backup: Path, path: Path, at_s: float, done: Callable[[str], None] = lambda step: None) -> Restored:
    """Verify the backup and put a copy of it in the ledger's place.

    at_s: now, UTC seconds, for the name of what is set aside. done: called with each step, a seam for tests.
    Raises LedgerError: a daemon has the ledger, or the backup is not sound; then the ledger is as it was.
    """
    with looking(_OP, path):
        has_ledger = path.exists()
    with looking(_OP, backup):
        is_ledger = has_ledger and backup.exists() and backup.samefile(path)
    if is_ledger:
        raise LedgerError(_OP, str(backup), "expected a backup, got the ledger itself", "name the backup")
    held = lock(path)
    try:
        return _restored(backup, path, at_s, done)
    except OSError as error:
        hint = "check the disk, its free space and the folder's permissions, and run the same again"
        raise LedgerError(_OP, str(path), error.strerror or str(error), hint, may_pass=True) from error
    finally:
        os.close(held)


def _restored(backup: Path, path: Path, at_s: float, done: Callable[[str], None]) -> Restored:
    ready = restoring(path)
    part = ready.with_name(ready.name + ".part")
    for unfinished in (part, part.with_name(part.name + "-journal")):
        unfinished.unlink(missing_ok=True)
    try:
        first_s, end_s, known_until_s = _made_ready(backup, part)
        done("copied")
        known_before_s = _known_until(path)
        put_in_place(part, ready)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    done("ready")
    aside = _set_aside(path, at_s)
    done("aside")
    put_in_place(ready, path)
    done("placed")
    return Restored(first_s, end_s, known_until_s, known_before_s, aside)


def _made_ready(backup: Path, part: Path) -> tuple[int | None, int | None, float | None]:
    """Copy the backup, upgrade the copy if need be, look its books through; returns first_s, end_s, known_until_s."""
    hint = "nothing was changed; try an older backup"
    try:
        db = open_reading(backup, older=True)
        try:
            with speaking(_OP, backup), atomic(db, "BEGIN"):
                holds, schema = tally(db), pragma(db, "user_version")
                copy(db, part)
        finally:
            db.close()
        prove(part, schema, holds)
        if schema < len(MIGRATIONS):
            prove(part, len(MIGRATIONS), migrated(part, MIGRATIONS, holds))
        with Ledger.open_reader(part) as books:
            problems = books.integrity()
            spans = books.heater_spans()
            known_until_s = books.known_until_s()
    except LedgerError as error:
        if error.op == COPYING:  # the disk's fault, not the backup's
            raise
        raise LedgerError(_OP, str(backup), error.cause, hint, damaged=error.damaged) from error
    if problems:
        raise LedgerError(_OP, str(backup), f"it is damaged ({problems[0]})", hint, damaged=True)
    return (
        min((span.first_s for span in spans), default=None),
        max((span.end_s for span in spans), default=None),
        known_until_s,
    )


def _known_until(path: Path) -> float | None:
    """Up to when the replaced ledger knows the house, UTC seconds, if it can still be read."""
    with suppress(LedgerError, ValueError), Ledger(path, open_reading(path, older=True)) as before:
        return before.known_until_s()
    return None


def _set_aside(path: Path, at_s: float) -> tuple[Path, ...]:
    """Rename the ledger with all that belongs to it: a log left behind would be taken for the backup's own."""
    base = path.with_name(f"{path.name}.replaced-{stamp(at_s)}")
    number = 1
    while any(base.with_name(base.name + tail).exists() for tail in _PARTS):
        number += 1
        base = path.with_name(f"{path.name}.replaced-{stamp(at_s)}.{number}")
    moved = []
    for tail in _PARTS:
        with suppress(FileNotFoundError):
            os.rename(path.with_name(path.name + tail), base.with_name(base.name + tail))
            moved.append(base.with_name(base.name + tail))
    return tuple(moved)
