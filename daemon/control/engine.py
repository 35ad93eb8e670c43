"""Board, rules and books in one step. Live, demo and replay all run through here; only clock and readings differ."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from accounting.books.booking import Books
from accounting.valuation.historical_shares import Past
from daemon.control.signal_state import NO_HEATING_TIMES, Board, Ranges, Wiring
from rules.decision.deadlines import due
from rules.decision.decide import decide
from rules.decision.explain import Explanation, explain
from rules.decision.lull import Lull, lull
from rules.model.memory import Memory
from rules.model.orders import Decision
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from rules.model.record import record
from rules.model.settings import Settings
from rules.model.snapshot import Prices, Snapshot
from rules.planning.heating_times import heating_times
from rules.tank.hot_throughout import carried_over, dated, undated

_SET_S = 1.0
"""By how much the wall clock may move against the forward clock before what was planned by it is looked at anew, s."""


@dataclass(slots=True)
class OrderTally:
    """How long each order stood and each guard decided, s, and how often the order changed; of the leading heater."""

    changes: int = 0
    by_order: dict[str, float] = field(default_factory=dict)
    by_guard: dict[str, float] = field(default_factory=dict)

    def stood(self, decision: Decision, seconds: float) -> None:
        """Count the time a decision stood."""
        lead = decision.lead
        self.by_order[lead.order.value] = self.by_order.get(lead.order.value, 0.0) + seconds
        self.by_guard[lead.guard] = self.by_guard.get(lead.guard, 0.0) + seconds


@record
class Steady:
    """What rows of readings may hold while there is nothing to decide.

    ranges, step: as `Still` has them; until_s: the rows' instants lie before it, UTC seconds; first_by_s: the first is
    no later than this, and none is further apart from the one before than apart_s.
    """

    ranges: Ranges
    step: tuple[str, float, float]
    until_s: float
    first_by_s: float
    apart_s: float


class Engine:
    """The state of one house between two events. Not thread-safe: its owner alone touches it."""

    def __init__(self, settings: Settings, board: Board, books: Books, memory: Memory) -> None:
        self.settings = settings
        self.board = board
        self.books = books
        self.memory = memory
        self.tally = OrderTally()
        self.dated = True
        """Whether readings can be dated, so that the books may take them."""
        self.clock_right = True
        """Whether the wall clock is believed. While it is not, nothing is heated on purpose: for a plan, hygiene or a
        return; and none of what the rules remember is dated by it."""
        self.books_apart = False
        """Whether someone else hands the readings to the books, many together."""
        self.lulls = True
        """Whether the rules are left unasked where nothing can change (see rules.decision.lull): the same decisions."""
        self.prices = Prices(until_s=float("-inf"))
        self.due_s = float("inf")
        self._priced_at_s = float("inf")
        self._times = NO_HEATING_TIMES
        self._times_at_s = float("inf")
        self._snapshot: Snapshot | None = Snapshot()
        self._lull: Lull | None = None
        self._signals = 0  # heard of when the lull began
        self._offset_s = 0.0  # of the wall clock from the forward clock then
        self._planned_from_s = self._planned_until_s = 0.0  # UTC seconds: the prices and heating times of then hold
        self._stands_since_s = 0.0
        self._ordered: Decision | None = None  # what the board was given last

    @property
    def decision(self) -> Decision | None:
        """The standing decision; None before the first event."""
        return self.memory.decision

    def adopt(self, settings: Settings, wiring: Wiring) -> None:
        """Take changed rules; what is known and remembered stays. The owner decides again at once.

        wiring: made anew with them, for the tank's figures and the heaters' order; the signals are the same.
        Where the levels of the full rule changed, whether the tank counts as full is judged anew by them.
        """
        full, was = settings.full, self.settings.full
        if (full.stop_at_pct, full.resume_below_pct) != (was.stop_at_pct, was.resume_below_pct):
            self.memory = replace(self.memory, full_since_s=None)
        self.memory = replace(self.memory, hygiene=carried_over(self.memory.hygiene, self.settings, settings))
        if settings.watching:
            self._ordered = None
            self.board.left_alone()
        self.settings = settings
        self.board.adopt(settings, wiring)
        self.prices = Prices(until_s=float("-inf"))
        self._times_at_s = float("inf")

    def go_by(self, past: Past) -> None:
        """Take what the home's past shows by now of what it would have used."""
        if self.books.go_by(past):
            self.prices = Prices(until_s=float("-inf"))

    def hear(self, readings: Iterable[Reading], now: Moment) -> Decision:
        """Take one message's readings, and decide."""
        note, books = self.board.note, self.books
        booked, prices = (books.notes, books.price_signals) if self.dated and not self.books_apart else ({}, ())
        for reading in readings:
            note(reading)
            book = booked.get(reading.signal)
            if book is not None and reading.seen_s != NEVER_LIVE_S:
                book((reading.at_s,), (reading.value,))
                if prices and reading.signal in prices:
                    self.prices = Prices(until_s=float("-inf"))
        self.board.update()
        return self.decide(now)

    def steady(self, now_s: float) -> Steady | None:
        """What the next rows may hold to be heard together later (`hear_all`); None where the next one may matter.

        now_s: of the last reading heard, by a clock that shows UTC seconds on both faces, as a recording's does.
        """
        known = self._lull
        if known is None:
            return None
        due_s = self._lulled_until_s(known, Moment(now_s, now_s))
        still = self.board.steady(known) if due_s is not None else None
        if due_s is None or still is None or not self.books.price_signals.isdisjoint(self.board.latest):
            return None
        until_s = min(still.until_s, known.until_s, self._planned_until_s)
        if not now_s < until_s:
            return None
        return Steady(still.ranges, still.step, until_s, due_s, min(known.level_age_s, known.surplus_age_s))

    def hear_all(self, seen_s: Sequence[float], values: Mapping[str, Sequence[float]]) -> None:
        """Hear rows (at least one) that are `steady`, in order of time. values: by signal, of each row one; all of
        signals that had been heard. It is as if each row had been heard in its time; the books are the caller's."""
        self.board.hear_all(seen_s, values)
        self.decide(Moment(seen_s[-1], seen_s[-1]))

    def decide(self, now: Moment) -> Decision:
        """Decide on what is known now; after it, `due_s` is when time alone may change the answer."""
        known = self._lull
        if known is not None:
            due_s = self._lulled_until_s(known, now)
            if due_s is not None:
                assert self.memory.decision is not None
                self.due_s, self._snapshot = due_s, None
                return self.memory.decision
        if not self._priced_at_s <= now.utc_s < self.prices.until_s:  # before: the machine's clock was set back
            self.prices = self.books.prices_at(now.utc_s)
            self._priced_at_s = now.utc_s
        self._look_ahead(now)
        board, standing = self.board, self.memory.decision
        snapshot = self._snapshot = board.snapshot(self.prices, self._times)
        hygiene = self.memory.hygiene
        decision, self.memory = decide(snapshot, self.settings, self.memory, now)
        if not self.clock_right and self.memory.hygiene is not hygiene:
            self.memory = replace(self.memory, hygiene=undated(self.memory.hygiene, hygiene))
        self.due_s = due(snapshot, self.settings, self.memory, now)
        if decision is not self._ordered and not self.settings.watching:  # at a beginning of control it stands already
            board.ordered(decision, now.mono_s)
            self._ordered = decision
        if decision is not standing:
            if standing is None:
                self._stands_since_s = now.mono_s
            else:
                self.count_up_to(now, standing)
                self.tally.changes += decision.lead.order is not standing.lead.order
        self._lull = lull(snapshot, self.settings, self.memory, now) if self.lulls else None
        self._signals, self._offset_s = len(board.latest), now.utc_s - now.mono_s
        self._planned_from_s = max(self._priced_at_s, self._times_at_s)
        self._planned_until_s = min(self.prices.until_s, self._times.until_s)
        return decision

    def _look_ahead(self, now: Moment) -> None:
        """See to when the tank is to be heated on purpose."""
        hygiene = self.memory.hygiene
        if not self.clock_right:
            if self.memory.planned is not None:
                self.memory = replace(self.memory, planned=None)
            if self._times is not NO_HEATING_TIMES:
                self._times, self._lull = NO_HEATING_TIMES, None
            self._times_at_s = float("inf")
            return
        if hygiene is not None and self.dated and (record := dated(hygiene, now)) is not hygiene:
            self.memory = replace(self.memory, hygiene=record)
            self._times_at_s = float("inf")
        if not self._times_at_s <= now.utc_s < self._times.until_s:
            standing = self.memory.begun if self._times is NO_HEATING_TIMES else self._times
            self._times = heating_times(self.settings, self.memory.hygiene, now, self._import_price_at, standing)
            self._times_at_s = now.utc_s
            self._lull = None
            if (begun := self._times.begun(now.utc_s)) != self.memory.begun:
                self.memory = replace(self.memory, begun=begun)

    def _import_price_at(self, utc_s: float) -> Fraction | None:
        """The price of a kWh bought, as far as it is known now."""
        imports = self.books.settings.imports
        return None if imports is None else imports.price_at(utc_s)

    def _lulled_until_s(self, known: Lull, now: Moment) -> float | None:
        """When the lull may end by time alone; None where it has ended, or what it rests on is another by now."""
        board = self.board
        if (
            not self.clock_right
            or not self._planned_from_s <= now.utc_s < self._planned_until_s
            or known.memory is not self.memory
            or known.settings is not self.settings
            or known.prices is not self.prices
            or self._signals != len(board.latest)
            or not -_SET_S <= now.utc_s - now.mono_s - self._offset_s <= _SET_S
        ):
            return None
        return known.due_s(
            board.level, board.surplus, board.mean_w, board.measured(0), board.level_taken_wh, now.mono_s
        )

    def count_up_to(self, now: Moment, standing: Decision) -> None:
        """Count in the tally how long a decision has stood by now."""
        self.tally.stood(standing, now.mono_s - self._stands_since_s)
        self._stands_since_s = now.mono_s

    def explain(self, now: Moment, heater: str | None = None) -> Explanation:
        """Every guard's finding on what was known at the last decision; heater: None for the leading one."""
        return explain(self.snapshot, self.settings, self.memory, now, heater)

    @property
    def snapshot(self) -> Snapshot:
        """What the last decision was made on."""
        if self._snapshot is None:
            self._snapshot = self.board.snapshot(self.prices, self._times)
        return self._snapshot
