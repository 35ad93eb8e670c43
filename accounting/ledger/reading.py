"""The ledger as its readers see it. Every answer is of settled, current versions unless it says otherwise."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from zlib import crc32

from accounting.ledger.errors import LedgerError, StateMangled, speaking
from accounting.ledger.opening import Connect, atomic, connect, open_reading
from accounting.ledger.records import (
    DecisionRow,
    EventRow,
    Facts,
    OutboxItem,
    OutboxKey,
    Refused,
    TapeChunk,
)
from accounting.ledger.totals import Totals
from accounting.ledger.verifying import CURRENT, Check, checks
from accounting.ledger.versions import VALUE_COLUMNS
from accounting.model.entry import Entry, Posting, TankEntry
from accounting.model.journal import is_source
from rules.model.orders import Finding, Order, Verdict

KNOWN_UNTIL = "known_until_s"
"""The state key under which each batch leaves the instant up to which the house is known."""

LATEST_S = 1e10
"""In the year 2286: what is later is no instant."""

SEAL = ".seal"
"""Behind a state key: where the checksum of its row is kept."""

BEFORE_ALL = (-(2**62), "")
"""A place in the outbox before its first row."""

_E_COLUMNS = ", ".join(f"e.{name}" for name in VALUE_COLUMNS.split(", "))
_DECISION = "at_s, heater, told, watts, guard, sentence, change, findings"


def sealed(value: bytes) -> bytes:
    """The seal of a state row: its checksum."""
    return str(crc32(value)).encode()


class Ledger(Totals):
    """A ledger opened for reading; used by the thread that opened it. Close it, or use it in a `with`."""

    @classmethod
    def open_reader(cls, path: Path | str, making: Connect = connect) -> "Ledger":
        """Open an existing ledger read-only, also while the daemon runs. Raises LedgerError."""
        place = Path(path)
        return Ledger(place, open_reading(place, making))

    def close(self) -> None:
        """Let the file go. Closing twice does nothing."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def path(self) -> Path:
        return self._path

    @contextmanager
    def still(self) -> Iterator[None]:
        """Hold the ledger as it is: every question asked in the block sees one and the same state."""
        if self._db.in_transaction:
            yield
            return
        with speaking("read the ledger", self._path), atomic(self._db, "BEGIN"):
            yield

    def facts(self) -> Facts:
        """What the ledger is about."""
        meta = dict(self.ask("SELECT key, value FROM meta"))
        try:
            return Facts(
                meta["name"],
                int(meta["interval_minutes"]),
                meta["currency"],
                meta["timezone"],
                tuple(name for (name,) in self.ask("SELECT name FROM heater WHERE in_use ORDER BY name")),
            )
        except (KeyError, ValueError) as error:
            cause = "it does not say which home it is of"
            raise LedgerError("read the ledger", str(self._path), cause, "restore a backup") from error

    def state(self, key: str) -> Any:
        """The JSON value last written under the key; None if there is none. Raises StateMangled.

        A row without its seal is an older program's.
        """
        kept = dict(self.ask("SELECT key, CAST(value AS BLOB) FROM state WHERE key IN (?, ?)", key, key + SEAL))
        if key not in kept:
            return None
        try:
            if kept.get(key + SEAL, sealed(kept[key])) != sealed(kept[key]):
                raise ValueError
            return json.loads(kept[key])
        except (ValueError, RecursionError):
            raise StateMangled("read the ledger", str(self._path), f"its working state {key} is mangled") from None

    def known_until_s(self) -> float | None:
        """The UTC second up to which the house is known: that of the last batch; None before the first."""
        try:
            known = self.state(KNOWN_UNTIL)
        except StateMangled:
            return None
        return known if isinstance(known, int | float) and 0 <= known <= LATEST_S else None

    def last_entry_start(self) -> int | None:
        """Start of the newest settled interval, UTC seconds; None if there is none."""
        last: int | None = self.ask("SELECT max(start_s) FROM entry")[0][0]
        return last

    def entries(self, from_s: float, to_s: float) -> list[Entry]:
        """Current versions of the settled intervals that start in [from_s, to_s), with postings, by time and heater."""
        lines: dict[tuple[int, str, int], list[Posting]] = {}
        with self.still():
            for start_s, heater, version, *line in self.ask(
                "SELECT start_s, heater, version, account, wh, micro, mg FROM posting "
                "WHERE start_s >= ? AND start_s < ? ORDER BY start_s, heater, version, line",
                from_s,
                to_s,
            ):
                lines.setdefault((start_s, heater, version), []).append(Posting(*line))
            rows = self.ask(
                f"SELECT version, {VALUE_COLUMNS} FROM entry e WHERE start_s >= ? AND start_s < ? AND {CURRENT} "
                "ORDER BY start_s, heater",
                from_s,
                to_s,
            )
        return [
            replace(Entry(*row), postings=tuple(lines.get((row[0], row[2], version), ()))) for version, *row in rows
        ]

    def tank_entries(self, from_s: float, to_s: float, as_of_s: float | None = None) -> Iterator[TankEntry]:
        """Current versions of the tank's settled intervals that start in [from_s, to_s), by time; read as they are
        asked for. Hold the ledger `still` meanwhile if it may be written. as_of_s: those booked by then, UTC seconds.
        """
        then = "" if as_of_s is None else "AND booked_at_s <= ? "
        current = (
            f"SELECT start_s, max(version) v FROM tank_entry WHERE start_s >= ? AND start_s < ? {then}GROUP BY start_s"
        )
        row: tuple[Any, ...] = ()
        lines: list[Posting] = []
        with speaking("read the ledger", self._path):
            rows = self._db.execute(
                "SELECT t.start_s, t.interval_s, t.measured_s, t.closing_wh, t.metered, t.reason, "
                "p.account, p.wh, p.micro, p.mg FROM tank_entry t "
                f"JOIN ({current}) n ON t.start_s = n.start_s AND t.version = n.v "
                "LEFT JOIN tank_posting p ON p.start_s = t.start_s AND p.version = t.version "
                "ORDER BY t.start_s, p.line",
                (from_s, to_s) if as_of_s is None else (from_s, to_s, as_of_s),
            )
            for next_row in rows:
                if row and next_row[0] != row[0]:
                    yield _tank_entry(row, lines)
                    lines = []
                row = next_row
                if row[6] is not None:
                    lines.append(Posting(*row[6:]))
            if row:
                yield _tank_entry(row, lines)

    def tank_heat(self, from_s: int, to_s: int) -> tuple[int, dict[str, int]]:
        """Of the tank's settled intervals that start in [from_s, to_s) and whose level was measured: how many seconds,
        and the heat that came, Wh by account."""
        current = (
            "SELECT start_s, max(version) AS version FROM tank_entry WHERE start_s >= ? AND start_s < ? "
            "GROUP BY start_s"
        )
        with self.still():
            told = self.ask(
                f"SELECT sum(measured_s) FROM tank_entry JOIN ({current}) USING (start_s, version)", from_s, to_s
            )
            rows = self.ask(
                f"SELECT account, -sum(wh) FROM tank_posting JOIN ({current}) USING (start_s, version) "
                "JOIN tank_entry USING (start_s, version) WHERE measured_s > 0 GROUP BY account ORDER BY account",
                from_s,
                to_s,
            )
        return told[0][0] or 0, {account: wh for account, wh in rows if is_source(account)}

    def tank_span(self) -> tuple[int, int] | None:
        """The tank's first settled interval's start and its last one's end, UTC seconds; None if there is none."""
        first_s, last_s, interval_s = self.ask("SELECT min(start_s), max(start_s), max(interval_s) FROM tank_entry")[0]
        return None if first_s is None else (first_s, last_s + interval_s)

    def open_entries(self, from_s: float = float("-inf"), to_s: float = float("inf")) -> list[Entry]:
        """The last picture of the unsettled intervals that start in [from_s, to_s)."""
        rows = self.ask(
            f"SELECT {VALUE_COLUMNS} FROM open_interval WHERE start_s >= ? AND start_s < ? ORDER BY start_s, heater",
            from_s,
            to_s,
        )
        return [Entry(*row) for row in rows]

    def outbox_peek(self, limit: int, after: tuple[int, str] = BEFORE_ALL) -> list[OutboxItem]:
        """The oldest entries still to be sent, at most `limit`, of those behind `after` (start, heater)."""
        rows = self.ask(
            f"SELECT o.version, {_E_COLUMNS} FROM outbox o JOIN entry e USING (start_s, heater, version) "
            "WHERE (o.start_s, o.heater) > (?, ?) ORDER BY o.start_s, o.heater LIMIT ?",
            *after,
            limit,
        )
        return [OutboxItem(OutboxKey(row[0], row[2], version), Entry(*row)) for version, *row in rows]

    def outbox_depth(self) -> int:
        """How many entries are still to be sent."""
        depth: int = self.ask("SELECT count(*) FROM outbox")[0][0]
        return depth

    def outbox_keys(self, from_s: float, to_s: float) -> list[OutboxKey]:
        """What is still to be sent of the intervals that start in [from_s, to_s)."""
        rows = self.ask(
            "SELECT start_s, heater, version FROM outbox WHERE start_s >= ? AND start_s < ? ORDER BY start_s, heater",
            from_s,
            to_s,
        )
        return [OutboxKey(*row) for row in rows]

    def entry_keys(self, from_s: float, to_s: float) -> list[OutboxKey]:
        """The current versions of the settled intervals that start in [from_s, to_s), by time and heater."""
        rows = self.ask(
            "SELECT start_s, heater, max(version) FROM entry WHERE start_s >= ? AND start_s < ? "
            "GROUP BY start_s, heater ORDER BY start_s, heater",
            from_s,
            to_s,
        )
        return [OutboxKey(*row) for row in rows]

    def refused(self, from_s: float = float("-inf"), to_s: float = float("inf"), limit: int = -1) -> list[Refused]:
        """What the time-series server will not take of the intervals that start in [from_s, to_s), oldest first."""
        rows = self.ask(
            "SELECT start_s, heater, version, why FROM refused WHERE start_s >= ? AND start_s < ? "
            "ORDER BY start_s, heater LIMIT ?",
            from_s,
            to_s,
            limit,
        )
        return [Refused(OutboxKey(*key), why) for *key, why in rows]

    def refused_count(self) -> int:
        """How many intervals the time-series server will not take."""
        count: int = self.ask("SELECT count(*) FROM refused")[0][0]
        return count

    def decision_at(self, at_s: float) -> list[DecisionRow]:
        """What stood at an instant (UTC seconds), one note for each heater that had been told anything by then."""
        # One index step per heater; DISTINCT would read the whole index.
        heaters = self.ask(
            "WITH RECURSIVE told(heater) AS (SELECT min(heater) FROM decision UNION ALL "
            "SELECT (SELECT min(heater) FROM decision WHERE heater > told.heater) FROM told "
            "WHERE told.heater IS NOT NULL) SELECT heater FROM told WHERE heater IS NOT NULL"
        )
        last = f"SELECT {_DECISION} FROM decision WHERE heater = ? AND at_s <= ? ORDER BY at_s DESC, id DESC LIMIT 1"
        return [_decision(row) for (heater,) in heaters for row in self.ask(last, heater, at_s)]

    def decisions(self, from_s: float, to_s: float) -> list[DecisionRow]:
        """Changes of order in [from_s, to_s), oldest first."""
        rows = self.ask(
            f"SELECT {_DECISION} FROM decision WHERE at_s >= ? AND at_s < ? ORDER BY at_s, id", from_s, to_s
        )
        return [_decision(row) for row in rows]

    def events(self, from_s: float, to_s: float, named: str = "*") -> list[EventRow]:
        """Alarms, recoveries, quarantines and notes in [from_s, to_s), oldest first; named: a pattern."""
        rows = self.ask(
            "SELECT at_s, name, kind, sentence, figures FROM event WHERE at_s >= ? AND at_s < ? AND name GLOB ? "
            "ORDER BY at_s, id",
            from_s,
            to_s,
            named,
        )
        return [
            EventRow(at_s, name, kind, sentence, json.loads(figures)) for at_s, name, kind, sentence, figures in rows
        ]

    def tape(self, from_s: float, to_s: float) -> list[TapeChunk]:
        """The chunks that hold rows of [from_s, to_s), in the order in which they were recorded."""
        rows = self.ask(
            "SELECT from_s, to_s, rows, data FROM tape WHERE to_s >= ? AND from_s < ? ORDER BY id", from_s, to_s
        )
        return [TapeChunk(*row) for row in rows]

    def verify(self) -> list[Check]:
        """Look the whole file and all of the books through, as they are at one instant. Raises LedgerError."""
        with self.still():
            return list(checks(self))

    def integrity(self) -> list[str]:
        """What is wrong with the file or in the books, one sentence each; empty if all is well. Reads everything."""
        return [problem for check in self.verify() for problem in check.problems]


def _tank_entry(row: tuple[Any, ...], lines: list[Posting]) -> TankEntry:
    start_s, interval_s, measured_s, closing_wh, metered, reason = row[:6]
    return TankEntry(start_s, interval_s, measured_s, closing_wh, bool(metered), reason, tuple(lines))


def _decision(row: tuple[Any, ...]) -> DecisionRow:
    at_s, heater, told, watts, guard, sentence, change, findings = row
    found = tuple(Finding(name, Verdict[verdict], text, then) for name, verdict, text, then in json.loads(findings))
    return DecisionRow(at_s, heater, Order(told), watts, guard, sentence, change, found)
