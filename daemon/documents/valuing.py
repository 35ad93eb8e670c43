"""What the diverted energy was worth, with all that the figures rest on: the same for command, page, API and replay."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from accounting.ledger import Ledger
from accounting.ledger.totals import Assumed
from accounting.model.periods import By, local_day
from accounting.pricing.tariffs import Tariff
from accounting.reports.used_share import Used, UsedBasis, by_share, shares_by_stock
from accounting.reports.value import ValueReport, value_report
from accounting.valuation.historical_shares import MonthShares
from accounting.valuation.settings import TankBooks
from daemon.config.build import tank_books
from daemon.config.build_money import tariffs
from daemon.config.model import Home
from daemon.documents.displaced_months import months_of_shares
from daemon.documents.stock_document import heat_stock
from daemon.documents.watched_document import watched_answer
from rules.model.errors import BrimfulError
from rules.model.orders import Order


@dataclass(frozen=True, slots=True)
class Valued:
    """A report and what it rests on.

    months: what was displaced in each, where that goes by the home's past; assumed: what the entries hold, most energy
    first; heat_order_wh: energy of the intervals in which a heater was ordered to heat, where nothing works out how
    much of it the grid gave (None: it is worked out). standing: by source, the standing charge that would have ended.
    watched: what the rules would have changed while they only watched (None: they never did); see `watched_answer`.
    """

    report: ValueReport
    used: Used
    months: tuple[MonthShares, ...] = ()
    assumed: tuple[Assumed, ...] = ()
    heat_order_wh: int | None = None
    standing: tuple[tuple[str, Fraction], ...] = ()
    watched: dict[str, Any] | None = None


def usual_basis(home: Home) -> UsedBasis:
    """Whose share of used heat counts unless it is asked for: the stock's where one is kept and the file states none.

    attribute = false asks for the plain figures, in which all heat counts.
    """
    plain = home.books.used is not None or home.books.attribute is False or tank_books(home) is None
    return "stated" if plain else "measured"


def measuring_stock(home: Home) -> TankBooks | None:
    """The tank whose stock measures the share used, where that is the usual basis; None: the share is as booked."""
    return tank_books(home) if usual_basis(home) == "measured" else None


def home_value(
    ledger: Ledger,
    home: Home,
    by: By,
    from_s: int | None = None,
    to_s: int | None = None,
    as_of_s: float | None = None,
    basis: UsedBasis | None = None,
) -> Valued:
    """The home's report over [from_s, to_s) UTC seconds; see `value_report`. basis: whose share of used heat counts;
    the usual one unless asked for. Raises LedgerError, BrimfulError."""
    with ledger.still():
        report = value_report(ledger, by, from_s, to_s, home.home.timezone, as_of_s)
        start_s, end_s = report.total.start_s, report.total.end_s
        used = Used(Fraction(home.books.used_share))
        wanted = basis or usual_basis(home)
        assumed = tuple(ledger.assumed(start_s, end_s, as_of_s)) if report.rows else ()
        if wanted != "stated" and report.rows:
            shares = shares_by_stock(ledger, heat_stock(home), wanted, start_s, end_s, report.zone, as_of_s)
            if basis is not None and not shares:
                cause = f"expected diverted heat in the tank's books to measure by ({basis}), got none in this span"
                raise BrimfulError("read the heat stock", "--used", cause, "with --used stated the home file's counts")
            if basis is not None or not any(one.used == "0" for one in assumed):
                report, used = by_share(ledger, report, shares, wanted, used.share, as_of_s)
        months = tuple(months_of_shares(home, ledger, report))
        heat_order_wh = None if home.attributes else taken_under_heat_wh(ledger, home, start_s, end_s)
        watched = watched_answer(ledger, home, start_s, end_s) if report.rows and as_of_s is None else None
    return Valued(report, used, months, assumed, heat_order_wh, standing(home, report), watched)


def standing(home: Home, report: ValueReport) -> tuple[tuple[str, Fraction], ...]:
    """By displaced source that would be given up for good, the standing charges of the report's days."""
    if not report.rows or not any(source.gives_up_standing for source in home.displaces):
        return ()
    priced = tariffs(home)
    first, until = (local_day(at_s, report.zone) for at_s in (report.total.start_s, report.total.end_s))
    charges = []
    for source in home.displaces:
        tariff = priced.get(source.tariff or "")
        if source.gives_up_standing and isinstance(tariff, Tariff):
            charges.append((source.source, tariff.standing(first, until)))
    return tuple(charges)


def taken_under_heat_wh(ledger: Ledger, home: Home, from_s: int, to_s: int) -> int:
    """Energy of the intervals of [from_s, to_s) in which a heater was ordered to heat, as far as decisions are kept."""
    step_s = home.home.interval_minutes * 60
    then = [row for row in ledger.decision_at(from_s) if row.order is Order.HEAT]
    changes = ledger.decisions(from_s, to_s)
    found = 0
    for heater in {row.heater for row in (*then, *changes)}:
        begun_s = float(from_s) if any(row.heater == heater for row in then) else None
        spans: list[tuple[float, float]] = []
        for row in changes:
            if row.heater != heater:
                continue
            if begun_s is not None:
                spans.append((begun_s, row.at_s))
            begun_s = row.at_s if row.order is Order.HEAT else None
        if begun_s is not None:
            spans.append((begun_s, float(to_s)))
        found += sum(ledger.taken_wh(heater, *span) for span in _intervals(spans, step_s))
    return found


def _intervals(spans: Iterable[tuple[float, float]], step_s: int) -> list[tuple[int, int]]:
    """The spans widened to whole intervals, those that touch joined."""
    joined: list[tuple[int, int]] = []
    for start_s, end_s in spans:
        first_s, last_s = int(start_s // step_s) * step_s, -int(-end_s // step_s) * step_s
        if joined and first_s <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(last_s, joined[-1][1])
        else:
            joined.append((first_s, last_s))
    return joined
