"""Compares the time-series database with the ledger, interval by interval, and sums both up by local month and heater.

Only settled intervals are compared, and of those only what should have arrived: what is still in the outbox is counted
apart. The months are the home's; every point is read and dated by us, so no server's idea of a month comes into it.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from itertools import pairwise
from zoneinfo import ZoneInfo

from accounting.ledger import Ledger, OutboxKey
from accounting.model.entry import Entry
from accounting.model.periods import bounds
from accounting.timeseries.points import LATER, point
from accounting.timeseries.readers import Reader

_MILLIONTH = 1_000_000


@dataclass(slots=True)
class Sums:
    """One side's intervals and their totals; energy in Wh, money in millionths of the currency unit."""

    intervals: int = 0
    diverted_wh: int = 0
    given_up_micro: int = 0
    avoided_micro: int = 0

    def add(self, diverted_wh: int, given_up_micro: int, avoided_micro: int) -> None:
        self.intervals += 1
        self.diverted_wh += diverted_wh
        self.given_up_micro += given_up_micro
        self.avoided_micro += avoided_micro


@dataclass(slots=True)
class MonthRow:
    """One heater's month, [start_s, end_s) in UTC seconds.

    ledger, database: the totals of what both should hold. to_be_sent: intervals still in the outbox, in neither total.
    missing: in the ledger alone; differing: in both, with another figure; extra: in the database alone. refused: of the
    missing and differing, those that the database did not take.
    """

    start_s: int
    end_s: int
    heater: str
    ledger: Sums
    database: Sums
    to_be_sent: int = 0
    missing: int = 0
    differing: int = 0
    extra: int = 0
    refused: int = 0

    @property
    def equal(self) -> bool:
        return not (self.missing or self.differing or self.extra)


@dataclass(frozen=True, slots=True)
class Reconciliation:
    """rows: by month and heater, ascending; missing, differing: the intervals to send again; extra: start and heater of
    the points that the ledger does not have."""

    zone: ZoneInfo
    from_s: int
    to_s: int
    rows: tuple[MonthRow, ...]
    missing: tuple[OutboxKey, ...]
    differing: tuple[OutboxKey, ...]
    extra: tuple[tuple[int, str], ...]

    @property
    def equal(self) -> bool:
        return not (self.missing or self.differing or self.extra)

    @property
    def to_be_sent(self) -> int:
        return sum(row.to_be_sent for row in self.rows)


@dataclass(slots=True)
class _Month:
    rows: dict[str, MonthRow]
    missing: list[OutboxKey]
    differing: list[OutboxKey]
    extra: list[tuple[int, str]]

    @property
    def equal(self) -> bool:
        return not (self.missing or self.differing or self.extra)


def months(ledger: Ledger, zone: ZoneInfo, from_s: int | None, to_s: int | None, now_s: int) -> list[tuple[int, int]]:
    """The local months that cut the span: [from_s, to_s), else from the first booked interval to now_s or the last."""
    spans = ledger.heater_spans()
    if not spans and (from_s is None or to_s is None):
        return []
    first_s = from_s if from_s is not None else min(span.first_s for span in spans)
    last_s = to_s if to_s is not None else max(now_s, *(span.end_s for span in spans))
    return list(pairwise(bounds("month", first_s, last_s, zone, ledger.facts().interval_s)))


def reconcile(
    ledger: Ledger,
    reader: Reader,
    home: str,
    spans: list[tuple[int, int]],
    pause: Callable[[float], None],
) -> Iterator[_Month]:
    """Each month's comparison. A month that differs is read a second time, once the database has settled.

    By then the database shows what it took last, and what was settled between the two readings is no stranger.
    pause: waits so many seconds. Raises ReadFailed, LedgerError.
    """
    waited = False
    for start_s, end_s in spans:
        month = _compare(ledger, reader, home, start_s, end_s)
        if not month.equal:
            # What was under way when we began settles once and for all; in the last month the daemon goes on sending.
            if not waited or (start_s, end_s) == spans[-1]:
                reader.settle(pause)
                waited = True
            month = _compare(ledger, reader, home, start_s, end_s)
        yield month


