"""Which months of the home's own past show what its diverted heat displaced, beside every total that rests on it."""

from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from accounting.ledger import Ledger
from accounting.pricing.displaced import Displaced
from accounting.reports.value import ValueReport
from accounting.valuation.historical_shares import MonthShares, PastShares, month_of, month_text, read_past
from accounting.valuation.settings import BooksSettings
from daemon.config.model import Home
from rules.model.wording import joined, say

_MOST_NAMED = 13


def months_of_shares(home: Home, ledger: Ledger, report: ValueReport) -> list[MonthShares]:
    """The shares of each month of a report; none where they are as stated. Raises LedgerError."""
    if home.books.displaces_from != "past" or not report.rows:
        return []
    stated = tuple(
        Displaced(each.source, Fraction(each.share), recorded=each.recorded or "") for each in home.displaces
    )
    settings = BooksSettings((), displaces=stated, past_timezone=home.home.timezone)
    shares = PastShares(stated, read_past(settings, ledger), home.home.timezone)
    first, last = (month_of(at_s, shares.zone) for at_s in (report.total.start_s, report.total.end_s - 1))
    return [shares.of(month) for month in range(first, last + 1)]


def as_rows(home: Home, months: Sequence[MonthShares]) -> list[dict[str, Any]]:
    """They as JSON."""
    return [
        {
            "month": month_text(each.month),
            "basis": each.basis,
            "of": None if each.of is None else month_text(each.of),
            "thin": None if each.thin is None else month_text(each.thin),
            "shares": {
                source.source: round(float(share), 6) for source, share in zip(home.displaces, each.shares, strict=True)
            },
        }
        for each in months
    ]


def as_notes(months: Sequence[MonthShares]) -> list[str]:
    """They in a sentence; without any, in none."""
    if not months:
        return []
    if len(months) <= _MOST_NAMED:
        said = joined(map(_said, months))
    else:
        count = Counter(each.basis for each in months)
        said = say(
            "{same_month} months as in the same one of a former year, {near_month} as in one near it, "
            "{stated} as stated; --json names them",
            same_month=count["same month"],
            near_month=count["near month"],
            stated=count["stated"],
        )
    return [say("What is displaced goes by the home's own past: {said}.", said=said)]


def _said(each: MonthShares) -> str:
    how = say("as stated") if each.of is None else say("as in {month}", month=month_text(each.of))
    thin = "" if each.thin is None else say("(too little is known of {month})", month=month_text(each.thin))
    return joined((month_text(each.month), how, thin), " ")
