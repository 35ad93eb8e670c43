"""From the home file to what rules and books are set up with."""

from datetime import date, datetime, time
from fractions import Fraction
from zoneinfo import ZoneInfo

from accounting.pricing.carbon import Factor
from accounting.pricing.tariffs import Priced
from accounting.valuation.settings import (
    BatteryBooks,
    Boiler,
    BooksSettings,
    CounterSignal,
    HeaterBooks,
    PowerSignal,
    TankBooks,
)
from daemon.config.build_money import (
    GRID,
    battery_price,
    displaced,
    factors,
    heard,
    marginal_factors,
    of_direction,
    tariffs,
    tax_of,
)
from daemon.config.calendars import absences, read_calendar
from daemon.config.devices import ModulatedHeater, SignalSource
from daemon.config.hygiene import hygiene_settings, return_heating
from daemon.config.model import Home
from rules.model.settings import (
    Alternate,
    Away,
    Battery,
    Full,
    Heater,
    Limit,
    Rest,
    Settings,
    Surplus,
    Tank,
    Tracking,
    Worth,
    Yield,
)
from rules.planning.alternation import Block, blocks
from rules.tank.charge import TEMPERATURES
from rules.tank.cylinder import WH_PER_L_K


def rule_settings(home: Home) -> Settings:
    """What the rules are asked with. A part of the battery rule whose signal the file does not have is not asked.

    Raises BrimfulError where the calendar of absences cannot be read.
    """
    rules = home.rules
    signals = {*home.signals, "tank_level_pct"}  # the level may be derived, and grows old like a measured one
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
        alternate=_alternate(home),
        hygiene=hygiene_settings(home),
        together=rules.heaters.together,
        timezone=home.home.timezone,
        currency=home.home.currency,
        temperatures=tuple(name for name in TEMPERATURES if name in home.signals),
        tank=_tank(home),
        watching=home.watches,
        follows_plan=home.plan.mode == "follow",
    )


def books_settings(home: Home) -> BooksSettings:
    """What the books are kept by. Raises BrimfulError where a file it names cannot be read."""
    priced, carbon = tariffs(home), factors(home)
    marginal = marginal_factors(home, carbon)
    return BooksSettings(
        heaters=tuple(_heater_books(home, name) for name in home.heater_names),
        interval_s=home.home.interval_minutes * 60,
        late_s=home.books.late_s,
        export=of_direction(home, priced, "export"),
        imports=of_direction(home, priced, "import"),
        displaces=displaced(home, priced, carbon, marginal),
        grid=carbon.get(GRID),
        grid_marginal=marginal.get(GRID),
        heard=heard(priced, carbon),
        used=Fraction(home.books.used_share),
        battery_price=battery_price(home),
        grid_power=_attributed(home, "grid_w"),
        battery=_battery(home),
        timezone=home.home.timezone,
        export_limit_w=home.books.export_limit_w,
        tank=tank_books(home, _boiler(home, priced, carbon)),
        past_timezone=home.home.timezone if home.books.displaces_from == "past" else None,
    )


def _attributed(home: Home, signal: str) -> PowerSignal | None:
    if not home.attributes or signal not in home.signals:
        return None
    return PowerSignal(signal, home.stale_after_s(signal))


def _battery(home: Home) -> BatteryBooks | None:
    power, level = _attributed(home, "battery_w"), _attributed(home, "battery_level_pct")
    if power is None:
        return None
    table = home.books.battery
    return BatteryBooks(
        power,
        level,
        table.full_pct,
        Fraction(table.efficiency),
        table.maximum_charge_w,
        None if table.capacity_kwh is None else table.capacity_kwh * 1000,
    )


def _heater(home: Home, name: str) -> Heater:
    table = home.heaters[name]
    steps_w = table.steps_w if isinstance(table, ModulatedHeater) else ()
    return Heater(name, table.kind, table.rated_w, table.minimum_w, steps_w, table.obeys_heat)


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
        resolution_wh=source.step,
    )


