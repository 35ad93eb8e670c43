"""Whether the ledger is as it was written: every row against its digest, all that is booked against the chain."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from typing import Any

from accounting.ledger.sealed_writing import note_of_chain, sealed
from accounting.ledger.sealing import (
    BITE,
    CHANGING,
    DAY_S,
    KEPT_BYTES,
    NOTED,
    NOTHING,
    SEAL,
    BookedRow,
    Head,
    Kept,
    Sealing,
    linked,
    walk,
)

ENOUGH = 20
"""How many problems of one kind are named at most."""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at: what was found there, and what is wrong with it, a sentence each; empty if all is well."""

    name: str
    found: str
    problems: tuple[str, ...]

    @property
    def ok(self) -> bool:
        return not self.problems


@dataclass(frozen=True, slots=True)
class Proof:
    """The chain worked out anew. head: its end, if all of it holds; until_s: the instant up to which what is booked has
    the digest that was given, UTC seconds (None: nothing has it, or no digest was given)."""

    checks: tuple[Check, ...]
    head: Head | None
    until_s: float | None


def proof(
    db: sqlite3.Connection, sealing: Sealing, against: bytes | None = None, pause: Callable[[], None] = lambda: None
) -> Proof:
    """Read every row and work its digest and the chain out anew. The connection must be in a transaction.

    pause: called now and then, for a thread that others should not wait for.
    """
    kept = note_of_chain(db)
    rows = _Rows(pause)
    links = dict(db.execute("SELECT batch, digest FROM link ORDER BY batch").fetchall())
    true = NOTHING  # by the rows alone
    mended = NOTHING  # by the links, from the last one on: so that one break is one problem
    linked_at: set[int] = set()
    breaks: list[str] = []
    head, good_s = Head(), 0.0
    until_s = None
    for number, booked in groupby(rows.seen(walk(db, sealing)), key=lambda row: row.batch):
        of_batch = list(booked)
        digests = [row.digest for row in of_batch]
        at_s = max((row.at_s for row in of_batch if isinstance(row.at_s, float)), default=0.0)
        if head.batch and at_s // DAY_S != head.at_s // DAY_S and head.batch not in linked_at:
            breaks.append(f"the link after {_at(head.at_s)} is gone")
        true, mended = linked(true, number, digests), linked(mended, number, digests)
        head = Head(number, true, at_s)
        if true == against:
            until_s = at_s
        if number in links:
            link = links.pop(number)
            linked_at.add(number)
            if link not in (true, mended):
                breaks.append(f"what was booked {_span(good_s, at_s)} was changed, dropped or added to")
            mended, good_s = (true if link == true else link), at_s
    breaks += [f"link {number} belongs to nothing that is booked" for number in links]
    if kept is None:
        breaks.append("the note of its end cannot be read")
    elif kept.head.digest not in (true, mended) or kept.head.batch != head.batch:
        breaks.append(f"what was booked {_span(good_s, head.at_s)} was changed, dropped or added to")
    holds = not breaks and not rows.problems
    last = f", the last digest is {true.hex()}" if holds and head.batch else ""
    checks = (
        Check("rows", f"{rows.count:,} that are booked are as they were written", tuple(rows.problems)),
        Check("chain", f"{head.batch:,} batches{last}", tuple(breaks[:ENOUGH])),
        _notes(db, sealing, kept, pause),
        _changing(db, sealing, kept),
    )
    return Proof(checks, head if holds else None, until_s)


def named(table: str, key: Sequence[Any]) -> str:
    """A booked row's name in a sentence."""
    if table in ("restatement", "restated"):
        return f"{'the end of ' if table == 'restated' else ''}restatement {key[0]}"
    of_it = f"{_at(key[0])}{f' of {key[1]}' if len(key) == 3 else ''}, version {key[-1]}"
    what = {"entry": "entry of", "superseded": "replacement of the entry of", "tank_entry": "tank's entry of"}
    return f"{what[table]} {of_it}"


class _Rows:
    """Looks at each booked row on its way into the chain."""

    def __init__(self, pause: Callable[[], None]) -> None:
        self.count = 0
        self.problems: list[str] = []
        self._pause = pause

    def seen(self, rows: Iterator[BookedRow]) -> Iterator[BookedRow]:
        for row in rows:
            self.count += 1
            if not row.sound and len(self.problems) < ENOUGH:
                self.problems.append(f"{named(row.table, row.key)}: not as it was written")
            if self.count % BITE == 0:
                self._pause()
            yield row


def _notes(db: sqlite3.Connection, sealing: Sealing, kept: Kept | None, pause: Callable[[], None]) -> Check:
    problems: list[str] = []
    counts = []
    for table in NOTED:
        columns = sealing.columns(table)
        place, digest = columns.place("id"), columns.place("digest")
        count = last = 0
        wanted = 1 if kept is None else kept.gone.get(table, 0) + 1
        found = db.execute(f"SELECT {columns.listed} FROM {table} ORDER BY id")
        while rows := found.fetchmany(BITE):
            for row, made in zip(rows, sealing.digests(table, rows), strict=True):
                count, last = count + 1, row[place]
                if row[digest] != made[:KEPT_BYTES]:
                    problems.append(f"{table} {last}: not as it was written")
                if kept is not None and last >= wanted:
                    if last > wanted:
                        problems.append(f"{table} {wanted} to {last - 1}: gone")
                    wanted = last + 1
            pause()
        newest = 0 if kept is None else kept.last.get(table, 0)
        if kept is not None and last > newest:
            problems.append(f"{table} {newest + 1} to {last}: added by nobody")
        elif kept is not None and wanted <= newest:
            problems.append(f"{table} {wanted} to {newest}: gone")
        counts.append(f"{count:,} {table}{'s' if count != 1 and table != 'tape' else ''}")
    return Check("records", ", ".join(counts), tuple(problems[:ENOUGH]))


def _changing(db: sqlite3.Connection, sealing: Sealing, kept: Kept | None) -> Check:
    problems = []
    rows = dict(db.execute("SELECT CAST(key AS BLOB), CAST(value AS BLOB) FROM state").fetchall())
    for key, value in rows.items():
        seal = rows.get(key + SEAL.encode())
        if not key.endswith(SEAL.encode()) and seal is not None and seal != sealed(value):
            problems.append(f"state {key.decode(errors='replace')}: not as it was written")
    if kept is not None and not problems:
        recorded = {table: kept.content[table] for table in CHANGING if table in kept.content}
        problems += [
            f"{table}: not as it was written" for table in recorded if recorded[table] != sealing.content(table)
        ]
    return Check("present", f"{', '.join(CHANGING)}", tuple(problems))


def _span(from_s: float, to_s: float) -> str:
    return f"{'up to' if not from_s else f'between {_at(from_s)} and'} {_at(to_s)}"


def _at(at_s: Any) -> str:
    try:
        return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
    except (ValueError, OverflowError, OSError, TypeError):
        return str(at_s)[:40]
