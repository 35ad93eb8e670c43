"""What the home would have used, from its own past: shares by the heat that it recorded in a similar month.

A month of diverting uses the same month of an earlier year, the latest that is fit. If there is none, it uses the fit
month nearest in the calendar, at most NEAREST months off, the later of two equally near; else the stated shares. A
month is fit if THINNEST of its time was measured and the recorded sources gave at least LEAST_WH in it. Only months at
least APART months before count, so that late settlements and later questions find the same months as the running
daemon.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from fractions import Fraction
from functools import cached_property
from typing import Literal, NamedTuple, Protocol
from zoneinfo import ZoneInfo

from accounting.model.journal import GRID, is_grid
from accounting.model.periods import month_start_s
from accounting.pricing.displaced import Displaced
from accounting.pricing.tariffs import Piece, mean_of
from accounting.valuation.settings import BooksSettings

THINNEST = Fraction(4, 5)
LEAST_WH = 5_000
NEAREST = 2
APART = 2

Month = int
"""Months since the year 0: a local calendar month."""
Basis = Literal["same month", "near month", "stated"]


def month_of(utc_s: float, zone: ZoneInfo) -> Month:
    """The local month of an instant."""
    day = datetime.fromtimestamp(utc_s, zone)
    month = day.year * 12 + day.month - 1
    return month + (utc_s >= month_start_s(month + 1, zone))  # a midnight that comes twice counts once


def month_text(month: Month) -> str:
    """As YYYY-MM."""
    return f"{month // 12:04}-{month % 12 + 1:02}"


class MonthHeat(NamedTuple):
    """What a month's settled and measured intervals recorded. measured: share of its time; wh: heat by account."""

    measured: Fraction
    wh: Mapping[str, int]


Past = Mapping[Month, MonthHeat]
"""Of the months that are wholly booked."""


@dataclass(frozen=True, slots=True)
class MonthShares:
    """What was displaced in a month. of: the month whose heat gives the shares (None: as stated); shares: by source,
    exact, in the file's order; thin: the newest earlier same month, if it is recorded but not fit, so that `of` is
    another month."""

    month: Month
    basis: Basis
    of: Month | None
    shares: tuple[Fraction, ...]
    thin: Month | None = None


def stands_for(recorded: str, account: str) -> bool:
    """Whether heat on an account is what a source says it is recorded as: `grid` is every band's."""
    return is_grid(account) if recorded == GRID else account == recorded


@dataclass
class PastShares:
    """The displaced sources' shares, month by month. displaces: as stated; those without `recorded` keep their share,
    the others divide what is left."""

    displaces: Sequence[Displaced]
    past: Past
    timezone: str
    _found: dict[Month, MonthShares] = field(default_factory=dict, init=False)
    _now: tuple[int, int, Month] = field(default=(0, 0, 0), init=False)

    @cached_property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)

    def of(self, month: Month) -> MonthShares:
        """The shares of a month of diverting."""
        found = self._found.get(month)
        if found is None:
            found = self._found[month] = self._find(month)
        return found

    def around(self, utc_s: float) -> tuple[int, int, MonthShares]:
        """The month of an instant: its start, its end, UTC seconds, and its shares."""
        start_s, end_s, month = self._now
        if not start_s <= utc_s < end_s:
            month = month_of(utc_s, self.zone)
            start_s, end_s = month_start_s(month, self.zone), month_start_s(month + 1, self.zone)
            self._now = start_s, end_s, month
        return start_s, end_s, self.of(month)

    def sources(self) -> tuple[Displaced, ...]:
        """The displaced sources with these shares."""
        return tuple(
            replace(source, shares=_Share(self, place)) if source.recorded else source
            for place, source in enumerate(self.displaces)
        )

    def _find(self, month: Month) -> MonthShares:
        settled = [former for former in self.past if former <= month - APART and _off(month, former) <= NEAREST]
        fit = [former for former in settled if self._is_fit(former)]
        same = max((former for former in settled if _off(month, former) == 0), default=None)
        if not fit:
            return MonthShares(month, "stated", None, tuple(source.share for source in self.displaces), same)
        of = min(fit, key=lambda former: (_off(month, former), -former))
        return MonthShares(
            month,
            "same month" if _off(month, of) == 0 else "near month",
            of,
            self._shares(of),
            same if same is not None and same != of else None,
        )

    def _is_fit(self, month: Month) -> bool:
        return self.past[month].measured >= THINNEST and sum(self._heat(month)) >= LEAST_WH

    def _heat(self, month: Month) -> list[int]:
        """What each source gave in a month, Wh; 0 of those that are not recorded."""
        amounts = self.past[month].wh.items()
        return [
            sum(wh for account, wh in amounts if source.recorded and stands_for(source.recorded, account))
            for source in self.displaces
        ]

    def _shares(self, month: Month) -> tuple[Fraction, ...]:
        heat = self._heat(month)
        left = 1 - sum((source.share for source in self.displaces if not source.recorded), Fraction(0))
        return tuple(
            left * Fraction(wh, sum(heat)) if source.recorded else source.share
            for source, wh in zip(self.displaces, heat, strict=True)
        )