def heater_signal(home: Home, base: str, heater: str) -> str | None:
    """The signal of a heater's own figure; one without a heater's name is the only heater's."""
    own = f"{base}_{heater}"
    if own in home.signals:
        return own
    return base if base in home.signals and len(home.heaters) == 1 else None


def _tank(home: Home) -> Tank | None:
    """What bounds the level. Where the file states no loss, it is the most that a new tank may have (label class C)."""
    table = home.tank
    if table is None:
        return None
    rise_k = table.hot_c - table.cold_c
    full_loss_w = table.ua_w_per_k * max(table.hot_c - table.ambient_c, 0.0)
    return Tank(table.volume_l, WH_PER_L_K * table.volume_l * rise_k, full_loss_w)


def tank_books(home: Home, boiler: Boiler | None = None) -> TankBooks | None:
    """The heat stock's books, where the file describes the tank and its level. boiler: as `_boiler` makes it."""
    table, signals = home.tank, home.signals
    temperatures = tuple(name for name in TEMPERATURES if name in signals)
    level = "tank_level_pct" in signals
    if table is None or not (level or temperatures):
        return None

    return TankBooks(
        volume_l=table.volume_l,
        cold_c=table.cold_c,
        hot_c=table.hot_c,
        ua_w_per_k=table.ua_w_per_k,
        ambient_c=table.ambient_c,
        level=level,
        temperatures=temperatures,
        stale_after_s=home.stale_after_s("tank_level_pct" if level else temperatures[0]),
        topup=_counter(home, "topup_wh"),
        boiler=boiler,
        water=_counter(home, "water_l"),
    )


def _counter(home: Home, signal: str) -> CounterSignal | None:
    signal_source = home.signals.get(signal)
    return None if signal_source is None else CounterSignal(signal, signal_source.gap_s, signal_source.step)


def _boiler(home: Home, priced: dict[str, Priced], carbon: dict[str, Factor]) -> Boiler | None:
    table = home.tank.boiler if home.tank is not None else None
    counter = _counter(home, "boiler_wh")
    if table is None or counter is None:
        return None
    efficiency = Fraction(table.efficiency)
    heat, fuel = (Fraction(1), 1 / efficiency) if table.counts == "heat" else (efficiency, Fraction(1))
    return Boiler(
        counter,
        heat,
        fuel,
        priced[table.tariff] if table.tariff is not None else None,
        Fraction(table.price) * tax_of(table) if table.price is not None else None,
        carbon[table.carbon] if table.carbon is not None else None,
    )


def _away(home: Home) -> Away:
    zone = ZoneInfo(home.home.timezone)
    periods = [(_instant(p.from_, zone), _instant(p.to, zone)) for p in home.rules.away.periods]
    if home.rules.away.calendar_file is not None:
        periods += absences(read_calendar(home.path_of(home.rules.away.calendar_file), zone), zone)
    merged: list[tuple[float, float]] = []
    for start_s, end_s in sorted(period for period in periods if period[0] < period[1]):
        if merged and start_s <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end_s, merged[-1][1]))
        else:
            merged.append((start_s, end_s))
    return Away(tuple(merged), *return_heating(home))


def comparison_blocks(home: Home) -> tuple[Block, ...]:
    """The blocks of the fair comparison; none where none is set."""
    table = home.rules.alternate
    return () if table.from_ is None else blocks(table.from_, table.pairs, table.block_days, table.seed)


def _alternate(home: Home) -> Alternate:
    """Runs of days that are alike: two blocks that touch and are both on are one."""
    zone = ZoneInfo(home.home.timezone)
    runs: list[tuple[float, float, bool]] = []
    for block in comparison_blocks(home):
        start_s, end_s = _instant(block.first, zone), _instant(block.until, zone)
        if runs and runs[-1][2] == block.on:
            start_s = runs.pop()[0]
        runs.append((start_s, end_s, block.on))
    return Alternate(tuple(runs))


def _instant(local: date, zone: ZoneInfo) -> float:
    """UTC second of a local date-time, or of a local day's start. In a repeated hour the first is meant (fold 0)."""
    moment = local if isinstance(local, datetime) else datetime.combine(local, time())
    return moment.replace(tzinfo=zone).timestamp()
