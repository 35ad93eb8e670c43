"""The ledger as its readers see it. Every method answers from settled, current versions unless its text differs."""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

from accounting.ledger.errors import LedgerError, StateMangled, speaking
from accounting.ledger.opening import Connect, connect, open_reading
from accounting.ledger.proving import Check, Proof, proof
from accounting.ledger.recorded import LATEST_S
from accounting.ledger.records import (
    Facts,
    OutboxItem,
    OutboxKey,
    Refused,
)
from accounting.ledger.sealed_writing import LINE, sealed
from accounting.ledger.sealing import BITE, SEAL
from accounting.ledger.totals import Totals
from accounting.ledger.verifying import CURRENT, checks, whole_file
from accounting.ledger.versions import VALUE_COLUMNS, VALUES, entry_of
from accounting.model.entry import Entry, Posting, TankEntry
from accounting.model.journal import is_source

KNOWN_UNTIL = "known_until_s"
"""The state key under which each batch leaves the instant up to which the house is known."""

BEFORE_ALL = (-(2**62), "")
"""A place in the outbox before its first row."""

_VERSION = ("start_s", "heater", "version")
_E_COLUMNS = ", ".join(f"e.{name}" for name in VALUES)
TANK_VALUES = tuple(field.name for field in fields(TankEntry) if field.name != "postings")


