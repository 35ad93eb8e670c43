"""What the rooms read from the ledger, each in one read-only connection. Run in a thread, never on the loop's."""

import shutil
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from accounting.heat.inventory import Lots
from accounting.ledger import EventRow, Ledger
from accounting.ledger.records import OWNERS
from accounting.ledger.tape import Row, unpack
from accounting.model.periods import By
from accounting.reports.heat_stock import StockReport, walk
from daemon.config.build import heater_signal, tank_books
from daemon.config.model import Home
from daemon.documents.stock_document import stock_answer
from daemon.documents.valuing import Valued, home_value
from daemon.web.page.views.deciding import Decided, decided
from daemon.web.page.views.stops import WITHIN_S, Stop, full_stops, verified

DAY_S = 86_400.0
STOCK_S = 120 * 86_400
LOOK_BACK_S = 7 * DAY_S
MOST_STOPS = 20
"""Stops that are looked at for one that a meter verifies."""
EVENT_DAYS = 400
MOST_EVENTS = 500


def books(home: Home) -> Ledger:
    """The home's ledger, opened for reading. Raises LedgerError."""
    return Ledger.open_reader(home.path_of(home.ledger.path))


def last_stop(home: Home, now_s: float) -> Stop | None:
    """The last verified stop of the last week; None where there is none. now_s: UTC seconds."""
    with books(home) as ledger:
        for row in full_stops(ledger.decisions(now_s - LOOK_BACK_S, now_s))[:MOST_STOPS]:
            rows = unpack(ledger.tape(row.at_s, row.at_s + WITHIN_S), row.at_s, row.at_s + WITHIN_S)
            power, counter = (heater_signal(home, base, row.heater) for base in ("diverted_w", "diverted_wh"))
            stop = verified(row, rows, power, counter, home.rules.full.idle_w)
            if stop is not None:
                return stop
    return None


def week(home: Home, heater: str, now_s: float) -> Decided:
    """What decided a heater's orders in the last seven days."""
    from_s = now_s - LOOK_BACK_S
    with books(home) as ledger:
        return decided(ledger.decision_at(from_s), ledger.decisions(from_s, now_s), from_s, now_s, heater)


@dataclass(frozen=True, slots=True)
class Midnight:
    """The heat stock at a local midnight, UTC second at_s."""

    at_s: int
    lots: Lots


def midnight(home: Home, at_s: int) -> Midnight | None:
    """The stock then; None for a home without a tank, or whose books begin later.

    The books are walked through from STOCK_S before: where a tank is used, what was in it then has long been drawn. In
    one that stood unused, it is counted as what `brimful stock` calls "before".
    """
    tank = tank_books(home)
    if tank is None:
        return None
    with books(home) as ledger:
        span = ledger.tank_span()
        if span is None or at_s <= span[0]:
            return None
        cuts = [max(span[0], at_s - STOCK_S), at_s]
        (row,) = walk(ledger.tank_entries(*cuts), cuts, tank)
        return Midnight(at_s, row.closing)


def stock_since(home: Home, at_s: int, known: Midnight | None) -> dict[str, Any] | None:
    """The heat stock since local midnight at_s, in the shape of `brimful stock --json` (its additional loss is not
    in it); None where nothing is settled since then. known: the stock at that midnight, None: the books begin later.
    """
    tank = tank_books(home)
    if tank is None:
        return None
    with books(home) as ledger, ledger.still():
        span = ledger.tank_span()
        if span is None or span[1] <= at_s:
            return None
        cuts = [max(at_s, span[0]), span[1]]
        (row,) = walk(ledger.tank_entries(*cuts), cuts, tank, None if known is None else known.lots)
    return stock_answer(StockReport(None, ZoneInfo(home.home.timezone), (), row), tank, home)


def value(home: Home, by: By, from_s: int | None, to_s: int | None) -> Valued:
    """What the diverted energy was worth, with what it rests on."""
    with books(home) as ledger:
        return home_value(ledger, home, by, from_s, to_s)


@dataclass(frozen=True, slots=True)
class Hours:
    """The tape's last hours, and how much room is left beside the ledger, bytes (None: cannot be read)."""

    rows: list[Row]
    free_bytes: int | None


def hours(home: Home, now_s: float, many: float) -> Hours:
    """The last so many hours of the tape."""
    with books(home) as ledger:
        rows = unpack(ledger.tape(now_s - many * 3600, now_s + 1), now_s - many * 3600, now_s + 1)
    return Hours(rows, free_bytes(home))


def events(home: Home, now_s: float) -> list[EventRow]:
    """The newest events of the last EVENT_DAYS, and the owner's notes of all time."""
    with books(home) as ledger:
        recent = ledger.events(now_s - EVENT_DAYS * DAY_S, now_s + DAY_S)
        own = ledger.events(float("-inf"), float("inf"), f"{OWNERS}*")
    return [*own, *[event for event in recent if not event.name.startswith(OWNERS)][-MOST_EVENTS:]]


def free_bytes(home: Home) -> int | None:
    """Free bytes on the disk of the ledger; None: cannot be read."""
    try:
        return shutil.disk_usage(home.path_of(home.ledger.path).resolve().parent).free
    except OSError:
        return None
