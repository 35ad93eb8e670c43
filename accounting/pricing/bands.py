"""Named prices and the days and hours they hold in, by a clock and a calendar on the wall."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, time
from fractions import Fraction
from itertools import pairwise
from typing import Literal, NamedTuple

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
HOLIDAY = "holiday"
DAYS = (*WEEKDAYS, HOLIDAY)
"""The kinds of day. A public holiday is a kind of its own: its weekday does not count."""
MONTHS = tuple(range(1, 13))
DAY_S = 86_400


class Day(NamedTuple):
    """What matters of a date: its kind (of `DAYS`) and its month (1 to 12)."""

    kind: str
    month: int


def day_of(day: date, holidays: frozenset[date]) -> Day:
    """A date as bands see it."""
    return Day(HOLIDAY if day in holidays else WEEKDAYS[day.weekday()], day.month)


@dataclass(frozen=True, slots=True)
class Band:
    """A named price, per kWh. start, end: by the period's clock, to the second; end at or before start: past midnight,
    and 00:00 as end means midnight. Without both, the rest of the day. days, months: those in which the band starts."""

    name: str
    price: Fraction
    start: time | None = None
    end: time | None = None
    days: frozenset[str] = frozenset(DAYS)
    months: frozenset[int] = frozenset(MONTHS)

    @property
    def timed(self) -> bool:
        """Whether it has times; one without is the rest of its days."""
        return self.start is not None or self.end is not None

    def starts_on(self, day: Day) -> bool:
        """Whether it starts on such a day."""
        return day.kind in self.days and day.month in self.months


@dataclass(frozen=True, slots=True)
class Period:
    """Bands in force from a day (first of it, by the home's calendar) until another (first day no longer in force).

    clock: which clock the bands' times are of, the home's or UTC all year. standing_per_day: money, per day of the
    home's calendar. supplier: who sells or buys, "" if not given. deemed_share: of the generation, for export that is
    paid by this estimate instead of a meter (None: by the meter).
    """

    first: date
    until: date | None
    bands: tuple[Band, ...]
    clock: Literal["local", "utc"] = "local"
    standing_per_day: Fraction = Fraction(0)
    supplier: str = ""
    deemed_share: Fraction | None = None


class Stretch(NamedTuple):
    """A stretch of a day, seconds since its midnight, end not included, and the bands with times that claim it."""

    start_s: int
    end_s: int
    bands: tuple[Band, ...]


def stretches(bands: Iterable[Band], today: Day, yesterday: Day) -> list[Stretch]:
    """The whole of a day, cut where a band with times starts or ends; each stretch with the bands in it, as listed."""
    held = [(low, high, band) for band in bands if band.timed for low, high in _spans(band, today, yesterday)]
    edges = sorted({0, DAY_S, *(edge for low, high, _ in held for edge in (low, high))})
    return [
        Stretch(low, high, tuple(band for start, end, band in held if start <= low and high <= end))
        for low, high in pairwise(edges)
    ]


def rests(bands: Iterable[Band], today: Day) -> list[Band]:
    """The bands without times that hold for the rest of a day, as listed."""
    return [band for band in bands if not band.timed and band.starts_on(today)]


def in_force(bands: Sequence[Band], today: Day, yesterday: Day) -> list[tuple[int, int, Band | None]]:
    """The whole of a day by its clock: what holds from when to when, in order; of several, the earlier listed."""
    rest = next(iter(rests(bands, today)), None)
    return [(low, high, held[0] if held else rest) for low, high, held in stretches(bands, today, yesterday)]


def days_that_differ(bands: Iterable[Band], holidays: bool) -> Iterator[tuple[Day, Day]]:
    """Every pair of (today, yesterday) that these bands can tell apart. holidays: whether some days are holidays."""
    months = MONTHS if any(band.months != frozenset(MONTHS) for band in bands) else MONTHS[:1]
    for month in months:
        for following in dict.fromkeys((month, months[month % len(months)])):
            for index, kind in enumerate(WEEKDAYS):
                before = WEEKDAYS[index - 1]
                kinds = [(kind, before)]
                if holidays:
                    kinds += [(HOLIDAY, before), (kind, HOLIDAY)]
                for today, yesterday in kinds:
                    yield Day(today, following), Day(yesterday, month)
            if holidays:
                yield Day(HOLIDAY, following), Day(HOLIDAY, month)


def seconds(clock: time | None) -> int:
    """A time of day in seconds since midnight; 0 for none."""
    return clock.hour * 3600 + clock.minute * 60 + clock.second if clock else 0


def _spans(band: Band, today: Day, yesterday: Day) -> list[tuple[int, int]]:
    """When on a day a band with times is in force, seconds since midnight."""
    start_s, end_s = seconds(band.start), seconds(band.end)
    if start_s < end_s:
        return [(start_s, end_s)] if band.starts_on(today) else []
    spans = []
    if end_s and band.starts_on(yesterday):
        spans.append((0, end_s))
    if band.starts_on(today):
        spans.append((start_s, DAY_S))
    return spans