class Verified(NamedTuple):
    """What looking the ledger through found; proof: None if the file is too damaged for it."""

    checks: tuple[Check, ...]
    proof: Proof | None


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

    def facts(self) -> Facts:
        """What the ledger is about."""
        with self.still(), speaking("read the ledger", self._path):
            self._unchanged("meta")
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
            cause = "it does not name its home"
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
        return [entry for _, entry in self.standing(from_s, to_s)]

    def standing(self, from_s: float, to_s: float) -> list[tuple[OutboxKey, Entry]]:
        """As `entries`, each with its version's key."""
        of_row, of_line = self._sound("entry"), self._columns("posting")
        key, of_key = self._picker("entry", _VERSION), self._picker("posting", _VERSION)
        values, line_values = self._picker("entry", VALUES), self._picker("posting", LINE)
        lines: dict[tuple[Any, ...], list[tuple[Any, ...]]] = {}
        with self.still():
            for line in self.ask(
                f"SELECT {of_line.listed} FROM posting WHERE start_s >= ? AND start_s < ? "
                "ORDER BY start_s, heater, version, line",
                from_s,
                to_s,
            ):
                lines.setdefault(of_key(line), []).append(line)
            rows = self.ask(
                f"SELECT {of_row.listed} FROM entry e WHERE start_s >= ? AND start_s < ? AND {CURRENT} "
                "ORDER BY start_s, heater",
                from_s,
                to_s,
            )
        keys = [key(row) for row in rows]
        parts = [lines.get(version, []) for version in keys]
        of_row.check(rows, parts)
        return [
            (OutboxKey(*version), entry_of(values(row), tuple([Posting(*line_values(line)) for line in of_it])))
            for version, row, of_it in zip(keys, rows, parts, strict=True)
        ]

    def tank_entries(self, from_s: float, to_s: float, as_of_s: float | None = None) -> Iterator[TankEntry]:
        """Current versions of the tank's settled intervals that start in [from_s, to_s), by time; read as they are
        asked for. Hold the ledger `still` meanwhile if it may be written. as_of_s: those booked by then, UTC seconds.
        """
        of_row, of_line = self._sound("tank_entry"), self._columns("tank_posting")
        values, line_values = self._picker("tank_entry", TANK_VALUES), self._picker("tank_posting", LINE)
        then = "" if as_of_s is None else "AND booked_at_s <= ? "
        with speaking("read the ledger", self._path):
            rows = self._db.execute(
                f"SELECT start_s, max(version), {of_row.listed} FROM tank_entry "  # max: the row is that version's
                f"WHERE start_s >= ? AND start_s < ? {then}GROUP BY start_s ORDER BY start_s",
                (from_s, to_s) if as_of_s is None else (from_s, to_s, as_of_s),
            )
            lines = self._db.execute(
                f"SELECT start_s, version, {of_line.listed} FROM tank_posting WHERE start_s >= ? AND start_s < ? "
                "ORDER BY start_s, version, line",
                (from_s, to_s),
            )
            line = lines.fetchone()
            while bite := rows.fetchmany(BITE):
                parts: list[list[tuple[Any, ...]]] = []
                for row in bite:
                    parts.append([])
                    while line is not None and line[:2] <= row[:2]:
                        if line[:2] == row[:2]:
                            parts[-1].append(line[2:])
                        line = lines.fetchone()
                whole = [row[2:] for row in bite]
                of_row.check(whole, parts)
                for row, of_it in zip(whole, parts, strict=True):
                    start_s, interval_s, measured_s, closing_wh, metered, reason = values(row)
                    postings = tuple([Posting(*line_values(part)) for part in of_it])
                    yield TankEntry(start_s, interval_s, measured_s, closing_wh, bool(metered), reason, postings)

    def tank_digests(self, from_s: float, to_s: float) -> bytes:
        """The digests of all rows of the tank's intervals that start in [from_s, to_s), in order."""
        rows = "SELECT hex(digest) AS each FROM tank_entry WHERE start_s >= ? AND start_s < ? ORDER BY start_s, version"
        return (self.ask(f"SELECT group_concat(each, '') FROM ({rows})", from_s, to_s)[0][0] or "").encode()

    def tank_heat(self, from_s: int, to_s: int) -> tuple[int, dict[str, int]]:
        """Of the tank's settled intervals that start in [from_s, to_s) and whose level was measured: how many seconds,
        and the heat that came, Wh by account."""
        current = (
            "SELECT start_s, max(version) AS version FROM tank_entry WHERE start_s >= ? AND start_s < ? "
            "GROUP BY start_s"
        )
        with self.still():
            total = self.ask(
                f"SELECT sum(measured_s) FROM tank_entry JOIN ({current}) USING (start_s, version)", from_s, to_s
            )
            rows = self.ask(
                f"SELECT account, -sum(wh) FROM tank_posting JOIN ({current}) USING (start_s, version) "
                "JOIN tank_entry USING (start_s, version) WHERE measured_s > 0 GROUP BY account ORDER BY account",
                from_s,
                to_s,
            )
        return total[0][0] or 0, {account: wh for account, wh in rows if is_source(account)}

    def tank_span(self) -> tuple[int, int] | None:
        """The tank's first settled interval's start and its last one's end, UTC seconds; None if there is none."""
        first_s, last_s, interval_s = self.ask("SELECT min(start_s), max(start_s), max(interval_s) FROM tank_entry")[0]
        return None if first_s is None else self._dated(first_s, last_s + interval_s)

    def open_entries(self, from_s: float = float("-inf"), to_s: float = float("inf")) -> list[Entry]:
        """The last picture of the unsettled intervals that start in [from_s, to_s)."""
        with self.still(), speaking("read the ledger", self._path):
            self._unchanged("open_interval")
            rows = self.ask(
                f"SELECT {VALUE_COLUMNS} FROM open_interval WHERE start_s >= ? AND start_s < ? "
                "ORDER BY start_s, heater",
                from_s,
                to_s,
            )
        return [entry_of(row) for row in rows]

    def _picker(self, table: str, names: tuple[str, ...]) -> Callable[[Sequence[Any]], tuple[Any, ...]]:
        """Takes these columns out of a whole row. Raises LedgerError if the file has no such column."""
        with speaking("read the ledger", self._path):
            return self._columns(table).picker(names)

    def outbox_peek(self, limit: int, after: tuple[int, str] = BEFORE_ALL) -> list[OutboxItem]:
        """The oldest entries still to be sent, at most `limit`, of those behind `after` (start, heater)."""
        rows = self.ask(
            f"SELECT o.version, {_E_COLUMNS} FROM outbox o JOIN entry e USING (start_s, heater, version) "
            "WHERE (o.start_s, o.heater) > (?, ?) ORDER BY o.start_s, o.heater LIMIT ?",
            *after,
            limit,
        )
        return [OutboxItem(OutboxKey(row[0], row[2], version), entry_of(row)) for version, *row in rows]

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

    def proof(self, against: bytes | None = None, pause: Callable[[], None] = lambda: None) -> Proof:
        """Every row's digest and the chain worked out anew; see `accounting.ledger.proving`. Raises LedgerError."""
        with self.still(), speaking("read the ledger", self._path):
            return proof(self._db, self._sealing, against, pause)

    def verify(self, against: bytes | None = None) -> Verified:
        """Look the whole file and all of the books through, as they are at one instant. Raises LedgerError.

        against: a digest of the chain, as noted earlier.
        """
        with self.still():
            file = whole_file(self.ask)
            if file.problems:  # answers would mean nothing
                return Verified((file,), None)
            made = self.proof(against)
            return Verified((file, *made.checks, *checks(self)), made)

    def integrity(self) -> list[str]:
        """What is wrong with the file or in the books, one sentence each; empty if all is well. Reads everything."""
        return [problem for check in self.verify().checks for problem in check.problems]
