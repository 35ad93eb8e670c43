"""A loop with stand-ins for everything that it orders, writes and publishes, on a clock that is moved by hand."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Self

from apscheduler.triggers.base import BaseTrigger

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.runtime.controller import Controller
from daemon.runtime.handlers.override import Overriding, read_override
from daemon.runtime.loop import Loop, Ports
from daemon.runtime.registry import Command, Commands, Job, Jobs
from daemon.timing.clock import SteppedClock
from daemon.timing.clock_trust import WallTime
from daemon.timing.events import Ask, Heard
from daemon.timing.schedule import SteppedSchedule
from rules.model.memory import Memory
from rules.model.orders import HeaterOrder, Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Settings
from tests.support.driven import Driven
from tests.support.homes import SMALL, home
from tests.support.rules_case import settings

START_S = 1_780_315_200.0
WITHIN_S = 30.0
WIRING = Wiring(("grid_w", -1.0), True, ("diverted_w",), (None,), None, None, 10.0, 60.0)
STALE_AFTER_S = {"grid_w": 60.0, "tank_level_pct": 600.0, "diverted_w": 60.0}


class Diary:
    """What was done, in order."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, Any]] = []

    def note(self, what: str, of: Any = None) -> None:
        self.lines.append((what, of))

    def of(self, *whats: str) -> list[Any]:
        return [of for what, of in self.lines if what in whats]


class Line:
    def __init__(self, diary: Diary) -> None:
        self.diary = diary

    def send(self, order: Order, watts: int | None) -> None:
        self.diary.note("send", order)

    def refresh(self) -> None:
        self.diary.note("refresh")


class Outputs:
    """run_on_until_s: when the pump is to be looked after again."""

    def __init__(self, diary: Diary) -> None:
        self.diary = diary
        self.run_on_until_s = float("inf")

    def follow(self, orders: Sequence[HeaterOrder], now: Moment) -> None:
        self.diary.note("follow", now.mono_s)
        if now.mono_s >= self.run_on_until_s:
            self.run_on_until_s = float("inf")

    def due_s(self) -> float:
        return self.run_on_until_s


class Keeper:
    """Notes what it is given; on_commit: what happens when the disk is asked."""

    def __init__(self, diary: Diary) -> None:
        self.diary = diary
        self.fault = ""
        self.on_commit: Callable[[], None] = lambda: None

    def record(self, readings: tuple[Reading, ...]) -> None:
        self.diary.note("record", [reading.signal for reading in readings])

    def decided(self, explanation: Any, now: Moment) -> None:
        self.diary.note("decided", (explanation.order, explanation.primary.guard))

    def event(self, kind: str, name: str, sentence: str, now: Moment) -> None:
        self.diary.note(kind, name)

    def begin(self, engine: Engine, now: Moment) -> None:
        self.diary.note("begin")

    def settle(self, engine: Engine, now: Moment) -> None:
        self.diary.note("settle")

    def flush(self, engine: Engine, now: Moment) -> None:
        self.diary.note("commit")
        self.on_commit()

    def commit(self, engine: Engine, now: Moment) -> None:
        self.diary.note("commit")
        self.on_commit()


class ObeyedHome:
    home = home(SMALL)


class Running(Driven):
    """A loop in a thread of its own, on a clock that is moved by hand."""

    def __init__(
        self,
        rules: Settings | None = None,
        clock: Any = None,
        jobs: dict[str, Callable[[Moment], object]] | None = None,
        timetable: Mapping[str, BaseTrigger] | None = None,
        side: Sequence[str] = (),
    ) -> None:
        rules = rules or settings(stale_after_s=STALE_AFTER_S)
        self.diary = Diary()
        self.clock = clock or SteppedClock(START_S)
        self.keeper = Keeper(self.diary)
        self.outputs = Outputs(self.diary)
        books = Books(BooksSettings((HeaterBooks("main", 3000.0, power="diverted_w"),)))
        self.engine = Engine(rules, Board(rules, WIRING), books, Memory())
        wall = WallTime(self.clock.now(), None)
        keeper: Any = self.keeper
        controller = self.controller = Controller(self.engine, keeper, [Line(self.diary)], self.outputs, wall)
        controller.when_changed(lambda now: self.diary.note("publish", [alarm.name for alarm in controller.alarms]))
        timetable = timetable or {}
        own: dict[str, Callable[[Moment], object]] = {
            "settle": controller.settle,
            "refresh": controller.refresh,
            "publish": controller.look_round,
            "flush": controller.flush,
        }
        listed = Jobs(Job(name, do, timetable.get(name), name in side) for name, do in (own | (jobs or {})).items())
        commands = Commands([Command("override", read_override, Overriding(controller, ObeyedHome()).do)])  # type: ignore[arg-type]
        ports = Ports(
            schedule=SteppedSchedule(listed.triggers(), START_S + 1),
            shipped=lambda event, now: self.diary.note("shipped", event.answer),
        )
        self.loop = Loop(controller, self.clock, listed, commands, ports)
        self.start_loop()

    def hear(self, after_s: float, **values: float) -> None:
        self.clock.move_to(START_S + after_s)
        now_s = self.clock.now().utc_s
        self.put(Heard(tuple(Reading(name, value, now_s, now_s) for name, value in values.items())))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()
        if self.failure is not None:
            raise self.failure

    def ask(self, name: str, **arguments: Any) -> Any:
        question = Ask(name, arguments)
        self.loop.put(question)
        return question.answer.result(WITHIN_S)


def sunny(running: Running, after_s: float = 0.0) -> None:
    running.hear(after_s, grid_w=-900.0, tank_level_pct=50.0)
