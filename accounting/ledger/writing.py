"""The ledger's one writer. What belongs together is written together or not at all."""

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from accounting.ledger.errors import LedgerError, speaking
from accounting.ledger.new_versions import Version, book, book_tank, news
from accounting.ledger.opening import Connect, atomic, connect, open_writing, opened_to_write
from accounting.ledger.reading import KNOWN_UNTIL, Ledger
from accounting.ledger.records import OWNERS, Batch, DecisionRow, EventRow, Facts, OutboxKey
from accounting.ledger.sealed_writing import SealedWriting, sealed
from accounting.ledger.sealing import SEAL, Sealing
from accounting.ledger.verifying import CURRENT
from accounting.ledger.versions import VALUE_COLUMNS, VALUES
from accounting.model.entry import Entry, TankEntry
from accounting.model.journal import balance, tank_faults

_WRITING = "write to the ledger"
_MARKS = ", ".join("?" * len(VALUES))

_STRIKE = "DELETE FROM outbox WHERE start_s = ? AND heater = ? AND version = ?"
# Not where a newer version has been queued meanwhile: that one has its own trial before it.
_SET_ASIDE = (
    "INSERT OR REPLACE INTO refused (start_s, heater, version, at_s, why) SELECT ?1, ?2, ?3, ?4, ?5 "
    "WHERE NOT EXISTS (SELECT 1 FROM outbox WHERE start_s = ?1 AND heater = ?2)"
)
_TAKE_BACK = "DELETE FROM refused WHERE start_s = ? AND heater = ?"
_TO_LET_GO = "SELECT id FROM {table} d WHERE {old} ORDER BY id LIMIT :n"
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


def log_of(path: Path) -> Path:
    """The log that SQLite keeps beside a ledger in use."""
    return path.with_name(f"{path.name}-wal")


def rescued(path: Path, whole: bool) -> LedgerError:
    """The error for a log that was deleted or replaced, with what became of its content."""
    cause = "its log (the -wal file) was deleted or replaced while in use"
    if whole:
        hint = "its content was put into the ledger, nothing is lost; leave that file alone while brimful runs"
    else:
        hint = "its content is in no file until the next write succeeds; close every program that reads the ledger"
    return LedgerError(_WRITING, str(path), cause, hint, may_pass=True)


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file a name leads to; None: to none. SQLite writes on into one that was moved away or deleted."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


