"""The plain data that goes into the ledger and comes out of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from accounting.model.entry import Entry, TankEntry
from rules.model.orders import Finding, Order


@dataclass(frozen=True, slots=True)
class Facts:
    """What the ledger is about.

    currency and interval_minutes (15, 30 or 60) can never change; heaters: the names of those in use.
    """

    name: str
    interval_minutes: int
    currency: str
    timezone: str
    heaters: tuple[str, ...] = ()

    @property
    def interval_s(self) -> int:
        return self.interval_minutes * 60


class OutboxKey(NamedTuple):
    """One version of one entry, as it was sent, so that a newer version is not struck off with it."""

    start_s: int
    heater: str
    version: int


class OutboxItem(NamedTuple):
    """An entry still to be sent (without its postings)."""

    key: OutboxKey
    entry: Entry


class Refused(NamedTuple):
    """A version of an entry that the time-series server will not take, set aside; why: in its own words."""

    key: OutboxKey
    why: str


class Restatement(NamedTuple):
    """One restatement: why it was made, of which intervals (those that start in [from_s, to_s), UTC seconds).

    at_s: when it was begun; done_at_s: since when its versions count (None: not done yet, none of them does);
    intervals: how many it revised.
    """

    number: int
    at_s: float
    why: str
    from_s: int
    to_s: int
    done_at_s: float | None
    intervals: int


class JournalLine(NamedTuple):
    """One posting of one version of an entry: a heater's, or, with heater "", the tank's. See `Posting`, `Version`."""

    start_s: int
    interval_s: int
    heater: str
    version: int
    line: int
    account: str
    wh: int
    micro: int
    mg: int
    booked_at_s: float
    replaced_at_s: float | None
    restatement: int | None
    reason: str


class Version(NamedTuple):
    """One version of an interval's entry. booked_at_s, replaced_at_s: UTC seconds (None: nothing newer stands);
    restatement: the number of the one that wrote it, if one did."""

    entry: Entry
    version: int
    booked_at_s: float
    replaced_at_s: float | None
    restatement: int | None


@dataclass(frozen=True, slots=True)
class DecisionRow:
    """A heater's order changed at at_s (UTC seconds): what it became, what decided it, and all that was found.

    sentence: the whole of it as people read it, with `change`; why: the deciding guard's own sentence alone.
    """

    at_s: float
    heater: str
    order: Order
    watts: int | None
    guard: str
    sentence: str
    change: str = ""
    findings: tuple[Finding, ...] = ()

    @property
    def why(self) -> str:
        return next((found.sentence for found in self.findings if found.guard == self.guard), self.sentence)


OWNERS = "owner."
"""What the names of the owner's own events begin with. They are never let go."""


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something worth a record, at at_s (UTC seconds).

    name: which thing ("heater.main.idle"); figures: JSON values with units in their names.
    """

    at_s: float
    name: str
    kind: Literal["alarm", "recovered", "quarantine", "note"]
    sentence: str
    figures: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TapeChunk:
    """Recorded minutes as compressed CSV; from_s, to_s: UTC seconds of the first and last row; rows: how many."""

    from_s: int
    to_s: int
    rows: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Batch:
    """All that one transaction writes.

    at_s: UTC seconds, the instant up to which the house is known; entries are booked at it.
    entries: settled intervals, new or revised; one equal to its current version is not written again.
    open_entries: the whole picture of unsettled intervals, in place of the last one (None: leave it).
    tank: the tank's settled intervals, likewise. state: JSON values by key. delivered: struck off the outbox. refused:
    struck off it too, and set aside. again: put back into the outbox.
    """

    at_s: float
    entries: tuple[Entry, ...] = ()
    open_entries: tuple[Entry, ...] | None = None
    tank: tuple[TankEntry, ...] = ()
    decisions: tuple[DecisionRow, ...] = ()
    events: tuple[EventRow, ...] = ()
    state: Mapping[str, Any] = field(default_factory=dict)
    tape: TapeChunk | None = None
    delivered: tuple[OutboxKey, ...] = ()
    refused: tuple[Refused, ...] = ()
    again: tuple[OutboxKey, ...] = ()
