"""What the ledger keeps beside the books: decisions, events and recorded minutes, each row proved as it is read."""

import json
from collections.abc import Mapping
from typing import Any

from accounting.ledger.errors import speaking
from accounting.ledger.records import DecisionRow, EventRow, TapeChunk
from accounting.ledger.sealed_writing import note_of_chain
from accounting.ledger.sealing import Columns
from accounting.ledger.sound_rows import SoundRows, not_as_written
from accounting.ledger.versions import Versions
from rules.model.orders import Finding, Order, Verdict

LATEST_S = 1e10
"""In the year 2286. Anything later is not a valid time."""


class Recorded(Versions):
    """The part of `Ledger` that answers from them. Raises LedgerError of a row that is not as it was written."""

    def decision_at(self, at_s: float) -> list[DecisionRow]:
        """The orders that stood at an instant (UTC seconds), one row for each heater that had one by then."""
        # One index step per heater; DISTINCT would read the whole index.
        heaters = self.ask(
            "WITH RECURSIVE known(heater) AS (SELECT min(heater) FROM decision UNION ALL "
            "SELECT (SELECT min(heater) FROM decision WHERE heater > known.heater) FROM known "
            "WHERE known.heater IS NOT NULL) SELECT heater FROM known WHERE heater IS NOT NULL"
        )
        last = "WHERE heater = ? AND at_s <= ? ORDER BY at_s DESC, id DESC LIMIT 1"
        return [_decision(row) for (heater,) in heaters for row in self._whole("decision", last, heater, at_s)]

    def decisions(self, from_s: float, to_s: float) -> list[DecisionRow]:
        """Changes of order in [from_s, to_s), oldest first."""
        rows = self._whole("decision", "WHERE at_s >= ? AND at_s < ? ORDER BY at_s, id", from_s, to_s)
        return [_decision(row) for row in rows]

    def events(self, from_s: float, to_s: float, named: str = "*") -> list[EventRow]:
        """Alarms, recoveries, quarantines and notes in [from_s, to_s), oldest first; named: a pattern."""
        rows = self._whole(
            "event", "WHERE at_s >= ? AND at_s < ? AND name GLOB ? ORDER BY at_s, id", from_s, to_s, named
        )
        return [
            EventRow(row["at_s"], row["name"], row["kind"], row["sentence"], json.loads(row["figures"])) for row in rows
        ]

    def tape(self, from_s: float, to_s: float) -> list[TapeChunk]:
        """The chunks that hold rows of [from_s, to_s), in the order in which they were recorded."""
        rows = self._whole("tape", "WHERE to_s >= ? AND from_s < ? ORDER BY id", from_s, to_s)
        return [TapeChunk(*(row[name] for name in ("from_s", "to_s", "rows", "data"))) for row in rows]

    def _sound(self, table: str) -> SoundRows:
        with speaking("read the ledger", self._path):
            return SoundRows(self._sealing, table, self._path)

    def _columns(self, table: str) -> Columns:
        with speaking("read the ledger", self._path):
            return self._sealing.columns(table)

    def _whole(self, table: str, which: str, *values: object) -> list[dict[str, Any]]:
        """The rows of a table by column. Raises LedgerError of one that is not as it was written."""
        of_row = self._sound(table)
        return of_row.sound(self.ask(f"SELECT {of_row.listed} FROM {table} {which}", *values))

    def _unchanged(self, table: str) -> None:
        """Raise LedgerError if a table whose rows change does not hold what was written last."""
        held = note_of_chain(self._db)
        content = None if held is None else held.content.get(table)
        if content is not None and content != self._sealing.content(table):
            raise not_as_written(self._path, f"the table {table}")

    def _dated(self, first_s: int, end_s: int) -> tuple[int, int]:
        """A span of the books. Raises LedgerError where it lies in no time that they can be of."""
        if not (isinstance(first_s, int) and isinstance(end_s, int) and 0 <= first_s <= end_s <= LATEST_S):
            raise not_as_written(self._path, "the time of an entry")
        return first_s, end_s


def _decision(row: Mapping[str, Any]) -> DecisionRow:
    found = tuple(
        Finding(name, Verdict[verdict], text, then) for name, verdict, text, then in json.loads(row["findings"])
    )
    return DecisionRow(
        at_s=row["at_s"],
        heater=row["heater"],
        order=Order(row["told"]),
        watts=row["watts"],
        guard=row["guard"],
        sentence=row["sentence"],
        change=row["change"],
        findings=found,
    )
