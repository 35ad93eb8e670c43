"""What a day's heat cost: heat without a known price is not free, and heat from nowhere is not cheap."""

from dataclasses import replace
from datetime import UTC, date, datetime
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger import Batch, Facts, Ledger, LedgerWriter
from accounting.model.entry import Entry, Posting, TankEntry
from accounting.pricing.bands import Band, Period
from accounting.pricing.tariffs import Tariff
from accounting.reports.bills import Own
from accounting.reports.days_paid import Boiler, Paid, TankDays, meter_days, sound_days, tank_days
from accounting.valuation.settings import Boiler as BoilerBooks
from accounting.valuation.settings import BooksSettings, CounterSignal, HeaterBooks, TankBooks

ZONE = ZoneInfo("UTC")
DAY = date(2026, 3, 2)
AFTER = date(2026, 3, 3)
START_S = int(datetime(2026, 3, 2, tzinfo=UTC).timestamp())
STEP_S = 3600
TANK = TankBooks(180, 10, 60, 1.5, 20, topup=CounterSignal("topup_wh"))
IMPORTS = Tariff("import", (Period(date(2020, 1, 1), None, (Band("all", Fraction("0.3")),)),), "UTC")
BOOKS = BooksSettings((HeaterBooks("main", 2800, counter="diverted_wh"),), STEP_S, imports=IMPORTS, tank=TANK)


def found(folder: Path, *flows: Posting, books: BooksSettings = BOOKS, taken: Entry | None = None) -> TankDays:
    """The day by a ledger that holds these flows in one of its hours, in a tank that is heated to no end."""
    with LedgerWriter.open(folder / "l.sqlite", Facts("Home", 60, "EUR", "UTC", ("main",))) as writer:
        tank, entries = [], []
        for place in range(24):
            start_s = START_S + place * STEP_S
            lines = flows if place == 12 else ()
            change = -sum(line.wh for line in lines)
            stock = (Posting("tank", change),) if change else ()
            tank.append(TankEntry(start_s, STEP_S, STEP_S, closing_wh=4000 + change, postings=(*lines, *stock)))
            plain = Entry(start_s, STEP_S, "main", measured_s=STEP_S, unpriced_wh=0)
            entries.append(replace(taken, start_s=start_s) if taken is not None and place == 12 else plain)
        writer.commit(Batch(START_S + 86_400.0, tuple(entries), tank=tuple(tank)))
    with Ledger.open_reader(folder / "l.sqlite") as ledger:
        return tank_days(ledger, DAY, AFTER, ZONE, books)


def test_each_source_costs_what_it_cost(tmp_path: Path) -> None:
    days = found(tmp_path, Posting("grid:all", -2000, -600_000), Posting("sun", -1000, -50_000))
    assert days.paid == {DAY: Paid(0.65, 2.0)}
    assert not days.unpriced_kwh


def test_heat_without_a_known_price_leaves_its_day_out_with_its_amount(tmp_path: Path) -> None:
    days = found(tmp_path, Posting("grid", -2000, 0), books=replace(BOOKS, imports=None))
    assert not days.paid
    assert days.burnt == {DAY: Boiler()}, "what was burnt is known: nothing"
    assert days.unpriced_kwh == {DAY: 2.0}


def test_heat_at_a_price_of_nothing_is_free(tmp_path: Path) -> None:
    free = replace(IMPORTS, periods=(Period(date(2020, 1, 1), None, (Band("all", Fraction(0)),)),))
    assert found(tmp_path, Posting("grid:all", -2000), books=replace(BOOKS, imports=free)).paid == {DAY: Paid(0.0, 2.0)}


