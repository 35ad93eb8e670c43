"""The watchdog on a clock that is moved by hand; a real hang is in tests/services/test_hang.py."""

import logging

import pytest

from daemon.runtime.watchdog import Watchdog


class Case:
    def __init__(self) -> None:
        self.now_s = 1000.0
        self.done: list[str] = []
        self.watchdog = Watchdog(
            [lambda: self.done.append("heater"), lambda: self.done.append("readings")],
            hang_s=30.0,
            end=lambda: self.done.append("end"),
            clock=lambda: self.now_s,
        )


def test_it_lets_a_loop_that_works_be() -> None:
    case = Case()
    for _ in range(10):
        case.now_s += 29.0
        assert not case.watchdog.bite_if_hung()
        case.watchdog.alive()
    assert case.done == []


def test_it_breaks_the_links_before_it_ends_the_process(caplog: pytest.LogCaptureFixture) -> None:
    case = Case()
    case.now_s += 30.0
    with caplog.at_level(logging.CRITICAL):
        assert case.watchdog.bite_if_hung()
    assert case.done == ["heater", "readings", "end"]
    assert "loop=hangs for 30 s" in caplog.text


def test_it_watches_by_itself_and_stops() -> None:
    case = Case()
    case.watchdog.start()
    case.watchdog.stop()
    assert case.done == []
