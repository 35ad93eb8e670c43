"""The loop with stand-ins for everything it tells: what comes first, what happens once, how it ends."""

import queue
import threading
from collections.abc import Iterator

import pytest

from daemon.timing.clock import SteppedClock, SystemClock
from daemon.timing.events import Ask, Due, Heard
from rules.model.errors import BrimfulError
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Rest
from tests.support.rules_case import settings
from tests.support.stood_in_loop import STALE_AFTER_S, START_S, WITHIN_S, Running, sunny


@pytest.fixture
def running() -> Iterator[Running]:
    with Running() as made:
        yield made


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


# Questions


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
