"""What a home has to be judged by: its history, its books, its prices. It needs numpy; the daemon never imports it."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from accounting.ledger import Ledger
from accounting.pricing.displaced import Displaced
from accounting.pricing.tariffs import Priced
from accounting.reports.value import value_report
from accounting.verdict.against_export import AgainstExport, against_export, samples
from accounting.verdict.climate import latitude_of
from accounting.verdict.history import History, read_history
from accounting.verdict.judgement import Evidence, Rates
from accounting.verdict.life import Assumptions, Hardware
from accounting.verdict.priors import BOILER_EFFICIENCY, Facts
from accounting.verdict.selection import Exclude
from accounting.verdict.year import Sample
from daemon.config.build import tank_ua
from daemon.config.build_money import GRID, displaced, factors, marginal_factors, of_direction, tariffs
from daemon.config.model import Home
from daemon.documents.value_document import lacking_carbon
from rules.model.errors import BrimfulError
from rules.tank.standing_loss import TEST_K

if TYPE_CHECKING:
    from accounting.verdict.before_after import BeforeAfter

_MOST_DAYS_PRICED = 120
_SUN_HOURS = (9, 15)  # local: when what is diverted would have been sold
_DEFAULT_YEARS = 15


def gather(home: Home | None, ledger: Path | None, history: Path | None, installed: date | None) -> Evidence:
    """All there is to judge by. home: None where there is no home file; ledger: the books, None: none are there.

    Raises BrimfulError where a file is there but cannot be read or believed.
    """
    latitude = latitude_of(home.home.timezone) if home is not None else None
    prices = Prices(home) if home is not None else None
    read = read_history(history) if history is not None else None
    began = installed or _installed(home)
    compared = _before_after(home, read, began, prices, latitude)
    books, months = _books(home, ledger, prices)
    span = _span(compared, books)
    rates = prices.over(*span) if prices is not None and span is not None else Rates()
    return Evidence(
        against_export=books,
        before_after=compared,
        samples=months,
        rates=rates,
        assumed=_assumed(home, prices, span),
        latitude=latitude,
        used=float(home.books.used_share) if home is not None else 1.0,
        efficiency=_facts(home, latitude).efficiency,
        carbon_known=home is not None and not lacking_carbon(home),
    )


def _installed(home: Home | None) -> date | None:
    if home is None:
        return None
    bought = [each.bought for each in home.hardware if each.bought is not None]
    return home.verdict.installed or min(bought, default=None)


def _before_after(
    home: Home | None, read: History | None, installed: date | None, prices: "Prices | None", latitude: float | None
) -> "BeforeAfter | str":
    if read is None:
        return (
            "there is no history; a CSV file of what hot water took in three periods before and three after would "
            "answer it: name it with --history, or in [verdict]"
        )
    from accounting.verdict.before_after import before_after  # it brings scipy with it, which books alone do not need

    if installed is None:
        cause = "expected the first day with the hardware, got none"
        raise BrimfulError(
            "read the history", "verdict.installed", cause, "give --installed 2026-01-31, or set it in [verdict]"
        )
    excludes = [Exclude(each.from_, each.to, each.why) for each in (home.verdict.exclude if home is not None else ())]
    meter = home.verdict.meter if home is not None else "water"
    after = [period for period in read.periods if period.first >= installed]
    bought = prices.over(after[0].first, after[-1].until).bought if prices is not None and after else {}
    return before_after(read, installed, _facts(home, latitude), excludes, meter, bought)


def _facts(home: Home | None, latitude: float | None) -> Facts:
    """What the home file says of tank and boiler."""
    if home is None:
        return Facts(latitude=latitude)
    stated = home.verdict.boiler_efficiency
    if stated is None:
        fuels = [each for each in home.displaces if _is_gas(home, each.tariff, each.source, each.recorded)]
        stated = fuels[0].efficiency if fuels and fuels[0].efficiency <= 1 else None
    if stated is None and home.tank is not None and home.tank.boiler is not None:
        stated = home.tank.boiler.efficiency
    efficiency = None if stated is None else float(stated)
    tank = home.tank
    if tank is None:
        return Facts(boiler_efficiency=efficiency, latitude=latitude)
    known = tank.loss_w is not None or tank.label_class is not None
    loss_w = tank_ua(tank) * TEST_K if known else None
    return Facts(tank.hot_c, tank.cold_c, loss_w, tank.ambient_c, efficiency, latitude)


def _is_gas(home: Home, tariff: str | None, source: str, recorded: str | None) -> bool:
    if tariff is not None:
        return home.tariffs[tariff].direction == "fuel"
    return recorded == "boiler" or "gas" in source.lower() or "boiler" in source.lower()


def _books(home: Home | None, ledger: Path | None, prices: "Prices | None") -> tuple[AgainstExport | str, list[Sample]]:
    if home is None or prices is None or ledger is None:
        return "there are no books yet; the daemon keeps them, and a month of them would answer it", []
    with Ledger.open_reader(ledger) as books:
        report = value_report(books, "month", timezone=home.home.timezone)
    answer = against_export(report)
    return answer, [] if isinstance(answer, str) else samples(report, prices.gas_share)


def _span(compared: "BeforeAfter | str", books: AgainstExport | str) -> tuple[date, date] | None:
    """The time whose prices count: the books' last year, else the periods after."""
    if not isinstance(books, str):
        return max(books.first, books.until - timedelta(days=365)), books.until + timedelta(days=1)
    if not isinstance(compared, str):
        return compared.first_after, compared.until_after
    return None


