"""What can go wrong with the ledger's file, in words with which a person can mend it."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rules.model.errors import BrimfulError


class LedgerError(BrimfulError):
    """The ledger cannot be read or written.

    may_pass: trying the same again later can succeed (disk full, busy); damaged: only a backup helps.
    """

    def __init__(
        self, op: str, subject: str, cause: str, hint: str = "", *, may_pass: bool = False, damaged: bool = False
    ) -> None:
        super().__init__(op, subject, cause, hint)
        self.may_pass = may_pass
        self.damaged = damaged


class StateMangled(LedgerError):
    """A row of working state is not what was written there. The books themselves are sound."""


# By SQLite's primary result code: cause, hint, whether it may pass.
_CAUSES = {
    sqlite3.SQLITE_FULL: ("the disk is full", "this batch was not written; free some space", True),
    sqlite3.SQLITE_BUSY: ("another program is writing to it", "close what else has it open for writing", True),
    sqlite3.SQLITE_LOCKED: ("another program is writing to it", "close what else has it open for writing", True),
    sqlite3.SQLITE_IOERR: ("the disk answers with an error", "check the disk and its free space", True),
    sqlite3.SQLITE_READONLY: ("it may only be read", "check the file's and its folder's permissions and mount", True),
    sqlite3.SQLITE_PERM: ("access is denied", "check the file's and its folder's permissions", True),
    sqlite3.SQLITE_CANTOPEN: ("it cannot be opened", "check that the folder exists and may be entered", True),
    sqlite3.SQLITE_CORRUPT: ("it is damaged", "keep it as it is and restore a backup", False),
    sqlite3.SQLITE_NOTADB: ("it is no ledger, or its head is damaged", "restore a backup, or name another file", False),
}


def from_sqlite(op: str, path: Path, error: sqlite3.Error) -> LedgerError:
    """The ledger's words for SQLite's error."""
    code = getattr(error, "sqlite_errorcode", None)  # absent on errors of the Python module itself
    known = _CAUSES.get(code & 0xFF) if code is not None else None
    if known is None:
        return LedgerError(op, str(path), f"SQLite says: {error}")
    cause, hint, may_pass = known
    return LedgerError(op, str(path), cause, hint, may_pass=may_pass, damaged=not may_pass)


@contextmanager
def speaking(op: str, path: Path) -> Iterator[None]:
    """Turn SQLite's errors about the file into LedgerError. Broken constraints are bugs and pass through."""
    try:
        yield
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError):
        raise
    except sqlite3.Error as error:
        raise from_sqlite(op, path, error) from error
    except UnicodeDecodeError as error:  # SQLite's own message repeats the damaged text
        cause, hint, _ = _CAUSES[sqlite3.SQLITE_CORRUPT]
        raise LedgerError(op, str(path), cause, hint, damaged=True) from error


@contextmanager
def looking(op: str, path: Path) -> Iterator[None]:
    """Turn the system's refusal to look at a path (a folder that may not be entered, say) into LedgerError."""
    try:
        yield
    except OSError as error:
        cause = f"it cannot be looked at ({error.strerror})"
        hint = "check its folder's permissions and mount, and who runs this"
        raise LedgerError(op, str(path), cause, hint, may_pass=True) from error
