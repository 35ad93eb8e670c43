"""A whole ledger as one text file, and back: lines of JSON, for archives that should need no database.

The first line names the format, each table begins with a line that names it and its columns, a row is a list, and the
last line gives the number of rows and the SHA-256 of all lines before it.
"""

import base64
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

from accounting.ledger.connecting import address, atomic, connect, migrate, pragma
from accounting.ledger.copying import prove, put_in_place, tally
from accounting.ledger.errors import LedgerError, speaking
from accounting.ledger.opening import open_reading
from accounting.ledger.schema import MIGRATIONS

FORMAT = "brimful.ledger/1"
_OP = "read a ledger back"
_BYTES = "base64"
_TABLES = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY rootpage"


def dumped(path: Path) -> Iterator[str]:
    """The lines of the ledger's file, as it is at one instant, also while the daemon writes. Raises LedgerError."""
    db = open_reading(path)
    try:
        with speaking("read the ledger", path), atomic(db, "BEGIN"):
            yield from _summed(_lines(db))
    finally:
        db.close()


def read_back(lines: Iterable[str], name: str, path: Path) -> int:
    """Make a new ledger of a dump; returns how many rows it has. name: the dump's, for messages; path: must be free.

    It is proved before it gets its name. Raises LedgerError, and makes nothing then.
    """
    if path.exists():
        raise LedgerError(_OP, str(path), "expected a file that does not exist yet", "name another one")
    if not path.parent.is_dir():
        raise LedgerError(_OP, str(path), "its folder does not exist", "make the folder")
    part = path.with_name(f"{path.name}.part")
    part.unlink(missing_ok=True)
    os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    try:
        with speaking(_OP, part):
            rows = _fill(part, _Reader(lines, name))
        put_in_place(part, path)
    except OSError as error:
        raise LedgerError(_OP, str(path), error.strerror or str(error), "check the disk and the folder") from error
    finally:
        part.unlink(missing_ok=True)
    return rows


def _lines(db: sqlite3.Connection) -> Iterator[str]:
    yield _json({"format": FORMAT, "schema": pragma(db, "user_version")})
    for (table,) in db.execute(_TABLES).fetchall():
        columns = _columns(db, table)
        yield _json({"table": table, "columns": columns})
        for row in db.execute(f"SELECT {', '.join(columns)} FROM {table}"):
            yield _json([_written(cell) for cell in row])


def _columns(db: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in db.execute(f"PRAGMA table_info({table})")]


def _summed(lines: Iterable[str]) -> Iterator[str]:
    digest, count = sha256(), 0
    for line in lines:
        digest.update(line.encode())
        count += line.startswith("[")
        yield line
    yield _json({"rows": count, "sha256": digest.hexdigest()})


def _fill(part: Path, reader: "_Reader") -> int:
    db = connect(address(part, "mode=rw"))
    try:
        migrate(db, MIGRATIONS[: reader.schema])
        known = {table: _columns(db, table) for (table,) in db.execute(_TABLES).fetchall()}
        with atomic(db):
            for table, columns, rows in reader.tables():
                if sorted(known.get(table, ())) != sorted(columns):
                    raise reader.wrong(f"schema {reader.schema} has no table {table} of these columns")
                marks = ", ".join("?" * len(columns))
                db.executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", rows)
            if db.execute("PRAGMA foreign_key_check").fetchone() is not None:
                raise reader.wrong("a row points to one that is not there")
        held = tally(db)
    except (TypeError, ValueError, KeyError, OverflowError, sqlite3.IntegrityError, sqlite3.ProgrammingError) as error:
        raise reader.wrong(str(error)) from error
    finally:
        db.close()
    prove(part, reader.schema, held)
    return reader.rows


class _Reader:
    """Goes through a dump's lines once."""

    def __init__(self, lines: Iterable[str], name: str) -> None:
        self._lines = iter(lines)
        self._digest = sha256()
        self._number = 0
        self._name = name
        self.rows = 0
        head = self._next()
        if not isinstance(head, dict) or head.get("format") != FORMAT:
            raise self.wrong(f'expected "format": "{FORMAT}" in the first line', "name a file that export has made")
        schema = head.get("schema")
        if not isinstance(schema, int) or not 1 <= schema <= len(MIGRATIONS):
            cause = f"it has schema {schema}, this program knows 1 to {len(MIGRATIONS)}"
            raise self.wrong(cause, "a newer brimful wrote it: install that one")
        self.schema = schema

    def wrong(self, cause: str, hint: str = "it has been changed or cut short since it was made") -> LedgerError:
        """The error about the line reached."""
        return LedgerError(_OP, f"{self._name}, line {self._number}", cause, hint)

    def tables(self) -> Iterator[tuple[str, list[str], Iterator[list[Any]]]]:
        """Each table with its rows, which must be gone through before the next one; checks the end."""
        parsed = self._next()
        while "table" in parsed:
            ended: list[Any] = []
            yield (
                str(parsed["table"]),
                [str(name) for name in parsed["columns"]],
                self._rows(len(parsed["columns"]), ended),
            )
            parsed = ended[0]
        if parsed != {"rows": self.rows, "sha256": parsed.get("sha256")} or parsed["sha256"] != self._sum:
            raise self.wrong(f"expected {self.rows} rows and their checksum, got {_json(parsed)[:80]}")

    def _rows(self, width: int, ended: list[Any]) -> Iterator[list[Any]]:
        while isinstance(row := self._next(), list):
            if len(row) != width:
                raise self.wrong(f"expected {width} cells, got {len(row)}")
            self.rows += 1
            yield [_meant(cell) for cell in row]
        ended.append(row)

    def _next(self) -> Any:
        self._sum = self._digest.hexdigest()
        line = next(self._lines, None)
        self._number += 1
        if line is None:
            raise self.wrong("it ends before its last line")
        line = line.rstrip("\n")
        self._digest.update(line.encode())
        try:
            parsed = json.loads(line)
        except (ValueError, RecursionError):
            parsed = None
        if not isinstance(parsed, dict | list):
            raise self.wrong(f"expected a JSON list or object, got {line[:40]!r}")
        return parsed


def _written(cell: Any) -> Any:
    return {_BYTES: base64.b64encode(cell).decode()} if isinstance(cell, bytes) else cell


def _meant(cell: Any) -> Any:
    return base64.b64decode(cell[_BYTES], validate=True) if isinstance(cell, dict) else cell


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
