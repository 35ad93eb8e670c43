"""What proves rows to be as they were written: a digest of each, and a chain over all that is booked.

A row's digest is the BLAKE2b (16 bytes) of the JSON list `[TABLE, {COLUMN: VALUE, …}, [POSTINGS]]`: sorted keys, no
spaces, ASCII, bytes in hexadecimal; columns that hold their default are left out, so that a column added later changes
no older digest. The row keeps its first 8 bytes, to be found by.

What one transaction books is a batch. The chain's digest after a batch is the BLAKE2b (16 bytes) of the one before
(16 zero bytes before the first), the batch's number (8 bytes, big-endian) and its rows' whole digests in ascending
order. The last of each day is kept as a link, and the newest in the working state. Decisions, events and tape are let
go after their time and so are in no chain: each has its digest, and their numbers leave no gap.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from heapq import merge
from itertools import compress, takewhile
from json.encoder import encode_basestring_ascii
from math import isfinite
from operator import itemgetter, ne
from typing import Any, NamedTuple

DIGEST_BYTES = 16
KEPT_BYTES = 8
NOTHING = bytes(DIGEST_BYTES)
"""The chain before its first batch."""
CHAIN = "chain"
"""The state key under which the newest link is kept, and what holds of the tables that change."""
SEAL = ".seal"
"""Behind a state key: where the checksum of its row is kept."""
DAY_S = 86_400


class Booked(NamedTuple):
    """A table that is only ever added to. at: its column with the time; lines: the table of its rows' parts."""

    name: str
    key: tuple[str, ...]
    at: str
    lines: str = ""


BOOKED = (
    Booked("entry", ("start_s", "heater", "version"), "booked_at_s", "posting"),
    Booked("superseded", ("start_s", "heater", "version"), "at_s"),
    Booked("tank_entry", ("start_s", "version"), "booked_at_s", "tank_posting"),
    Booked("restatement", ("id",), "at_s"),
    Booked("restated", ("id",), "at_s"),
)
BY_NAME = {table.name: table for table in BOOKED}
NOTED = ("decision", "event", "tape")
"""Tables whose oldest rows are let go."""
CHANGING = ("open_interval", "heater", "meta", "refused", "state")
"""Tables whose rows change. The outbox is checked by what it points to."""
_ORDER = {"open_interval": "start_s, heater", "heater": "name", "meta": "key", "refused": "start_s, heater"}
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), default=bytes.hex)
_EXACT = {"REAL": float, "INTEGER": int}


class Head(NamedTuple):
    """The chain after a batch: its number, the digest, and when it was booked, UTC seconds."""

    batch: int = 0
    digest: bytes = NOTHING
    at_s: float = 0.0


