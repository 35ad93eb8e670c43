"""How the demo's story is told: at its pace, on after its days where it is to stay, and ended by a signal."""

import os
import signal
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.cli.run import _tell, demo_password, paces
from daemon.web.server.accounts import SHORTEST_PASSWORD
from rules.model.orders import Order


class Story:
    """A story that sends its teller a signal at a step."""

    def __init__(self, ends_at: int, number: int = signal.SIGINT) -> None:
        self.lived = 0
        self.closed = False
        self._ends = ends_at, number
        primary = SimpleNamespace(guard="full")
        told = SimpleNamespace(order=Order.WITHHOLD, primary=primary, text="Heater off")
        self.service = SimpleNamespace(explain=lambda: told)

    def steps(self, count: int) -> Iterator[float]:
        try:
            for _ in range(count):
                self.lived += 1
                if self.lived == self._ends[0]:
                    os.kill(os.getpid(), self._ends[1])
                yield 1_781_046_000.0 + self.lived
        finally:
            self.closed = True


def tell(story: Any, pace: list[tuple[int, float]]) -> None:
    _tell(story, ZoneInfo("Europe/Dublin"), pace)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_story_that_stays_goes_on_after_its_days_until_a_signal_and_ends_well(
    number: int, capsys: pytest.CaptureFixture[str]
) -> None:
    story = Story(30, number)
    handler = signal.getsignal(number)
    tell(story, [(20, 0.0), (10**9, 0.0)])
    assert (story.lived, story.closed) == (30, True)
    assert signal.getsignal(number) is handler
    assert capsys.readouterr().err == "Wed 00:00 ○ Heater off\n"


def test_without_it_the_story_ends_with_its_days() -> None:
    story = Story(0)
    tell(story, [(20, 0.0)])
    assert (story.lived, story.closed) == (20, True)


def test_the_pace_is_that_of_the_minutes_and_then_a_minute_a_second() -> None:
    assert paces(8640, 1.0, stay=False) == [(8640, 60 / 8640)]
    assert [seconds for _, seconds in paces(8640, 1.0, stay=True)] == [60 / 8640, 1 / 6]


def test_the_demos_password_is_made_anew_and_long_enough() -> None:
    assert len({demo_password() for _ in range(20)}) > 1
    assert len(demo_password()) >= SHORTEST_PASSWORD
