"""A changed home file: obeyed as a whole or not at all, and refused once for each content."""

import os
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from accounting.ledger import LedgerError
from accounting.ledger.opening import connect
from daemon.assembly.prepared_home import prepare
from daemon.config.edit import set_rule
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.runtime.parts import Seams, put_together
from daemon.timing.clock import SteppedClock
from rules.model.errors import BrimfulError
from rules.model.reading import Moment, Reading
from tests.support.homes import SMALL

NOON_S = 1_780_000_200.0
NOW = Moment(NOON_S, NOON_S)
HOME = f"""{SMALL}
[tariffs.buy]
direction = "import"
[[tariffs.buy.periods]]
from = 2020-01-01
bands = [{{ name = "all", price = 0.20 }}]
"""
WATCHED = HOME.replace("[home]", '[home]\nmode = "watch"')
OTHER = WATCHED.replace('[home]\nmode = "watch"', "[home]").replace("0.20", "0.30") + "[rules.full]\nstop_at_pct = 80\n"
"""All that a running daemon takes: another mode, another price, another rule."""
LATER = 10**9
CALENDAR = "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//Wren//EN\nEND:VCALENDAR\n"


class House:
    """The parts of a daemon, with nothing started. events: what was noted."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "home.toml"
        self.file.write_text(WATCHED, encoding="utf-8")
        clock, nobody = SteppedClock(NOON_S), BrokerAddress("127.0.0.1", 1)
        self.parts = put_together(prepare(load(self.file)), nobody, clock, Seams(connect, NOON_S))
        self.home_file, self.engine = self.parts.home_file, self.parts.engine
        self.parts.controller.decide(NOW)
        self.written = 0

    @property
    def said(self) -> list[str]:
        return [row.kind for row in self.parts.keeper._events if row.name == "home-file"]

    def write(self, text: str, file: Path | None = None) -> None:
        """Another content, at another time."""
        file = file or self.file
        file.write_text(text, encoding="utf-8")
        self.written += 1
        os.utime(file, ns=(LATER * self.written, LATER * self.written))

    def look(self, times: int = 3) -> None:
        for _ in range(times):
            self.home_file.look(NOW)

    def obeys(self) -> tuple[Any, ...]:
        """What the parts go by: home file, rules, the heaters' lines, books, and whether nothing is to be restated."""
        price = self.engine.books.settings.imports
        return (
            self.home_file.home.home.mode,
            self.home_file.home.rules.full.stop_at_pct,
            self.engine.settings.watching,
            self.engine.settings.full.stop_at_pct,
            [line.controls for line in self.parts.connections.lines],
            None if price is None else price.price_at(NOON_S),
            self.parts.restater.idle,
        )


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.parts.controller.control(False)
    made.parts.keeper.close()


def test_a_file_that_names_one_which_is_missing_is_refused_once_and_taken_when_that_is_there(
    house: House, tmp_path: Path
) -> None:
    house.write(HOME.replace("[home]", '[home]\nmode = "watch"') + '[rules.away]\ncalendar_file = "away.ics"\n')
    house.look()
    assert house.said == ["alarm"]
    assert "away.ics" in house.home_file.fault
    house.write(CALENDAR, tmp_path / "away.ics")
    house.look()
    assert house.said == ["alarm", "note", "recovered"]
    assert house.home_file.fault == ""


def test_the_same_mistake_written_again_is_not_announced_again_and_another_is(house: House) -> None:
    for text in ("nonsense", "nonsense", "nonsense = 3"):
        house.write(text)
        house.look()
    assert house.said == ["alarm", "alarm"]


def test_a_whole_change_is_taken_once(house: House) -> None:
    house.write(OTHER)
    house.look()
    assert house.said == ["note"]
    assert house.obeys() == ("control", 80, False, 80.0, [True], Fraction(3, 10), False)


def fail_ledger(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def unread(*_: object) -> None:
        raise LedgerError("read", "ledger", "the disk is gone")

    monkeypatch.setattr(house.parts.restater, "_span", unread)


def fail_line(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_certificate(*_: object) -> None:
        raise BrimfulError("connect", "broker.ca_file", "expected a certificate, got none")

    monkeypatch.setattr(house.parts.connections.lines[0], "_make", no_certificate)


def fail_board(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    adopt = house.engine.board.adopt

    def once(*figures: Any) -> None:
        monkeypatch.setattr(house.engine.board, "adopt", adopt)
        raise ZeroDivisionError("unforeseen")

    monkeypatch.setattr(house.engine.board, "adopt", once)


@pytest.mark.parametrize("fails", [fail_ledger, fail_line, fail_board])
def test_where_a_part_fails_all_goes_on_by_the_former_file(
    house: House, monkeypatch: pytest.MonkeyPatch, fails: Callable[[House, pytest.MonkeyPatch], None]
) -> None:
    known = (Reading("grid_w", -900.0, NOON_S, NOON_S), Reading("tank_level_pct", 97.0, NOON_S, NOON_S))
    house.parts.controller.hear(known, NOW)
    was, memory = house.obeys(), house.engine.memory
    assert memory.full_since_s is not None
    with monkeypatch.context() as patched:
        fails(house, patched)
        house.write(OTHER)
        house.look()
        assert house.obeys() == was
        assert house.engine.memory == memory
        assert house.said == ["alarm"]
    house.write(OTHER + "\n")
    house.look()
    assert house.obeys() != was
    assert house.home_file.fault == ""


def test_a_ledger_that_could_not_be_read_is_no_fault_of_the_file_which_is_taken_later(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    switched: list[bool] = []
    monkeypatch.setattr(house.parts.controller, "control", switched.append)
    with monkeypatch.context() as patched:
        fail_ledger(house, patched)
        house.write(OTHER)
        house.look()
        assert switched == [], "the heaters' lines are not made and broken with each look"
    house.look()
    assert switched == [True]
    assert house.said.count("alarm") == 1
    assert house.home_file.fault == ""
    assert house.engine.settings.full.stop_at_pct == 80.0


def test_a_rule_that_is_changed_ends_the_fault_and_the_file_it_names_is_looked_at(house: House, tmp_path: Path) -> None:
    house.write("nonsense")
    house.look()
    house.file.write_text(HOME, encoding="utf-8")
    (tmp_path / "away.ics").write_text(CALENDAR, encoding="utf-8")
    house.home_file.change(lambda home, fits: set_rule(home.file, "away", {"calendar_file": "away.ics"}, fits), NOW)
    assert house.home_file.fault == ""
    noted = len(house.said)
    house.look()
    assert len(house.said) == noted
    house.write(CALENDAR, tmp_path / "away.ics")
    house.look()
    assert len(house.said) == noted + 1
