"""The books and the wall clock: when they wait, for what, and how often a ledger that cannot be read is tried."""

from typing import Any

import pytest

from daemon.control.own_alarms import OwnAlarms
from daemon.runtime.dating import RETRY_S, Dating
from daemon.timing.clock_trust import WallTime
from rules.model.reading import Moment

NOON_S = 1_780_315_200.0


class Books:
    """newest_s: of their readings; back_s: by how much they were set back."""

    def __init__(self, newest_s: float) -> None:
        self.newest_s = newest_s
        self.back_s: list[float] = []

    def set_back(self, by_s: float, settled: list[Any]) -> None:
        self.back_s.append(by_s)
        self.newest_s -= by_s


class Engine:
    def __init__(self, newest_s: float) -> None:
        self.books = Books(newest_s)
        self.dated = self.clock_right = True


class Keeper:
    """readable: whether the ledger is; asked: how often it was read."""

    def __init__(self) -> None:
        self.readable = False
        self.asked = 0
        self.fault = ""

    def settled_from(self, start_s: float) -> list[Any] | None:
        self.asked += 1
        self.fault = "" if self.readable else "the disk is gone"
        return [] if self.readable else None

    def event(self, *_: Any) -> None: ...

    def redate(self, now: Moment) -> None: ...


class House:
    """Clock, books and ledger; `look` at so many seconds after noon, by a wall clock that is off_s away."""

    def __init__(self, known_s: float | None = NOON_S, off_s: float = 0.0) -> None:
        self.engine: Any = Engine(NOON_S)
        self.keeper: Any = Keeper()
        self.wall = WallTime(at(0.0, off_s), known_s)
        self.dating = Dating(self.wall, self.engine, self.keeper, OwnAlarms())
        self.dating.begin(at(0.0, off_s))

    def look(self, after_s: float, off_s: float) -> None:
        now = at(after_s, off_s)
        self.dating.look(now)
        self.dating.retry(now)


def at(after_s: float, off_s: float = 0.0) -> Moment:
    return Moment(NOON_S + after_s + off_s, 1000.0 + after_s)


def test_a_ledger_that_cannot_be_read_is_tried_again_at_its_time_and_not_with_each_message() -> None:
    house = House()
    for tenth in range(100):
        house.look(10.0 + tenth / 10, -3600.0)
    assert house.keeper.asked == 2
    assert not house.engine.dated
    assert house.dating.due_s == 1000.0 + 10.0 + 2 * RETRY_S
    house.keeper.readable = True
    house.look(10.0 + 2 * RETRY_S, -3600.0)
    assert house.engine.books.back_s == [3600.0]
    assert house.engine.dated
    assert house.dating.due_s == float("inf")


def test_a_clock_that_is_set_right_again_before_the_ledger_can_be_read_leaves_the_books_alone() -> None:
    house = House()
    house.look(10.0, -3600.0)
    assert not house.engine.dated
    house.look(20.0, 0.0)
    assert house.engine.dated
    house.look(60.0, 0.0)
    assert house.engine.books.back_s == []


def test_what_could_not_be_set_back_is_not_set_back_twice() -> None:
    house = House()
    house.look(10.0, -3600.0)
    house.look(20.0, 30 * 86_400.0)
    assert not house.wall.right
    house.keeper.readable = True
    house.look(30.0, -3600.0)
    assert house.engine.books.back_s == [3600.0 - 30.0], "to where the clock is"


def test_waiting_for_a_clock_that_shows_1970_is_no_reason_to_stay_awake() -> None:
    house = House(off_s=-NOON_S)
    house.look(3600.0, -NOON_S)
    assert not house.engine.dated
    assert house.dating.due_s == float("inf")


@pytest.mark.parametrize(
    ("off_s", "why"),
    [
        (-NOON_S, "the machine's clock shows a time that cannot be, so the books wait until it is set right; "),
        (-7200.0, "is 2 h behind what the books last saw: they wait until it is set right, for 10 min at most; "),
        (
            40 * 86_400.0,
            "is 40 days ahead of what the books last saw, and no time service vouches for it: the books wait",
        ),
    ],
)
def test_why_the_clock_is_doubted_is_said_and_that_nothing_is_heated_on_purpose(off_s: float, why: str) -> None:
    house = House(off_s=off_s)
    assert why in house.dating.fault
    assert house.dating.fault.endswith("and nothing is heated for a plan, for hygiene or for a return")
    assert not house.engine.clock_right


def test_a_clock_set_back_that_is_right_is_not_blamed_for_a_ledger_that_cannot_be_read() -> None:
    house = House()
    house.look(10.0, -3600.0)
    assert house.dating.fault == (
        "the machine's clock was set back by 1 h and the ledger cannot be read, so the books wait until it can;"
        " the counters keep what is taken meanwhile"
    )
    assert house.engine.clock_right
