"""The ledger's one writer. What belongs together is written together or not at all."""

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from operator import attrgetter
from pathlib import Path
from typing import Literal

from accounting.ledger.errors import LedgerError, speaking
from accounting.ledger.opening import Connect, atomic, connect, open_writing
from accounting.ledger.reading import KNOWN_UNTIL, SEAL, Ledger, sealed
from accounting.ledger.records import OWNERS, Batch, DecisionRow, EventRow, Facts, OutboxKey
from accounting.ledger.verifying import CURRENT
from accounting.ledger.versions import VALUE_COLUMNS, VALUE_NAMES
from accounting.model.entry import Entry, Posting, TankEntry
from accounting.model.journal import balance, tank_faults

_WRITING = "write to the ledger"
_MARKS = ", ".join("?" * len(VALUE_NAMES))

_NEWEST = f"SELECT version, {VALUE_COLUMNS} FROM entry WHERE start_s = ? AND heater = ? ORDER BY version DESC LIMIT 1"
_POSTINGS = "SELECT account, wh, micro, mg FROM posting WHERE start_s = ? AND heater = ? AND version = ? ORDER BY line"
_NEWEST_TANK = (
    "SELECT version, interval_s, measured_s, closing_wh, metered FROM tank_entry WHERE start_s = ? "
    "ORDER BY version DESC LIMIT 1"
)
_TANK_POSTINGS = "SELECT account, wh, micro, mg FROM tank_posting WHERE start_s = ? AND version = ? ORDER BY line"
_QUEUE = (
    "INSERT INTO outbox (start_s, heater, version) VALUES (?, ?, ?) "
    "ON CONFLICT DO UPDATE SET version = excluded.version WHERE excluded.version > version"
)
_STRIKE = "DELETE FROM outbox WHERE start_s = ? AND heater = ? AND version = ?"
# Not where a newer version has been queued meanwhile: that one has its own trial before it.
_SET_ASIDE = (
    "INSERT OR REPLACE INTO refused (start_s, heater, version, at_s, why) SELECT ?1, ?2, ?3, ?4, ?5 "
    "WHERE NOT EXISTS (SELECT 1 FROM outbox WHERE start_s = ?1 AND heater = ?2)"
)
_TAKE_BACK = "DELETE FROM refused WHERE start_s = ? AND heater = ?"
_STRETCH = (
    "INSERT INTO heater (name, in_use, first_s, end_s) VALUES (?, 0, ?, ?) ON CONFLICT DO UPDATE SET "
    "first_s = min(ifnull(first_s, excluded.first_s), excluded.first_s), "
    "end_s = max(ifnull(end_s, excluded.end_s), excluded.end_s)"
)
_PRUNE = "DELETE FROM {table} WHERE id IN (SELECT id FROM {table} d WHERE {old} ORDER BY id LIMIT :n)"
_OLD = {
    "tape": "to_s < :s",
    "event": f"at_s < :s AND name NOT GLOB '{OWNERS}*'",
    "decision": "at_s < :s AND EXISTS (SELECT 1 FROM decision later WHERE later.heater = d.heater AND "
    "later.at_s <= :s AND (later.at_s, later.id) > (d.at_s, d.id))",
}
# Rewriting what has not changed would only wear the card.
_KEEP = (
    "INSERT INTO {table} (key, value) VALUES (?, ?) "
    "ON CONFLICT DO UPDATE SET value = excluded.value WHERE value <> excluded.value"
)


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file a name leads to; None: to none. SQLite writes on into one that was moved away or deleted."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


