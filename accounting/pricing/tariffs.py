"""What a kWh costs or earns, by date, weekday and clock.

A band is in force while a clock on the wall shows a time in it. So on the day a clock goes forward, a band that starts
in the missing hour starts when the hour has been skipped; on the day it goes back, what holds in the repeated hour
holds in both.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from functools import cached_property
from typing import Literal, NamedTuple, Protocol
from zoneinfo import ZoneInfo

from accounting.model.periods import local_day
from accounting.pricing.bands import DAY_S, Period, day_of, in_force

HORIZON_DAYS = 400
"""How far ahead a change or a band's start is looked for: a year, so that every season is seen."""

_KEPT_DAYS = 1_000
"""Days whose bands are kept worked out; more than are looked at in one search."""

_NOTHING = Fraction(0)

Direction = Literal["import", "export", "fuel"]


class Piece(NamedTuple):
    """A stretch of time, UTC seconds, end not included, at one price. name, price None: no band is in force."""

    start_s: int
    end_s: int
    name: str | None
    price: Fraction | None


class Priced(Protocol):
    """What a tariff and a series have in common. Times are UTC seconds, prices exact, per kWh; None: not known."""

    def price_at(self, utc_s: float) -> Fraction | None:
        """The price at an instant."""

    def mean_price(self, start_s: int, end_s: int) -> Fraction | None:
        """The time-weighted mean over [start_s, end_s); None if any of it has no price."""

    def pieces(self, start_s: int, end_s: int) -> list[Piece]:
        """[start_s, end_s) cut where the price changes."""

    def next_start(self, name: str, after_s: float) -> int | None:
        """When the band next starts, strictly after; None if it does not within `HORIZON_DAYS`."""

    def next_change(self, utc_s: float) -> float:
        """The first instant after utc_s at which another piece starts; if none is found, the end of a search."""


def mean_of(pieces: Iterable[Piece]) -> Fraction | None:
    """The time-weighted mean price of pieces; None if any has no price, or there are none."""
    total = Fraction(0)
    span_s = 0
    for start_s, end_s, _, price in pieces:
        if price is None:
            return None
        total += price * (end_s - start_s)
        span_s += end_s - start_s
    return total / span_s if span_s else None


class _Day(NamedTuple):
    """A UTC day's pieces and their starts, for bisection."""

    starts: list[int]
    pieces: list[Piece]


