"""A loop, rules, books and a ledger as in the daemon, on two clocks that are moved by hand; the heater is a list."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Self

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.ledger import EventRow, Facts, Ledger, LedgerWriter
from accounting.model.entry import Entry
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.recording.memory_codec import read
from daemon.recording.unit_of_work import MEMORY, METER, Keeper
from daemon.runtime.controller import Controller
from daemon.runtime.loop import Loop, Ports
from daemon.runtime.registry import Commands, Job, Jobs
from daemon.timing.clock_trust import EARLIEST_S, WallTime
from daemon.timing.events import Heard
from daemon.timing.schedule import SteppedSchedule, every
from rules.model.orders import HeaterOrder, Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Settings
from tests.support.driven import Driven
from tests.support.rules_case import settings

STALE_AFTER_S = {"grid_w": 60.0, "tank_level_pct": 600.0, "diverted_wh": 600.0, "diverted_w": 60.0}
WITHIN_S = 30.0


class Hands:
    """Two clocks: the forward one goes on, the wall clock besides can be set. Real time does not matter."""

    def __init__(self, utc_s: float, mono_s: float = 1000.0) -> None:
        self._now = Moment(utc_s, mono_s)

    def now(self) -> Moment:
        return self._now

    def wait_s(self, until_mono_s: float) -> float | None:
        return None

    def go_on(self, seconds: float) -> None:
        self._now = Moment(self._now.utc_s + seconds, self._now.mono_s + seconds)

    def set(self, by_s: float) -> None:
        self._now = Moment(self._now.utc_s + by_s, self._now.mono_s)


class Line:
    """A heater that remembers what it was told: (forward-clock second, order)."""

    def __init__(self, clock: Hands) -> None:
        self.told: list[tuple[float, Order]] = []
        self.refreshed: list[float] = []
        self._clock = clock

    def send(self, order: Order, watts: int | None) -> None:
        self.told.append((self._clock.now().mono_s, order))

    def refresh(self) -> None:
        self.refreshed.append(self._clock.now().mono_s)


class NoOutputs:
    def follow(self, orders: Sequence[HeaterOrder], now: Moment) -> None: ...

    def due_s(self) -> float:
        return float("inf")


class LiveHouse(Driven):
    """One run of the daemon's inside; use it in a `with`. Energy is told by a counter, or by power alone."""

    def __init__(
        self,
        folder: Path,
        clock: Hands,
        *,
        power: bool = False,
        rules: Settings | None = None,
        earliest_s: float = EARLIEST_S,
    ) -> None:
        self.path = folder / "house.sqlite"
        self.clock = clock
        signal = "diverted_w" if power else "diverted_wh"
        rules = rules or settings(stale_after_s=STALE_AFTER_S)
        heater = HeaterBooks("main", 3000.0, **{"power" if power else "counter": signal}, resolution_wh=1.0)
        wiring = Wiring(
            ("grid_w", -1.0), True, (signal if power else None,), (None if power else signal,), None, None, 10.0, 60.0
        )
        self.ledger = LedgerWriter.open(self.path, Facts("Alder House", 30, "EUR", rules.timezone, ("main",)))
        self.keeper = Keeper(self.ledger)
        now = clock.now()
        self.engine = Engine(
            rules,
            Board(rules, wiring),
            Books(BooksSettings((heater,), late_s=120.0), self.ledger.state(METER)),
            read(self.ledger.state(MEMORY), rules, now),
        )
        self.line = Line(clock)
        wall = WallTime(now, self.ledger.known_until_s(), earliest_s)
        controller = self.controller = Controller(self.engine, self.keeper, [self.line], NoOutputs(), wall)
        jobs = Jobs(
            [
                Job("settle", controller.settle, every(60)),
                Job("refresh", controller.refresh, every(60)),
                Job("publish", controller.look_round, every(60)),
                Job("flush", controller.flush, every(300)),
            ]
        )
        ports = Ports(schedule=SteppedSchedule(jobs.triggers(), now.utc_s))
        self.loop = Loop(controller, clock, jobs, Commands(), ports)

    def __enter__(self) -> Self:
        self.start_loop()
        self.settle()
        return self

    def __exit__(self, *_: Any) -> None:
        self.end()
        self.ledger.close()
        if self.failure is not None:
            raise self.failure

    def live(self, seconds: float, **values: float) -> None:
        """Time goes on; then the house tells these values, dated as a listener dates them."""
        self.clock.go_on(seconds)
        now = self.clock.now()
        self.put(Heard(tuple(Reading(name, value, now.utc_s, now.mono_s) for name, value in values.items())))

    @property
    def order(self) -> Order:
        return self.line.told[-1][1]


def books_of(path: Path) -> tuple[list[Entry], int, list[EventRow]]:
    """What a ledger holds: its current settled entries, all the Wh in it, settled, open or set aside; its events."""
    with Ledger.open_reader(path) as ledger:
        settled = ledger.entries(0, float("inf"))
        events = ledger.events(0, float("inf"))
        aside_wh = sum(int(event.figures["wh"]) for event in events if event.kind == "quarantine")
        total_wh = sum(entry.diverted_wh for entry in [*settled, *ledger.open_entries()])
        return settled, total_wh + aside_wh, events
