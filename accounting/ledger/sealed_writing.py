"""One transaction's rows, each written with its digest; at its end the chain goes on by one batch."""

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from itertools import chain, groupby, islice, repeat
from operator import attrgetter
from typing import Any
from zlib import crc32

from accounting.ledger.sealing import (
    BY_NAME,
    CHAIN,
    DAY_S,
    KEPT_BYTES,
    NOTED,
    SEAL,
    Booked,
    Head,
    Kept,
    Sealing,
    gap_free,
    linked,
    walk,
)
from accounting.model.entry import Posting

LINE = tuple(field.name for field in fields(Posting))
"""A posting's fields in their order: the columns that say something in its row."""
_KEEP = (
    "INSERT INTO state (key, value) VALUES (?, ?) "
    "ON CONFLICT DO UPDATE SET value = excluded.value WHERE value <> excluded.value"
)


def sealed(value: bytes) -> bytes:
    """The seal of a state row: its checksum."""
    return str(crc32(value)).encode()


class SealedWriting:
    """What one transaction writes. Made within it; `close` at its end, before it is committed."""

    def __init__(self, db: sqlite3.Connection, sealing: Sealing) -> None:
        self._db = db
        self._sealing = sealing
        self._kept = note_of_chain(db) or found_anew(db, sealing)
        self._digests: list[bytes] = []
        self._at_s = 0.0
        self._changed: set[str] = set()

    def book(self, table: str, said: Mapping[str, Sequence[Any]], parts: Sequence[Sequence[Posting]] = ()) -> None:
        """Add rows, which say this by column, to a booked table. parts: each one's postings, if its rows have any."""
        booked, columns = BY_NAME[table], self._sealing.columns(table)
        many = len(said[booked.at])
        if not many:
            return
        self._at_s = max(self._at_s, *said[booked.at])
        whole = columns.whole({**said, "batch": [self._kept.head.batch + 1] * many}, many)
        lines = self._lines(booked, [said[name] for name in booked.key], parts)
        digests = self._sealing.digests(table, whole, lines)
        place = columns.place("digest")
        for row, digest in zip(whole, digests, strict=True):
            row[place] = digest[:KEPT_BYTES]
        self._digests += digests
        columns.insert(self._db, whole)
        if any(lines):
            self._sealing.columns(booked.lines).insert(self._db, list(chain.from_iterable(lines)))

    def _lines(
        self, booked: Booked, keys: Sequence[Sequence[Any]], parts: Sequence[Sequence[Posting]]
    ) -> list[list[list[Any]]]:
        """The postings of rows, whole. keys: the rows' keys, by column."""
        if not parts:
            return []
        counts = list(map(len, parts))
        lines = list(chain.from_iterable(parts))
        said = {
            name: list(chain.from_iterable(map(repeat, of_rows, counts)))
            for name, of_rows in zip(booked.key, keys, strict=True)
        }
        said["line"] = list(chain.from_iterable(map(range, counts)))
        said |= {name: list(map(attrgetter(name), lines)) for name in LINE}
        whole = iter(self._sealing.columns(booked.lines).whole(said, len(lines)))
        return [list(islice(whole, count)) for count in counts]

    def note(self, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
        """Add rows to a table whose old rows are let go."""
        columns = self._sealing.columns(table)
        place = columns.place("digest")
        added = list(rows)
        if not added:
            return
        last = self._kept.last.get(table, 0)
        self._kept.last[table] = last + len(added)
        said = {name: [row[name] for row in added] for name in added[0]}
        whole = columns.whole({**said, "id": range(last + 1, last + 1 + len(added))}, len(added))
        for row, digest in zip(whole, self._sealing.digests(table, whole), strict=True):
            row[place] = digest[:KEPT_BYTES]
        columns.insert(self._db, whole)

    def let_go(self, table: str, numbers: Sequence[int]) -> None:
        """Record which rows of such a table are dropped now."""
        self._kept.gone[table] = max(self._kept.gone.get(table, 0), *numbers, 0)

    def changed(self, *tables: str) -> None:
        """Record that rows of these changeable tables may have changed."""
        self._changed |= set(tables)

    def close(self) -> None:
        """Add the batch to the chain, and keep where it stands now."""
        if self._digests:
            self._link()
        for table in sorted(self._changed):
            self._kept.content[table] = self._sealing.content(table)
        text = self._kept.text()
        rows = [(CHAIN, text), (f"{CHAIN}{SEAL}", sealed(text.encode()).decode())]
        self._db.executemany(_KEEP, rows)

    def _link(self) -> None:
        head = self._kept.head
        if head.batch and self._at_s // DAY_S != head.at_s // DAY_S:
            self._db.execute(
                "INSERT INTO link (batch, at_s, digest) VALUES (?, ?, ?)", (head.batch, head.at_s, head.digest)
            )
        number = head.batch + 1
        self._kept.head = Head(number, linked(head.digest, number, self._digests), self._at_s)


def note_of_chain(db: sqlite3.Connection) -> Kept | None:
    """What the working state keeps of where the chain stands; None if it is not there, or not as it was written."""
    asked = "SELECT key, CAST(value AS BLOB) FROM state WHERE key IN (?, ?)"
    rows = dict(db.execute(asked, (CHAIN, CHAIN + SEAL)).fetchall())
    if CHAIN not in rows or rows.get(CHAIN + SEAL) != sealed(rows[CHAIN]):
        return None
    try:
        return Kept.of(rows[CHAIN].decode())
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def found_anew(db: sqlite3.Connection, sealing: Sealing) -> Kept:
    """The chain gone on with from its last link; what the tables that change hold is not vouched for."""
    row = db.execute("SELECT batch, digest, at_s FROM link ORDER BY batch DESC LIMIT 1").fetchone()
    head = Head(*row) if row is not None else Head()
    for number, booked in groupby(walk(db, sealing, head.batch), key=lambda row: row.batch):
        rows = list(booked)
        digest = linked(head.digest, number, (row.digest for row in rows))
        head = Head(number, digest, max(row.at_s for row in rows))
    found = Kept(head)
    for table in NOTED:
        found.last[table], found.gone[table] = gap_free(db, table)
    return found
