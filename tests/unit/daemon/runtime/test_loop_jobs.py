"""The loop's jobs: each reaches whom it concerns, one that is not listed or fails ends nothing that it need not."""

from collections.abc import Iterator

import pytest

from accounting.timeseries.outbox import Delivered
from daemon.timing.events import Due, Linked, Shipped
from daemon.timing.schedule import every
from rules.model.errors import BrimfulError
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import Moment
from tests.support.stood_in_loop import START_S, Running, sunny


@pytest.fixture
def running() -> Iterator[Running]:
    with Running() as made:
        yield made


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
    assert [alarm.name for alarm in running.controller.alarms] == ["job: publishing"]


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
