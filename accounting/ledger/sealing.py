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
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from heapq import merge
from itertools import chain, islice, repeat, takewhile
from json.encoder import encode_basestring_ascii
from math import isfinite
from operator import itemgetter
from types import NoneType
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
BITE = 100
"""Rows whose digests are worked out at once: many enough for their number not to matter, few enough to wait for."""


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
        self._places = {name: place for place, name in enumerate(self.names)}
        self._pickers: dict[tuple[str, ...], Callable[[Sequence[Any]], tuple[Any, ...]]] = {}
        self._kinds = [_EXACT.get(kind) for _, kind, _ in described]
        self._defaults = [
            None if default is None else db.execute(f"SELECT {default}").fetchone()[0] for *_, default in described
        ]
        self._omitted = [self._defaults[place] for place, name in enumerate(self.names) if name not in left_out]

    def place(self, name: str) -> int:
        """Where a column stands in a whole row. Raises sqlite3.DatabaseError if the file has no such column."""
        if name not in self._places:
            raise sqlite3.DatabaseError(f"no such column: {self.table}.{name}")
        return self._places[name]

    def picker(self, names: tuple[str, ...]) -> Callable[[Sequence[Any]], tuple[Any, ...]]:
        """Takes the columns of these names out of a whole row. Raises as `place` does."""
        if names not in self._pickers:
            self._pickers[names] = itemgetter(*map(self.place, names))
        return self._pickers[names]

    def meant(self, rows: Sequence[Sequence[Any]]) -> list[str]:
        """Rows as read from the table, each as the JSON of it that has a digest.

        Written by one form for all of them, made column by column: the general encoder takes three times as long, and
        proving a ledger is little else than this. A value in a column of whole numbers that is none stands there as no
        JSON, and so gives another digest.
        """
        form = ""
        said: list[Iterable[Any]] = []
        columns = zip(*rows, strict=True)
        for name, kind, default, column in zip(self.names, self._kinds, self._omitted, columns, strict=False):
            omitted = column.count(default)
            if omitted == len(column):
                continue
            named = f',"{name}":{"%r" if kind is int else "%s"}'
            values = column if kind is int else _json_texts(column)
            if omitted:
                pairs = zip(column, values, strict=True)
                values = ["" if value == default else named % (text,) for value, text in pairs]
            form += "%s" if omitted else named
            said.append(values)
        return [f"{{{(form % values)[1:]}}}" for values in zip(*said, strict=True)] if said else ["{}"] * len(rows)

    def whole(self, said: Mapping[str, Sequence[Any]], many: int) -> list[list[Any]]:
        """So many rows to be written, which say this by column, made whole, in the columns' order and types, so that
        they are the same when they are read; a column that is not named holds its default."""
        columns = [
            _exact(kind, said[name]) if name in said else repeat(default, many)
            for name, kind, default in zip(self.names, self._kinds, self._defaults, strict=True)
        ]
        return list(map(list, zip(*columns, strict=True)))

    def insert(self, db: sqlite3.Connection, rows: Sequence[Sequence[Any]]) -> None:
        """Add whole rows to the table. What holds its default in all of them is left to SQLite."""
        columns = zip(self.names, self._defaults, zip(*rows, strict=True), strict=True)
        said = {name: column for name, default, column in columns if column.count(default) < len(rows)}
        values = zip(*said.values(), strict=True)
        db.executemany(f"INSERT INTO {self.table} ({', '.join(said)}) VALUES ({', '.join('?' * len(said))})", values)


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

    def digests(
        self, table: str, rows: Sequence[Sequence[Any]], parts: Sequence[Sequence[Sequence[Any]]] = ()
    ) -> list[bytes]:
        """The whole digest of each of some rows as read, all columns in the table's order. parts: each one's parts,
        likewise, if the table's rows have any."""
        found: list[bytes] = []
        for first in range(0, len(rows), BITE):
            bite = slice(first, first + BITE)
            found += self._digests(table, rows[bite], parts[bite])
        return found

    def _digests(
        self, table: str, rows: Sequence[Sequence[Any]], parts: Sequence[Sequence[Sequence[Any]]]
    ) -> Iterator[bytes]:
        texts = self.columns(table).meant(rows)
        lines = list(chain.from_iterable(parts))
        of_lines = iter(self.columns(BY_NAME[table].lines).meant(lines) if lines else ())
        for text, of_row in zip(texts, parts or repeat((), len(rows)), strict=True):
            yield _hashed(f'["{table}",{text},[{",".join(islice(of_lines, len(of_row)))}]]')

    def content(self, table: str) -> str:
        """The digest of all rows of a table that changes."""
        if table == "state":
            sql = f"SELECT key, value FROM state WHERE key NOT IN ('{CHAIN}', '{CHAIN}{SEAL}') ORDER BY key"
            return _hashed(json_text([table, self._db.execute(sql).fetchall()])).hex()
        columns = self.columns(table)
        rows = self._db.execute(f"SELECT {columns.listed} FROM {table} ORDER BY {_ORDER[table]}").fetchall()
        return _hashed(f'["{table}",[{",".join(columns.meant(rows))}]]').hex()


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
    found = db.execute(sql, (after if after else -1,))
    while bite := found.fetchmany(BITE):
        rows = [row[2:] for row in bite]
        keys = [tuple([row[place] for place in places]) for row in rows]
        parts = [db.execute(lines_sql, key).fetchall() for key in keys] if lines_sql else ()
        digests = sealing.digests(table.name, rows, parts)
        for (batch, kept, *row), key, digest in zip(bite, keys, digests, strict=True):
            yield BookedRow(batch, table.name, key, digest, kept, row[at])


def json_text(value: Any) -> str:
    """A value of a row as JSON."""
    if value.__class__ is str:
        return encode_basestring_ascii(value)
    if value.__class__ is float and isfinite(value):
        return repr(value)
    return _ENCODER.encode(value)


def _json_texts(column: Sequence[Any]) -> list[str]:
    """A column's values as JSON, each of those that are the same written once."""
    texts = {value: json_text(value) for value in {*column}}
    return [texts[value] for value in column]


def _exact(kind: type | None, column: Sequence[Any]) -> Sequence[Any]:
    """A column's values as SQLite gives them back. kind: what its numbers are; None: it has texts or bytes."""
    if kind is None or {*map(type, column)} <= {kind, NoneType}:
        return column
    return [value if value is None else kind(value) for value in column]


def _hashed(text: str) -> bytes:
    return blake2b(text.encode("ascii"), digest_size=DIGEST_BYTES).digest()
