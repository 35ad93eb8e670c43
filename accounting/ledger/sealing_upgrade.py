"""Digests for a ledger that had none: a step of the schema. What it booked on one day becomes one batch."""

import sqlite3
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from accounting.ledger.sealed_writing import SealedWriting
from accounting.ledger.sealing import BOOKED, CHANGING, DAY_S, KEPT_BYTES, NOTED, NOTHING, Booked, Sealing, linked, walk

_AT_ONCE = 2000


def seal_all(db: sqlite3.Connection) -> None:
    """Give every row its digest, and all that is booked its chain. A ledger that holds nothing yet stays as it is."""
    if db.execute("SELECT 1 FROM meta LIMIT 1").fetchone() is None:
        return
    sealing = Sealing(db)
    _batches(db, sealing)
    for table in NOTED:
        _notes(db, sealing, table)
    _links(db, sealing)
    writing = SealedWriting(db, sealing)  # finds the chain that was just made
    writing.changed(*CHANGING)
    writing.close()


def _batches(db: sqlite3.Connection, sealing: Sealing) -> None:
    days = " UNION ".join(f"SELECT CAST({table.at} / {DAY_S} AS INTEGER) FROM {table.name}" for table in BOOKED)
    numbers = {day: number for number, (day,) in enumerate(db.execute(f"{days} ORDER BY 1").fetchall(), start=1)}
    for table in BOOKED:
        guard = db.execute("SELECT sql FROM sqlite_master WHERE name = ?", (f"{table.name}_keeps_update",)).fetchone()
        db.execute(f"DROP TRIGGER {table.name}_keeps_update")
        columns = sealing.columns(table.name)
        at, batch = columns.place(table.at), columns.place("batch")
        places = [columns.place(name) for name in table.key]
        of_it = " AND ".join(f"{name} = ?" for name in table.key)
        for rows in _bites(db, table, columns.listed, places):
            keys = [[row[place] for place in places] for row in rows]
            for row in rows:
                row[batch] = numbers[int(row[at] // DAY_S)]
            lines_sql = sealing.lines_sql(table.name)
            lines = [db.execute(lines_sql, key).fetchall() for key in keys] if lines_sql else ()
            digests = sealing.digests(table.name, rows, lines)
            sealed = [
                (row[batch], digest[:KEPT_BYTES], *key) for row, digest, key in zip(rows, digests, keys, strict=True)
            ]
            db.executemany(f"UPDATE {table.name} SET batch = ?, digest = ? WHERE {of_it}", sealed)
        db.execute(guard[0])


def _bites(db: sqlite3.Connection, table: Booked, listed: str, places: Sequence[int]) -> Iterator[list[list[Any]]]:
    """The table's rows, some at a time, so that they can be changed in between."""
    key = ", ".join(table.key)
    first = f"SELECT {listed} FROM {table.name} ORDER BY {key} LIMIT {_AT_ONCE}"
    later = (
        f"SELECT {listed} FROM {table.name} WHERE ({key}) > ({', '.join('?' * len(table.key))}) "
        f"ORDER BY {key} LIMIT {_AT_ONCE}"
    )
    rows = [list(row) for row in db.execute(first)]
    while rows:
        reached = [rows[-1][place] for place in places]
        yield rows
        rows = [list(row) for row in db.execute(later, reached)]


def _notes(db: sqlite3.Connection, sealing: Sealing, table: str) -> None:
    columns = sealing.columns(table)
    place = columns.place("id")
    for rows in _bites(db, Booked(table, ("id",), ""), columns.listed, [place]):
        digests = sealing.digests(table, rows)
        sealed = [(digest[:KEPT_BYTES], row[place]) for row, digest in zip(rows, digests, strict=True)]
        db.executemany(f"UPDATE {table} SET digest = ? WHERE id = ?", sealed)


def _links(db: sqlite3.Connection, sealing: Sealing) -> None:
    """A link for every batch but the last, which the working state keeps."""
    digest, at_s = NOTHING, 0.0
    for number, rows in groupby(walk(db, sealing), key=lambda row: row.batch):
        if number > 1:
            db.execute("INSERT INTO link (batch, at_s, digest) VALUES (?, ?, ?)", (number - 1, at_s, digest))
        of_batch = list(rows)
        at_s = max(row.at_s for row in of_batch)
        digest = linked(digest, number, (row.digest for row in of_batch))
