"""The versions in the ledger: which restatements there are, and what each of them replaced."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import fields
from heapq import merge
from pathlib import Path
from typing import Any

from accounting.ledger.connecting import atomic
from accounting.ledger.errors import speaking
from accounting.ledger.records import JournalLine, Restatement, Version
from accounting.ledger.sealing import Sealing
from accounting.ledger.verifying import CURRENT
from accounting.model.entry import UNKNOWN, Entry, Posting

VALUES = tuple(field.name for field in fields(Entry) if field.name != "postings")
VALUE_COLUMNS = ", ".join(VALUES)
"""An Entry's fields in their order, without the postings: the columns of a row of entries."""

_RESTATEMENT = (
    "b.id, b.at_s, b.why, b.from_s, b.to_s, d.at_s, ifnull(d.intervals, 0) "
    "FROM restatement b LEFT JOIN restated d ON d.id = b.id"
)


def entry_of(row: Sequence[Any], postings: tuple[Posting, ...] = ()) -> Entry:
    """The entry of a row of VALUES."""
    return Entry(*(*row, postings))


class Versions:
    """The part of `Ledger` for versions and restatements."""

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self._path = path
        self._db = db
        self._sealing = Sealing(db)

    def restatements(self) -> list[Restatement]:
        """All restatements, in the order in which they were begun."""
        rows = self.ask(f"SELECT {_RESTATEMENT} ORDER BY b.id")
        return [Restatement(*row) for row in rows]

    def unfinished_restatement(self) -> Restatement | None:
        """The restatement that was begun and is not done; there is never more than one."""
        for row in self.ask(f"SELECT {_RESTATEMENT} WHERE d.id IS NULL ORDER BY b.id LIMIT 1"):
            return Restatement(*row)
        return None

    def revisions(self, number: int) -> Iterator[tuple[Entry, Entry]]:
        """What a restatement replaced and what it put in its place, without postings, by time and heater; read as they
        are asked for."""
        before, after = (", ".join(f"{of}.{name}" for name in VALUES) for of in ("o", "n"))
        many = len(VALUES)
        with speaking("read the ledger", self._path):
            rows = self._db.execute(
                f"SELECT {before}, {after} FROM (SELECT start_s, heater, min(version) - 1 first, max(version) last "
                "FROM entry WHERE restatement = ? GROUP BY start_s, heater) r "
                "JOIN entry o ON o.start_s = r.start_s AND o.heater = r.heater AND o.version = r.first "
                "JOIN entry n ON n.start_s = r.start_s AND n.heater = r.heater AND n.version = r.last "
                "ORDER BY r.start_s, r.heater",
                (number,),
            )
            for row in rows:
                yield entry_of(row[:many]), entry_of(row[many:])

    def chains(self, from_s: float, to_s: float) -> Iterator[list[Version]]:
        """All versions of each interval that starts in [from_s, to_s), with postings, by time and heater; read as they
        are asked for."""
        columns = ", ".join(f"e.{name}" for name in VALUES)
        order = "ORDER BY start_s, heater, version"
        chain: list[Version] = []
        with speaking("read the ledger", self._path):
            lines = self._db.execute(
                "SELECT start_s, heater, version, account, wh, micro, mg FROM posting "
                f"WHERE start_s >= ? AND start_s < ? {order}, line",
                (from_s, to_s),
            )
            line = lines.fetchone()
            for version, booked_at_s, replaced_at_s, restatement, *row in self._db.execute(
                f"SELECT e.version, e.booked_at_s, s.at_s, e.restatement, {columns} FROM entry e "
                "LEFT JOIN superseded s USING (start_s, heater, version) "
                f"WHERE e.start_s >= ? AND e.start_s < ? {order}",
                (from_s, to_s),
            ):
                postings = []
                while line is not None and line[:3] == (row[0], row[2], version):
                    postings.append(Posting(*line[3:]))
                    line = lines.fetchone()
                entry = entry_of(row, tuple(postings))
                if chain and (chain[0].entry.start_s, chain[0].entry.heater) != (entry.start_s, entry.heater):
                    yield chain
                    chain = []
                chain.append(Version(entry, version, booked_at_s, replaced_at_s, restatement))
        if chain:
            yield chain

    def journal(self, from_s: float, to_s: float) -> Iterator[JournalLine]:
        """Every posting of every version of the intervals that start in [from_s, to_s), by time, the heaters' before
        the tank's; read as they are asked for."""
        heaters = (
            "SELECT e.start_s, e.interval_s, e.heater, e.version, p.line, p.account, p.wh, p.micro, p.mg, "
            "e.booked_at_s, s.at_s, e.restatement, e.reason "
            "FROM entry e JOIN posting p USING (start_s, heater, version) "
            "LEFT JOIN superseded s USING (start_s, heater, version) WHERE e.start_s >= ? AND e.start_s < ? "
            "ORDER BY e.start_s, e.heater, e.version, p.line"
        )
        tank = (
            "SELECT t.start_s, t.interval_s, '', t.version, p.line, p.account, p.wh, p.micro, p.mg, t.booked_at_s, "
            "(SELECT n.booked_at_s FROM tank_entry n WHERE n.start_s = t.start_s AND n.version = t.version + 1), "
            "NULL, t.reason FROM tank_entry t JOIN tank_posting p USING (start_s, version) "
            "WHERE t.start_s >= ? AND t.start_s < ? ORDER BY t.start_s, t.version, p.line"
        )
        with speaking("read the ledger", self._path):
            both = (map(JournalLine._make, self._db.execute(sql, (from_s, to_s))) for sql in (heaters, tank))
            yield from merge(*both, key=lambda line: line.start_s)

    def unpriced_span(self) -> tuple[int, int] | None:
        """The span [first, last), UTC seconds, of current entries that lack a price or factor which should have been
        known; None if there are none. Reads all entries."""
        first_s, last_s = self.ask(
            "SELECT min(start_s), max(start_s + interval_s) FROM entry e "
            f"WHERE diverted_wh > 0 AND instr(reason, '{UNKNOWN}') AND {CURRENT}"
        )[0]
        return None if first_s is None else (first_s, last_s)

    @contextmanager
    def still(self) -> Iterator[None]:
        """Hold the ledger as it is: every query in the block sees the same state."""
        if self._db.in_transaction:
            yield
            return
        with speaking("read the ledger", self._path), atomic(self._db, "BEGIN"):
            yield

    def ask(self, sql: str, *values: object, **named: object) -> list[Any]:
        """The rows of one statement. Raises LedgerError."""
        with speaking("read the ledger", self._path):
            return self._db.execute(sql, named or values).fetchall()
