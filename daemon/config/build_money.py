"""From the home file's money to what the books calculate with: exact prices, tax added. Files are read here."""

from datetime import date, time
from fractions import Fraction
from zoneinfo import ZoneInfo

from accounting.pricing.bands import DAYS, MONTHS, Band, Period
from accounting.pricing.blocks import Block, last_block
from accounting.pricing.carbon import Basis, Factor
from accounting.pricing.displaced import Displaced
from accounting.pricing.series import Series, read_rows, read_series
from accounting.pricing.signal_series import HeardSeries
from accounting.pricing.tariffs import Priced, Tariff
from daemon.config.calendars import holidays, read_calendar
from daemon.config.devices import Boiler
from daemon.config.model import Home
from daemon.config.money import Band as BandTable
from daemon.config.money import Carbon, HouseBattery, Marginal, Only
from daemon.config.money import Displaces as DisplacesTable
from daemon.config.money import Period as PeriodTable
from daemon.config.money import Tariff as TariffTable

_NO_CARBON = Factor("nothing", Fraction(0), "both", "nothing is burnt or bought", 0)
GRID = "grid"
"""The carbon factor of what is bought and sold."""


def tariffs(home: Home) -> dict[str, Priced]:
    """The home's tariffs by name. Raises BrimfulError where a file cannot be read."""
    days = public_holidays(home)
    return {name: _tariff(home, name, table, days) for name, table in home.tariffs.items()}


def factors(home: Home) -> dict[str, Factor]:
    """The home's carbon factors by name. Raises BrimfulError where a series file cannot be read."""
    return {name: _factor(home, name, table, table.basis) for name, table in home.carbon.items()}


def marginal_factors(home: Home, stated: dict[str, Factor]) -> dict[str, Factor]:
    """The factors that count beside the average ones, by the same names. stated: what `factors` gave.

    Raises BrimfulError where a series file cannot be read.
    """
    beside = {name: factor for name, factor in stated.items() if factor.basis == "both"}
    for name, table in home.carbon.items():
        if table.marginal is not None:
            beside[name] = _factor(home, name, table.marginal, "marginal")
    return beside


def displaced(
    home: Home, priced: dict[str, Priced], carbon: dict[str, Factor], marginal: dict[str, Factor]
) -> tuple[Displaced, ...]:
    """The displaced sources, in the file's order. Raises BrimfulError where the calendar file cannot be read."""
    days = public_holidays(home) if any(table.only for table in home.displaces) else frozenset()
    return tuple(
        Displaced(
            source=table.source,
            share=Fraction(table.share),
            efficiency=Fraction(table.efficiency),
            tariff=priced[table.tariff] if table.tariff is not None else None,
            price=Fraction(0) if table.is_nothing else _with_tax(table),
            carbon=_NO_CARBON if table.is_nothing else carbon[table.carbon] if table.carbon is not None else None,
            band=table.band,
            carbon_marginal=_NO_CARBON if table.is_nothing else marginal.get(table.carbon or ""),
            shares=_shares(home, table, days),
            gives_up_standing=table.gives_up_standing,
            recorded=table.recorded or "",
        )
        for table in home.displaces
    )


def battery_price(home: Home) -> Fraction | None:
    """What a kWh from the house battery saves, tax added; None where nothing states it."""
    price = home.books.price_of_battery
    if price is None:
        return None
    return Fraction(price) * (tax_of(home.books.battery) if home.books.battery_price is None else 1)


def tax_of(table: DisplacesTable | Boiler | HouseBattery) -> Fraction:
    """The factor by which a price of its own rises; 1 where tax is in it."""
    return Fraction(1) if table.tax_included else 1 + Fraction(table.tax_pct or 0) / 100


def _with_tax(table: DisplacesTable) -> Fraction | None:
    return Fraction(table.price) * tax_of(table) if table.price is not None else None


def share_band(table: DisplacesTable) -> Band:
    """When a source has its share, the share in the place of a price."""
    only = table.only or Only()
    return Band(
        name=table.source,
        price=Fraction(table.share),
        start=time.fromisoformat(only.from_) if only.from_ is not None else None,
        end=time.fromisoformat(only.to) if only.to is not None else None,
        days=frozenset(only.days or DAYS),
        months=frozenset(only.months or MONTHS),
    )