class LedgerWriter(Ledger):
    """A ledger opened by its only writer. Made by `LedgerWriter.open`, used by one thread at a time."""

    def __init__(self, path: Path, db: sqlite3.Connection, lock: int, facts: Facts, making: Connect = connect) -> None:
        super().__init__(path, db)
        self._lock: int | None = lock
        self._making = making
        self._log: tuple[int, int] | None = None
        self._facts = facts
        self._file = _identity(path)

    @classmethod
    def open(cls, path: Path | str, facts: Facts, making: Connect = connect) -> "LedgerWriter":
        """Open or make a ledger as its only writer. Raises LedgerError."""
        place = Path(path)
        db, lock = open_writing(place, making)
        ledger = cls(place, db, lock, facts, making)
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
    def _writing(self) -> Iterator[SealedWriting]:
        """One transaction, into the file that the ledger's name still leads to; its rows with their digests."""
        if _identity(self._path) != self._file:
            cause = "the file that was opened is no longer there"
            hint = "put it back under its name, or restart to see what is there"
            raise LedgerError(_WRITING, str(self._path), cause, hint, may_pass=True)
        if self._log is not None and _identity(log_of(self._path)) != self._log:
            self._log = None
            raise rescued(self._path, self._reconnected())
        with speaking(_WRITING, self._path), atomic(self._db):
            writing = SealedWriting(self._db, self._sealing)
            yield writing
            writing.close()
        self._log = _identity(log_of(self._path))

    def _reconnected(self) -> bool:
        """Take what the open log holds into the file, and open the file anew with a new log; whether all went in.

        A log that was deleted lives on as long as it is open, but only here: whoever opens the file now does not see
        what is in it.
        """
        with speaking(_WRITING, self._path):
            busy, held, taken = self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            whole = not busy and held == taken
            if whole:
                self._db.close()
                self._db = opened_to_write(self._path, self._making)
                self._sealing = Sealing(self._db)
        return whole

    def commit(self, batch: Batch) -> None:
        """Write all of the batch in one transaction.

        Raises LedgerError (nothing was written; may_pass says whether to try again) and ValueError for an entry that
        is of another interval length or whose postings do not balance (a bug: nothing was written either).
        """
        self._refuse_unsound((*batch.entries, *(batch.open_entries or ())), batch.tank)
        db = self._db
        with self._writing() as writing:
            if batch.open_entries is not None:
                self._replace_open(batch.open_entries)
            book(db, writing, news(db, batch.entries), batch.at_s)
            book_tank(self._db, writing, batch.tank, batch.at_s)
            db.executemany(_STRIKE, batch.delivered)
            if batch.refused:
                db.executemany(_STRIKE, (refused.key for refused in batch.refused))
                db.executemany(_SET_ASIDE, ((*refused.key, batch.at_s, refused.why) for refused in batch.refused))
                writing.changed("refused")
            for key in batch.again:
                self._queue_again(writing, key)
            writing.note("decision", map(_decided, batch.decisions))
            writing.note("event", map(_noted, batch.events))
            if batch.tape is not None:
                chunk = batch.tape
                row = {"from_s": chunk.from_s, "to_s": chunk.to_s, "rows": chunk.rows, "data": chunk.data}
                writing.note("tape", [row])
            state = {**batch.state, KNOWN_UNTIL: batch.at_s}
            texts = {key: _json(value) for key, value in state.items()}
            texts |= {key + SEAL: sealed(text.encode()).decode() for key, text in texts.items()}
            db.executemany(_KEEP.format(table="state"), texts.items())
            writing.changed("state", *(("open_interval",) if batch.open_entries is not None else ()))

    def rebuild_outbox(self, from_s: float = float("-inf")) -> int:
        """Queue every current entry that starts at or after from_s for sending again; returns how many are queued."""
        with self._writing() as writing:
            self._db.execute(
                "INSERT OR REPLACE INTO outbox (start_s, heater, version) "
                f"SELECT start_s, heater, version FROM entry e WHERE start_s >= ? AND {CURRENT}",
                (from_s,),
            )
            self._db.execute("DELETE FROM refused WHERE start_s >= ?", (from_s,))
            writing.changed("refused")
        return self.outbox_depth()

    def prune(self, table: Literal["tape", "decision", "event"], before_s: float, most: int = 1000) -> int:
        """Drop the oldest rows that lie before before_s (UTC seconds), at most so many; returns how many.

        Of each heater's decisions the one that stood at before_s stays, to answer for the time after it.
        """
        with self._writing() as writing:
            old = self._db.execute(_TO_LET_GO.format(table=table, old=_OLD[table]), {"s": before_s, "n": most})
            numbers = [number for (number,) in old]
            self._db.executemany(f"DELETE FROM {table} WHERE id = ?", ((number,) for number in numbers))
            writing.let_go(table, numbers)
        return len(numbers)

    def begin_restatement(self, at_s: float, why: str, from_s: int, to_s: int) -> int:
        """Note that the intervals that start in [from_s, to_s) are being restated, and why; returns its number.

        One at a time: raises ValueError while another is not done.
        """
        with self._writing() as writing:
            if self.unfinished_restatement() is not None:
                raise ValueError("expected the restatement before to be done")
            ((number,),) = self.ask("SELECT ifnull(max(id), 0) + 1 FROM restatement")
            says = {"id": [number], "at_s": [at_s], "why": [why], "from_s": [from_s], "to_s": [to_s]}
            writing.book("restatement", says)
        return int(number)

    def restate(self, number: int, revised: Sequence[Version], tank: Sequence[TankEntry], at_s: float) -> None:
        """Write new versions of intervals, and of the tank's, as part of a restatement, in one transaction.

        revised: each entry with the key of the interval's newest version, which it takes the place of. Raises as
        `commit` does.
        """
        self._refuse_unsound([entry for _, entry in revised], tank)
        versions = [(OutboxKey(start_s, heater, last + 1), entry) for (start_s, heater, last), entry in revised]
        with self._writing() as writing:
            book(self._db, writing, versions, at_s, number)
            book_tank(self._db, writing, tank, at_s)

    def finish_restatement(self, number: int, at_s: float, note: EventRow) -> None:
        """From at_s on (UTC seconds) all of its versions count. note: the event that records it."""
        count = "SELECT count(*) FROM (SELECT DISTINCT start_s, heater FROM entry WHERE restatement = ?)"
        with self._writing() as writing:
            ((intervals,),) = self.ask(count, number)
            writing.book("restated", {"id": [number], "at_s": [at_s], "intervals": [intervals]})
            writing.note("event", [_noted(note)])

    def _refuse_unsound(self, entries: Sequence[Entry], tank: Sequence[TankEntry]) -> None:
        length_s = self._facts.interval_s
        for interval_s in {one.interval_s for one in entries} | {one.interval_s for one in tank}:
            if interval_s != length_s:
                raise ValueError(f"expected an interval of {length_s} s, got {interval_s}")
        for entry in entries:
            balance(entry)
        for tank_entry in tank:
            for fault in tank_faults(tank_entry):
                raise ValueError(fault)

    def _replace_open(self, entries: tuple[Entry, ...]) -> None:
        self._db.execute("DELETE FROM open_interval")
        for entry in entries:
            # An interval counts once: while a settled version exists, a revision of it waits for its settlement.
            self._db.execute(
                f"INSERT INTO open_interval ({VALUE_COLUMNS}) SELECT {_MARKS} "
                "WHERE NOT EXISTS (SELECT 1 FROM entry WHERE start_s = ? AND heater = ?)",
                (*(getattr(entry, name) for name in VALUES), entry.start_s, entry.heater),
            )

    def _queue_again(self, writing: SealedWriting, key: OutboxKey) -> None:
        """Queue the interval's newest version, whichever was sent."""
        self._db.execute(
            "INSERT OR REPLACE INTO outbox (start_s, heater, version) SELECT start_s, heater, max(version) FROM entry "
            "WHERE start_s = ? AND heater = ? GROUP BY start_s, heater",
            (key.start_s, key.heater),
        )
        if self._db.execute(_TAKE_BACK, key[:2]).rowcount:
            writing.changed("refused")

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
                        f"it is kept with {name} = {ledgers}, the home file has {asked}",
                        "a ledger keeps this setting for life: name another file, or set it back",
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
        with self._writing() as writing:
            writing.changed("meta", "heater")
            self._db.executemany(_KEEP.format(table="meta"), meta.items())
            self._db.execute("UPDATE heater SET in_use = 0")
            self._db.executemany(
                "INSERT INTO heater (name, in_use) VALUES (?, 1) ON CONFLICT DO UPDATE SET in_use = 1",
                ((name,) for name in facts.heaters),
            )


def _decided(row: DecisionRow) -> dict[str, Any]:
    findings = [[found.guard, found.verdict.name, found.sentence, found.change] for found in row.findings]
    return {
        "at_s": row.at_s,
        "heater": row.heater,
        "told": row.order.value,
        "watts": row.watts,
        "guard": row.guard,
        "sentence": row.sentence,
        "change": row.change,
        "findings": _json(findings),
    }


def _noted(row: EventRow) -> dict[str, Any]:
    names = ("at_s", "name", "kind", "sentence")
    return {**{name: getattr(row, name) for name in names}, "figures": _json(dict(row.figures))}


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
