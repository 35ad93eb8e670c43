"""The share of the diverted heat that displaces something: as the home file states it, or as the stock tells it."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from accounting.ledger.reading import Ledger
from accounting.reports.heat_stock import stock_report
from accounting.reports.value import ValueReport, ValueRow, summed
from accounting.valuation.formula import half_even
from accounting.valuation.settings import TankBooks
from rules.model.errors import BrimfulError

UsedBasis = Literal["stated", "measured", "additional loss"]


@dataclass(frozen=True, slots=True)
class Used:
    """A share, 0 to 1, and where it is from.

    stated: the home file's, at the time of each entry; measured: of the diverted heat that left the tank, what was
    drawn and not lost; additional loss: all but what the hotter tank lost more than without that heat.
    """

    share: Fraction
    basis: UsedBasis = "stated"


def told_by_stock(ledger: Ledger, tank: TankBooks, basis: UsedBasis, from_s: int, to_s: int) -> Used:
    """The share that the heat stock tells for a span, UTC seconds. Raises BrimfulError where it tells none."""
    total = stock_report(ledger, tank, None, from_s, to_s).total
    share = total.used if basis == "measured" else total.used_by_loss
    if share is None:
        cause = f"expected diverted heat in the tank's books to measure by ({basis}), got none in this span"
        raise BrimfulError("read the heat stock", "--used", cause, "without --used the share is the home file's")
    return Used(share, basis)


def by_share(ledger: Ledger, report: ValueReport, share: Fraction, stated: Fraction) -> ValueReport:
    """The report with what is avoided at another share used. stated: of entries that do not keep theirs.

    Each entry's avoided amounts are divided by the share they were valued with; a row's are rounded once, half to even.
    Raises BrimfulError where an entry was valued with a share of 0, and LedgerError.
    """
    rows = tuple(_row(ledger, row, share, stated) for row in report.rows)
    total = report.total
    return replace(report, rows=rows, total=summed(rows, total.start_s, total.end_s))


def _row(ledger: Ledger, row: ValueRow, share: Fraction, stated: Fraction) -> ValueRow:
    booked = ledger.avoided_by_used(row.start_s, row.end_s)
    booked += [
        (entry.used, entry.avoided_micro, entry.avoided_mg, entry.avoided_marginal_mg or 0)
        for entry in ledger.open_entries(row.start_s, row.end_s)
    ]
    whole = [Fraction(0)] * 3
    for used, *amounts in booked:
        valued = Fraction(used) if used is not None else stated
        if not valued:
            cause = "expected entries valued with a used share above 0, got some with 0"
            raise BrimfulError("value by another share", "--used", cause, "restate them with books.used above 0")
        whole = [sum_ + amount / valued for sum_, amount in zip(whole, amounts, strict=True)]
    micro, mg, marginal_mg = _rounded(amount * share for amount in whole)
    return replace(row, avoided_micro=micro, avoided_mg=mg, avoided_marginal_mg=marginal_mg)


def _rounded(amounts: Iterable[Fraction]) -> list[int]:
    return [half_even(amount.numerator, amount.denominator) for amount in amounts]
