"""The loop with stand-ins for everything it tells: what comes first, what happens once, how it ends."""

import queue
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import pytest
from apscheduler.triggers.base import BaseTrigger

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.timeseries.outbox import Delivered
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.runtime.controller import Controller
from daemon.runtime.handlers.override import Overriding, read_override
from daemon.runtime.loop import Loop, Ports
from daemon.runtime.registry import Command, Commands, Job, Jobs
from daemon.timing.clock import SteppedClock, SystemClock
from daemon.timing.clock_trust import WallTime
from daemon.timing.events import Ask, Due, Heard, Linked, Shipped
from daemon.timing.schedule import SteppedSchedule, every
from rules.model.errors import BrimfulError
from rules.model.memory import Memory
from rules.model.orders import HeaterOrder, Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Rest, Settings
from tests.support.driven import Driven
from tests.support.homes import SMALL, home
from tests.support.rules_case import settings

START_S = 1_780_315_200.0
WITHIN_S = 10.0
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

    def ask(self, name: str, **arguments: Any) -> Any:
        question = Ask(name, arguments)
        self.loop.put(question)
        return question.answer.result(WITHIN_S)


@pytest.fixture
def running() -> Iterator[Running]:
    made = Running()
    yield made
    made.end()
    if made.failure is not None:
        raise made.failure


def sunny(running: Running, after_s: float = 0.0) -> None:
    running.hear(after_s, grid_w=-900.0, tank_level_pct=50.0)


# Orders


def test_before_anything_is_heard_the_heater_is_withheld(running: Running) -> None:
    running.settle()
    assert running.diary.of("send") == [Order.WITHHOLD]
    assert running.diary.of("decided") == [(Order.WITHHOLD, "fresh")]


def test_the_order_is_told_before_anything_is_written_or_published(running: Running) -> None:
    running.settle()
    running.diary.lines.clear()
    sunny(running)
    assert [what for what, _ in running.diary.lines] == ["send", "follow", "decided", "publish", "record", "begin"]
    assert running.diary.of("send") == [Order.SURPLUS]
    assert running.diary.of("record") == [["grid_w", "tank_level_pct"]]


def test_an_order_that_stands_is_not_told_again_but_when_it_is_refreshed(running: Running) -> None:
    sunny(running)
    sunny(running, 10.0)
    sunny(running, 20.0)
    assert running.diary.of("send") == [Order.WITHHOLD, Order.SURPLUS]
    running.put(Due("refresh"))
    assert running.diary.of("send", "refresh") == [Order.WITHHOLD, Order.SURPLUS, None]
    assert running.controller.orders_sent == 3


def test_another_guard_for_the_same_order_is_noted_and_not_told_to_the_heater(running: Running) -> None:
    running.hear(0.0, grid_w=-900.0, tank_level_pct=99.0)
    assert running.diary.of("send") == [Order.WITHHOLD]
    assert running.diary.of("decided") == [(Order.WITHHOLD, "fresh"), (Order.WITHHOLD, "full")]


def test_silence_alone_withholds_at_its_second(running: Running) -> None:
    sunny(running)
    running.clock.move_to(START_S + 59.999)
    running.settle()
    assert running.diary.of("send")[-1] is Order.SURPLUS
    running.clock.move_to(START_S + 60.0)
    running.settle()
    assert running.diary.of("send")[-1] is Order.WITHHOLD
    assert running.diary.of("decided")[-1] == (Order.WITHHOLD, "fresh")


def test_on_the_machines_clock_the_loop_wakes_by_itself() -> None:
    """No message and no tick: the limit of the surplus passes, and the heater is withheld."""
    limits = {**STALE_AFTER_S, "grid_w": 0.2}
    running = Running(settings(stale_after_s=limits), SystemClock())
    told: queue.SimpleQueue[Order] = queue.SimpleQueue()
    running.diary.note = lambda what, of=None: told.put(of) if what == "send" else None  # type: ignore[method-assign]
    now = running.clock.now()
    known = {"grid_w": -900.0, "tank_level_pct": 50.0}
    running.loop.put(Heard(tuple(Reading(name, value, now.utc_s, now.mono_s) for name, value in known.items())))
    try:
        while told.get(timeout=WITHIN_S) is not Order.SURPLUS:
            pass
        assert told.get(timeout=WITHIN_S) is Order.WITHHOLD
    finally:
        running.end()


class Waking(SteppedClock):
    """Moved by hand, but the loop waits by it as by the machine's."""

    def wait_s(self, until_mono_s: float) -> float | None:
        return None if until_mono_s == float("inf") else max(0.0, until_mono_s - self.now().mono_s)


