"""Tariffs, factors and displaced sources of an invented house, for the accounting tests."""

from dataclasses import replace
from datetime import UTC, date, datetime, time
from fractions import Fraction

from accounting.pricing.bands import Band, Period
from accounting.pricing.carbon import Factor
from accounting.pricing.displaced import Displaced
from accounting.pricing.tariffs import Tariff
from accounting.valuation.formula import PerWh, Rates, Worth
from accounting.valuation.settings import BooksSettings, HeaterBooks, TankBooks

ZONE = "Europe/Dublin"


def utc(text: str) -> int:
    """UTC second of an ISO 8601 time with offset or Z."""
    at = datetime.fromisoformat(text)
    assert at.tzinfo is not None
    return int(at.astimezone(UTC).timestamp())


def flat(price: str, *, first: date = date(2026, 1, 1), until: date | None = None) -> Period:
    """One price at all hours."""
    return Period(first, until, (Band("all", Fraction(price)),))


def value(
    wh: int,
    rates: Rates,
    used: Fraction = Fraction(1),
    exportable: Fraction = Fraction(1),
    sellable_wh: int | None = None,
) -> Worth:
    """What diverted energy is worth, all of it from the sun if nothing else is given."""
    return PerWh.of(rates, used, exportable).worth(wh, wh if sellable_wh is None else sellable_wh, 0)


NIGHT_AND_DAY = Period(
    date(2026, 1, 1),
    None,
    (Band("night", Fraction("0.0921"), time(2), time(5)), Band("day", Fraction("0.3170"))),
    standing_per_day=Fraction("0.72"),
)
IMPORT = Tariff("import", (NIGHT_AND_DAY,), ZONE)
EXPORT = Tariff("export", (flat("0.0550", until=date(2026, 7, 1)), flat("0.1850", first=date(2026, 7, 1))), ZONE)
GAS = Tariff("fuel", (flat("0.1190"),), ZONE)
GRID_FACTOR = Factor("grid", Fraction("0.255"), "average", "invented", 2026)
GAS_FACTOR = Factor("gas", Fraction("0.1823"), "average", "IPCC default 56.1 t/TJ net, gross by 0.9026", 2006)
NIGHT_HEAT = Displaced("night electricity", Fraction("0.6"), tariff=IMPORT, carbon=GRID_FACTOR, band="night")
GAS_HEAT = Displaced("gas boiler", Fraction("0.4"), Fraction("0.80"), tariff=GAS, carbon=GAS_FACTOR)

COUNTED = HeaterBooks("main", 2800, counter="diverted_wh")
POWERED = HeaterBooks("main", 2800, power="diverted_w")


def settings(*heaters: HeaterBooks, interval_s: int = 1800, late_s: float = 120.0) -> BooksSettings:
    """Books of the house, for these heaters."""
    return BooksSettings(
        heaters or (COUNTED,),
        interval_s=interval_s,
        late_s=late_s,
        export=EXPORT,
        imports=IMPORT,
        displaces=(NIGHT_HEAT, GAS_HEAT),
        grid=GRID_FACTOR,
    )


TANK = TankBooks(200.0, 10.0, 60.0, ua_w_per_k=2.0, ambient_c=20.0)
"""200 L, full at 60 °C: 11.63 kWh above 10 °C."""


def with_tank(tank: TankBooks = TANK, interval_s: int = 1800) -> BooksSettings:
    """The house's books with a heat stock."""
    return replace(settings(interval_s=interval_s), tank=tank)
