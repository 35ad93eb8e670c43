"""The share of the diverted heat that displaces something: as the home file states it, or as the heat stock shows it.

The heat stock gives one share for each calendar month, which counts for all heat diverted in that month: at noon heat
comes in and little is drawn, at night it is the other way round, so shorter times would mislead. So rows of any length
add up to the same total, to the last unit, and a row has the same figures when it is reported alone.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from itertools import pairwise
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from accounting.heat.inventory import Lots
from accounting.ledger.reading import Ledger
from accounting.model.figures import Figures
from accounting.model.periods import month_start_s
from accounting.reports.heat_stock import StockRow, walk
from accounting.reports.kept_shares import FIRST_KEY, KeptMonth, KeptShares, next_key
from accounting.reports.value import ValueReport, ValueRow, summed
from accounting.valuation.formula import half_even
from accounting.valuation.historical_shares import Month, month_of, month_text
from accounting.valuation.settings import TankBooks
from rules.model.errors import BrimfulError

UsedBasis = Literal["stated", "measured", "additional loss"]
_HALF_YEAR = 6
_BEFORE = 2
"""Months walked through before a half year: what was in a tank before has long left it, where it is used."""
_ONE = Fraction(1)


@dataclass(frozen=True, slots=True)
class Used:
    """A share, 0 to 1, and where it is from.

    stated: the home file's, at the time of each entry; measured: of the diverted heat that left the tank, what was
    drawn and not lost; additional loss: all but the extra loss of the hotter tank. unmeasured: the months of diverting
    for which the stock gives no share, so that all heat counts as used; None for a stated share.
    """

    share: Fraction
    basis: UsedBasis = "stated"
    unmeasured: tuple[str, ...] = ()


class _Avoided(NamedTuple):
    """What would be avoided if all heat were used: millionths, mg, mg by marginal factors; exact."""

    micro: Fraction = Fraction(0)
    mg: Fraction = Fraction(0)
    marginal_mg: Fraction = Fraction(0)

    def plus(self, other: "_Avoided") -> "_Avoided":
        return _Avoided(self.micro + other.micro, self.mg + other.mg, self.marginal_mg + other.marginal_mg)

    def rounded(self, share: Fraction) -> tuple[int, int, int]:
        micro, mg, marginal_mg = ((amount * share) for amount in self)
        return (
            half_even(micro.numerator, micro.denominator),
            half_even(mg.numerator, mg.denominator),
            half_even(marginal_mg.numerator, marginal_mg.denominator),
        )


def shares_by_stock(
    ledger: Ledger, tank: TankBooks, basis: UsedBasis, from_s: int, to_s: int, zone: ZoneInfo, as_of_s: float | None
) -> dict[Month, Fraction]:
    """The share by the heat stock for each month that [from_s, to_s) UTC seconds touches; months without one are left
    out. as_of_s: by the entries booked by then."""
    span = ledger.tank_span()
    if span is None or to_s <= from_s:
        return {}
    wanted = set(range(month_of(from_s, zone), month_of(to_s - 1, zone) + 1))
    found: dict[Month, Fraction] = {}
    digests_of = cache(ledger.tank_digests)
    kept = KeptShares(ledger.path) if basis == "measured" and as_of_s is None else None
    for half in sorted({month // _HALF_YEAR for month in wanted}):
        first = half * _HALF_YEAR
        months = [month for month in range(first, first + _HALF_YEAR) if month in wanted]
        cuts = [month_start_s(month, zone) for month in range(first - _BEFORE, months[-1] + 2)]
        if cuts[-1] <= span[0]:
            continue
        if kept is not None:
            shares = _by_month_kept(ledger, tank, cuts, kept, span[1], digests_of)
        else:
            rows = walk(ledger.tank_entries(cuts[0], cuts[-1], as_of_s), cuts, tank)
            shares = [_share(row, basis) for row in rows]
        for month in months:
            share = shares[month - first + _BEFORE]
            if share is not None:
                found[month] = share
    if kept is not None:
        kept.write()
    return found


def _by_month_kept(
    ledger: Ledger,
    tank: TankBooks,
    cuts: Sequence[int],
    kept: KeptShares,
    booked_s: int,
    digests_of: Callable[[int, int], bytes],
) -> list[Fraction | None]:
    """The measured shares of the months that the cuts divide time into: as kept, else by a walk through the month's
    entries from the closing stock of the one before. booked_s: a month that goes on beyond it is not kept."""
    shares: list[Fraction | None] = []
    opening: Lots | None = None
    key = FIRST_KEY
    for start_s, end_s in pairwise(cuts):
        digests = digests_of(start_s, end_s)
        key = next_key(key, digests)
        month = kept.find(key)
        if month is None:
            (row,) = walk(ledger.tank_entries(start_s, end_s), [start_s, end_s], tank, opening)
            month = KeptMonth(row.used, row.closing)
            if end_s <= booked_s:
                kept.keep(key, month)
        shares.append(month.share)
        if digests or opening is not None:
            opening = month.closing
    return shares


class MonthSoFar:
    """The measured share of the month in progress, for frequent use: what came before it is walked through once,
    so that only its own entries are read again."""

    def __init__(self, tank: TankBooks) -> None:
        self._tank = tank
        self._month: Month | None = None
        self._opening: Lots | None = None

    def share(self, ledger: Ledger, month: Month, zone: ZoneInfo) -> Fraction | None:
        """As `shares_by_stock` gives it for this month."""
        start_s, end_s = month_start_s(month, zone), month_start_s(month + 1, zone)
        if month != self._month:
            first = month - month % _HALF_YEAR
            cuts = [month_start_s(before, zone) for before in range(first - _BEFORE, month + 1)]
            entries = list(ledger.tank_entries(cuts[0], cuts[-1]))
            self._opening = walk(entries, cuts, self._tank)[-1].closing if entries else None
            self._month = month
        (row,) = walk(ledger.tank_entries(start_s, end_s), [start_s, end_s], self._tank, self._opening)
        return row.used


def _share(row: StockRow, basis: UsedBasis) -> Fraction | None:
    return row.used if basis == "measured" else row.used_by_loss


def by_share(
    ledger: Ledger,
    report: ValueReport,
    shares: Mapping[Month, Fraction],
    basis: UsedBasis,
    stated: Fraction,
    as_of_s: float | None = None,
) -> tuple[ValueReport, Used]:
    """The report with what is avoided at the shares of the months, and the share that comes of it over the whole.

    stated: of entries that do not keep theirs. Each entry's avoided amounts are divided by the share they were valued
    with. A month's sum is rounded half to even wherever a row ends, so that rows add up. Raises BrimfulError where an
    entry was valued with a share of 0, and LedgerError.
    """
    with ledger.still():
        made = _Rows(ledger, report.zone, shares, stated, as_of_s)
        rows = [made.row(row) for row in report.rows]
    share = _mean(made.counted, made.whole)
    if share is None:
        share = _of_months(report.total, report.zone, shares)
    total = replace(summed(rows, report.total.start_s, report.total.end_s), used=share)
    unmeasured = tuple(month_text(month) for month in sorted(made.unmeasured))
    return replace(report, rows=tuple(rows), total=total), Used(share, basis, unmeasured)


class _Rows:
    """Makes rows in ascending order. counted, whole: what is avoided by the shares, and if all heat were used."""

    def __init__(
        self,
        ledger: Ledger,
        zone: ZoneInfo,
        shares: Mapping[Month, Fraction],
        stated: Fraction,
        as_of_s: float | None,
    ) -> None:
        self.counted = self.whole = Fraction(0)
        self.unmeasured: set[Month] = set()
        self._ledger, self._zone, self._shares, self._stated = ledger, zone, shares, stated
        self._as_of_s = as_of_s
        self._month: Month | None = None
        self._so_far = _Avoided()
        self._reached_s = 0

    def row(self, row: ValueRow) -> ValueRow:
        """The row at the shares of its months."""
        figures = [0, 0, 0]
        counted = whole = Fraction(0)
        for start_s, end_s, month in _by_month(row, self._zone):
            before = self._up_to(month, start_s)
            after = self._up_to(month, end_s)
            share = self._shares.get(month, _ONE)
            figures = [
                figure + last - first
                for figure, first, last in zip(figures, before.rounded(share), after.rounded(share), strict=True)
            ]
            more = after.micro - before.micro
            counted, whole = counted + share * more, whole + more
            if more and month not in self._shares:
                self.unmeasured.add(month)
        self.counted, self.whole = self.counted + counted, self.whole + whole
        used = _mean(counted, whole) if whole else _of_months(row, self._zone, self._shares)
        micro, mg, marginal_mg = figures
        return replace(row, avoided_micro=micro, avoided_mg=mg, avoided_marginal_mg=marginal_mg, used=used)

    def _up_to(self, month: Month, end_s: int) -> _Avoided:
        """What the month would have avoided from its start until end_s."""
        if month != self._month:
            self._month, self._so_far, self._reached_s = month, _Avoided(), month_start_s(month, self._zone)
        if end_s > self._reached_s:
            self._so_far = self._so_far.plus(self._avoided(self._reached_s, end_s))
            self._reached_s = end_s
        return self._so_far

    def _avoided(self, from_s: int, to_s: int) -> _Avoided:
        booked = [
            (some.used, some.avoided_micro, some.avoided_mg, some.avoided_marginal_mg)
            for some in self._ledger.assumed(from_s, to_s, self._as_of_s)
        ]
        if self._as_of_s is None:
            booked += [
                (one.used, figures.avoided_micro, figures.avoided_mg, figures.avoided_marginal_mg)
                for one in self._ledger.open_entries(from_s, to_s)
                if (figures := Figures.of(one)).diverted_wh
            ]
        found = _Avoided()
        for used, *amounts in booked:
            valued = Fraction(used) if used is not None else self._stated
            if not valued:
                cause = "expected entries valued with a used share above 0, got some with 0"
                raise BrimfulError("value by another share", "--used", cause, "restate them with books.used above 0")
            found = found.plus(_Avoided(*(amount / valued for amount in amounts)))
        return found


def _by_month(row: ValueRow, zone: ZoneInfo) -> list[tuple[int, int, Month]]:
    pieces = []
    start_s = row.start_s
    while start_s < row.end_s:
        month = month_of(start_s, zone)
        end_s = min(row.end_s, month_start_s(month + 1, zone))
        pieces.append((start_s, end_s, month))
        start_s = end_s
    return pieces


def _mean(counted: Fraction, whole: Fraction) -> Fraction | None:
    return counted / whole if whole else None


def _of_months(row: ValueRow, zone: ZoneInfo, shares: Mapping[Month, Fraction]) -> Fraction:
    """Of a time in which nothing is avoided, the mean of its months' shares."""
    found: Sequence[Fraction] = [shares.get(month, _ONE) for _, _, month in _by_month(row, zone)] or [_ONE]
    return sum(found, Fraction(0)) / len(found)
