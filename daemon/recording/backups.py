"""Backups of the running house's ledger, in a thread that control never waits for; and where to look for them."""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from accounting.ledger import Facts, LedgerError, LedgerWriter
from accounting.ledger.backup import Backup, Keep, Made, back_up, newest, newest_sound
from accounting.ledger.connecting import Connect, connect
from accounting.ledger.errors import looking
from daemon.config.model import Home
from daemon.recording.unit_of_work import Keeper
from rules.model.reading import Moment
from rules.model.wording import say

log = logging.getLogger(__name__)

_OP = "back up the ledger"
BACKED_UP = "backed-up"
"""The job by which the loop learns that an answer waits."""
LOOK_S = 900.0
"""How often it is looked whether one is due."""
SPARE_BYTES = 64_000_000  # stays free on the backups' disk, which may be the ledger's own
_PAUSE_S = 0.01  # after each megabyte copied
_LATE = 3.0  # times the usual span


def backup_folder(home: Home) -> Path:
    """Where the home's backups go."""
    folder = home.ledger.backup.folder
    return home.path_of(home.ledger.path).with_name("backups") if folder is None else home.path_of(folder)


def folder_made(folder: Path, ours: bool) -> None:
    """Make the folder if it is our own choice; one that the owner named may be a disk that is not mounted."""
    with looking(_OP, folder):
        is_there = folder.is_dir()
    if is_there:
        return
    if not ours:
        hint = "make the folder, or mount the disk it is on"
        raise LedgerError(_OP, str(folder), "there is no such folder", hint, may_pass=True)
    try:
        folder.mkdir(mode=0o700)
    except OSError as error:
        cause = f"the folder cannot be made ({error.strerror})"
        raise LedgerError(_OP, str(folder), cause, may_pass=True) from error


def open_ledger(home: Home, facts: Facts, making: Connect = connect) -> LedgerWriter:
    """The home's ledger, for its only writer.

    Raises LedgerError; of one that is damaged, or gone though there are backups of it, it says what to restore.
    """
    path = home.path_of(home.ledger.path)
    refuse_lost(home)
    try:
        return LedgerWriter.open(path, facts, making)
    except LedgerError as error:
        saved = newest_sound(backup_folder(home), path) if error.damaged else None
        if saved is None:
            raise
        hint = f"keep it as it is; {_restoring(saved.path, home)}"
        raise LedgerError(error.op, str(path), error.cause, hint, damaged=True) from error


def refuse_lost(home: Home) -> None:
    """No new books where the old ones may come back: raises LedgerError where they are gone, but a backup is sound."""
    op, path = "open the ledger for writing", home.path_of(home.ledger.path)
    with looking(op, path):
        gone = not path.exists() or not path.stat().st_size
    if gone and (saved := newest_sound(backup_folder(home), path)) is not None:
        cause = "it is gone or empty, but there are backups of it"
        hint = f"{_restoring(saved.path, home)}; or move the backups away, to begin new books"
        raise LedgerError(op, str(path), cause, hint)


