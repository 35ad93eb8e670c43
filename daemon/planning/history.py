"""The home's own past, half hour by half hour, as the ledger has it: surplus without the heater, draw, and prices.

The surplus is what left the house by the tape's minutes and what the heaters took of the sun by the books; the draw is
the heat stock's. What is not known stays unknown, and absences are no days like others.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import isfinite
from typing import Literal
from zoneinfo import ZoneInfo

from accounting.ledger import Ledger
from accounting.ledger.tape import readings_of
from accounting.model.entry import Entry
from accounting.model.journal import DRAWN
from accounting.model.periods import midnight_s
from accounting.pricing.tariffs import Priced
from daemon.assembly.prepared_home import PreparedHome
from daemon.planning.half_hours import day_number, half_hour_before
from daemon.planning.surplus import EXPORTS, exported_wh
from rules.planning.past import MOST_MISSING
from rules.planning.store import HALF_HOUR_S, HALF_HOURS_A_DAY
from rules.planning.tuning import Tuning

LOOK_DAYS, MOST_DAYS = 35, 105
"""How many days are looked through at a time, and at most."""
STOCK_AGE_S = 2 * 3600
"""How old the books' latest figure of the heat in the tank may be."""


@dataclass(frozen=True, slots=True)
class PastHalfHour:
    """What a half hour brought. Wh, and money per kWh; None: not known."""

    start_s: int
    surplus_wh: float | None
    drawn_wh: float | None
    import_price: float | None
    export_price: float | None


@dataclass(frozen=True, slots=True)
class History:
    """half_hours: without a gap, up to the one that ended last; stock_wh: heat in the tank at its end above the cold
    water's (None: not known); source: the signal that showed what left the house ("": none did, so that the surplus is
    what the heaters took of it, the least it can have been); until_s: the end; usable_days: how many days can serve;
    grid_wh: what the heaters took from the grid in the half hour that ended last."""

    half_hours: tuple[PastHalfHour, ...]
    stock_wh: float | None
    source: str
    until_s: int
    usable_days: int
    grid_wh: float = 0.0


def read_history(ledger: Ledger, made: PreparedHome, at_s: float) -> History:
    """What was known at an instant, UTC seconds. As many days as planning has use for, older ones where newer lack.

    Raises LedgerError.
    """
    zone = ZoneInfo(made.home.home.timezone)
    until_s = half_hour_before(at_s)
    today = datetime.fromtimestamp(until_s, zone).date()
    days = LOOK_DAYS
    while True:
        from_s = half_hour_before(midnight_s(today - timedelta(days=days), zone) + HALF_HOUR_S - 1)
        with ledger.still():
            found = _read(ledger, made, from_s, until_s)
            begun_s = ledger.tank_span()
        counted = usable_days(found.half_hours, zone)
        if counted >= Tuning().most_days or days >= MOST_DAYS or begun_s is None or begun_s[0] >= from_s:
            return replace(found, usable_days=counted)
        days += LOOK_DAYS


def usable_days(half_hours: Sequence[PastHalfHour], zone: ZoneInfo) -> int:
    """How many local days before the last one are known well enough to serve as scenarios."""
    known = Counter(
        day_number(each.start_s, zone)
        for each in half_hours
        if each.surplus_wh is not None and each.drawn_wh is not None
    )
    today = day_number(half_hours[-1].start_s, zone) if half_hours else 0
    return sum(number < today and count >= HALF_HOURS_A_DAY - MOST_MISSING for number, count in known.items())


def _read(ledger: Ledger, made: PreparedHome, from_s: int, until_s: int) -> History:
    home, books = made.home, made.books
    readings = readings_of(ledger.tape(from_s, until_s + 60), EXPORTS, from_s, until_s + 60)
    source, exported = exported_wh(readings, {name: home.stale_after_s(name) for name in EXPORTS})
    entries = ledger.entries(from_s, until_s)
    taken = _taken(entries, "sun_wh")
    drawn, stock_wh, stocked_s = _drawn(ledger, from_s, until_s)
    bought, sold = _booked_prices(entries)
    found = []
    for start_s in range(from_s, until_s, HALF_HOUR_S):
        away = _away(made.rules.away.periods, start_s)
        surplus_wh = None if away else _sum(taken.get(start_s), exported.get(start_s) if source else 0.0)
        found.append(
            PastHalfHour(
                start_s,
                surplus_wh,
                None if away else drawn.get(start_s),
                price_of(books.imports, start_s, bought.get(start_s)),
                price_of(books.export, start_s, sold.get(start_s)),
            )
        )
    if until_s - stocked_s > STOCK_AGE_S:
        stock_wh = None
    grid_wh = _taken(entries, "grid_wh").get(until_s - HALF_HOUR_S, 0.0)
    return History(tuple(found), stock_wh, source, until_s, 0, grid_wh)


def price_of(priced: Priced | None, start_s: int, booked: float | None = None) -> float | None:
    """The mean price of the half hour from start_s, money per kWh; where the tariff has none, the one booked."""
    mean = priced.mean_price(start_s, start_s + HALF_HOUR_S) if priced is not None else None
    return booked if mean is None else float(mean)


def _sum(taken_wh: float | None, exported_wh: float | None) -> float | None:
    """The surplus; not known where either part is not."""
    if taken_wh is None or exported_wh is None or not isfinite(taken_wh + exported_wh):
        return None
    return max(taken_wh + exported_wh, 0.0)


def _away(periods: Sequence[tuple[float, float]], start_s: int) -> bool:
    return any(from_s < start_s + HALF_HOUR_S and start_s < to_s for from_s, to_s in periods)


def _parts(start_s: int, interval_s: int) -> list[int]:
    """The half hours that an interval lies in, each with an equal part of it."""
    return list(range(half_hour_before(start_s), start_s + interval_s, HALF_HOUR_S))


def _taken(entries: Sequence[Entry], of: Literal["sun_wh", "grid_wh"]) -> dict[int, float]:
    """What the heaters took of the sun or from the grid, Wh by half hour."""
    found: dict[int, float] = {}
    for entry in entries:
        parts = _parts(entry.start_s, entry.interval_s)
        for start_s in parts:
            found[start_s] = found.get(start_s, 0.0) + getattr(entry, of) / len(parts)
    return found


def _booked_prices(entries: Sequence[Entry]) -> tuple[dict[int, float], dict[int, float]]:
    """The import and the export prices that the books noted, by half hour."""
    bought: dict[int, float] = {}
    sold: dict[int, float] = {}
    for entry in entries:
        for start_s in _parts(entry.start_s, entry.interval_s):
            if entry.import_price_micro is not None:
                bought[start_s] = entry.import_price_micro / 1e6
            if entry.export_price_micro is not None:
                sold[start_s] = entry.export_price_micro / 1e6
    return bought, sold


def _drawn(ledger: Ledger, from_s: int, until_s: int) -> tuple[dict[int, float], float | None, int]:
    """The draw by half hour, Wh, where the level was measured; the latest stock, Wh, and of when it is."""
    found: dict[int, float] = {}
    unknown: set[int] = set()
    stock_wh, stocked_s = None, 0
    for entry in ledger.tank_entries(from_s, until_s):
        parts = _parts(entry.start_s, entry.interval_s)
        for start_s in parts:
            found[start_s] = found.get(start_s, 0.0) + max(entry.wh(DRAWN), 0) / len(parts)
        if entry.measured_s:
            stock_wh, stocked_s = float(entry.closing_wh), entry.end_s
        else:
            unknown.update(parts)
    return {start_s: wh for start_s, wh in found.items() if start_s not in unknown}, stock_wh, stocked_s
