"""Which events the standing alarms bring: each once, with its end, and no more than hourly where it comes and goes."""

from rules.alarms import Alarm, Announced, news
from tests.support.rules_case import moment

A = Alarm("level silent", "no level heard", 100.0)
B = Alarm("surplus silent", "no surplus heard", 110.0)


class Ears:
    def __init__(self) -> None:
        self.announced = Announced()

    def at(self, at_s: float, *alarms: Alarm) -> list[tuple[str, str]]:
        events, self.announced = news(alarms, self.announced, moment(at_s))
        return [(event.kind, event.name) for event in events]


def test_an_alarm_is_announced_once_and_so_is_its_end_with_how_long_it_lasted() -> None:
    ears = Ears()
    assert ears.at(100, A) == [("alarm", "level silent")]
    assert ears.at(110, A, B) == [("alarm", "surplus silent")]
    assert ears.at(8000, A, B) == []
    (event,), _ = news((B,), ears.announced, moment(8200))
    assert event == ("recovered", "level silent", "recovered after 2 h 15 min: no level heard")


def test_one_that_comes_and_goes_is_announced_hourly() -> None:
    ears = Ears()
    announced = [event for at_s in range(100, 7300, 20) for event in (ears.at(at_s, A), ears.at(at_s + 10)) if event]
    assert announced == [[("alarm", "level silent")], [("recovered", "level silent")]] * 2
    assert ears.at(7300, A) == [("alarm", "level silent")]


def test_one_that_came_again_and_stayed_is_announced_when_the_hour_is_over() -> None:
    ears = Ears()
    ears.at(100, A)
    ears.at(200)
    assert ears.at(300, A) == []
    assert ears.announced.due_s == 3700
    assert ears.at(3699.9, A) == []
    assert ears.at(3700, A) == [("alarm", "level silent")]
    assert ears.announced.due_s == float("inf")
    assert ears.at(3800) == [("recovered", "level silent")]


def test_the_end_of_what_was_not_announced_is_not_announced() -> None:
    ears = Ears()
    ears.at(100, A)
    ears.at(200)
    ears.at(300, A)
    assert ears.at(400) == []
    assert ears.announced.due_s == float("inf")
    assert ears.at(5000) == []
    assert ears.announced == Announced()


def test_others_are_not_held_back() -> None:
    ears = Ears()
    ears.at(100, A)
    ears.at(200)
    assert ears.at(300, A, B) == [("alarm", "surplus silent")]