def _restoring(saved: Path, home: Home) -> str:
    return f"its newest sound backup goes back with: brimful restore {saved} --home {home.file}"


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What the thread found and did: the newest backup now, the one just made if any, or why there is none."""

    last: Backup | None
    made: Made | None = None
    failed: LedgerError | None = None


class _Stopped(Exception):
    """The daemon ends: leave off."""


class Backups:
    """When a backup is due, and what came of the last.

    The thread alone looks at the folder, which may be on a disk that no longer answers. The rest runs on the loop's
    thread. put: tells the loop that an answer waits for `done`.
    """

    def __init__(self, home: Home, put: Callable[[], None]) -> None:
        self.fault = ""
        self._last: Backup | None = None
        self._put = put
        self._table = home.ledger.backup
        self._ledger = home.path_of(home.ledger.path)
        self._folder = backup_folder(home)
        self._under_way = False
        self._stopping = threading.Event()
        self._asked: SimpleQueue[float | None] = SimpleQueue()
        self._answers: SimpleQueue[_Outcome] = SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="backup", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Break off what is under way, and wait for its end for a while; the next start makes it anew."""
        self._stopping.set()
        self._asked.put(None)
        if self._thread.ident is not None:
            self._thread.join(timeout=2.0)

    def look(self, now: Moment) -> None:
        """Have a backup made if the last good one is old enough, whatever came between: sleep, a restart, a failure."""
        if not self._under_way:
            self._under_way = True
            self._asked.put(now.utc_s)

    def done(self, keeper: Keeper, now: Moment) -> None:
        """Take note of what came of it."""
        try:
            outcome = self._answers.get_nowait()
        except Empty:
            return
        self._under_way = False
        self._last = outcome.last
        if outcome.failed is not None:
            fault = say("no backup: {failed}", failed=outcome.failed)
            if not self.fault:
                keeper.event("alarm", "backup", fault, now)
                log.error("backup=failing %s", fault)
            self.fault = fault
            return
        if self.fault:
            keeper.event("recovered", "backup", say("backups are made again"), now)
            log.warning("backup=recovered")
        self.fault = ""
        if outcome.made is not None:
            made = outcome.made
            log.info("backup=%s bytes=%d let_go=%d", made.backup.path, made.size_bytes, len(made.let_go))

    def health(self, now: Moment) -> dict[str, Any]:
        """The last backup, as far as is known since the start, and why there is no newer one."""
        last = self._last
        return {
            "folder": str(self._folder),
            "last": None if last is None else last.path.name,
            "last_age_s": None if last is None else round(now.utc_s - last.at_s, 1),
            "fault": self.fault,
        }

    def _work(self) -> None:
        while (at_s := self._asked.get()) is not None:
            try:
                outcome = self._tried(at_s)
            except _Stopped:
                return
            except Exception as unforeseen:  # at the end of a thread nobody would hear of it
                log.exception("backup=failed")
                cause = f"it fails with {type(unforeseen).__name__}"
                outcome = _Outcome(None, failed=LedgerError(_OP, str(self._ledger), cause))
            self._answers.put(outcome)
            self._put()

    def _tried(self, at_s: float) -> _Outcome:
        try:
            return self._turn(at_s)
        except LedgerError as failed:
            return _Outcome(newest(self._folder, self._ledger, at_s), failed=failed)

    def _turn(self, at_s: float) -> _Outcome:
        last = newest(self._folder, self._ledger, at_s)
        if last is not None and at_s - last.at_s < self._table.every_h * 3600:
            return _Outcome(last)
        folder_made(self._folder, self._table.folder is None)
        keep = Keep(self._table.keep_days, self._table.keep_months)
        made = back_up(self._ledger, self._folder, at_s, keep=keep, spare_bytes=SPARE_BYTES, pause=self._pause)
        return _Outcome(made.backup, made)

    def _pause(self) -> None:
        if self._stopping.wait(_PAUSE_S):
            raise _Stopped


def last_backup(home: Home, now_s: float) -> tuple[bool, str]:
    """Whether the home's backups are as new as they should be, and a sentence that says so."""
    table, folder = home.ledger.backup, backup_folder(home)
    if table.enabled and table.folder is not None:
        try:
            folder_made(folder, ours=False)
        except LedgerError as missing:
            return False, str(missing)
    last = newest(folder, home.path_of(home.ledger.path), now_s)
    if last is None:
        return True, "none yet" if table.enabled else "none, and the home file asks for none"
    age_h = (now_s - last.at_s) / 3600
    said = f"{last.path.name}, {age_h:.0f} h old" if age_h < 48 else f"{last.path.name}, {age_h / 24:.0f} days old"
    if table.enabled and age_h > _LATE * table.every_h:
        return False, f"{said}; one is to be made every {table.every_h:g} h: does the daemon run?"
    return True, said
