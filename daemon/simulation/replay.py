"""Recorded readings taken as fact, through the same rules and the same books."""

from collections.abc import Callable
from dataclasses import replace
from math import inf
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from accounting.books.booking import Books
from accounting.ledger import Batch
from accounting.model.entry import Entry
from accounting.model.periods import month_start_s
from accounting.valuation.historical_shares import Record, month_of, read_past
from accounting.valuation.settings import PowerSignal
from daemon.assembly.prepared_home import PreparedHome
from daemon.control.engine import Engine
from daemon.control.signal_state import Board
from daemon.documents.hygiene_document import hygiene_answer
from daemon.inputs.readings_file import OP, ReadingsFile, readings_of
from daemon.recording.unit_of_work import quarantine_event
from daemon.simulation.kept_for_books import KeptForBooks, can_wait
from daemon.simulation.quiet_rows import QuietRows
from rules.model.errors import BrimfulError
from rules.model.memory import Memory
from rules.model.reading import Moment

COMMIT_EVERY = 1500
"""Entries to a transaction: about a month of half hours."""
TELL_EVERY_S = 86_400.0
"""Of the recorded time, how often its progress is reported."""


class Keeps(Record, Protocol):
    """Where a replay's books go, and where their past is found: a ledger; or nowhere, with the past of another."""

    def commit(self, batch: Batch) -> object:
        """Keep all of it."""


class Replay:
    """One run through a readings file; afterwards `engine.tally` and the ledger hold the result.

    raised: signals recorded more coarsely than their `stale_after_s`, and the age from which their readings are taken
    as stale instead: a recording cannot show that a signal fell silent between two of its rows. ignored: columns that
    the home file does not name, and that the daemon would not have heard. quarantined_wh: energy set aside.
    """

    def __init__(self, made: PreparedHome, readings: ReadingsFile, ledger: Keeps) -> None:
        self._readings = readings
        self._ledger = ledger
        known = made.home.signals
        self.ignored = [name for name in readings.signals if name not in known]
        self.raised = {
            name: 1.5 * step_s
            for name, step_s in readings.step_s.items()
            if step_s is not None and name in known and step_s >= made.rules.stale_after_s[name]
        }
        rules = replace(made.rules, stale_after_s={**made.rules.stale_after_s, **self.raised})
        heaters = tuple(
            replace(heater, stale_after_s=self.raised.get(heater.power or "", heater.stale_after_s))
            for heater in made.books.heaters
        )
        grid, battery = self._held(made.books.grid_power), made.books.battery
        if battery is not None:
            power = self._held(battery.power) or battery.power
            battery = replace(battery, power=power, level=self._held(battery.level))
        tank = made.books.tank
        if tank is not None:
            level = "tank_level_pct" if tank.level else tank.temperatures[0]
            tank = replace(tank, stale_after_s=self.raised.get(level, tank.stale_after_s))
        books = Books(replace(made.books, heaters=heaters, tank=tank, grid_power=grid, battery=battery))
        matter = made.wiring.used | books.signals | {rules.yields.signal if rules.yields is not None else ""}
        self._wanted = [name for name in readings.signals if name in known and name in matter]
        self.engine = Engine(rules, Board(rules, made.wiring), books, Memory())
        self.keeps_back = True
        """Whether rows that matter to nobody yet are heard together, and booked together, later: the same result."""
        self._looks_back_s = inf if made.books.past_timezone is None else -inf
        self.rows = 0
        self.from_s = self.to_s = 0.0
        self.quarantined_wh = 0

    def _held(self, power_signal: PowerSignal | None) -> PowerSignal | None:
        """A signal of the books, held for as long as this recording needs."""
        if power_signal is None:
            return None
        return replace(power_signal, stale_after_s=self.raised.get(power_signal.signal, power_signal.stale_after_s))

    def run(self, progress: Callable[[float], None] = lambda _: None) -> None:
        """Go through the file. progress: called, now and then, with the UTC second reached. Raises BrimfulError."""
        engine, books = self.engine, self.engine.books
        waiting: list[Entry] = []
        now_s: float | None = None
        reported_s = -inf
        engine.books_apart = self.keeps_back and can_wait(books, self._wanted)
        quiet, kept = QuietRows(engine, self._wanted), KeptForBooks(books, self._wanted)
        for at_s, values in self._readings.values(self._wanted):
            self.rows += 1
            is_quiet = quiet.takes(at_s, values)
            if is_quiet:
                now_s = at_s
            else:
                quiet.release()
                if now_s is None:
                    self.from_s = now_s = at_s
                elif at_s > now_s:
                    now_s = at_s
                    while engine.due_s < now_s:
                        engine.decide(Moment(engine.due_s, engine.due_s))
                engine.hear(readings_of(self._wanted, values, at_s), Moment(now_s, now_s))
            may_settle = kept.hands_over(at_s, values) if engine.books_apart else True
            if may_settle and now_s >= books.next_settle_s():
                waiting += books.settle(now_s)
                if len(waiting) >= COMMIT_EVERY:
                    self._commit(waiting, now_s)
                    waiting = []
                if now_s - reported_s >= TELL_EVERY_S:
                    reported_s = now_s
                    progress(now_s)
            if is_quiet:
                continue
            if now_s >= self._looks_back_s:
                kept.hand_over()
                self._commit([*waiting, *books.settle(now_s)], now_s)
                waiting = []
                self._look_back(now_s)
            if engine.books_apart:
                quiet.look(now_s, self._looks_back_s)
        quiet.release()
        kept.hand_over()
        if now_s is None or engine.decision is None:
            raise BrimfulError(OP, self._readings.name, "expected at least one row, got none")
        self.to_s = now_s
        engine.count_up_to(Moment(now_s, now_s), engine.decision)
        self._commit([*waiting, *books.settle(now_s)], now_s)

    @property
    def hygiene(self) -> dict[str, Any] | None:
        """When the whole tank was hot, as of the recording's end; None where the home's rules do not ask."""
        engine = self.engine
        return hygiene_answer(engine.settings, engine.memory, engine.snapshot, Moment(self.to_s, self.to_s))

    def _look_back(self, now_s: float) -> None:
        """At each month's start, take what the books say by then of the home's past."""
        books = self.engine.books
        if books.settings.past_timezone is not None:
            zone = ZoneInfo(books.settings.past_timezone)
            self.engine.go_by(read_past(books.settings, self._ledger, books.past))
            self._looks_back_s = month_start_s(month_of(now_s, zone) + 1, zone)

    def _commit(self, entries: list[Entry], now_s: float) -> None:
        books = self.engine.books
        quarantined = books.quarantined()
        self.quarantined_wh += sum(item.wh for item in quarantined)
        self._ledger.commit(
            Batch(
                now_s,
                entries=tuple(entries),
                tank=tuple(books.tank_entries()),
                open_entries=tuple(books.open_entries(now_s)),
                events=tuple(quarantine_event(item, now_s) for item in quarantined),
            )
        )