def joined(zone: ZoneInfo, spans: list[tuple[int, int]], found: Iterator[_Month]) -> Reconciliation:
    """All months' comparisons as one."""
    rows: list[MonthRow] = []
    missing: list[OutboxKey] = []
    differing: list[OutboxKey] = []
    extra: list[tuple[int, str]] = []
    for month in found:
        rows += (month.rows[heater] for heater in sorted(month.rows))
        missing += month.missing
        differing += month.differing
        extra += month.extra
    from_s, to_s = (spans[0][0], spans[-1][1]) if spans else (0, 0)
    return Reconciliation(zone, from_s, to_s, tuple(rows), tuple(missing), tuple(differing), tuple(extra))


def _compare(ledger: Ledger, reader: Reader, home: str, start_s: int, end_s: int) -> _Month:
    # The ledger first: what leaves the outbox later is then waited for, not missed.
    with ledger.still():
        entries = {(entry.start_s, entry.heater): entry for entry in ledger.entries(start_s, end_s)}
        keys = {key[:2]: key for key in ledger.entry_keys(start_s, end_s)}
        waiting = {key[:2] for key in ledger.outbox_keys(start_s, end_s)}
        refused = {one.key[:2] for one in ledger.refused(start_s, end_s)}
    held = reader.read(home, start_s, end_s)
    month = _Month({}, [], [], [])
    for place in sorted(entries.keys() | held.keys()):
        at_s, heater = place
        row = month.rows.setdefault(heater, MonthRow(start_s, end_s, heater, Sums(), Sums()))
        if place in waiting:
            row.to_be_sent += 1
            continue
        entry, fields = entries.get(place), held.get(place)
        if fields is not None:
            row.database.add(
                round(fields.get("diverted_wh", 0)),
                _micro(fields.get("given_up", 0.0)),
                _micro(fields.get("avoided", 0.0)),
            )
        if entry is None:
            row.extra += 1
            month.extra.append((at_s, heater))
            continue
        row.ledger.add(entry.diverted_wh, entry.given_up_micro, entry.avoided_micro)
        if fields is None:
            row.missing += 1
            month.missing.append(keys[place])
        elif _differs(entry, fields, home):
            row.differing += 1
            month.differing.append(keys[place])
        else:
            continue
        row.refused += place in refused
    return month


def _differs(entry: Entry, held: dict[str, float], home: str) -> bool:
    """Whether a field of ours is not there or another, to the millionth.

    A field we do not send, such as a price no longer known, may stay from an older version: no sending takes it away.
    Points of the first version lack some fields; that is a difference only where they would have said something.
    """
    return any(
        _micro(value) != _micro(held[name]) if name in held else not _may_lack(name, value)
        for name, value in point(entry, home).fields.items()
    )


def _may_lack(name: str, value: float) -> bool:
    return name in LATER and (value == 0 or name == "used")


def _micro(value: float) -> int:
    return round(value * _MILLIONTH)


def total(rows: tuple[MonthRow, ...]) -> MonthRow:
    """The rows' sum, under no heater's name."""
    whole = MonthRow(rows[0].start_s if rows else 0, rows[-1].end_s if rows else 0, "", Sums(), Sums())
    for row in rows:
        for side, added in ((whole.ledger, row.ledger), (whole.database, row.database)):
            for name in (field.name for field in fields(Sums)):
                setattr(side, name, getattr(side, name) + getattr(added, name))
        for name in COUNTS:
            setattr(whole, name, getattr(whole, name) + getattr(row, name))
    return whole


COUNTS = ("to_be_sent", "missing", "differing", "extra", "refused")
"""A row's counts of intervals, by name."""
