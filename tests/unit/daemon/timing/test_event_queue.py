"""The queue before the loop: in order while there is room, the newest of each signal beyond, nothing without end."""

import logging
import threading
from queue import Empty

import pytest

from daemon.timing.event_queue import Waiting
from daemon.timing.events import Due, Event, Heard, Stop
from rules.model.reading import NEVER_LIVE_S, Reading


def heard(number: float, *signals: str) -> Heard:
    return Heard(tuple(Reading(signal, number, 1000.0 + number, number) for signal in signals or ("grid_w",)))


def drained(waiting: Waiting) -> list[Event]:
    events = []
    try:
        while True:
            events.append(waiting.get(0.0))
    except Empty:
        return events


def test_below_the_bound_everything_comes_as_it_went_in() -> None:
    waiting = Waiting(most=10)
    events: list[Event] = [*(heard(number) for number in range(10)), Due("flush"), Stop()]
    for event in events:
        waiting.put(event)
    assert waiting.readings == 10
    assert drained(waiting) == events
    assert (waiting.readings, waiting.passed_over) == (0, 0)


def test_beyond_it_the_newest_reading_of_each_signal_waits_in_one_place() -> None:
    waiting = Waiting(most=2)
    waiting.put(heard(0))
    waiting.put(heard(1))
    waiting.put(heard(2, "diverted_wh", "grid_w"))
    waiting.put(Due("flush"))
    waiting.put(heard(3))
    waiting.put(heard(4, "diverted_wh"))
    assert waiting.readings == 4
    newest = Heard((Reading("grid_w", 3, 1003.0, 3), Reading("diverted_wh", 4, 1004.0, 4)))
    assert drained(waiting) == [heard(0), heard(1), newest, Due("flush")]
    assert waiting.passed_over == 2
    waiting.put(heard(5))
    assert drained(waiting) == [heard(5)], "then it goes on as before"


def test_the_newer_do_not_overtake_the_merged_when_there_is_room_again() -> None:
    waiting = Waiting(most=2)
    for number in range(3):
        waiting.put(heard(number))
    assert [waiting.get(0.0), waiting.get(0.0)] == [heard(0), heard(1)]
    waiting.put(heard(3))
    assert drained(waiting) == [heard(3)]
    assert waiting.passed_over == 1


def test_neither_an_older_reading_nor_a_retained_copy_takes_the_place_of_a_live_one() -> None:
    waiting = Waiting(most=0)
    live = heard(5)
    retained = Heard((Reading("grid_w", 9, 2000.0, NEVER_LIVE_S),))
    for event in (retained, live, heard(4), retained):
        waiting.put(event)
    assert drained(waiting) == [live]
    assert waiting.passed_over == 3


def test_a_flood_keeps_to_the_bound_and_says_so_seldom(caplog: pytest.LogCaptureFixture) -> None:
    waiting = Waiting(most=100)
    for round_of_it in range(50):
        for number in range(1000):
            waiting.put(heard(round_of_it * 1000 + number))
            assert waiting.readings <= 101
        assert drained(waiting)[-1] == heard(round_of_it * 1000 + 999)
    assert waiting.passed_over == 50 * (1000 - 101)
    warnings = [record for record in caplog.records if record.levelno == logging.WARNING]
    assert 1 <= len(warnings) <= 7, "each time it has doubled"


def test_between_two_threads_each_reading_is_taken_or_counted_and_none_comes_before_an_older_one() -> None:
    waiting = Waiting(most=50)
    count = 20_000

    def flood() -> None:
        for number in range(count):
            waiting.put(heard(number))
        waiting.put(Stop())

    flooding = threading.Thread(target=flood)
    flooding.start()
    taken: list[float] = []
    while isinstance(event := waiting.get(10.0), Heard):
        taken += [reading.value for reading in event.readings]
    flooding.join()
    taken += [reading.value for event in drained(waiting) if isinstance(event, Heard) for reading in event.readings]
    assert taken == sorted(taken)
    assert taken[-1] == count - 1
    assert len(taken) + waiting.passed_over == count
