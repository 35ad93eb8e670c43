"""The home's prices and carbon factors as means over days, by what is bought."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

from accounting.model.periods import local_day, midnight_s
from accounting.pricing.displaced import Displaced
from accounting.pricing.tariffs import Priced
from accounting.valuation.historical_shares import month_of
from accounting.verdict.judgement import Rates
from daemon.config.build_money import GRID, displaced, factors, marginal_factors, of_direction, tariffs
from daemon.config.model import Home
from daemon.documents.carriers import burns

_MOST_DAYS_PRICED = 120
_FREE = Fraction(0)
_STATED: Mapping[int, Sequence[Fraction]] = {}
_SUN_HOURS = (9, 15)  # local: when what is diverted would have been sold


class Prices:
    """The home's prices and factors as means over days. Raises BrimfulError where a series file cannot be read."""

    def __init__(self, home: Home) -> None:
        self._home = home
        self._zone = ZoneInfo(home.home.timezone)
        self._tariffs = tariffs(home)
        self._factors = factors(home)
        marginal = marginal_factors(home, self._factors)
        self._displaced = displaced(home, self._tariffs, self._factors, marginal)
        self._gas, self._electric = self._by_carrier()
        self._known: dict[tuple[date, date], Rates] = {}

    def over(self, first: date, until: date) -> Rates:
        """Means over the days from first until until (not included)."""
        known = self._known.get((first, until))
        if known is None:
            known = self._known[first, until] = self._over(first, until)
        return known

    def _over(self, first: date, until: date) -> Rates:
        days = self._days(first, until)
        electricity = _mean([self._source_price(self._electric, *day) for day in days])
        gas = _mean([self._source_price(self._gas, *day) for day in days])
        imported, fuel = of_direction(self._home, self._tariffs, "import"), self._fuel()
        exported = of_direction(self._home, self._tariffs, "export")
        return Rates(
            electricity=electricity if electricity is not None else _mean_price(imported, days),
            gas=gas if gas is not None else _mean_price(fuel, days),
            export=_mean_price(exported, [self._sun_hours(*day) for day in days]),
            grid_kg=_mean([self._grid_kg(*day) for day in days]),
            gas_kg=self._gas_kg(*days[len(days) // 2]) if days else None,
        )

    def standby_over(self, first: date, until: date) -> float | None:
        """What a kWh of something that is always on costs."""
        return _mean_price(of_direction(self._home, self._tariffs, "import"), self._days(first, until))

    def gas_share(self, start_s: int, end_s: int, months: Mapping[int, Sequence[Fraction]] = _STATED) -> float:
        """The share of what is avoided in [start_s, end_s) that would have been gas: as `avoided_parts`; by the heat
        alone where a price is not known."""
        day, shares = self._middle(start_s, end_s, months)
        parts = self._parts(day, shares) or [float(share) for share in shares]
        return sum(part for source, part in zip(self._displaced, parts, strict=True) if source in self._gas)

    def avoided_parts(
        self, start_s: int, end_s: int, months: Mapping[int, Sequence[Fraction]] = _STATED
    ) -> dict[str, float]:
        """Each source's part of what is avoided in [start_s, end_s), by the day in its middle; empty where one of
        several sources has no price then. months: the sources' shares by month, where they go by the home's past."""
        found: dict[str, float] = {}
        parts = self._parts(*self._middle(start_s, end_s, months))
        if not parts:
            return found
        for source, part in zip(self._displaced, parts, strict=True):
            found[source.source] = found.get(source.source, 0.0) + part
        return found

    def stated_shares(self) -> dict[str, Fraction]:
        """The sources' shares as the home file states them."""
        found: dict[str, Fraction] = {}
        for source in self._displaced:
            found[source.source] = found.get(source.source, Fraction(0)) + source.share
        return found

    def _middle(
        self, start_s: int, end_s: int, months: Mapping[int, Sequence[Fraction]]
    ) -> tuple[tuple[int, int], Sequence[Fraction]]:
        """The day in the middle of a time, and the sources' shares on it."""
        middle_s = (start_s + end_s) / 2
        middle = local_day(middle_s, self._zone)
        day = self._days(middle, middle + timedelta(days=1))[0]
        shares = months.get(month_of(middle_s, self._zone))
        return day, shares if shares is not None else [source.share_over(*day) for source in self._displaced]

    def _parts(self, day: tuple[int, int], shares: Sequence[Fraction]) -> list[float]:
        """Each source's part of the money, adding up to 1; none where that of one of several is not known."""
        if sum(1 for share in shares if share) == 1:
            return [float(bool(share)) for share in shares]
        prices = [
            source.heat_price(*day) if share else _FREE for source, share in zip(self._displaced, shares, strict=True)
        ]
        amounts = [float(price * share) for price, share in zip(prices, shares, strict=True) if price is not None]
        total = sum(amounts)
        return [amount / total for amount in amounts] if total and len(amounts) == len(prices) else []

    def _by_carrier(self) -> tuple[list[Displaced], list[Displaced]]:
        gas: list[Displaced] = []
        electric: list[Displaced] = []
        for table, source in zip(self._home.displaces, self._displaced, strict=True):
            if not table.is_nothing:
                (gas if burns(self._home, table) else electric).append(source)
        return gas, electric

    def _source_price(self, sources: Sequence[Displaced], start_s: int, end_s: int) -> float | None:
        """Money per kWh bought, by the sources' shares; None where nothing is known."""
        total = weight = 0.0
        for source in sources:
            share, price = float(source.share), source.heat_price(start_s, end_s)
            if price is not None:
                total += share * float(price * source.efficiency)
                weight += share
        return total / weight if weight else None

    def _fuel(self) -> Priced | None:
        named = [name for name, table in self._home.tariffs.items() if table.direction == "fuel"]
        return self._tariffs[named[0]] if named else None

    def _grid_kg(self, start_s: int, end_s: int) -> float | None:
        kg = self._factors[GRID].at(start_s, end_s) if GRID in self._factors else None
        return None if kg is None else float(kg)

    def _gas_kg(self, start_s: int, end_s: int) -> float | None:
        known = [source.carbon for source in self._gas if source.carbon is not None]
        tank = self._home.tank
        if not known and tank is not None and tank.boiler is not None and tank.boiler.carbon in self._factors:
            known = [self._factors[tank.boiler.carbon]]
        kg = known[0].at(start_s, end_s) if known else None
        return None if kg is None else float(kg)

    def _sun_hours(self, start_s: int, end_s: int) -> tuple[int, int]:
        day = local_day(start_s, self._zone)
        first, last = (datetime.combine(day, time(hour), self._zone) for hour in _SUN_HOURS)
        return int(first.timestamp()), int(last.timestamp())

    def _days(self, first: date, until: date) -> list[tuple[int, int]]:
        """The days as UTC seconds; of a long time, evenly chosen ones."""
        count = max(1, (until - first).days)
        step = max(1, count // _MOST_DAYS_PRICED)
        days = [first + timedelta(days=place) for place in range(0, count, step)]
        return [(midnight_s(day, self._zone), midnight_s(day + timedelta(days=1), self._zone)) for day in days]


def _mean_price(priced: Priced | None, spans: Sequence[tuple[int, int]]) -> float | None:
    if priced is None:
        return None
    found = [priced.mean_price(*span) for span in spans]
    return _mean([None if price is None else float(price) for price in found])


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
