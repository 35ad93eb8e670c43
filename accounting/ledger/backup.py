"""Backups: made while the daemon writes, verified before they count, and thinned out only after one that did."""

import os
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from accounting.ledger.connecting import atomic, pragma
from accounting.ledger.copying import COPYING, Tally, copy, no_pause, prove, put_in_place, tally
from accounting.ledger.errors import LedgerError, looking, speaking
from accounting.ledger.opening import open_reading
from accounting.ledger.reading import Ledger
from accounting.ledger.schema import MIGRATIONS

_OP = "back up the ledger"
_STAMP = "%Y%m%dT%H%M%SZ"
_AHEAD_S = 3600.0  # a backup dated further ahead was made while the clock was wrong


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup on disk and when it was made, UTC seconds."""

    path: Path
    at_s: float


@dataclass(frozen=True, slots=True)
class Made:
    """A backup just made: what it holds, its size in bytes, and older ones that were let go for it."""

    backup: Backup
    holds: Tally
    size_bytes: int
    let_go: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Keep:
    """What is kept: the last backup of each of the newest `days` days, and of each of the newest `months` months."""

    days: int = 14
    months: int = 12


def stamp(at_s: float) -> str:
    """A UTC second as it stands in file names."""
    return datetime.fromtimestamp(at_s, UTC).strftime(_STAMP)


def listed(folder: Path, ledger: Path, tail: str = "") -> list[Backup]:
    """The ledger's backups in a folder, by the names they were given, oldest first; none if there is no folder."""
    name = re.compile(re.escape(ledger.stem) + r"-(\d{8}T\d{6}Z)\.sqlite" + re.escape(tail))
    found = []
    try:
        names = sorted(path.name for path in folder.iterdir())
    except OSError:
        return []
    for match in filter(None, map(name.fullmatch, names)):
        try:
            at = datetime.strptime(match[1], _STAMP).replace(tzinfo=UTC)
        except ValueError:
            continue
        found.append(Backup(folder / match[0], at.timestamp()))
    return found


def newest(folder: Path, ledger: Path, now_s: float) -> Backup | None:
    """The newest backup, those dated in the future left out."""
    return next((one for one in reversed(listed(folder, ledger)) if one.at_s <= now_s + _AHEAD_S), None)


def newest_sound(folder: Path, ledger: Path) -> Backup | None:
    """The newest backup that can be read and whose pages are in order; it takes as long as reading them does."""
    for backup in reversed(listed(folder, ledger)):
        try:
            with speaking(_OP, backup.path):
                db = open_reading(backup.path, older=True)
                try:
                    if db.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok":
                        return backup
                finally:
                    db.close()
        except LedgerError:
            continue
    return None


def back_up(
    ledger: Path,
    to: Path,
    at_s: float,
    *,
    keep: Keep | None = None,
    spare_bytes: int = 0,
    pause: Callable[[], None] = no_pause,
) -> Made:
    """Back the ledger up, also while it is written to.

    to: a folder that exists, where the backup gets a name with its time, or the new file itself. at_s: now, UTC
    seconds. keep: which of the folder's older backups stay; None: all. spare_bytes: what must stay free on the disk.
    Raises LedgerError; then there is no new file, and every older backup is still there.
    """
    with looking(_OP, to):
        folder, path = (to, to / f"{ledger.stem}-{stamp(at_s)}.sqlite") if to.is_dir() else (to.parent, to)
        is_there, has_folder = path.exists(), folder.is_dir()
    if is_there:
        raise LedgerError(_OP, str(path), "expected a new file, got one that exists", "name another file or a folder")
    if not has_folder:
        raise LedgerError(_OP, str(path), "its folder does not exist", "make the folder, or mount the disk it is on")
    part = path.with_name(path.name + ".part")
    source = open_reading(ledger, older=True)
    try:
        with _naming(path):
            _refuse_full(ledger, path, spare_bytes)
            part.unlink(missing_ok=True)
            try:
                holds = _copied(source, ledger, part, pause)
                size = part.stat().st_size
                put_in_place(part, path)
            except BaseException:
                part.unlink(missing_ok=True)
                part.with_name(part.name + "-journal").unlink(missing_ok=True)
                raise
    finally:
        source.close()
    made = Backup(path, at_s)
    return Made(made, holds, size, () if keep is None else _thin_out(folder, ledger, keep, at_s))


def to_let_go(backups: Sequence[Backup], keep: Keep) -> list[Backup]:
    """Which of the backups, oldest first, are not kept. The newest always is."""
    kept: set[Path] = {one.path for one in backups[-1:]}
    for pattern, count in (("%Y%m%d", keep.days), ("%Y%m", keep.months)):
        last = {datetime.fromtimestamp(one.at_s, UTC).strftime(pattern): one.path for one in backups}
        kept |= {last[period] for period in sorted(last, reverse=True)[:count]}
    return [one for one in backups if one.path not in kept]


def _copied(source: sqlite3.Connection, ledger: Path, part: Path, pause: Callable[[], None]) -> Tally:
    """Copy one state of the ledger and prove the copy against it. SQLite keeps the state while others write on."""
    with speaking(_OP, ledger), atomic(source, "BEGIN"):
        holds = tally(source)
        schema = pragma(source, "user_version")
        copy(source, part, pause)
    prove(part, schema, holds)
    if schema == len(MIGRATIONS):
        _prove_rows(part, ledger, pause)
    return holds


def _prove_rows(part: Path, ledger: Path, pause: Callable[[], None]) -> None:
    """No backup of a ledger whose rows are not as they were written: the older ones, which may be better, stay."""
    with Ledger.open_reader(part) as copied:
        problems = [problem for check in copied.proof(pause=pause).checks for problem in check.problems]
    if problems:
        more = f" and {len(problems) - 1} more" if len(problems) > 1 else ""
        hint = "`brimful verify` names all that is wrong; keep the file as it is and restore a backup"
        raise LedgerError(_OP, str(ledger), f"it is damaged ({problems[0]}{more})", hint, damaged=True)


def _refuse_full(ledger: Path, path: Path, spare_bytes: int) -> None:
    """A backup must not take the room that the ledger itself needs."""
    log = ledger.with_name(ledger.name + "-wal")
    needed = ledger.stat().st_size + (log.stat().st_size if log.exists() else 0) + spare_bytes
    free = shutil.disk_usage(path.parent).free
    if free < needed:
        places = 0 if needed >= 10e6 else 1
        cause = f"expected {needed / 1e6:,.{places}f} MB free on its disk, got {free / 1e6:,.{places}f} MB"
        raise LedgerError(_OP, str(path), cause, "free some space, or back up to another disk", may_pass=True)


def _thin_out(folder: Path, ledger: Path, keep: Keep, at_s: float) -> tuple[Path, ...]:
    for left in listed(folder, ledger, ".part"):
        if left.at_s < at_s - 86_400:  # of a process that was killed; a younger one may still be written to
            left.path.unlink(missing_ok=True)
    gone = []
    for backup in to_let_go(listed(folder, ledger), keep):
        try:
            os.unlink(backup.path)
        except OSError:
            continue  # the new one stands; the old one gets its turn again
        gone.append(backup.path)
    return tuple(gone)


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """Turn errors about the backup's file into LedgerError, with the file's name and that no backup was made."""
    hint = "no backup was made; check the disk, its free space and the folder's permissions"
    try:
        yield
    except OSError as error:
        raise LedgerError(_OP, str(path), error.strerror or str(error), hint, may_pass=True) from error
    except LedgerError as error:
        if error.op != COPYING:
            raise
        raise LedgerError(_OP, str(path), error.cause, hint, may_pass=True) from error