def _off(month: Month, former: Month) -> int:
    """How far apart two months are in the calendar, whatever their years."""
    apart = (month - former) % 12
    return min(apart, 12 - apart)


@dataclass(frozen=True, eq=False)
class _Share:
    """One source's share in the place of a price. Implements `Priced`."""

    months: PastShares
    place: int

    def price_at(self, utc_s: float) -> Fraction:
        return self.months.around(utc_s)[2].shares[self.place]

    def mean_price(self, start_s: int, end_s: int) -> Fraction | None:
        _, month_end_s, month = self.months.around(start_s)
        return month.shares[self.place] if end_s <= month_end_s else mean_of(self.pieces(start_s, end_s))

    def pieces(self, start_s: int, end_s: int) -> list[Piece]:
        found = []
        while start_s < end_s:
            _, month_end_s, month = self.months.around(start_s)
            until_s = min(month_end_s, end_s)
            found.append(Piece(start_s, until_s, None, month.shares[self.place]))
            start_s = until_s
        return found

    def next_start(self, name: str, after_s: float) -> int | None:
        return None

    def next_change(self, utc_s: float) -> float:
        return self.months.around(utc_s)[1]


def past_shares(settings: BooksSettings, past: Past) -> PastShares | None:
    """The shares by the past in these books; None if all shares are as stated."""
    if settings.past_timezone is None:
        return None
    return PastShares(settings.displaces, past, settings.past_timezone)


def by_past(settings: BooksSettings, past: Past) -> BooksSettings:
    """The settings with the shares by the past; unchanged if they do not go by it."""
    shares = past_shares(settings, past)
    return settings if shares is None else replace(settings, displaces=shares.sources())


class Record(Protocol):
    """Where the heat is recorded: a ledger."""

    def tank_span(self) -> tuple[int, int] | None:
        """The first settled interval's start and the last one's end, UTC seconds."""

    def tank_heat(self, from_s: int, to_s: int) -> tuple[int, Mapping[str, int]]:
        """Of the measured intervals of [from_s, to_s): how many seconds, and the heat by account, Wh."""


def read_past(settings: BooksSettings, record: Record, known: Past | None = None) -> Past:
    """The months that are wholly booked; none if the shares do not go by them. known: months that need no reading."""
    span = record.tank_span() if settings.past_timezone is not None else None
    if settings.past_timezone is None or span is None:
        return {}
    zone = ZoneInfo(settings.past_timezone)
    past: dict[Month, MonthHeat] = {}
    month = month_of(span[0], zone)
    while (end_s := month_start_s(month + 1, zone)) <= span[1]:
        found = (known or {}).get(month)
        if found is None:
            start_s = month_start_s(month, zone)
            measured_s, wh = record.tank_heat(start_s, end_s)
            found = MonthHeat(Fraction(measured_s, end_s - start_s), wh)
        past[month] = found
        month += 1
    return past


def as_recorded(settings: BooksSettings, record: Record) -> BooksSettings:
    """The settings with the shares by a ledger's past."""
    return by_past(settings, read_past(settings, record))
