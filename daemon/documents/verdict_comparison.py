"""The fair comparison of a home, from its ledger: which days count, and what each cost by the meters that are heard."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from accounting.ledger import Ledger
from accounting.model.periods import midnight_s
from accounting.reports.bills import LEAST_HELD_S, METERS, POWER, Own, minutes_around, own_figures
from accounting.reports.days_paid import Boiler, DaysPaid, Paid, meter_days, only, sound_days, tank_days
from accounting.reports.written_comparison import WRITTEN, Binding, Pair, binding, written_of
from accounting.valuation.settings import BooksSettings
from daemon.config.build import books_settings, rule_settings
from daemon.config.model import Home
from daemon.documents.carriers import burns
from daemon.documents.valuing import taken_under_heat_wh
from rules.model.wording import say

if TYPE_CHECKING:
    from accounting.verdict.fair_comparison import FairComparison

NONE_YET = say(
    "no fair comparison was made; [rules.alternate] in the home file makes one: diversion on and off "
    "in blocks of days in an order left to chance, the strongest evidence that a home can have"
)


def compared_days(home: Home, ledger: Ledger) -> "FairComparison | str":
    """The comparison, or why there is none yet, in words. Raises LedgerError."""
    zone = ZoneInfo(home.home.timezone)
    written = written_of(ledger.events(float("-inf"), float("inf"), WRITTEN))
    if not any(order.blocks for order in written):
        return NONE_YET
    from accounting.verdict.fair_comparison import fair_comparison  # it brings scipy with it

    bound = binding(written, zone, ledger.known_until_s() or 0.0)
    if not bound.pairs:
        return fair_comparison(bound, DaysPaid({}, {}, None))
    kept = _without(bound, [(each.from_, each.to) for each in home.verdict.exclude])
    days = _days(kept)
    if not days:
        return say("every day of it is excluded by [verdict]")
    paid = _paid(home, ledger, min(days), max(days) + timedelta(days=1), zone)
    return fair_comparison(kept, paid, len(_days(bound)) - len(days))


def _days(bound: Binding) -> list[date]:
    return [day for pair in bound.pairs for day in (*pair.on, *pair.off)]


def _without(bound: Binding, excluded: list[tuple[date, date]]) -> Binding:
    """The pairs without the days that the home file excludes."""

    def left(days: tuple[date, ...]) -> tuple[date, ...]:
        return tuple(day for day in days if not any(first <= day < until for first, until in excluded))

    pairs = tuple(Pair(left(pair.on), left(pair.off)) for pair in bound.pairs)
    return Binding(pairs, bound.late, bound.changed, bound.ahead, bound.block_days)


def _paid(home: Home, ledger: Ledger, first: date, until: date, zone: ZoneInfo) -> DaysPaid:
    books = books_settings(home)
    sound, sun_kwh = sound_days(ledger, first, until, zone)
    unheard = _unheard_fuel(home, books)
    unsplit = not home.attributes and bool(
        taken_under_heat_wh(ledger, home, midnight_s(first, zone), midnight_s(until, zone))
    )
    heat = tank_days(ledger, first, until, zone, books)
    tank: dict[date, Paid] | str
    if books.tank is None:
        tank = say("the tank's heat is in no books: [tank] and a signal of its level would answer it")
    elif unsplit:
        tank = say(
            "a heater was ordered to heat from the grid too, and nothing shows how much of its energy the "
            "grid gave: a signal grid_w, and books.attribute = true where `used` or `attribute` is stated, "
            "would answer it"
        )
    else:
        tank = unheard or _unheard_electricity(home, books) or only(heat.paid, sound)
    has_boiler = books.tank is not None and books.tank.boiler is not None
    meters = unheard or _meters(home, ledger, books, (first, until), heat.burnt if has_boiler else None, zone)
    unpriced_kwh = {} if isinstance(tank, str) else heat.unpriced_kwh
    return DaysPaid(tank, meters, None if unsplit else sun_kwh, unpriced_kwh)


def _unheard_fuel(home: Home, books: BooksSettings) -> str:
    """Why what is burnt on days without diversion is not known; "" where it is, or where nothing is burnt."""
    boiler = books.tank.boiler if books.tank is not None else None
    priced = boiler is not None and (boiler.tariff is not None or boiler.price is not None)
    if boiler is not None and not priced:
        return say("what the boiler's fuel costs is not known: a tariff or a price in [tank.boiler] would answer it")
    if priced or not any(burns(home, source) for source in home.displaces):
        return ""
    return say(
        "on days without diversion a boiler makes the heat, and no meter of it is heard: a signal "
        "boiler_wh and a table [tank.boiler] with its price would answer it"
    )


def _unheard_electricity(home: Home, books: BooksSettings) -> str:
    bought = any(not burns(home, source) and not source.is_nothing for source in home.displaces)
    heard = books.tank is not None and books.tank.topup is not None
    by_heater = home.attributes and any(heater.can_heat for heater in rule_settings(home).heaters)
    if not bought or heard or by_heater:
        return ""
    return say(
        "on days without diversion bought electricity makes the heat, and no meter of that is heard: a "
        "signal topup_wh would answer it"
    )


def _meters(
    home: Home,
    ledger: Ledger,
    books: BooksSettings,
    span: tuple[date, date],
    burnt: Mapping[date, Boiler] | None,
    zone: ZoneInfo,
) -> dict[date, Paid] | str:
    signals = home.signals
    counters = all(name in signals for name, _ in METERS.values())
    if not counters and POWER not in signals:
        return say("neither import_wh and export_wh nor grid_w is heard: what the whole house bought is not known")
    if books.imports is None or books.export is None:
        return say("the whole house's cost needs a tariff of what is bought and one of what is sold")
    from_s, to_s = (midnight_s(day, zone) for day in span)
    stale_after_s = max(LEAST_HELD_S, home.stale_after_s(POWER) if POWER in signals else 0.0)
    rows = list(minutes_around(ledger, from_s, to_s))
    if not rows:
        return say(
            "no recorded minutes are left of it: they are kept for ledger.tape_days = {tape_days}",
            tape_days=home.ledger.tape_days,
        )

    def own(meter: str) -> dict[int, Own]:
        shares = own_figures(rows, meter, books.interval_s, counter=counters, stale_after_s=stale_after_s)
        return {start_s: one for start_s, one in shares.items() if from_s <= start_s < to_s}

    prices = books.imports, books.export
    return meter_days(own("import"), own("export"), prices, burnt, zone, books.interval_s)
