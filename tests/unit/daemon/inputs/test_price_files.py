"""What a running daemon does when a file of prices is written, and what it keeps of prices it hears."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from accounting.books.booking import Books
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.recording.unit_of_work import METER
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from tests.support.broker import free_port
from tests.support.homes import SMALL
from tests.unit.daemon.recording.test_unit_of_work import START_S, House, with_price

NOON_S = 1_780_056_000.0
SERIES = '[tariffs.sell]\ndirection = "export"\nseries = "sell.csv"\n'
WITHIN_S = 30.0


def write(folder: Path, price: str) -> None:
    (folder / "sell.csv").write_text(f"time,price\n2026-01-01T00:00Z,{price}\n")


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    path = tmp_path / "home.toml"
    path.write_text(f"{SMALL}{SERIES}\n[api]\nport = {free_port()}\n", encoding="utf-8")
    write(tmp_path, "0.05")
    made = Service(
        prepare(load(path)), BrokerAddress("127.0.0.1", free_port()), SteppedClock(NOON_S), stepped_from_s=NOON_S
    )
    made.start()
    yield made
    made.stop()
    assert made.join(WITHIN_S)


def look(service: Service) -> None:
    service.parts.home_file.look(service.parts.clock.now())


def test_a_changed_series_counts_without_a_word_in_the_home_file(
    service: Service, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    assert service.parts.engine.books.prices_at(NOON_S).export_price == 0.05
    write(tmp_path, "-0.125")
    look(service)
    assert service.parts.engine.books.prices_at(NOON_S).export_price == -0.125
    assert service.controller.engine.prices.export_price == -0.125, "the rules decide by it at once"


def test_a_series_that_cannot_be_read_changes_nothing_and_is_told_once(
    service: Service, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    write(tmp_path, "dear")
    look(service)
    look(service)
    assert service.parts.engine.books.prices_at(NOON_S).export_price == 0.05
    assert caplog.text.count("home file refused, the former settings stay") == 1
    assert 'expected a number, got "dear"' in caplog.text
    fault = service.parts.questions.health(service.parts.clock.now())["home_file"]["fault"]
    assert fault.startswith("the changed home file is refused and the former settings stay: ")
    write(tmp_path, "0.5")
    look(service)
    assert service.parts.questions.health(service.parts.clock.now())["home_file"] == {"fault": None}
    assert service.parts.engine.books.prices_at(NOON_S).export_price == 0.5


def test_files_beside_are_calendars_and_series(tmp_path: Path) -> None:
    text = (
        SMALL.replace('currency = "EUR"', 'currency = "EUR"\ncalendar_file = "days.ics"')
        + SERIES
        + '[rules.away]\ncalendar_file = "away.ics"\n'
        + '[carbon.grid]\nseries = "grid.csv"\nbasis = "average"\nsource = "invented"\nyear = 2026\n'
        + 'marginal = { series = "edge.csv", source = "invented", year = 2026 }\n'
    )
    path = tmp_path / "home.toml"
    path.write_text(text)
    assert [file.name for file in load(path).files_beside] == [
        "days.ics",
        "away.ics",
        "sell.csv",
        "grid.csv",
        "edge.csv",
    ]


def test_a_changed_price_that_the_flush_has_written_outlives_a_kill(tmp_path: Path) -> None:
    house = House(tmp_path)
    house.hear(0.0, diverted_wh=1000.0, import_price=0.31)
    house.keeper.flush(house.engine, house.at(0.0))
    house.hear(290.0, import_price=-0.02)
    house.keeper.flush(house.engine, house.at(300.0))
    house.hear(400.0, import_price=0.5)  # nothing has written this one
    again = Books(with_price(), house.seen().state[METER])
    assert [again.prices_at(START_S + at_s).import_price for at_s in (289, 889)] == [0.31, -0.02]
    house.keeper.close()