@pytest.mark.parametrize(("price", "counts"), [(None, False), (Fraction(0), True)])
def test_a_boiler_without_a_price_is_not_free(tmp_path: Path, price: Fraction | None, counts: bool) -> None:
    boiler = BoilerBooks(CounterSignal("boiler_wh"), price=price)
    books = replace(BOOKS, tank=replace(TANK, boiler=boiler))
    days = found(tmp_path, Posting("boiler", -3000), books=books)
    assert (DAY in days.paid, DAY in days.burnt) == (counts, counts)
    assert days.unpriced_kwh == ({} if counts else {DAY: 3.0})


def test_heat_of_the_grid_without_a_price_leaves_what_the_boiler_burnt(tmp_path: Path) -> None:
    """The whole house's meters need the boiler's fuel alone."""
    boiler = BoilerBooks(CounterSignal("boiler_wh"), price=Fraction("0.1"))
    books = replace(BOOKS, imports=None, tank=replace(TANK, boiler=boiler))
    days = found(tmp_path, Posting("grid", -2000), Posting("boiler", -3000, -300_000), books=books)
    assert not days.paid
    assert days.burnt == {DAY: Boiler(0.3, 3.0)}
    assert days.unpriced_kwh == {DAY: 2.0}


@pytest.mark.parametrize(("wh", "counts"), [(1, True), (2000, False)])
def test_a_price_that_comes_to_nothing_is_known(tmp_path: Path, wh: int, counts: bool) -> None:
    """At 0.0003 a kWh one Wh costs 0.3 millionths, which are booked as 0; 2000 Wh cost 600: booked as 0, the price was
    not known then."""
    tiny = replace(IMPORTS, periods=(Period(date(2020, 1, 1), None, (Band("all", Fraction("0.0003")),)),))
    days = found(tmp_path, Posting("grid:all", -wh), books=replace(BOOKS, imports=tiny))
    assert (DAY in days.paid) is counts
    days_fuel = BoilerBooks(CounterSignal("boiler_wh"), price=Fraction("0.0003"))
    books = replace(BOOKS, tank=replace(TANK, boiler=days_fuel))
    (tmp_path / "fuel").mkdir()
    assert (DAY in found(tmp_path / "fuel", Posting("boiler", -wh), books=books).burnt) is counts


def test_heat_from_no_metered_source_leaves_its_day_out(tmp_path: Path) -> None:
    """As where a heater that nobody meters makes the heat of the days without diversion."""
    days = found(tmp_path, Posting("sun", -1000, -50_000), Posting("unexplained", -4000))
    assert not days.paid
    assert days.unpriced_kwh == {DAY: 4.0}
    assert DAY in days.burnt, "the whole house's meters know what it cost"


def test_what_a_levels_steps_leave_open_is_no_heat_from_nowhere(tmp_path: Path) -> None:
    assert DAY in found(tmp_path, Posting("sun", -1000, -50_000), Posting("unexplained", -150)).paid


def test_only_sun_counts_as_diverted(tmp_path: Path) -> None:
    bought = Entry(START_S, STEP_S, "main", diverted_wh=2500, grid_wh=2000, measured_s=STEP_S, unpriced_wh=0)
    lines = (Posting("sun", -500), Posting("grid", -2000), Posting("tank", 2500))
    found(tmp_path, taken=replace(bought, postings=lines))
    with Ledger.open_reader(tmp_path / "l.sqlite") as ledger:
        assert sound_days(ledger, DAY, AFTER, ZONE)[1][DAY] == 0.5


def test_a_day_whose_boiler_is_not_known_is_not_a_day_without_fuel() -> None:
    hours = {START_S + place * STEP_S: Own(100, STEP_S) for place in range(24)}
    prices = (IMPORTS, IMPORTS)
    assert meter_days(hours, hours, prices, None, ZONE, STEP_S)[DAY] == Paid(0.0, pytest.approx(2.4))
    assert meter_days(hours, hours, prices, {}, ZONE, STEP_S) == {}
    burnt = {DAY: Boiler(0.4, 5.0)}
    assert meter_days(hours, hours, prices, burnt, ZONE, STEP_S)[DAY] == Paid(pytest.approx(0.4), pytest.approx(7.4))
