"""What each local day cost: the heat that came into the tank, or the whole house at its meters.

Of the tank: the heat stock's own entries, every source at the prices of its moment; sun at the export income given up.
Of the house: imported energy at its price less exported energy at its price, from the recorded minutes, with the
boiler's fuel. Energy bought is electricity from the grid and fuel. Heat whose price is not known is not free: its day
is left out, and its amount is kept.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import NamedTuple
from zoneinfo import ZoneInfo

from accounting.heat.tank_book import tolerance_wh
from accounting.ledger.reading import Ledger
from accounting.model.entry import TankEntry
from accounting.model.journal import BOILER, UNEXPLAINED, is_grid, is_source
from accounting.model.periods import local_day, midnight_s
from accounting.pricing.tariffs import Priced
from accounting.reports.bills import Own
from accounting.reports.value import value_report
from accounting.valuation.settings import BooksSettings
from accounting.valuation.valuer import Valuer
from rules.model.wording import Number, say

FULLEST = 0.9
"""A day counts if at least so much of its time was measured."""
_NOWHERE = 0.1
"""A day counts if no more than this share of its heat came from no metered source, or no more than a level's steps
leave open."""


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
class TankDays:
    """By day. paid: what the tank's heat cost, of the days booked whole and priced whole; burnt: what the boiler burnt,
    of the days booked whole on which its fuel has a price; unpriced_kwh: heat of the other days without a known price,
    or from no metered source."""

    paid: Mapping[date, Paid]
    burnt: Mapping[date, Boiler]
    unpriced_kwh: Mapping[date, float]


@dataclass(frozen=True, slots=True)
class DaysPaid:
    """By day: what the tank's heat cost and what the whole house cost, each or why it is not known; the sun that was
    diverted, kWh (None: not known apart from what the grid gave); and heat without a known price, for which its day is
    left out of the tank's, kWh."""

    tank: Mapping[date, Paid] | str
    meters: Mapping[date, Paid] | str
    sun_kwh: Mapping[date, float] | None
    unpriced_kwh: Mapping[date, float] = field(default_factory=dict)


def sound_days(ledger: Ledger, first: date, until: date, zone: ZoneInfo) -> tuple[set[date], dict[date, float]]:
    """Of the days from first until until (not included): those that the heaters' meters cover and that lack no price,
    and the sun that was diverted on each, kWh. Raises LedgerError."""
    report = value_report(ledger, "day", midnight_s(first, zone), midnight_s(until, zone), str(zone))
    days = {local_day(row.start_s, zone): row for row in report.rows}
    sound = {day for day, row in days.items() if row.coverage >= FULLEST and not row.unpriced_wh}
    return sound, {day: (row.diverted_wh - row.grid_wh - row.battery_wh) / 1000 for day, row in days.items()}


class _Day:
    """A day's heat as it is added up: money in millionths, energies in Wh."""

    def __init__(self) -> None:
        self.booked_s = self.micro = self.grid_wh = self.boiler_micro = self.boiler_wh = 0
        self.came_wh = self.unpriced_wh = self.boiler_unpriced_wh = self.nowhere_wh = 0

    def add(self, entry: TankEntry, prices: Valuer) -> None:
        self.booked_s += entry.interval_s
        for line in entry.postings:
            if line.account == UNEXPLAINED:
                self.nowhere_wh -= line.wh
            if not is_source(line.account):
                continue
            self.came_wh -= line.wh
            self.micro -= line.micro
            if is_grid(line.account):
                self.grid_wh -= line.wh
            elif line.account == BOILER:
                self.boiler_micro -= line.micro
                self.boiler_wh -= line.wh
            if line.wh and not line.micro and not prices.costs_nothing(line.account, entry.start_s, -line.wh):
                self.unpriced_wh -= line.wh
                if line.account == BOILER:
                    self.boiler_unpriced_wh -= line.wh


def tank_days(ledger: Ledger, first: date, until: date, zone: ZoneInfo, books: BooksSettings) -> TankDays:
    """What the tank's heat cost on each day. books: whose prices show whether heat that cost nothing was free.

    Raises LedgerError.
    """
    tank = books.tank
    if tank is None:
        return TankDays({}, {}, {})
    prices, days = Valuer(books), dict[date, _Day]()
    for entry in ledger.tank_entries(midnight_s(first, zone), midnight_s(until, zone)):
        days.setdefault(local_day(entry.start_s, zone), _Day()).add(entry, prices)
    fuel_per_heat = tank.boiler.fuel / tank.boiler.heat if tank.boiler is not None else Fraction(1)
    paid, burnt, unpriced = dict[date, Paid](), dict[date, Boiler](), dict[date, float]()
    for day, found in days.items():
        nowhere_wh = found.nowhere_wh
        if nowhere_wh <= max(float(tolerance_wh(tank)), _NOWHERE * (found.came_wh + nowhere_wh)):
            nowhere_wh = 0
        if found.unpriced_wh or nowhere_wh:
            unpriced[day] = (found.unpriced_wh + nowhere_wh) / 1000
        if found.booked_s < FULLEST * _length_s(day, zone) or found.boiler_unpriced_wh:
            continue
        fuel = Boiler(found.boiler_micro / 1e6, float(found.boiler_wh * fuel_per_heat) / 1000)
        burnt[day] = fuel
        if not found.unpriced_wh and not nowhere_wh:
            paid[day] = Paid(found.micro / 1e6, found.grid_wh / 1000 + fuel.fuel_kwh)
    return TankDays(paid, burnt, unpriced)


def meter_days(
    imported: Mapping[int, Own],
    exported: Mapping[int, Own],
    prices: tuple[Priced, Priced],
    boiler: Mapping[date, Boiler] | None,
    zone: ZoneInfo,
    interval_s: int,
) -> dict[date, Paid]:
    """What the whole house cost on each day that the meters cover and that lacks no price.

    imported, exported: the meters' figures by start of interval, UTC seconds; prices: of what is bought and sold;
    boiler: what it burnt, by day (None: nothing is burnt): a day that is not in it is left out.
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
        burnt = Boiler() if boiler is None else boiler.get(day)
        if burnt is not None and day not in lacking and measured_s >= FULLEST * _length_s(day, zone):
            found[day] = Paid(money + burnt.money, kwh + burnt.fuel_kwh)
    return found


def _length_s(day: date, zone: ZoneInfo) -> int:
    return midnight_s(date.fromordinal(day.toordinal() + 1), zone) - midnight_s(day, zone)


def unpriced_text(days: int, kwh: float) -> str:
    """The days left out of the tank's for heat without a known price, and that heat, in words."""
    return say(
        "{days} days are left out of the tank's: {kwh} kWh of their heat came at no known price or from "
        "no metered source",
        days=days,
        kwh=Number(f"{kwh:,.1f}"),
    )


def only(days: Mapping[date, Paid], kept: Iterable[date]) -> dict[date, Paid]:
    """Those of the days that are kept."""
    return {day: days[day] for day in kept if day in days}