@dataclass(frozen=True)
class Tariff:
    """Periods of bands, read by the clock and calendar of `timezone` (IANA). Implements `Priced`.

    Between periods, and in hours no band covers, there is no price. Where bands overlap the earlier listed one holds.
    holidays: days on which bands for a holiday hold, and bands for the weekday do not. The price is that of one more
    kWh: in a period of deemed export a kWh more or less is paid nothing, so there it is 0.
    """

    direction: Direction
    periods: tuple[Period, ...]
    timezone: str
    holidays: frozenset[date] = frozenset()
    _days: dict[int, _Day] = field(default_factory=dict, init=False, repr=False, compare=False)
    _starts: dict[str, tuple[float, int | None]] = field(default_factory=dict, init=False, repr=False, compare=False)
    _change: tuple[float, float] = field(default=(0.0, 0.0), init=False, repr=False, compare=False)

    @cached_property
    def _zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)

    def price_at(self, utc_s: float) -> Fraction | None:
        """The price at an instant."""
        return self._piece_at(utc_s).price

    def band_at(self, utc_s: float) -> str | None:
        """The name of the band in force at an instant."""
        return self._piece_at(utc_s).name

    def mean_price(self, start_s: int, end_s: int) -> Fraction | None:
        """The time-weighted mean over [start_s, end_s); None if any of it has no price."""
        piece = self._piece_at(start_s)
        if end_s <= piece.end_s:
            return piece.price
        return mean_of(self.pieces(start_s, end_s))

    def pieces(self, start_s: int, end_s: int) -> list[Piece]:
        """[start_s, end_s) cut where the band changes."""
        found: list[Piece] = []
        for piece in self._from(start_s):
            if piece.start_s >= end_s:
                break
            _append(found, Piece(max(piece.start_s, start_s), min(piece.end_s, end_s), piece.name, piece.price))
        return found

    def next_start(self, name: str, after_s: float) -> int | None:
        """When the band next starts, strictly after; None if it does not within `HORIZON_DAYS`."""
        asked_s, found = self._starts.get(name, (0.0, 0))
        if found is not None and asked_s <= after_s < found:
            return found
        found = None
        last = self._piece_at(after_s).name
        for piece in self._from(after_s):
            if piece.start_s > after_s + HORIZON_DAYS * DAY_S:
                break
            if piece.name == name and last != name:
                found = piece.start_s
                break
            last = piece.name
        self._starts[name] = (after_s, found)
        return found

    def next_change(self, utc_s: float) -> float:
        """The first instant after utc_s at which another band starts; if none is found, the end of a search."""
        asked_s, found_s = self._change
        if not asked_s <= utc_s < found_s:
            found_s = self._find_change(utc_s)
            object.__setattr__(self, "_change", (utc_s, found_s))
        return found_s

    def _find_change(self, utc_s: float) -> float:
        now = self._piece_at(utc_s)
        end_s = utc_s + HORIZON_DAYS * DAY_S
        for piece in self._from(utc_s):
            if piece.start_s > end_s:
                break
            if (piece.name, piece.price) != (now.name, now.price):
                return piece.start_s
        return end_s

    def _piece_at(self, utc_s: float) -> Piece:
        day = self._day(int(utc_s // DAY_S))
        return day.pieces[bisect_right(day.starts, utc_s) - 1]

    def _from(self, utc_s: float) -> Iterator[Piece]:
        """Pieces, cut at UTC midnight, from the one that holds at utc_s on, for ever."""
        number = int(utc_s // DAY_S)
        day = self._day(number)
        yield from day.pieces[bisect_right(day.starts, utc_s) - 1 :]
        while True:
            number += 1
            yield from self._day(number).pieces

    def _day(self, number: int) -> _Day:
        """The pieces of a UTC day, counted from 1970."""
        day = self._days.get(number)
        if day is None:
            if len(self._days) >= _KEPT_DAYS:
                self._days.clear()
            pieces: list[Piece] = []
            for piece in self._work_out(number * DAY_S):
                _append(pieces, piece)
            day = self._days[number] = _Day([piece.start_s for piece in pieces], pieces)
        return day

    def period_at(self, utc_s: float) -> Period | None:
        """The period in force at an instant."""
        return self._period(local_day(utc_s, self._zone))

    def standing(self, first: date, until: date) -> Fraction:
        """The standing charges of the days from first until until (not included), by the home's calendar.

        They are the same whatever is diverted, so no interval is charged with them: they count only where a fuel is
        given up for good (`Displaced.gives_up_standing`).
        """
        total = Fraction(0)
        for period in self.periods:
            days = (min(until, period.until or until) - max(first, period.first)).days
            total += max(0, days) * period.standing_per_day
        return total

    def _period(self, day: date) -> Period | None:
        return next((p for p in self.periods if p.first <= day and (p.until is None or day < p.until)), None)

    def _work_out(self, midnight_s: int) -> Iterator[Piece]:
        utc_day = datetime.fromtimestamp(midnight_s, UTC).date()
        for start_s, end_s, day_here, wall_s in _runs(midnight_s, midnight_s + DAY_S, self._zone):
            period = next(
                (p for p in self.periods if p.first <= day_here and (not p.until or day_here < p.until)), None
            )
            if period is None:
                yield Piece(start_s, end_s, None, None)
                continue
            on = day_here
            if period.clock == "utc":
                on, wall_s = utc_day, start_s - midnight_s
            today, yesterday = (day_of(day, self.holidays) for day in (on, on - timedelta(days=1)))
            for low_s, high_s, band in in_force(period.bands, today, yesterday):
                low_s, high_s = max(low_s, wall_s), min(high_s, wall_s + end_s - start_s)
                if low_s < high_s:
                    name, price = (band.name, band.price) if band else (None, None)
                    if price is not None and period.deemed_share is not None:
                        price = _NOTHING
                    yield Piece(start_s + low_s - wall_s, start_s + high_s - wall_s, name, price)


def _append(pieces: list[Piece], piece: Piece) -> None:
    """Adds a piece, joined to the last one where nothing changes between them."""
    if pieces and pieces[-1][1:] == (piece.start_s, piece.name, piece.price):
        piece = Piece(pieces.pop().start_s, piece.end_s, piece.name, piece.price)
    pieces.append(piece)


def _runs(start_s: int, end_s: int, zone: ZoneInfo) -> Iterator[tuple[int, int, date, int]]:
    """[start_s, end_s) cut at local midnights and clock changes: start, end, local date, seconds on the wall clock."""
    while start_s < end_s:
        local = datetime.fromtimestamp(start_s, zone)
        wall_s = local.hour * 3600 + local.minute * 60 + local.second
        offset = local.utcoffset()
        until_s = min(end_s, start_s + DAY_S - wall_s)
        if datetime.fromtimestamp(until_s - 1, zone).utcoffset() != offset:
            same_s = start_s
            while until_s - same_s > 1:
                middle_s = (same_s + until_s) // 2
                if datetime.fromtimestamp(middle_s, zone).utcoffset() == offset:
                    same_s = middle_s
                else:
                    until_s = middle_s
        yield start_s, until_s, local.date(), wall_s
        start_s = until_s
