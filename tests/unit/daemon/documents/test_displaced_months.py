"""A running daemon goes by the home's own past: from its start, as months are added, and as the home file says."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from accounting.ledger import Batch, LedgerError, LedgerWriter
from accounting.model.entry import Posting, TankEntry
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Tick
from tests.support.broker import free_port
from tests.support.prices import utc
from tests.unit.daemon.config.test_displaces_from_past import PAST, WHOLE

JUNE, JULY = utc("2026-06-10T12:00Z"), utc("2026-07-10T12:00Z")
WITHIN_S = 30.0
GRID, BOILER = 0.20, 0.10
"""What a kWh of heat from each costs."""


def month(first: str, end: str, grid_wh: int, boiler_wh: int) -> list[TankEntry]:
    """Half hours in which all that came was drawn; one in ten was not measured, and tells another story."""
    found = []
    for number, start_s in enumerate(range(utc(first), utc(end), 1800)):
        measured_s, boiler = (0, 100_000) if number % 10 == 0 else (1800, boiler_wh)
        lines = (Posting("grid", -grid_wh), Posting("boiler", -boiler), Posting("drawn", grid_wh + boiler))
        found.append(TankEntry(start_s, 1800, measured_s, 5000, postings=lines))
    return found


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    path = tmp_path / "home.toml"
    path.write_text(f"{WHOLE}\n[api]\nport = {free_port()}\n")
    home = load(path)
    with LedgerWriter.open(home.path_of(home.ledger.path), facts(home)) as ledger:
        entries = month("2025-06-01T00:00+01:00", "2025-07-01T00:00+01:00", 10, 30)
        ledger.commit(Batch(JUNE - 3600, tank=tuple(entries)))
    made = Service(prepare(home), BrokerAddress("127.0.0.1", free_port()), SteppedClock(JUNE), stepped_from_s=JUNE)
    made.start()
    tick = Tick()  # once it has answered, its thread has nothing more to do
    made.loop.put(tick)
    tick.done.result(WITHIN_S)
    yield made
    made.stop()
    assert made.join(WITHIN_S)


def look_back(service: Service) -> None:
    service.parts.housekeeping.look_back(service.parts.clock.now())


def heat_price(service: Service, at_s: int) -> float:
    price = service.parts.engine.books.prices_at(at_s).heat_value
    assert price is not None
    return price


def test_it_goes_by_the_ledger_from_the_start(service: Service) -> None:
    assert heat_price(service, JUNE) == pytest.approx(GRID / 4 + 3 * BOILER / 4)


def test_a_month_that_has_been_booked_since_is_found_by_the_job(service: Service) -> None:
    assert heat_price(service, JULY) == pytest.approx(GRID / 4 + 3 * BOILER / 4), "June is the nearest"
    entries = month("2025-07-01T00:00+01:00", "2025-08-01T00:00+01:00", 20, 20)
    service.keeper._ledger.commit(Batch(JUNE, tank=tuple(entries)))
    service.parts.engine.prices = service.parts.engine.books.prices_at(JUNE)
    look_back(service)
    assert heat_price(service, JULY) == pytest.approx((GRID + BOILER) / 2)
    assert service.parts.engine.prices.until_s == float("-inf"), "the rules ask anew what heat is worth"
    service.parts.engine.prices = standing = service.parts.engine.books.prices_at(JUNE)
    look_back(service)
    assert service.parts.engine.prices is standing, "nothing new, nothing asked"


def test_the_home_file_says_whether_while_running(service: Service, tmp_path: Path) -> None:
    path = tmp_path / "home.toml"
    whole = path.read_text()
    path.write_text(whole.replace(PAST, ""))
    service.parts.home_file.look(service.parts.clock.now())
    assert heat_price(service, JUNE) == pytest.approx((GRID + BOILER) / 2)
    path.write_text(whole)
    service.parts.home_file.look(service.parts.clock.now())
    assert heat_price(service, JUNE) == pytest.approx(GRID / 4 + 3 * BOILER / 4)


def test_while_the_ledger_cannot_be_read_the_past_stays_as_it_was(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse() -> None:
        raise LedgerError("read the ledger", "it", "the disk is gone")

    monkeypatch.setattr(service.keeper._ledger, "tank_span", refuse)
    look_back(service)
    assert heat_price(service, JUNE) == pytest.approx(GRID / 4 + 3 * BOILER / 4)
    assert "the disk is gone" in service.keeper.fault