def test_silence_withholds_while_other_work_keeps_the_queue_full() -> None:
    """A long restatement asks for its next step behind each one: the queue is never empty."""
    clock, stood, done = Waking(START_S), [], threading.Event()

    def a_step(now: Moment) -> None:
        stood.append(running.diary.of("send")[-1])
        clock.move_to(START_S + 59.0 * len(stood))
        if len(stood) == 4:
            done.set()
        else:
            running.loop.put(Due("restate on"))

    running = Running(clock=clock, jobs={"restate on": a_step})
    try:
        sunny(running)
        running.loop.put(Due("restate on"))
        assert done.wait(WITHIN_S)
        assert stood == [Order.SURPLUS, Order.SURPLUS, Order.WITHHOLD, Order.WITHHOLD]
    finally:
        running.end()


def test_the_end_of_a_run_on_is_looked_after(running: Running) -> None:
    sunny(running)
    running.outputs.run_on_until_s = START_S + 20.0
    running.diary.lines.clear()
    running.clock.move_to(START_S + 19.0)
    running.settle()
    assert running.diary.of("follow") == []
    running.clock.move_to(START_S + 20.0)
    running.settle()
    assert running.diary.of("follow") == [START_S + 20.0]


# Alarms


def test_an_alarm_is_told_once_and_so_is_its_end(running: Running) -> None:
    running.settle()
    for after_s in (59.0, 60.0, 599.0, 600.0, 660.0):
        running.clock.move_to(START_S + after_s)
        running.put(Due("publish"))
    assert running.diary.of("alarm") == ["surplus silent", "level silent"]
    assert running.diary.of("publish")[-1] == ["level silent", "surplus silent"]
    sunny(running, 670.0)
    sunny(running, 680.0)
    assert running.diary.of("recovered") == ["surplus silent", "level silent"]
    assert running.diary.of("alarm") == ["surplus silent", "level silent"]
    assert running.diary.of("publish")[-1] == []


def test_a_heater_that_draws_though_withheld_is_told(running: Running) -> None:
    for after_s in range(0, 180, 30):
        running.hear(after_s, grid_w=900.0, tank_level_pct=99.0, diverted_w=2000.0)
    assert running.diary.of("alarm") == ["withheld but drawing"]
    running.hear(180.0, grid_w=900.0, tank_level_pct=99.0, diverted_w=0.0)
    assert running.diary.of("recovered") == ["withheld but drawing"]


# The end


def test_an_orderly_end_withholds_and_then_writes() -> None:
    running = Running()
    sunny(running)
    running.clock.move_to(START_S + 30.0)
    running.settle()
    running.diary.lines.clear()
    running.end()
    assert running.diary.lines == [("send", Order.WITHHOLD), ("commit", None)]
    assert running.engine.tally.by_order == {"withhold": 0.0, "surplus": 30.0}


def test_an_error_nobody_foresaw_withholds_and_is_raised() -> None:
    running = Running()
    sunny(running)
    running.keeper.on_commit = lambda: 1 // 0  # type: ignore[assignment, return-value]
    running.loop.put(Due("flush"))
    running.join()
    assert isinstance(running.failure, ZeroDivisionError)
    assert running.diary.lines[-1] == ("send", Order.WITHHOLD)


def test_a_line_that_fails_at_the_end_does_not_keep_the_error_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    running = Running()
    sunny(running)

    def broken(order: Order, watts: int | None) -> None:
        raise OSError("no line")

    monkeypatch.setattr(running.controller._lines["main"], "send", broken)
    running.end()
    assert isinstance(running.failure, OSError)


# Questions and jobs


def test_an_override_is_obeyed_and_written_down_at_once(running: Running) -> None:
    sunny(running)
    running.diary.lines.clear()
    answer = running.ask("override", order="withhold", for_s=3600)
    assert answer["order"] == "withhold"
    assert answer["until"] == "2026-06-01T13:00:00Z"
    assert [what for what, _ in running.diary.lines if what in ("send", "commit")] == ["send", "commit"]
    assert running.diary.of("send") == [Order.WITHHOLD]
    assert running.ask("override", clear=True)["order"] == "surplus"
    assert running.diary.of("send") == [Order.WITHHOLD, Order.SURPLUS]


def test_an_override_ends_by_itself_at_its_second(running: Running) -> None:
    sunny(running)
    running.ask("override", order="withhold", for_s=30)
    running.clock.move_to(START_S + 29.0)
    running.settle()
    assert running.diary.of("send")[-1] is Order.WITHHOLD
    running.clock.move_to(START_S + 30.0)
    running.settle()
    assert running.diary.of("send")[-1] is Order.SURPLUS


def test_a_refused_wish_is_told_to_who_asked_and_changes_nothing(running: Running) -> None:
    sunny(running)
    with pytest.raises(BrimfulError, match="expected 1 s to 7 days"):
        running.ask("override", order="withhold", for_s=10**9)
    assert running.engine.memory.override is None
    assert running.diary.of("commit") == []


def test_a_question_whose_asker_has_gone_is_passed_over(running: Running) -> None:
    sunny(running)
    gone = Ask("override", {"order": "withhold", "for_s": 60})
    assert gone.answer.cancel()
    running.put(gone)
    assert running.engine.memory.override is None


