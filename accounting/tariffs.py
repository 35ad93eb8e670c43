"""What a kWh costs or earns, by date, weekday and clock.

A band is in force while a clock on the wall shows a time in it. So on the day a clock goes forward, a band that starts
in the missing hour starts when the hour has been skipped; on the day it goes back, what holds in the repeated hour
holds in both.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from typing import Literal, NamedTuple, Protocol
from zoneinfo import ZoneInfo

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_S = 86_400
HORIZON_DAYS = 400
"""How far ahead a change or a band's start is looked for: a year, so that every season is seen."""

_KEPT_DAYS = 1_000
"""Days whose bands are kept worked out; more than are looked at in one search."""

Direction = Literal["import", "export", "fuel"]


@dataclass(frozen=True, slots=True)
class Band:
    """A named price, per kWh. start, end: by the period's clock, to the second; end at or before start: past midnight,
    and 00:00 as end means midnight. Without both, the rest of the day. days: those on which the band starts."""

    name: str
    price: Fraction
    start: time | None = None
    end: time | None = None
    days: frozenset[str] = frozenset(DAYS)


@dataclass(frozen=True, slots=True)
class Period:
    """Bands in force from a day (first of it, by the home's calendar) until another (first day no longer in force).

    clock: what the bands' times are told by, the home's clock or UTC all year. standing_per_day: money.
    """

    first: date
    until: date | None
    bands: tuple[Band, ...]
    clock: Literal["local", "utc"] = "local"
    standing_per_day: Fraction = Fraction(0)


class Piece(NamedTuple):
    """A stretch of time, UTC seconds, end not included, at one price. name, price None: no band is in force."""

    start_s: int
    end_s: int
    name: str | None
    price: Fraction | None


class Priced(Protocol):
    """What a tariff and a series have in common. Times are UTC seconds, prices exact, per kWh; None: nothing tells."""

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
    """

    direction: Direction
    periods: tuple[Period, ...]
    timezone: str
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

    def _work_out(self, midnight_s: int) -> Iterator[Piece]:
        utc_weekday = datetime.fromtimestamp(midnight_s, UTC).weekday()
        for start_s, end_s, today, wall_s in _runs(midnight_s, midnight_s + DAY_S, self._zone):
            period = next((p for p in self.periods if p.first <= today and (not p.until or today < p.until)), None)
            if period is None:
                yield Piece(start_s, end_s, None, None)
                continue
            weekday = today.weekday()
            if period.clock == "utc":
                weekday, wall_s = utc_weekday, start_s - midnight_s
            for low_s, high_s, band in _by_the_wall(period, weekday):
                low_s, high_s = max(low_s, wall_s), min(high_s, wall_s + end_s - start_s)
                if low_s < high_s:
                    name, price = (band.name, band.price) if band else (None, None)
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


def _spans(band: Band, weekday: int) -> list[tuple[int, int]]:
    """When on this weekday a band with times is in force, seconds since midnight."""
    start_s, end_s = seconds(band.start), seconds(band.end)
    if start_s < end_s:
        return [(start_s, end_s)] if DAYS[weekday] in band.days else []
    spans = []
    if end_s and DAYS[weekday - 1] in band.days:
        spans.append((0, end_s))
    if DAYS[weekday] in band.days:
        spans.append((start_s, DAY_S))
    return spans


def seconds(clock: time | None) -> int:
    """A time of day in seconds since midnight; 0 for none."""
    return clock.hour * 3600 + clock.minute * 60 + clock.second if clock else 0


def _by_the_wall(period: Period, weekday: int) -> list[tuple[int, int, Band | None]]:
    """The whole of a weekday by its clock: what holds from when to when, in order."""
    rest = next((b for b in period.bands if b.start is None and b.end is None and DAYS[weekday] in b.days), None)
    held: list[tuple[int, int, Band | None]] = []
    for band in period.bands:
        if band.start is not None or band.end is not None:
            held += [(low, high, band) for low, high in _spans(band, weekday)]
    edges = sorted({0, DAY_S, *(edge for low, high, _ in held for edge in (low, high))})
    whole: list[tuple[int, int, Band | None]] = []
    for low, high in pairwise(edges):
        whole.append((low, high, next((b for a, z, b in held if a <= low and high <= z), rest)))
    return whole