def _shares(home: Home, table: DisplacesTable, days: frozenset[date]) -> Tariff | None:
    if table.only is None:
        return None
    always = Period(date.min, None, (share_band(table), Band("not", Fraction(0))))
    return Tariff("import", (always,), home.home.timezone, days)


def heard(priced: dict[str, Priced], carbon: dict[str, Factor]) -> tuple[HeardSeries, ...]:
    """Of the prices and factors, those that are heard as signals."""
    found = [*priced.values(), *(factor.kg_per_kwh for factor in carbon.values())]
    return tuple(series for series in found if isinstance(series, HeardSeries))


def of_direction(home: Home, priced: dict[str, Priced], direction: str) -> Priced | None:
    """The tariff of a direction; there is at most one for import and one for export."""
    return next((priced[name] for name, table in home.tariffs.items() if table.direction == direction), None)


def public_holidays(home: Home) -> frozenset[date]:
    """The days of the home's calendar file; none without one. Raises BrimfulError where it cannot be read."""
    if home.home.calendar_file is None:
        return frozenset()
    return holidays(read_calendar(home.path_of(home.home.calendar_file), ZoneInfo(home.home.timezone)))


def band(table: BandTable, tax: Fraction = Fraction(1)) -> Band:
    """A band as it is used. tax: the factor by which its price rises."""
    return Band(
        name=table.name,
        price=Fraction(table.price) * tax,
        start=time.fromisoformat(table.from_) if table.from_ is not None else None,
        end=time.fromisoformat(table.to) if table.to is not None else None,
        days=frozenset(table.days or DAYS),
        months=frozenset(table.months or MONTHS),
    )


def _tariff(home: Home, name: str, table: TariffTable, days: frozenset[date]) -> Priced:
    if table.series is not None:
        return read_series(home.path_of(table.series), _tax(table))
    if table.signal is not None:
        return HeardSeries(table.signal, home.stale_after_s(table.signal), home.books.late_s, _tax(table))
    if table.live is not None:
        return _kept(home, f"tariffs.{name}", _tax(table))
    periods = tuple(_period(period, _tax(table, period)) for period in table.periods)
    return Tariff(table.direction, periods, home.home.timezone, days)


def _period(table: PeriodTable, tax: Fraction) -> Period:
    return Period(
        first=table.from_,
        until=table.to,
        bands=_in_blocks(table, tax) if table.blocks else tuple(band(each, tax) for each in table.bands),
        clock=table.clock,
        standing_per_day=Fraction(table.standing_per_day) * tax,
        supplier=table.supplier or "",
        deemed_share=Fraction(table.deemed_share) if table.deemed_share is not None else None,
    )


def _in_blocks(table: PeriodTable, tax: Fraction) -> tuple[Band, ...]:
    """The one band of a period of blocks: the block that the month is assumed to end in."""
    blocks = [
        Block(Fraction(block.up_to_kwh) if block.up_to_kwh is not None else None, Fraction(block.price) * tax)
        for block in table.blocks
    ]
    place = last_block(blocks, Fraction(table.assume_kwh_per_month or 0))
    return (Band(f"block {place + 1}", blocks[place].price),)


def _tax(table: TariffTable, period: PeriodTable | None = None) -> Fraction:
    """The factor by which prices rise; 1 where tax is in them."""
    return 1 + Fraction(table.tax_of(period) or 0) / 100 if table.untaxed(period) else Fraction(1)


def _factor(home: Home, name: str, table: Carbon | Marginal, basis: Basis) -> Factor:
    return Factor(name, _kg_per_kwh(home, name, table), basis, table.source, table.year)


def _kg_per_kwh(home: Home, name: str, table: Carbon | Marginal) -> Fraction | Priced:
    if table.kg_per_kwh is not None:
        return Fraction(table.kg_per_kwh)
    if isinstance(table, Carbon) and table.signal is not None:
        return HeardSeries(table.signal, home.stale_after_s(table.signal), home.books.late_s)
    if isinstance(table, Carbon) and table.live is not None:
        return _kept(home, f"carbon.{name}")
    return read_series(home.path_of(table.series or ""))


def _kept(home: Home, key: str, tax: Fraction = Fraction(1)) -> Series:
    """What a source has published so far; nothing before it was first heard of."""
    rows = read_rows(home.live_file(key))
    return Series([(at_s, None if value is None else value * tax) for at_s, value in rows])