def _assumed(home: Home | None, prices: "Prices | None", span: tuple[date, date] | None) -> Assumptions | str:
    if home is None or prices is None or not home.hardware:
        return "what the hardware cost is not known; a [[hardware]] table in the home file would answer it"
    hardware = tuple(
        Hardware(
            each.name,
            float(each.cost),
            float(each.fitting),
            each.life_years,
            each.embodied_kg,
            each.standby_w,
            tuple((part.after_years, float(part.cost)) for part in each.replaced),
        )
        for each in home.hardware
    )
    longest = max((each.life_years for each in hardware), default=_DEFAULT_YEARS)
    growth = home.verdict.growth
    rates = prices.over(*span) if span is not None else Rates()
    return Assumptions(
        hardware=hardware,
        years=home.verdict.years or max(1, round(longest)),
        discount=float(home.verdict.discount),
        growth={"electricity": float(growth.electricity), "gas": float(growth.gas), "export": float(growth.export)},
        import_price=prices.standby_over(*span) if span is not None else None,
        grid_kg=rates.grid_kg,
    )


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

    def over(self, first: date, until: date) -> Rates:
        """Means over the days from first until until (not included)."""
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

    def gas_share(self, start_s: int, end_s: int) -> float:
        """The share of what is avoided in [start_s, end_s) that would have been gas, by the day in its middle."""
        middle = datetime.fromtimestamp((start_s + end_s) / 2, self._zone).date()
        day = self._days(middle, middle + timedelta(days=1))[0]
        parts = [
            (source, float((source.heat_price(*day) or 0) * source.share_over(*day))) for source in self._displaced
        ]
        total = sum(amount for _, amount in parts)
        return sum(amount for source, amount in parts if source in self._gas) / total if total else 0.0

    def _by_carrier(self) -> tuple[list[Displaced], list[Displaced]]:
        gas: list[Displaced] = []
        electric: list[Displaced] = []
        for table, source in zip(self._home.displaces, self._displaced, strict=True):
            if not table.is_nothing:
                is_gas = _is_gas(self._home, table.tariff, table.source, table.recorded)
                (gas if is_gas else electric).append(source)
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
        day = datetime.fromtimestamp(start_s, self._zone).date()
        first, last = (datetime.combine(day, time(hour), self._zone) for hour in _SUN_HOURS)
        return int(first.timestamp()), int(last.timestamp())

    def _days(self, first: date, until: date) -> list[tuple[int, int]]:
        """The days as UTC seconds; of a long time, evenly chosen ones."""
        count = max(1, (until - first).days)
        step = max(1, count // _MOST_DAYS_PRICED)
        days = [first + timedelta(days=place) for place in range(0, count, step)]
        return [(self._midnight(day), self._midnight(day + timedelta(days=1))) for day in days]

    def _midnight(self, day: date) -> int:
        return int(datetime.combine(day, time(), self._zone).timestamp())


def _mean_price(priced: Priced | None, spans: Sequence[tuple[int, int]]) -> float | None:
    if priced is None:
        return None
    found = [priced.mean_price(*span) for span in spans]
    return _mean([None if price is None else float(price) for price in found])


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None


def efficiency_assumed(home: Home | None) -> bool:
    """Whether the boiler's efficiency is the usual one, as nothing in the home file gives it."""
    return _facts(home, None).boiler_efficiency is None


__all__ = ["BOILER_EFFICIENCY", "Prices", "efficiency_assumed", "gather"]
