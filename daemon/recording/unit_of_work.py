"""Everything that is written down: what the books settle, what was decided, what was heard. One commit for all of it.

What could not be written stays here and goes with the next commit: a disk that fails stops no control. (One that hangs
does: the commit is the loop's own. The orders are then no longer sent again.)
"""

import logging
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from math import inf
from pathlib import Path
from typing import Any, Literal

from accounting.books.booking import Books
from accounting.ledger import (
    Batch,
    DecisionRow,
    EventRow,
    LedgerError,
    LedgerWriter,
    OutboxItem,
    OutboxKey,
    Refused,
)
from accounting.ledger.reading import BEFORE_ALL
from accounting.ledger.records import OWNERS
from accounting.ledger.tape import TapeRecorder
from accounting.model.entry import Entry, Quarantined, TankEntry
from accounting.valuation.historical_shares import Past, read_past
from accounting.valuation.settings import TankBooks
from daemon.control.engine import Engine
from daemon.recording import last_heard
from daemon.recording.memory_codec import lasting, written
from daemon.recording.todays_value import TodaysValue
from daemon.timing.clock_trust import EARLIEST_S
from rules.decision.explain import Explanation
from rules.model.orders import Order
from rules.model.reading import NEVER_LIVE_S, Moment, Reading

log = logging.getLogger(__name__)

LONGEST_INTERVAL_S = 3600
METER = "meter"
MEMORY = "memory"
QUIET_S = 1800.0
"""Longest time between two writes while nothing but time has passed: a card wears with every one of them."""

FRESH_S = 5.0
"""The ledger's age, s, that is good enough for who reads it: questions in a row write no more often."""

AT_ONCE = 200
"""Intervals of each heater to settle in one step: months that a counter tells of at once must not hold an order up."""

LEDGER = "ledger"
MOST_ROWS = 2000
"""Decisions and, beside them, events that wait for a ledger that fails."""
MOST_MINUTES = 2880
"""Minutes of tape that wait for it: two days."""

FEW = 100
"""Keys struck off in memory alone that a restart may send again."""


def quarantine_event(item: Quarantined, at_s: float) -> EventRow:
    """Energy set aside, as an event."""
    figures = {"heater": item.heater, "from_s": item.from_s, "to_s": item.to_s, "wh": item.wh}
    return EventRow(at_s, f"quarantine.{item.heater}", "quarantine", f"{item.heater}: {item.why}", figures)


def _standing(engine: Engine) -> object:
    """All that a restart needs but the time: where the counters stand, the prices heard, what the rules remember."""
    return engine.books.marks(), engine.books.prices_heard(), lasting(engine.memory)


def _unheard(engine: Engine) -> int:
    """How many heaters' meters have never had a reading."""
    return sum(not mark for mark in engine.books.marks())


