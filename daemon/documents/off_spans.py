"""What leaving diversion off from one day to another would have brought, by the ledger's own entries and prices.

Without diversion the sun would have been sold at the export price of its moment, and the heat made as before: so off
brings what was given up and bought, less what was avoided, which is the net with its sign turned.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger import Ledger
from accounting.model.periods import local_day, midnight_s
from accounting.reports.value import value_report
from daemon.config.model import Home
from daemon.documents.valuing import home_value
from rules.model.errors import BrimfulError

OP = "work out the verdict"
_EXPECTED = "expected FROM..TO as 2026-05-01..2026-09-01, or 05-01..09-01 for every year; TO is not in it"
_OF_YEAR = re.compile(r"^\d\d-\d\d$")


@dataclass(frozen=True, slots=True)
class OffSpan:
    """Days to be looked at as if without diversion; the same days of every year where `yearly`. text: as it was given;
    first, until: of a year of 366 days where yearly."""

    text: str
    first: date
    until: date
    yearly: bool


def off_span(text: str) -> OffSpan:
    """A span as a person writes it. Raises BrimfulError."""
    start, dots, end = (part.strip() for part in text.partition(".."))
    yearly = bool(_OF_YEAR.match(start) and _OF_YEAR.match(end))
    try:
        first, until = (date.fromisoformat(f"2024-{part}" if yearly else part) for part in (start, end))
    except ValueError:
        raise BrimfulError(OP, "--off", f"{_EXPECTED}; got {text[:40]!r}") from None
    if not dots or first == until or (until < first and not yearly):
        raise BrimfulError(OP, "--off", f"{_EXPECTED}; got {text[:40]!r}")
    return OffSpan(text, first, until, yearly)


def off_answer(home: Home, ledger: Ledger, spans: Sequence[OffSpan]) -> list[dict[str, Any]]:
    """Each span's figures, JSON. Raises LedgerError, BrimfulError."""
    return [_answer(home, ledger, span) for span in spans] if spans else []


def _answer(home: Home, ledger: Ledger, span: OffSpan) -> dict[str, Any]:
    zone = ZoneInfo(home.home.timezone)
    known = value_report(ledger, "year", timezone=home.home.timezone)
    days = [local_day(at_s, zone) for at_s in (known.total.start_s, known.total.end_s)]
    totals = [
        home_value(ledger, home, "month", max(from_s, known.total.start_s), min(to_s, known.total.end_s)).report.total
        for first, until in _spans(span, days[0].year, days[1].year)
        if (from_s := midnight_s(first, zone)) < known.total.end_s
        and (to_s := midnight_s(until, zone)) > known.total.start_s
    ]
    due_s = sum(total.due_s for total in totals)
    bought = sum(total.bought_micro for total in totals) / 1e6
    given_up = sum(total.given_up_micro for total in totals) / 1e6 + bought
    avoided = sum(total.avoided_micro for total in totals) / 1e6
    return {
        "off": span.text,
        "every_year": span.yearly,
        "days_known": sum(total.end_s - total.start_s for total in totals) / 86_400,
        "diverted_kwh": sum(total.diverted_wh for total in totals) / 1000,
        "given_up": given_up,
        "given_up_forgone": sum(total.forgone_micro for total in totals) / 1e6,
        "given_up_bought": bought,
        "avoided": avoided,
        "brought": given_up - avoided,
        "brought_kg": -sum(total.net_mg for total in totals) / 1e6,
        "unpriced_kwh": sum(total.unpriced_wh for total in totals) / 1000,
        "coverage": min(1.0, sum(total.measured_s for total in totals) / due_s) if due_s else 0.0,
    }


def _spans(span: OffSpan, first_year: int, last_year: int) -> list[tuple[date, date]]:
    if not span.yearly:
        return [(span.first, span.until)]
    over = int(span.until < span.first)
    years = range(first_year - over, last_year + 1)
    return [(_in_year(span.first, year), _in_year(span.until, year + over)) for year in years]


def _in_year(day: date, year: int) -> date:
    """The day in another year; 29 February is 1 March where there is none."""
    try:
        return day.replace(year=year)
    except ValueError:
        return date(year, 3, 1)
