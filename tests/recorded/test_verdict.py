"""The recorded year with a diverter added half way: what it saved is known, and before and after finds it."""

from dataclasses import dataclass, replace
from datetime import date
from math import isnan

import pytest

from accounting.verdict.before_after import before_after
from accounting.verdict.history import History, Period
from accounting.verdict.priors import Facts
from tests.support.recorded_sources import YEAR_MINUTES
from tests.support.recorded_year import Tank, diverted_power_w

pytestmark = pytest.mark.recorded
STARTS = [date(2009, month, 1) for month in range(1, 13)] + [date(2010, 1, 1)]  # a year without its 29 February
ADDED = date(2009, 7, 1)
EFFICIENCY = 0.84
BOILER_W = 12_000.0
PARIS = Facts(hot_c=60, cold_c=10, loss_w=54, boiler_efficiency=EFFICIENCY, latitude=48.9)


@dataclass
class Month:
    """kWh of gas burnt, kWh drawn, kWh diverted, days on which little was drawn."""

    gas_kwh: float = 0.0
    drawn_kwh: float = 0.0
    diverted_kwh: float = 0.0
    days_away: int = 0


def lived(load_w: list[float], heater_w: list[float], pv_w: list[float], added: date | None) -> list[Month]:
    """The year's months with a diverter from a day on, or without one."""
    tank, months = Tank(), [Month() for _ in range(12)]
    starts = [(day - STARTS[0]).days * 1440 for day in STARTS]
    added_minute = YEAR_MINUTES if added is None else (added - STARTS[0]).days * 1440
    place, drawn_today = 0, 0.0
    for minute in range(YEAR_MINUTES):
        if minute >= starts[place + 1]:
            place += 1
        month = months[place]
        surplus_w = pv_w[minute] - (load_w[minute] - heater_w[minute])
        on = minute >= added_minute and not isnan(surplus_w) and tank.accepts()
        element_w = diverted_power_w(surplus_w) if on else 0.0
        drawn_w = 0.0 if isnan(heater_w[minute]) else heater_w[minute]
        tank.pass_minute(element_w, drawn_w)
        month.gas_kwh += BOILER_W * tank.boiler_on / 60_000 / EFFICIENCY
        month.drawn_kwh += drawn_w / 60_000
        month.diverted_kwh += element_w / 60_000
        drawn_today += drawn_w / 60_000
        if minute % 1440 == 1439:
            month.days_away += drawn_today < 0.5
            drawn_today = 0.0
    return months


def history(months: list[Month]) -> History:
    periods = tuple(
        Period(
            STARTS[place],
            STARTS[place + 1],
            place + 2,
            gas_kwh=float(round(month.gas_kwh)),
            water_l=round(month.drawn_kwh / (1.163e-3 * 50), -1),
            away_days=float(month.days_away),
            inlet_c=10.0,
        )
        for place, month in enumerate(months)
    )
    return History("recorded.csv", periods, ("from", "to"))


@pytest.fixture(scope="module")
def years(household: tuple[list[float], list[float]], pv_w: list[float]) -> tuple[list[Month], list[Month]]:
    """The year without, and with a diverter added half way."""
    return lived(*household, pv_w, None), lived(*household, pv_w, ADDED)


def test_a_diverter_added_half_way_is_found(years: tuple[list[Month], list[Month]]) -> None:
    without, with_it = years
    truth = sum(month.gas_kwh for month in without[6:]) - sum(month.gas_kwh for month in with_it[6:])
    assert truth > 200
    assert [month.gas_kwh for month in without[:6]] == [month.gas_kwh for month in with_it[:6]]
    found = before_after(history(with_it), ADDED, PARIS)
    print(f"\ntruth {truth:.0f} kWh, found {found.saved}, bare difference {found.raw_kwh:.0f}")
    assert found.saved.low <= truth <= found.saved.high
    assert found.saved.low > 0
    assert abs(found.saved.value - truth) < abs(found.raw_kwh - truth) / 2


def test_by_days_at_home_alone_it_is_found_too(years: tuple[list[Month], list[Month]]) -> None:
    without, with_it = years
    truth = sum(month.gas_kwh for month in without[6:]) - sum(month.gas_kwh for month in with_it[6:])
    whole = history(with_it)
    dry = replace(whole, periods=tuple(replace(period, water_l=None) for period in whole.periods))
    found = before_after(dry, ADDED, PARIS)
    print(f"\ntruth {truth:.0f} kWh, found {found.saved}, bare difference {found.raw_kwh:.0f}")
    assert found.method == "occupied days"
    assert found.saved.low <= truth <= found.saved.high


def test_without_a_diverter_nothing_is_found(years: tuple[list[Month], list[Month]]) -> None:
    found = before_after(history(years[0]), ADDED, PARIS)
    print(f"\ntruth 0 kWh, found {found.saved}, bare difference {found.raw_kwh:.0f}")
    assert found.saved.low <= 0 <= found.saved.high
    assert any("Can't tell yet whether it saved anything" in note for note in found.notes)
