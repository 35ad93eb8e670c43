"""What each local day cost: the heat that came into the tank, or the whole house at its meters.

Of the tank: the heat stock's own entries, every source at the prices of its moment; sun at the export income given up.
Of the house: imported energy at its price less exported energy at its price, from the recorded minutes, with the
boiler's fuel. Energy bought is electricity from the grid and fuel.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import NamedTuple
from zoneinfo import ZoneInfo

from accounting.ledger.reading import Ledger
from accounting.model.journal import BOILER, is_grid, is_source
from accounting.model.periods import midnight_s
from accounting.pricing.tariffs import Priced
from accounting.reports.bills import Own
from accounting.reports.supplier import local_day
from accounting.reports.value import value_report

FULLEST = 0.9
"""A day counts if at least so much of its time was measured."""


class Paid(NamedTuple):
    """A day's cost in the home's currency, and the energy bought, kWh."""

    money: float
    bought_kwh: float


@dataclass(frozen=True, slots=True)
class Boiler:
    """What the boiler burnt on a day: money, kWh of fuel."""

    money: float = 0.0
    fuel_kwh: float = 0.0


@dataclass(frozen=True, slots=True)
class DaysPaid:
    """By day: what the tank's heat cost and what the whole house cost, each or why it is not known; and what was
    diverted, kWh."""

    tank: Mapping[date, Paid] | str
    meters: Mapping[date, Paid] | str
    diverted_kwh: Mapping[date, float]


def sound_days(ledger: Ledger, first: date, until: date, zone: ZoneInfo) -> tuple[set[date], dict[date, float]]:
    """Of the days from first until until (not included): those that the heaters' meters cover and that lack no price,
    and what was diverted on each, kWh. Raises LedgerError."""
    report = value_report(ledger, "day", midnight_s(first, zone), midnight_s(until, zone), str(zone))
    days = {local_day(row.start_s, zone): row for row in report.rows}
    sound = {day for day, row in days.items() if row.coverage >= FULLEST and not row.unpriced_wh}
    return sound, {day: row.diverted_wh / 1000 for day, row in days.items()}


def tank_days(
    ledger: Ledger, first: date, until: date, zone: ZoneInfo, fuel_per_heat: Fraction
) -> tuple[dict[date, Paid], dict[date, Boiler]]:
    """What the tank's heat cost on each day that is booked whole, and the boiler's part. fuel_per_heat: of the boiler.

    Raises LedgerError.
    """
    micro: dict[date, int] = {}
    grid_wh: dict[date, int] = {}
    boiler: dict[date, tuple[int, int]] = {}
    booked_s: dict[date, int] = {}
    for entry in ledger.tank_entries(midnight_s(first, zone), midnight_s(until, zone)):
        day = local_day(entry.start_s, zone)
        booked_s[day] = booked_s.get(day, 0) + entry.interval_s
        for line in entry.postings:
            if not is_source(line.account):
                continue
            micro[day] = micro.get(day, 0) - line.micro
            if is_grid(line.account):
                grid_wh[day] = grid_wh.get(day, 0) - line.wh
            elif line.account == BOILER:
                cost, wh = boiler.get(day, (0, 0))
                boiler[day] = cost - line.micro, wh - line.wh
    burnt = {day: Boiler(cost / 1e6, float(wh * fuel_per_heat) / 1000) for day, (cost, wh) in boiler.items()}
    paid = {
        day: Paid(micro.get(day, 0) / 1e6, grid_wh.get(day, 0) / 1000 + burnt.get(day, Boiler()).fuel_kwh)
        for day, seconds in booked_s.items()
        if seconds >= FULLEST * _length_s(day, zone)
    }
    return paid, burnt


def meter_days(
    imported: Mapping[int, Own],
    exported: Mapping[int, Own],
    prices: tuple[Priced, Priced],
    boiler: Mapping[date, Boiler],
    zone: ZoneInfo,
    interval_s: int,
) -> dict[date, Paid]:
    """What the whole house cost on each day that the meters cover and that lacks no price.

    imported, exported: the meters' figures by start of interval, UTC seconds; prices: of what is bought and sold.
    """
    days: dict[date, list[float]] = {}
    lacking: set[date] = set()
    for start_s, own in imported.items():
        day = local_day(start_s, zone)
        sold = exported.get(start_s, Own(0, 0))
        buys, sells = (priced.mean_price(start_s, start_s + interval_s) for priced in prices)
        if buys is None or sells is None:
            lacking.add(day)
            continue
        sums = days.setdefault(day, [0.0, 0.0, 0.0])
        sums[0] += float(own.wh * buys - sold.wh * sells) / 1000
        sums[1] += own.wh / 1000
        sums[2] += min(own.measured_s, sold.measured_s)
    found = {}
    for day, (money, kwh, measured_s) in days.items():
        if day not in lacking and measured_s >= FULLEST * _length_s(day, zone):
            burnt = boiler.get(day, Boiler())
            found[day] = Paid(money + burnt.money, kwh + burnt.fuel_kwh)
    return found


def _length_s(day: date, zone: ZoneInfo) -> int:
    return midnight_s(date.fromordinal(day.toordinal() + 1), zone) - midnight_s(day, zone)


def only(days: Mapping[date, Paid], kept: Iterable[date]) -> dict[date, Paid]:
    """Those of the days that are kept."""
    return {day: days[day] for day in kept if day in days}