class Columns:
    """A table's columns, as the file itself has them: those that a digest is of, by name, and then the others."""

    def __init__(self, db: sqlite3.Connection, table: str) -> None:
        self.table = table
        of = next((one for one in BOOKED if one.lines == table), None)
        left_out = ("digest", *(of.key if of is not None else ()))  # the row that lines belong to identifies them
        found = db.execute(f"PRAGMA table_info({table})").fetchall()
        described = sorted(((row[1], row[2], row[4]) for row in found), key=lambda one: (one[0] in left_out, one[0]))
        self.names = tuple(name for name, _, _ in described)
        self.listed = ", ".join(self.names)
        self.insert = f"INSERT INTO {table} ({self.listed}) VALUES ({', '.join('?' * len(self.names))})"
        self._kinds = [_EXACT.get(kind) for _, kind, _ in described]
        self._defaults = [
            None if default is None else db.execute(f"SELECT {default}").fetchone()[0] for *_, default in described
        ]
        self._omitted = [self._defaults[place] for place, name in enumerate(self.names) if name not in left_out]
        self._forms: dict[tuple[bool, ...], tuple[str, list[int]]] = {}
        self._as_read: set[tuple[type, ...]] = set()
        """The types of rows that need no conversion."""

    def place(self, name: str) -> int:
        """Where a column stands in a whole row. Raises sqlite3.DatabaseError if the file has no such column."""
        if name not in self.names:
            raise sqlite3.DatabaseError(f"no such column: {self.table}.{name}")
        return self.names.index(name)

    def places(self, names: Iterable[str]) -> tuple[int, ...]:
        """Where the columns of these names stand in a whole row."""
        return tuple(self.place(name) for name in names)

    def meant(self, row: Sequence[Any]) -> str:
        """A row as read from the table, as the JSON of it that has a digest.

        Written by a form, of which there is one for each set of columns that do not hold their default: the general
        encoder takes three times as long, and proving a ledger is little else than this.
        """
        differing = tuple(map(ne, row, self._omitted))
        form, texts = self._forms.get(differing) or self._form(differing)
        values = list(compress(row, differing))
        for place in texts:
            values[place] = json_text(values[place])
        return form % tuple(values)

    def _form(self, differing: tuple[bool, ...]) -> tuple[str, list[int]]:
        """The JSON of a row in which these columns differ from their default, and which of its values are texts.

        A value in a column of whole numbers that is none stands there as no JSON, and so gives another digest.
        """
        said = [(name, kind is int) for name, kind in compress(zip(self.names, self._kinds, strict=True), differing)]
        form = ",".join(f'"{name}":{"%r" if whole else "%s"}' for name, whole in said)
        texts = [place for place, (_, whole) in enumerate(said) if not whole]
        self._forms[differing] = f"{{{form}}}", texts
        return self._forms[differing]

    def whole(self, names: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[list[Any]]:
        """Rows to be written, of these columns, made whole, in the columns' order and types, so that they are the same
        when they are read; a column that is not named holds its default."""
        given = [*names, *(name for name in self.names if name not in names)]
        defaults = [self._defaults[self.place(name)] for name in given[len(names) :]]
        in_order = itemgetter(*(given.index(name) for name in self.names))
        for row in rows:
            yield self._exact(in_order((*row, *defaults)))

    def _exact(self, row: Sequence[Any]) -> list[Any]:
        if tuple(map(type, row)) in self._as_read:
            return list(row)
        exact = [
            kind(value) if kind is not None and value is not None else value
            for kind, value in zip(self._kinds, row, strict=True)
        ]
        self._as_read.add(tuple(map(type, exact)))
        return exact


class Sealing:
    """Digests of a ledger's rows."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._columns: dict[str, Columns] = {}

    def columns(self, table: str) -> Columns:
        """The table's columns, looked up once."""
        found = self._columns.get(table)
        if found is None:
            found = self._columns[table] = Columns(self._db, table)
        return found

    def lines_sql(self, table: str) -> str:
        """The question for the parts of a row, by its key; "" if it has none."""
        booked = BY_NAME[table]
        if not booked.lines:
            return ""
        of_it = " AND ".join(f"{name} = ?" for name in booked.key)
        return f"SELECT {self.columns(booked.lines).listed} FROM {booked.lines} WHERE {of_it} ORDER BY line"

    def digest(self, table: str, row: Sequence[Any], lines: Sequence[Sequence[Any]] = ()) -> bytes:
        """The whole digest of a row as read, all columns in the table's order. lines: its parts, likewise."""
        parts = map(self.columns(BY_NAME[table].lines).meant, lines) if lines else ()
        return _hashed(f'["{table}",{self.columns(table).meant(row)},[{",".join(parts)}]]')

    def content(self, table: str) -> str:
        """The digest of all rows of a table that changes."""
        if table == "state":
            sql = f"SELECT key, value FROM state WHERE key NOT IN ('{CHAIN}', '{CHAIN}{SEAL}') ORDER BY key"
            return _hashed(json_text([table, self._db.execute(sql).fetchall()])).hex()
        columns = self.columns(table)
        rows = self._db.execute(f"SELECT {columns.listed} FROM {table} ORDER BY {_ORDER[table]}")
        return _hashed(f'["{table}",[{",".join(map(columns.meant, rows))}]]').hex()


@dataclass
class Kept:
    """What is kept in the working state: the chain's head; by table that changes, the digest of its content; of those
    whose old rows go, the newest number and the one up to which some may be gone."""

    head: Head = field(default_factory=Head)
    content: dict[str, str] = field(default_factory=dict)
    last: dict[str, int] = field(default_factory=dict)
    gone: dict[str, int] = field(default_factory=dict)

    def text(self) -> str:
        """As JSON."""
        head = [self.head.batch, self.head.digest.hex(), self.head.at_s]
        state = {"head": head, "content": self.content, "last": self.last, "gone": self.gone}
        return json.dumps(state, sort_keys=True, separators=(",", ":"))

    @classmethod
    def of(cls, text: str) -> "Kept":
        """From JSON. Raises ValueError, KeyError or TypeError where it is not what `text` gave."""
        state = json.loads(text)
        batch, digest, at_s = state["head"]
        return cls(Head(int(batch), bytes.fromhex(digest), float(at_s)), state["content"], state["last"], state["gone"])


def linked(before: bytes, batch: int, digests: Iterable[bytes]) -> bytes:
    """The chain's digest after a batch."""
    parts = (before, batch.to_bytes(8, "big", signed=True), *sorted(digests))
    return blake2b(b"".join(parts), digest_size=DIGEST_BYTES).digest()


class BookedRow(NamedTuple):
    """A row as the chain sees it. digest: the whole one, as it is now; kept: what the row itself keeps; at_s: when it
    was booked, UTC seconds."""

    batch: int
    table: str
    key: tuple[Any, ...]
    digest: bytes
    kept: Any
    at_s: Any

    @property
    def sound(self) -> bool:
        """Whether it is as it was written."""
        return bool(self.kept == self.digest[:KEPT_BYTES])


def walk(db: sqlite3.Connection, sealing: Sealing, after: int = 0) -> Iterator[BookedRow]:
    """Every booked row of the batches behind `after`, by batch; SQLite sorts them outside of memory."""
    return merge(*(_rows(db, sealing, table, after) for table in BOOKED), key=lambda row: row[0])


def gap_free(db: sqlite3.Connection, table: str) -> tuple[int, int]:
    """The newest number of a table whose old rows go, and the number up to which some are gone."""
    ids = (number for (number,) in db.execute(f"SELECT id FROM {table} ORDER BY id DESC"))
    last = next(ids, 0)
    run = takewhile(lambda pair: pair[0] == pair[1], zip(ids, range(last - 1, 0, -1), strict=False))
    return last, last - 1 - sum(1 for _ in run) if last else 0


def _rows(db: sqlite3.Connection, sealing: Sealing, table: Booked, after: int) -> Iterator[BookedRow]:
    columns = sealing.columns(table.name)
    at = columns.place(table.at)
    places = [columns.place(name) for name in table.key]
    lines_sql = sealing.lines_sql(table.name)
    sql = (
        f"SELECT CAST(ifnull(batch, 0) AS INTEGER) AS of_batch, digest AS of_row, {columns.listed} FROM {table.name} "
        "WHERE of_batch > ? ORDER BY of_batch"
    )
    for batch, kept, *row in db.execute(sql, (after if after else -1,)):
        key = tuple(row[place] for place in places)
        lines = db.execute(lines_sql, key).fetchall() if lines_sql else ()
        yield BookedRow(batch, table.name, key, sealing.digest(table.name, row, lines), kept, row[at])


def json_text(value: Any) -> str:
    """A value of a row as JSON."""
    if value.__class__ is str:
        return encode_basestring_ascii(value)
    if value.__class__ is float and isfinite(value):
        return repr(value)
    return _ENCODER.encode(value)


def _hashed(text: str) -> bytes:
    return blake2b(text.encode("ascii"), digest_size=DIGEST_BYTES).digest()