def test_jobs_links_and_shipments_reach_whom_they_concern(caplog: pytest.LogCaptureFixture) -> None:
    done: list[str] = []
    running = Running(jobs={"prune": lambda now: done.append("prune")})
    try:
        running.put(Due("prune"))
        running.put(Due("settle"))
        running.put(Due("flush"))
        answer = Delivered(())
        running.put(Shipped(answer))
        running.put(Linked("main", False, "refused"))
        assert done == ["prune"]
        assert running.diary.of("settle", "commit") == [None, None]
        assert running.diary.of("shipped") == [answer]
        assert running.controller.links["main"].reason == "refused"
    finally:
        running.end()


def test_a_job_that_is_not_listed_is_said_once_and_ends_nothing(
    running: Running, caplog: pytest.LogCaptureFixture
) -> None:
    sunny(running)
    running.put(Due("polish"))
    running.put(Due("polish"))
    assert caplog.text.count("job=polish unknown, nothing is done") == 2
    assert running.diary.of("alarm") == ["job: polish"]
    assert running.controller.alarms[-1].sentence.startswith("a job named 'polish' was asked for and there is none")
    running.hear(10.0, grid_w=-900.0, tank_level_pct=99.0)
    assert running.diary.of("send")[-1] is Order.WITHHOLD, "the heaters are looked after all the same"


def test_a_side_job_that_always_fails_is_an_alarm_until_it_succeeds_and_ends_nothing(
    caplog: pytest.LogCaptureFixture,
) -> None:
    fails = [True]

    def tidy(now: Moment) -> None:
        if fails[0]:
            raise ZeroDivisionError("by nothing")

    running = Running(jobs={"tidy": tidy}, side=("tidy",))
    try:
        sunny(running)
        for after_s in (60.0, 120.0):
            sunny(running, after_s)
            running.put(Due("tidy"))
            running.put(Due("publish"))
        assert running.diary.of("alarm") == ["job: tidy"]
        (alarm,) = running.controller.alarms
        assert alarm.sentence.startswith(
            "job: tidy fails (ZeroDivisionError: by nothing): the heaters are looked after"
        )
        assert caplog.text.count("job: tidy fails") == 2, "once when it fails, once as the alarm"
        running.hear(130.0, grid_w=-900.0, tank_level_pct=99.0)
        assert running.diary.of("send")[-1] is Order.WITHHOLD
        fails.clear()
        fails.append(False)
        running.put(Due("tidy"))
        running.put(Due("publish"))
        assert running.diary.of("recovered") == ["job: tidy"]
    finally:
        running.end()
    assert running.failure is None


def test_what_is_published_may_fail_and_the_orders_go_out(running: Running) -> None:
    running.controller.when_changed(lambda now: 1 // 0)
    sunny(running)
    running.hear(10.0, grid_w=-900.0, tank_level_pct=99.0)
    assert running.diary.of("send")[-2:] == [Order.SURPLUS, Order.WITHHOLD]
    running.put(Due("publish"))
    assert [alarm.name for alarm in running.controller.alarms] == ["publishing"]


def test_an_order_that_a_side_job_could_not_send_is_sent_with_the_next_decision(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    running = Running(jobs={"plan": lambda now: running.controller.remember(Memory(), now)}, side=("plan",))
    try:
        sunny(running)
        line = running.controller._lines["main"]
        with monkeypatch.context() as patched:
            patched.setattr(line, "send", lambda order, watts: 1 // 0)
            running.engine.board.latest.clear()
            running.engine.board.level = None
            running.put(Due("plan"))
        running.diary.lines.clear()
        running.put(Due("publish"))
        assert running.diary.of("send") == [Order.WITHHOLD]
    finally:
        running.end()


def test_a_command_that_is_not_listed_is_refused_in_words(running: Running) -> None:
    with pytest.raises(BrimfulError, match="command 'sing': expected one of override"):
        running.ask("sing")


def test_a_stepped_timetable_runs_with_the_tick() -> None:
    running = Running(timetable={"settle": every(60), "flush": every(300)})
    try:
        running.settle()
        running.clock.move_to(START_S + 60)
        running.settle()
        running.settle()
        assert running.diary.of("settle") == [None]
        assert running.diary.of("commit") == []
        running.clock.move_to(START_S + 3600)
        running.settle()
        assert len(running.diary.of("settle")) == 2
        assert len(running.diary.of("commit")) == 1
    finally:
        running.end()


def test_a_minimum_off_time_ends_without_a_message() -> None:
    rules = settings(stale_after_s=STALE_AFTER_S, rest=Rest(minimum_off_s=40.0))
    running = Running(rules)
    try:
        sunny(running)
        running.hear(10.0, tank_level_pct=99.0)
        sunny(running, 20.0)
        assert running.diary.of("send")[-1] is Order.WITHHOLD
        assert running.diary.of("decided")[-1] == (Order.WITHHOLD, "rest")
        assert running.engine.due_s == START_S + 50.0
        running.clock.move_to(running.engine.due_s)
        running.settle()
        assert running.diary.of("send")[-1] is Order.SURPLUS
    finally:
        running.end()
