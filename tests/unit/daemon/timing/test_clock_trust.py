"""Whether the wall clock is believed: set back, set forward, 1970 at boot, behind the books, years ahead of them."""

from datetime import UTC, datetime

import pytest

from daemon.timing.clock_trust import (
    AHEAD_PATIENCE_S,
    EARLIEST_S,
    LONGEST_PAUSE_S,
    PATIENCE_S,
    Step,
    WallTime,
)
from daemon.timing.kernel_clock import is_confirmed
from rules.model.reading import Moment

NOON_S = datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp()
HOUR_S = 3600.0


def test_a_clock_that_goes_on_says_nothing() -> None:
    wall = WallTime(Moment(NOON_S, 50.0), NOON_S - 10)
    assert wall.right
    assert wall.due_s == float("inf")
    # A second in a thousand is slewed by the usual daemons without a step.
    assert [wall.look(Moment(NOON_S + at_s * 1.001, 50.0 + at_s)) for at_s in range(0, 3600, 60)] == [None] * 60


@pytest.mark.parametrize("by_s", [-HOUR_S, HOUR_S, 86_400.0, -3.0])
def test_a_running_clock_that_is_set_is_believed(by_s: float) -> None:
    wall = WallTime(Moment(NOON_S, 50.0), NOON_S)
    assert wall.look(Moment(NOON_S + 60 + by_s, 110.0)) == Step(by_s, True, True)
    assert wall.look(Moment(NOON_S + 61 + by_s, 111.0)) is None


def test_1970_is_not_believed_however_long_it_lasts() -> None:
    wall = WallTime(Moment(12.0, 12.0), NOON_S)
    assert not wall.right
    assert wall.look(Moment(12.0 + 10 * PATIENCE_S, 12.0 + 10 * PATIENCE_S)) is None
    assert not wall.right
    step = wall.look(Moment(NOON_S + HOUR_S, 7000.0))
    assert step is not None
    assert (step.was_right, step.is_right) == (False, True)
    assert step.by_s == pytest.approx(NOON_S + HOUR_S - 7000.0)


def test_a_new_ledger_begins_with_any_time_that_can_be() -> None:
    assert WallTime(Moment(EARLIEST_S, 1.0), None).right
    assert not WallTime(Moment(EARLIEST_S - 1, 1.0), None).right


@pytest.mark.parametrize(("off_s", "patience_s"), [(-HOUR_S, PATIENCE_S), (LONGEST_PAUSE_S + HOUR_S, AHEAD_PATIENCE_S)])
def test_a_clock_that_contradicts_the_books_is_given_time(off_s: float, patience_s: float) -> None:
    """Behind: it wakes at the hour it was switched off. Far ahead: its battery is flat."""
    start = Moment(NOON_S + off_s, 5.0)
    wall = WallTime(start, NOON_S)
    assert not wall.right
    assert wall.due_s == 5.0 + patience_s
    assert wall.look(Moment(start.utc_s + patience_s - 1, 5.0 + patience_s - 1)) is None
    assert wall.look(Moment(start.utc_s + patience_s, 5.0 + patience_s)) == Step(0.0, False, True)


@pytest.mark.parametrize("days", [3, 30, 399])
def test_a_running_clock_set_days_ahead_is_not_believed_until_it_is_confirmed(days: int) -> None:
    known: list[float] = []
    wall = WallTime(Moment(NOON_S, 50.0), NOON_S, confirmed=lambda utc_s: utc_s in known)
    ahead_s = days * 86_400.0
    step = wall.look(Moment(NOON_S + 10 + ahead_s, 60.0))
    assert step is not None
    assert (step.was_right, step.is_right) == (True, False)
    assert wall.ahead_s == pytest.approx(ahead_s, abs=60)
    assert wall.look(Moment(NOON_S + 3600 + ahead_s, 3650.0)) is None
    known.append(NOON_S + 3610 + ahead_s)
    assert wall.look(Moment(known[0], 3660.0)) == Step(0.0, False, True)
    assert wall.ahead_s == 0.0


def test_a_house_that_slept_for_months_is_believed_at_once_where_the_time_service_vouches() -> None:
    now = Moment(NOON_S + 100 * 86_400, 5.0)
    assert not WallTime(now, NOON_S).right
    assert WallTime(now, NOON_S, confirmed=lambda utc_s: True).right


def test_the_kernel_vouches_for_its_own_clock_alone() -> None:
    assert not is_confirmed(0.0)
    assert not is_confirmed(NOON_S + 5 * 366 * 86_400)


def test_a_running_clock_set_years_ahead_is_given_time_too() -> None:
    wall = WallTime(Moment(NOON_S, 50.0), NOON_S)
    ahead_s = 5 * 366 * 86_400.0
    assert wall.look(Moment(NOON_S + ahead_s, 60.0)) == Step(pytest.approx(ahead_s - 10), True, False)
    assert wall.look(Moment(NOON_S + 20, 70.0)) == Step(pytest.approx(-ahead_s + 10), False, True)


def test_what_it_waited_for_comes_by_itself() -> None:
    wall = WallTime(Moment(NOON_S - 120, 5.0), NOON_S)
    assert wall.look(Moment(NOON_S - 61, 64.0)) is None
    assert wall.look(Moment(NOON_S - 60, 65.0)) == Step(0.0, False, True)
