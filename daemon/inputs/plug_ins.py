"""Sources of prices and of forecasts that others write: a function in a package of its own, found by its entry point.

A plug-in is called on a thread of its own, as often as the home file says, and may take its time; whatever it raises
is its own fault, said in the alarms and by `brimful check`, and what it gave before still holds. deploy/examples has
one of each. What a plug-in does is not looked into: install only what you trust.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date, datetime
from decimal import Decimal
from importlib.metadata import entry_points
from itertools import islice
from math import isfinite
from typing import Any, Protocol
from urllib.parse import quote, quote_plus

from daemon.inputs.price_payload import MOST_ROWS

PRICE_SOURCES = "brimful.price_sources"
FORECAST_SOURCES = "brimful.forecast_sources"
TIME, VALUE = "/time", "/value"
"""Where the rows of a price source's payload have their time and their value."""
MOST_DAYS = 31
MOST_WH = 1e9
_LONGEST_FAULT = 200
"""Characters of what a plug-in says of its failure."""


class PriceSource(Protocol):
    """An entry point of the group `brimful.price_sources` names a function of this form.

    day: the home's date; options: as the home file has them, and `secret`. Gives rows of any stretch of time around
    that day, best to the end of the next one: an aware datetime, and the price from then on, money per kWh (None: not
    known).
    """

    def __call__(
        self, day: date, options: Mapping[str, Any], /
    ) -> Iterable[tuple[datetime, Decimal | int | float | str | None]]: ...


class ForecastSource(Protocol):
    """An entry point of the group `brimful.forecast_sources` names a function of this form.

    day: the home's date; options: as for a price source. Gives the solar energy of days from that one on: a date, and
    Wh, in whatever measure, as long as it stays the same: how former forecasts turned out brings it to the home's.
    """

    def __call__(self, day: date, options: Mapping[str, Any], /) -> Iterable[tuple[date, float]]: ...


def load(group: str, name: str) -> Any:
    """What a plug-in's entry point names. Raises ValueError where there is none; otherwise what importing it does."""
    found = entry_points(group=group)
    for point in found:
        if point.name == name:
            return point.load()
    known = ", ".join(sorted(point.name for point in found)) or "none"
    raise ValueError(f"expected a plug-in {name!r} among the entry points {group}, got: {known}")


def price_payload(name: str, day: date, options: Mapping[str, Any]) -> bytes:
    """A price source's rows as a payload. Raises ValueError for rows that are none, and where the plug-in fails."""
    rows = []
    for row in _rows(PRICE_SOURCES, name, day, options, MOST_ROWS):
        match row:
            case (datetime() as at, value) if at.tzinfo is not None:
                rows.append({"time": at.isoformat(), "value": None if value is None else str(value)})
            case _:
                raise ValueError(f"expected rows of an aware datetime and a price, got {str(row)[:60]}")
    return json.dumps(rows).encode()


def forecast_days(name: str, day: date, options: Mapping[str, Any]) -> dict[date, float]:
    """A forecast source's days, Wh by date. Raises ValueError for days that are none, and where the plug-in fails."""
    days: dict[date, float] = {}
    for row in _rows(FORECAST_SOURCES, name, day, options, MOST_DAYS):
        match row:
            case (date() as at, int() | float() as wh) if not isinstance(at, datetime) and 0 <= wh <= MOST_WH:
                days[at] = float(wh)
            case _:
                raise ValueError(f"expected rows of a date and 0 to {MOST_WH:g} Wh, got {str(row)[:60]}")
    return {at: wh for at, wh in days.items() if isfinite(wh)}


def _rows(group: str, name: str, day: date, options: Mapping[str, Any], most: int) -> Iterator[Any]:
    """What a plug-in gives, row by row. What it says of a failure is shown to people: without its key, and no longer
    than a sentence."""
    try:
        source: Callable[..., Iterable[Any]] = load(group, name)
        yield from islice(source(day, options), most)
    except SystemExit:  # it would end the thread, and nobody would know why
        raise ValueError("it tried to end the program") from None
    except (ValueError, OSError) as failed:  # the text of an HTTP library's error holds the address, key and all
        raise ValueError(_without_key(str(failed), options)) from None
    except Exception as failed:  # any text may hold it, and a trace would put it into the log
        raise ValueError(f"reading it failed: {type(failed).__name__}") from None


def _without_key(said: str, options: Mapping[str, Any]) -> str:
    key = str(options.get("secret", ""))
    for written in dict.fromkeys((key, quote(key, safe=""), quote(key), quote_plus(key))):
        said = said.replace(written, "<key>") if written else said
    return " ".join(said.split())[:_LONGEST_FAULT]
