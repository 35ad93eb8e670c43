"""The timetable, on a clock that is moved by hand and on the machine's."""

import threading
import time
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from apscheduler.events import EVENT_JOB_MISSED, JobExecutionEvent

from daemon.timing.schedule import LiveSchedule, SteppedSchedule, every

START_S = datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp()


def test_jobs_come_due_on_their_grid() -> None:
    stepped = SteppedSchedule({"minute": every(60)}, START_S + 10)
    assert stepped.due(START_S + 59) == []
    assert stepped.due(START_S + 60) == ["minute"]
    assert stepped.due(START_S + 61) == []
    assert stepped.due(START_S + 120) == ["minute"]


def test_a_job_comes_once_however_far_the_step_and_stays_on_its_grid() -> None:
    stepped = SteppedSchedule({"minute": every(60), "quarter": every(900)}, START_S + 1)
    assert stepped.due(START_S + 3600 + 37) == ["minute", "quarter"]
    assert stepped.due(START_S + 3600 + 59) == []
    assert stepped.due(START_S + 3600 + 60) == ["minute"]
    assert stepped.due(START_S + 4500) == ["minute", "quarter"]


def test_the_grid_reaches_back_to_old_recordings() -> None:
    long_ago_s = datetime(1998, 3, 1, tzinfo=UTC).timestamp()
    assert SteppedSchedule({"minute": every(60)}, long_ago_s + 1).due(long_ago_s + 60) == ["minute"]


def test_a_stepped_timetable_goes_on_after_the_clock_was_set_back() -> None:
    stepped = SteppedSchedule({"minute": every(60)}, START_S + 10)
    stepped.rearm(START_S - 3600)
    assert stepped.due(START_S - 3600 + 59) == ["minute"]  # on the grid, at the hour itself
    assert stepped.due(START_S - 3600 + 60) == ["minute"]


def test_the_live_timetable_goes_on_after_the_clock_was_set_back() -> None:
    """A clock set back an hour leaves every job's next time an hour ahead; here the times are put there by hand."""
    came = threading.Event()
    live = LiveSchedule({"soon": every(0.05)}, lambda job: came.set(), lambda *_: None)
    live.start()
    try:
        scheduler = live._scheduler
        scheduler.modify_job("soon", next_run_time=datetime.now(UTC) + timedelta(hours=1))
        came.clear()
        assert not came.wait(0.3)
        live.rearm(time.time())
        assert came.wait(10)
    finally:
        live.stop()


def test_what_comes_seldom_is_done_however_late_and_what_comes_soon_is_let_go() -> None:
    times = {"settle": every(60), "prune": every(6 * 3600), "past": every(3600)}
    live = LiveSchedule(times, lambda job: None, lambda *_: None)
    grace_s = {job.id: job.misfire_grace_time for job in live._scheduler.get_jobs()}
    seldom = {"prune", "past"}
    assert {grace_s[name] for name in seldom} == {None}
    assert {grace_s[name] for name in grace_s.keys() - seldom} == {30}


def test_the_machines_clock_runs_jobs() -> None:
    came = threading.Event()
    live = LiveSchedule({"soon": every(0.05)}, lambda job: came.set(), lambda *_: None)
    live.start()
    try:
        assert came.wait(10)
    finally:
        live.stop()


def test_a_job_that_fails_is_reported_with_its_reason() -> None:
    told: list[tuple[str, str]] = []
    came = threading.Event()

    def fails(job: str) -> None:
        raise ValueError("no room")

    def missed(job: str, why: str) -> None:
        told.append((job, why))
        came.set()

    live = LiveSchedule({"soon": every(0.05)}, fails, missed)
    live.start()
    try:
        assert came.wait(10)
    finally:
        live.stop()
    assert told[0] == ("soon", "no room")


@pytest.fixture
def told() -> list[tuple[str, str]]:
    return []


def test_a_missed_job_is_reported(told: list[tuple[str, str]]) -> None:
    live = LiveSchedule({"soon": every(3600)}, lambda job: None, lambda job, why: told.append((job, why)))
    scheduler: Any = live._scheduler
    scheduler._dispatch_event(JobExecutionEvent(EVENT_JOB_MISSED, "soon", "default", datetime.now(UTC)))
    assert told == [("soon", "its time was missed")]