class Keeper:
    """Owns the ledger's write connection, on the loop's thread. fault: why the last commit failed, or ""; also: what
    else of the working state is to be written."""

    def __init__(self, ledger: LedgerWriter) -> None:
        self.fault = ""
        self.written_at_s: float | None = None
        self._ledger = ledger
        self._tape = TapeRecorder()
        self._entries: list[Entry] = []
        self._tank: list[TankEntry] = []
        self._decisions: list[DecisionRow] = []
        self._events: list[EventRow] = []
        self._delivered: list[OutboxKey] = []
        self._refused: list[Refused] = []
        self._again: list[OutboxKey] = []
        self._today = TodaysValue(ledger)
        self._last_orders: dict[str, Order] = {}
        self._turned = False
        self._unheard = inf
        self._stood: object = None
        self._alarmed = False
        self._let_go: Counter[str] = Counter()
        self.also: Callable[[], Mapping[str, Any]] = dict

    @property
    def path(self) -> Path:
        """The ledger's file."""
        return self._ledger.path

    def record(self, readings: Iterable[Reading]) -> None:
        """Put what was heard live on the tape."""
        for reading in readings:
            if reading.seen_s != NEVER_LIVE_S:
                self._tape.note(reading.signal, reading.at_s, reading.value)

    def decided(self, explanation: Explanation, now: Moment) -> None:
        """Note a heater's changed order with all that was found."""
        self._turned |= self._last_orders.get(explanation.heater) is not explanation.order
        self._last_orders[explanation.heater] = explanation.order
        self._decisions.append(
            DecisionRow(
                at_s=now.utc_s,
                heater=explanation.heater,
                order=explanation.order,
                watts=explanation.watts,
                guard=explanation.primary.guard,
                sentence=explanation.text,
                change=explanation.change,
                findings=explanation.findings,
            )
        )

    def event(
        self,
        kind: Literal["alarm", "recovered", "quarantine", "note"],
        name: str,
        sentence: str,
        now: Moment,
        figures: Mapping[str, Any] | None = None,
    ) -> None:
        """Note something that is to be said once."""
        self._events.append(EventRow(now.utc_s, name, kind, sentence, figures or {}))

    def events(self, rows: Iterable[EventRow]) -> None:
        """Note events that are made elsewhere."""
        self._events += rows

    def owners_notes(self) -> list[EventRow]:
        """The owner's notes and what withdrew them, written or waiting. Raises LedgerError."""
        waiting = [row for row in self._events if row.name.startswith(OWNERS)]
        return [*self._ledger.events(-inf, inf, f"{OWNERS}*"), *waiting]

    def delivered(self, keys: Iterable[OutboxKey]) -> None:
        """The time-series server has these: strike them off at the next commit."""
        self._delivered += keys

    def refused(self, refused: Iterable[Refused]) -> None:
        """The time-series server will not take these: set them aside at the next commit."""
        self._refused += refused

    def again(self, keys: Iterable[OutboxKey]) -> None:
        """The time-series server may have lost these, or a person wishes it: send them again."""
        self._again += keys

    def redate(self, now: Moment) -> None:
        """Date what waits from before the clock was right: it happened by now, more is not known of what bears a date
        that cannot be, or one that is still to come."""

        def dated(at_s: float) -> float:
            return at_s if EARLIEST_S <= at_s <= now.utc_s else now.utc_s

        self._decisions = [replace(row, at_s=dated(row.at_s)) for row in self._decisions]
        self._events = [replace(row, at_s=dated(row.at_s)) for row in self._events]

    def settled_from(self, start_s: float) -> list[Entry] | None:
        """The current entries that end after start_s (UTC seconds), written or waiting; None if they cannot be read."""
        try:
            written = self._ledger.entries(start_s - LONGEST_INTERVAL_S, float("inf"))
        except LedgerError as failed:
            self._failed(failed)
            return None
        rows = {(entry.start_s, entry.heater): entry for entry in (*written, *self._entries)}
        return [entry for entry in rows.values() if entry.end_s > start_s]

    def past(self, books: Books) -> Past:
        """What the home's past shows by now, for the shares of what is displaced; what it showed, while it cannot be
        read."""
        try:
            return read_past(books.settings, self._ledger, books.past)
        except LedgerError as failed:
            self._failed(failed)
            return books.past

    def begin(self, engine: Engine, now: Moment) -> None:
        """Write at once after a start, and when a heater's first reading ever has come: its energy counts from it."""
        if self._unheard and _unheard(engine) < self._unheard:
            self.commit(engine, now)

    def settle(self, engine: Engine, now: Moment) -> None:
        """Book the intervals that are complete; write if there are any, or if an order has changed since the last
        write: what a run of the heater took is safe soon after its end."""
        if self._turned or engine.books.next_settle_s() <= now.utc_s:
            self.commit(engine, now)

    def flush(self, engine: Engine, now: Moment) -> None:
        """Write while a heater is permitted, if anything has changed that a restart could not find out again, or after
        QUIET_S.

        A few keys that were delivered can wait: what is sent twice changes nothing.
        """
        quiet_s = now.utc_s - self.written_at_s if self.written_at_s is not None else QUIET_S
        waiting = self._entries or self._tank or self._decisions or self._events or self._refused or self._again
        many = len(self._delivered) > FEW
        on = any(order is not Order.WITHHOLD for order in self._last_orders.values())
        if on or waiting or many or self.fault or not 0 <= quiet_s < QUIET_S or self._stood != _standing(engine):
            self.commit(engine, now)

    def freshen(self, engine: Engine, now: Moment) -> None:
        """Write for somebody who is about to read the ledger, unless that was done a moment ago or nothing is new: so
        that there is one figure for the interval in progress, whoever is asked."""
        since_s = now.utc_s - self.written_at_s if self.written_at_s is not None else FRESH_S
        on = any(order is not Order.WITHHOLD for order in self._last_orders.values())
        if not 0 <= since_s < FRESH_S and (on or self._entries or self._stood != _standing(engine)):
            self.commit(engine, now)

    def commit(self, engine: Engine, now: Moment) -> None:
        """Write all that waits, with the working state that belongs to it, in one transaction."""
        books = engine.books
        self._entries += books.settle(now.utc_s, AT_ONCE)
        self._tank += books.tank_entries()
        self._events += [quarantine_event(item, now.utc_s) for item in books.quarantined()]
        tape = self._tape.take(now.utc_s)
        self._turned = False
        self._unheard = _unheard(engine)
        self._stood = _standing(engine)
        batch = Batch(
            now.utc_s,
            entries=tuple(self._entries),
            open_entries=tuple(books.open_entries(now.utc_s, AT_ONCE)),
            tank=tuple(self._tank),
            decisions=tuple(self._decisions),
            events=(*self._events, *self._recovered(now)),
            state={
                METER: books.state(),
                MEMORY: written(engine.memory, engine.settings, now),
                last_heard.LAST_HEARD: last_heard.written(engine.board.latest),
                **self.also(),
            },
            tape=tape,
            delivered=tuple(self._delivered),
            refused=tuple(self._refused),
            again=tuple(self._again),
        )
        try:
            self._ledger.commit(batch)
        except LedgerError as failed:
            if tape is not None:
                self._tape.put_back(tape)
            if not self._alarmed:
                self.event("alarm", LEDGER, str(failed), now)
                self._alarmed = True
            self._failed(failed)
            self._bound()
            return
        if self.fault:
            log.warning("ledger=written again")
        self.fault = ""
        self._alarmed = False
        self._let_go.clear()
        self.written_at_s = now.utc_s
        for waiting in (
            self._entries,
            self._tank,
            self._decisions,
            self._events,
            self._delivered,
            self._refused,
            self._again,
        ):
            waiting.clear()
        self._today.read_again()

    def outbox(self, limit: int) -> list[OutboxItem]:
        """Entries still to be sent, those dealt with but not yet committed left out; none while they cannot be read.

        What was dealt with since the last commit is passed over as a stretch, not one by one: it can be thousands. What
        lies in that stretch and was not dealt with has its turn after the commit.
        """
        dealt_with = [*self._delivered, *(refused.key for refused in self._refused)]
        after = max((key[:2] for key in dealt_with), default=BEFORE_ALL)
        try:
            return self._ledger.outbox_peek(limit, after)
        except LedgerError as failed:
            self._failed(failed)
            return []

    def revised(self) -> None:
        """Settled intervals have other values now."""
        self._today.read_again()

    def prune(self, tape_s: float, decisions_s: float, events_s: float) -> None:
        """Let go what is older than these, UTC seconds: a bite of each, so that the loop is soon free again."""
        try:
            self._ledger.prune("tape", tape_s)
            self._ledger.prune("decision", decisions_s)
            self._ledger.prune("event", events_s)
        except LedgerError as failed:
            self._failed(failed)

    def _recovered(self, now: Moment) -> list[EventRow]:
        """What is to be said once the ledger takes what waits: that it does, and what did not wait so long."""
        if not self._alarmed:
            return []
        gone = ", ".join(f"{count} {what}" for what, count in self._let_go.items())
        said = "the ledger is written again" + (f"; let go meanwhile, the oldest first: {gone}" if gone else "")
        return [EventRow(now.utc_s, LEDGER, "recovered", said, {"let_go": dict(self._let_go)})]

    def _bound(self) -> None:
        """Keep what waits for a failing ledger small: the newest stays. No energy goes: entries, and events that set
        some aside, stay all."""
        more = len(self._decisions) - MOST_ROWS
        if more > 0:
            del self._decisions[:more]
            self._let_go["decisions"] += more
        plain = [row for row in self._events if row.kind != "quarantine" and row.name != LEDGER]
        if len(plain) > MOST_ROWS:
            gone = {id(row) for row in plain[:-MOST_ROWS]}
            self._events = [row for row in self._events if id(row) not in gone]
            self._let_go["events"] += len(gone)
        minutes = self._tape.keep_newest(MOST_MINUTES)
        if minutes:
            self._let_go["minutes of tape"] += minutes
        self._again = list(dict.fromkeys(self._again))

    def _failed(self, failed: LedgerError) -> None:
        """The heaters are looked after all the same; said once, until a commit succeeds."""
        if not self.fault:
            log.error("ledger=failing %s", failed)
        self.fault = str(failed)

    def today(self, engine: Engine, now: Moment) -> dict[str, Any]:
        """What has been diverted since local midnight, settled or not, and what it was worth. Raises LedgerError."""
        return self._today.figures(engine, self._entries, now)

    def measure_used(self, tank: TankBooks | None) -> None:
        """From now on today's heat counts as used as far as the stock of this tank measures it; None: as booked."""
        self._today.measure_used(tank)

    def health(self) -> dict[str, Any]:
        """How the books are."""
        return {
            "ledger": str(self._ledger.path),
            "written_at_s": self.written_at_s,
            "fault": self.fault,
            "outbox": self._ledger.outbox_depth() - len({*self._delivered, *(one.key for one in self._refused)}),
            "refused": self._refusals(),
        }

    def _refusals(self) -> dict[str, Any]:
        """How many intervals the time-series server will not take, and why the oldest."""
        oldest = self._ledger.refused(limit=1)
        return {"count": self._ledger.refused_count(), "why": oldest[0].why if oldest else ""}

    def close(self) -> None:
        """Let the ledger go."""
        self._ledger.close()
