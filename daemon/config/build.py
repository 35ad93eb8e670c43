"""From the home file to what rules and books are set up with. Files of series are read here."""

from datetime import date, datetime, time
from fractions import Fraction
from zoneinfo import ZoneInfo

from accounting.books import BooksSettings, HeaterBooks
from accounting.carbon import Factor
from accounting.displaced import Displaced
from accounting.series import read_series
from accounting.tariffs import DAYS, Band, Period, Priced, Tariff
from daemon.config.devices import GateHeater, ModulatedHeater, SignalSource
from daemon.config.model import Home
from daemon.config.money import Carbon
from daemon.config.money import Tariff as TariffTable
from rules.level import TEMPERATURES
from rules.settings import (
    Away,
    Battery,
    Full,
    Heater,
    Limit,
    Rest,
    Settings,
    Surplus,
    Tracking,
    Worth,
    Yield,
)

GRID = "grid"
"""The carbon factor of what is bought and sold."""


def rule_settings(home: Home) -> Settings:
    """What the rules are asked with. A part of the battery rule whose signal the file does not have is not asked."""
    rules = home.rules
    signals = {*home.signals, "tank_level_pct"}  # the level may be derived, and grows old like a told one
    return Settings(
        heaters=tuple(_heater(home, name) for name in home.heater_names),
        stale_after_s={name: home.stale_after_s(name) for name in signals},
        limit=Limit(rules.limit.maximum_c, rules.limit.resume_c),
        full=Full(
            rules.full.stop_at_pct,
            rules.full.resume_pct,
            rules.full.idle_w,
            rules.full.idle_after_s,
            rules.full.idle_fall_pct,
            rules.full.retry_after_s,
        ),
        surplus=Surplus(rules.surplus.start_w, rules.surplus.stop_w, rules.surplus.over_s),
        battery=Battery(
            rules.battery.minimum_level_pct if "battery_level_pct" in home.signals else None,
            rules.battery.maximum_discharge_w if "battery_w" in home.signals else None,
        ),
        yields=None if rules.yield_ is None else Yield(rules.yield_.signal, rules.yield_.above_w, rules.yield_.for_s),
        worth=Worth(rules.worth.enabled, float(rules.worth.margin), float(rules.worth.carbon_price_per_t)),
        rest=Rest(rules.rest.minimum_on_s, rules.rest.minimum_off_s),
        tracking=Tracking(rules.tracking.margin_w, rules.tracking.reversals, rules.tracking.over_s),
        away=_away(home),
        together=rules.heaters.together,
        timezone=home.home.timezone,
        currency=home.home.currency,
        temperatures=tuple(name for name in TEMPERATURES if name in home.signals),
    )


def books_settings(home: Home) -> BooksSettings:
    """What the books are kept by. Raises BrimfulError where a series file cannot be read."""
    priced = {name: _tariff(home, tariff) for name, tariff in home.tariffs.items()}
    factors = {name: _factor(home, name, carbon) for name, carbon in home.carbon.items()}
    return BooksSettings(
        heaters=tuple(_heater_books(home, name) for name in home.heater_names),
        interval_s=home.home.interval_minutes * 60,
        late_s=home.books.late_s,
        export=_of_direction(home, priced, "export"),
        imports=_of_direction(home, priced, "import"),
        displaces=tuple(
            Displaced(
                source=table.source,
                share=Fraction(table.share),
                efficiency=Fraction(table.efficiency),
                tariff=priced[table.tariff] if table.tariff is not None else None,
                price=Fraction(table.price) if table.price is not None else None,
                carbon=factors[table.carbon] if table.carbon is not None else None,
                band=table.band,
            )
            for table in home.displaces
        ),
        grid=factors.get(GRID),
        used=Fraction(home.books.used),
    )


def _heater(home: Home, name: str) -> Heater:
    table = home.heaters[name]
    match table:
        case GateHeater(orders=orders):
            return Heater(name, "gate", table.rated_w, table.minimum_w, (), orders.heat is not None)
        case ModulatedHeater(steps_w=steps_w):
            # Ordered in watts, it takes them from wherever they come: its rated power is the order to heat.
            return Heater(name, "modulated", table.rated_w, table.minimum_w, steps_w, True)


def _heater_books(home: Home, name: str) -> HeaterBooks:
    counter = heater_signal(home, "diverted_wh", name)
    power = heater_signal(home, "diverted_w", name)
    source = home.signals[counter] if counter is not None else SignalSource(topic="-")
    return HeaterBooks(
        name=name,
        rated_w=home.heaters[name].rated_w,
        counter=counter,
        power=power,
        gap_s=source.gap_s,
        stale_after_s=home.stale_after_s(power) if power is not None else 60.0,
        resolution_wh=source.resolution,
    )


def heater_signal(home: Home, base: str, heater: str) -> str | None:
    """The signal that tells a heater's own figure; one without a heater's name is the only heater's."""
    own = f"{base}_{heater}"
    if own in home.signals:
        return own
    return base if base in home.signals and len(home.heaters) == 1 else None


def _away(home: Home) -> Away:
    zone = ZoneInfo(home.home.timezone)
    periods = sorted((_instant(p.from_, zone), _instant(p.to, zone)) for p in home.rules.away.periods)
    merged: list[tuple[float, float]] = []
    for start_s, end_s in periods:
        if merged and start_s <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end_s, merged[-1][1]))
        else:
            merged.append((start_s, end_s))
    return Away(tuple(merged))


def _instant(local: date, zone: ZoneInfo) -> float:
    """UTC second of a local date-time, or of a local day's start. In a repeated hour the first is meant (fold 0)."""
    moment = local if isinstance(local, datetime) else datetime.combine(local, time())
    return moment.replace(tzinfo=zone).timestamp()


def _of_direction(home: Home, priced: dict[str, Priced], direction: str) -> Priced | None:
    return next((priced[name] for name, table in home.tariffs.items() if table.direction == direction), None)


def _tariff(home: Home, table: TariffTable) -> Priced:
    if table.series is not None:
        return read_series(home.path_of(table.series))
    periods = tuple(
        Period(
            first=period.from_,
            until=period.to,
            bands=tuple(
                Band(
                    name=band.name,
                    price=Fraction(band.price),
                    start=time.fromisoformat(band.from_) if band.from_ is not None else None,
                    end=time.fromisoformat(band.to) if band.to is not None else None,
                    days=frozenset(band.days or DAYS),
                )
                for band in period.bands
            ),
            clock=period.clock,
            standing_per_day=Fraction(period.standing_per_day),
        )
        for period in table.periods
    )
    return Tariff(table.direction, periods, home.home.timezone)


def _factor(home: Home, name: str, table: Carbon) -> Factor:
    value = (
        Fraction(table.kg_per_kwh) if table.kg_per_kwh is not None else read_series(home.path_of(table.series or ""))
    )
    return Factor(name, value, table.basis, table.source, table.year)