class LedgerWriter(Ledger):
    """A ledger opened by its only writer. Made by `LedgerWriter.open`, used by one thread at a time."""

    def __init__(self, path: Path, db: sqlite3.Connection, lock: int, facts: Facts) -> None:
        super().__init__(path, db)
        self._lock: int | None = lock
        self._facts = facts
        self._file = _identity(path)

    @classmethod
    def open(cls, path: Path | str, facts: Facts, making: Connect = connect) -> "LedgerWriter":
        """Open or make a ledger as its only writer. Raises LedgerError."""
        place = Path(path)
        db, lock = open_writing(place, making)
        ledger = cls(place, db, lock, facts)
        try:
            ledger._settle_facts()
        except BaseException:
            ledger.close()
            raise
        return ledger

    def close(self) -> None:
        """Let the file and the lock go. Closing twice does nothing."""
        super().close()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """One transaction, into the file that the ledger's name still leads to."""
        if _identity(self._path) != self._file:
            cause = "the file that was opened is no longer there"
            hint = "put it back under its name, or restart to see what is there"
            raise LedgerError(_WRITING, str(self._path), cause, hint, may_pass=True)
        with speaking(_WRITING, self._path), atomic(self._db):
            yield

    def commit(self, batch: Batch) -> None:
        """Write all of the batch in one transaction.

        Raises LedgerError (nothing was written; may_pass says whether to try again) and ValueError for an entry that
        is of another interval length or whose postings do not balance (a bug: nothing was written either).
        """
        self._refuse_unsound((*batch.entries, *(batch.open_entries or ())), batch.tank)
        db = self._db
        with self._writing():
            if batch.open_entries is not None:
                self._replace_open(batch.open_entries)
            for entry in batch.entries:
                self._book(entry, batch.at_s)
            for tank_entry in batch.tank:
                self._book_tank(tank_entry, batch.at_s)
            db.executemany(_STRIKE, batch.delivered)
            db.executemany(_STRIKE, (refused.key for refused in batch.refused))
            db.executemany(_SET_ASIDE, ((*refused.key, batch.at_s, refused.why) for refused in batch.refused))
            for key in batch.again:
                self._queue_again(key)
            db.executemany(
                "INSERT INTO decision (at_s, heater, told, watts, guard, sentence, change, findings) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (_decided(row) for row in batch.decisions),
            )
            self._note(batch.events)
            if batch.tape is not None:
                chunk = batch.tape
                db.execute(
                    "INSERT INTO tape (from_s, to_s, rows, data) VALUES (?, ?, ?, ?)",
                    (chunk.from_s, chunk.to_s, chunk.rows, chunk.data),
                )
            state = {**batch.state, KNOWN_UNTIL: batch.at_s}
            texts = {key: _json(value) for key, value in state.items()}
            texts |= {key + SEAL: sealed(text.encode()).decode() for key, text in texts.items()}
            db.executemany(_KEEP.format(table="state"), texts.items())

    def rebuild_outbox(self, from_s: float = float("-inf")) -> int:
        """Queue every current entry that starts at or after from_s for sending again; returns how many are queued."""
        with self._writing():
            self._db.execute(
                "INSERT OR REPLACE INTO outbox (start_s, heater, version) "
                f"SELECT start_s, heater, version FROM entry e WHERE start_s >= ? AND {CURRENT}",
                (from_s,),
            )
            self._db.execute("DELETE FROM refused WHERE start_s >= ?", (from_s,))
        return self.outbox_depth()

    def prune(self, table: Literal["tape", "decision", "event"], before_s: float, most: int = 1000) -> int:
        """Drop the oldest rows that lie before before_s (UTC seconds), at most so many; returns how many.

        Of each heater's decisions the one that stood at before_s stays, to answer for the time after it.
        """
        with self._writing():
            return self._db.execute(_PRUNE.format(table=table, old=_OLD[table]), {"s": before_s, "n": most}).rowcount

    def begin_restatement(self, at_s: float, why: str, from_s: int, to_s: int) -> int:
        """Note that the intervals that start in [from_s, to_s) are being restated, and why; returns its number.

        One at a time: raises ValueError while another is not done.
        """
        with self._writing():
            if self.unfinished_restatement() is not None:
                raise ValueError("expected the restatement before to be done")
            cursor = self._db.execute(
                "INSERT INTO restatement (at_s, why, from_s, to_s) VALUES (?, ?, ?, ?)", (at_s, why, from_s, to_s)
            )
        return int(cursor.lastrowid or 0)

    def restate(self, number: int, entries: Sequence[Entry], tank: Sequence[TankEntry], at_s: float) -> None:
        """Write new versions of intervals, and of the tank's, as part of a restatement, in one transaction; those that
        say nothing new are not written. Raises as `commit` does."""
        self._refuse_unsound(entries, tank)
        with self._writing():
            for entry in entries:
                self._book(entry, at_s, number)
            for tank_entry in tank:
                self._book_tank(tank_entry, at_s)

    def finish_restatement(self, number: int, at_s: float, note: EventRow) -> None:
        """From at_s on (UTC seconds) all of its versions count. note: tells of it."""
        count = "SELECT count(*) FROM (SELECT DISTINCT start_s, heater FROM entry WHERE restatement = ?1)"
        with self._writing():
            self._db.execute(f"INSERT INTO restated (id, at_s, intervals) VALUES (?1, ?2, ({count}))", (number, at_s))
            self._note([note])

    def _refuse_unsound(self, entries: Sequence[Entry], tank: Sequence[TankEntry]) -> None:
        for entry in entries:
            self._refuse_other_interval(entry.interval_s)
            balance(entry)
        for tank_entry in tank:
            self._refuse_other_interval(tank_entry.interval_s)
            for fault in tank_faults(tank_entry):
                raise ValueError(fault)

    def _refuse_other_interval(self, interval_s: int) -> None:
        if interval_s != self._facts.interval_s:
            raise ValueError(f"expected an interval of {self._facts.interval_s} s, got {interval_s}")

    def _replace_open(self, entries: tuple[Entry, ...]) -> None:
        self._db.execute("DELETE FROM open_interval")
        for entry in entries:
            # An interval counts once: while a settled version exists, a revision of it waits for its settlement.
            self._db.execute(
                f"INSERT INTO open_interval ({VALUE_COLUMNS}) SELECT {_MARKS} "
                "WHERE NOT EXISTS (SELECT 1 FROM entry WHERE start_s = ? AND heater = ?)",
                (*_values(entry), entry.start_s, entry.heater),
            )

    def _note(self, events: Sequence[EventRow]) -> None:
        self._db.executemany(
            "INSERT INTO event (at_s, name, kind, sentence, figures) VALUES (?, ?, ?, ?, ?)",
            ((row.at_s, row.name, row.kind, row.sentence, _json(dict(row.figures))) for row in events),
        )

    def _book(self, entry: Entry, at_s: float, restatement: int | None = None) -> None:
        db = self._db
        newest = db.execute(_NEWEST, (entry.start_s, entry.heater)).fetchone()
        version = 1
        if newest is not None:
            before = OutboxKey(entry.start_s, entry.heater, newest[0])
            if self._says_the_same(entry, newest, before):
                return
            version = before.version + 1
            db.execute("INSERT INTO superseded (start_s, heater, version, at_s) VALUES (?, ?, ?, ?)", (*before, at_s))
        key = OutboxKey(entry.start_s, entry.heater, version)
        db.execute(
            f"INSERT INTO entry ({VALUE_COLUMNS}, version, booked_at_s, restatement) VALUES ({_MARKS}, ?, ?, ?)",
            (*_values(entry), version, at_s, restatement),
        )
        db.executemany(
            "INSERT INTO posting (start_s, heater, version, line, account, wh, micro, mg) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            ((*key, line, *_line(posting)) for line, posting in enumerate(entry.postings)),
        )
        db.execute(_QUEUE, key)
        db.execute(_TAKE_BACK, key[:2])
        db.execute(_STRETCH, (entry.heater, entry.start_s, entry.end_s))
        db.execute("DELETE FROM open_interval WHERE start_s = ? AND heater = ?", (entry.start_s, entry.heater))

    def _says_the_same(self, entry: Entry, newest: tuple[object, ...], key: OutboxKey) -> bool:
        """Whether only the reason differs, which tells why a version was written and is not part of what it says.

        What the first schemas did not keep (the share counted as used, the cost in the postings, what lacks a price and
        what was displaced) is not news either.
        """
        kept = dict(zip(VALUE_NAMES, newest[1:], strict=True))
        said = dict(zip(VALUE_NAMES, _values(entry), strict=True))
        kept_less = kept["used"] is None
        passed_over = {"reason", *(("used",) if kept_less else ())}
        passed_over |= {"unpriced_wh", "displaced"} if kept["unpriced_wh"] is None else set()
        if any(kept[name] != said[name] for name in VALUE_NAMES if name not in passed_over):
            return False
        lines = self._db.execute(_POSTINGS, key).fetchall()
        if kept_less:
            return [line[:2] for line in lines] == [(posting.account, posting.wh) for posting in entry.postings]
        return lines == [_line(posting) for posting in entry.postings]

    def _book_tank(self, entry: TankEntry, at_s: float) -> None:
        """Write a new version of the tank's interval if it says something else than the newest."""
        db = self._db
        says = (entry.interval_s, entry.measured_s, entry.closing_wh, int(entry.metered))
        lines = [_line(posting) for posting in entry.postings]
        newest = db.execute(_NEWEST_TANK, (entry.start_s,)).fetchone()
        version = 1
        if newest is not None:
            if newest[1:] == says and db.execute(_TANK_POSTINGS, (entry.start_s, newest[0])).fetchall() == lines:
                return
            version = newest[0] + 1
        db.execute(
            "INSERT INTO tank_entry "
            "(start_s, version, interval_s, measured_s, closing_wh, metered, reason, booked_at_s) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (entry.start_s, version, *says, entry.reason, at_s),
        )
        db.executemany(
            "INSERT INTO tank_posting (start_s, version, line, account, wh, micro, mg) VALUES (?, ?, ?, ?, ?, ?, ?)",
            ((entry.start_s, version, place, *line) for place, line in enumerate(lines)),
        )

    def _queue_again(self, key: OutboxKey) -> None:
        """Queue the interval's newest version, whichever was sent."""
        self._db.execute(
            "INSERT OR REPLACE INTO outbox (start_s, heater, version) SELECT start_s, heater, max(version) FROM entry "
            "WHERE start_s = ? AND heater = ? GROUP BY start_s, heater",
            (key.start_s, key.heater),
        )
        self._db.execute(_TAKE_BACK, key[:2])

    def _settle_facts(self) -> None:
        """Write the facts into a new ledger; refuse another home's; follow a new name, zone or heater."""
        if self._db.execute("SELECT 1 FROM meta LIMIT 1").fetchone():
            kept = self.facts()
            fixed = (
                ("interval_minutes", kept.interval_minutes, self._facts.interval_minutes),
                ("currency", kept.currency, self._facts.currency),
            )
            for name, ledgers, asked in fixed:
                if ledgers != asked:
                    raise LedgerError(
                        "open the ledger for writing",
                        str(self._path),
                        f"it is kept with {name} = {ledgers}, the home file says {asked}",
                        "a ledger keeps one of each for life: name another file, or set it back",
                    )
            if replace(kept, heaters=()) == replace(self._facts, heaters=()) and set(kept.heaters) == set(
                self._facts.heaters
            ):
                return
        facts = self._facts
        meta = {
            "name": facts.name,
            "interval_minutes": str(facts.interval_minutes),
            "currency": facts.currency,
            "timezone": facts.timezone,
        }
        with self._writing():
            self._db.executemany(_KEEP.format(table="meta"), meta.items())
            self._db.execute("UPDATE heater SET in_use = 0")
            self._db.executemany(
                "INSERT INTO heater (name, in_use) VALUES (?, 1) ON CONFLICT DO UPDATE SET in_use = 1",
                ((name,) for name in facts.heaters),
            )


_values = attrgetter(*VALUE_NAMES)
"""An entry's columns, in the order of VALUE_COLUMNS."""


def _line(posting: Posting) -> tuple[str, int, int, int]:
    return posting.account, posting.wh, posting.micro, posting.mg


def _decided(row: DecisionRow) -> tuple[object, ...]:
    findings = [[found.guard, found.verdict.name, found.sentence, found.change] for found in row.findings]
    return (row.at_s, row.heater, row.order.value, row.watts, row.guard, row.sentence, row.change, _json(findings))


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
