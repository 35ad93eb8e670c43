"""Where a home's days, weeks, months and years begin, in UTC seconds."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Literal, get_args
from zoneinfo import ZoneInfo

By = Literal["interval", "day", "week", "month", "year"]
BY: tuple[By, ...] = get_args(By)


def bounds(by: By, from_s: int, to_s: int, zone: ZoneInfo, interval_s: int) -> list[int]:
    """The instants that cut [from_s, to_s) into periods: from_s, each period's start in between, to_s.

    Days run from local midnight to local midnight (23, 24 or 25 hours, whatever the clocks do), weeks from Monday
    (ISO 8601), intervals by UTC. Returns [] for an empty span.
    """
    if to_s <= from_s:
        return []
    if by == "interval":
        inner = range(from_s - from_s % interval_s + interval_s, to_s, interval_s)
        return [from_s, *inner, to_s]
    cuts = [from_s]
    for start_s in _starts(by, from_s, zone):
        if start_s >= to_s:
            break
        if start_s > cuts[-1]:  # a day that a zone left out altogether has no length
            cuts.append(start_s)
    return [*cuts, to_s]


def local_day(at_s: float, zone: ZoneInfo) -> date:
    """The local day of an instant, UTC seconds."""
    return datetime.fromtimestamp(at_s, zone).date()


def midnight_s(day: date, zone: ZoneInfo) -> int:
    """The first instant of a local day, also where its midnight is missing or comes twice."""
    return int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp())


def month_after(first: date) -> date:
    """The first day of the month after the one of this first day."""
    return date(first.year + first.month // 12, first.month % 12 + 1, 1)


def month_start_s(month: int, zone: ZoneInfo) -> int:
    """The first instant of a local month, counted from the year 0."""
    return midnight_s(date(month // 12, month % 12 + 1, 1), zone)


def _starts(by: By, from_s: int, zone: ZoneInfo) -> Iterator[int]:
    day = local_day(from_s, zone)
    if by == "week":
        day -= timedelta(days=day.weekday())
    elif by == "month":
        day = day.replace(day=1)
    elif by == "year":
        day = day.replace(month=1, day=1)
    while True:
        yield midnight_s(day, zone)
        if by == "day":
            day += timedelta(days=1)
        elif by == "week":
            day += timedelta(days=7)
        elif by == "month":
            day = (day + timedelta(days=31)).replace(day=1)
        else:
            day = day.replace(year=day.year + 1)
