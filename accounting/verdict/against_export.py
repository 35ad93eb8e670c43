"""Diverting against just exporting, from the books: what it brought beyond the price of the same energy if sold."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from accounting.model.periods import local_day, midnight_s, month_after
from accounting.reports.value import ValueReport, ValueRow
from accounting.verdict.by_source import SourcePart
from accounting.verdict.year import ENOUGH_OF_MONTH, Figures, Sample
from rules.model.wording import say


@dataclass(frozen=True, slots=True)
class Month:
    """A month of the books. first: its first day; known: the share of it that the books cover; money in the home's
    currency, carbon in kg CO2e; sellable_kwh: of what was diverted, what would have been sold; unsold: of given_up,
    what the rest cost, as bought or as forgone by the house battery."""

    first: date
    known: float
    diverted_kwh: float
    given_up: float
    avoided: float
    net: float
    net_kg: float
    coverage: float
    sellable_kwh: float
    unsold: float


@dataclass(frozen=True, slots=True)
class AgainstExport:
    """Totals of the books. given_up: export income, what the house battery forwent (given_up_forgone: of it), and what
    was bought meanwhile (given_up_bought: of it). export_price: mean income given up per kWh that might have been sold;
    break_even_export_price: the price at which net would have been 0; both None if nothing might have been sold.
    coverage: share of the time that was measured; unpriced_kwh, estimated_kwh: parts of diverted_kwh without a price,
    and in gaps. off_months_net: the net, by the ledger's own prices, if diversion had been off in the months that
    lost."""

    first: date
    until: date
    diverted_kwh: float
    given_up: float
    avoided: float
    net: float
    net_kg: float
    months: tuple[Month, ...]
    break_even_export_price: float | None
    export_price: float | None
    coverage: float
    unpriced_kwh: float
    estimated_kwh: float
    by_source: tuple[SourcePart, ...] = ()
    given_up_forgone: float = 0.0
    given_up_bought: float = 0.0

    @property
    def off_months_net(self) -> float:
        return -sum(month.net for month in self.months if month.net < 0)


def against_export(report: ValueReport, parts: tuple[SourcePart, ...] = ()) -> AgainstExport | str:
    """The answer from a report by month, or why there is none, in words. parts: by displaced source."""
    total = report.total
    if not report.rows or not total.diverted_wh:
        return say("the books hold no diverted energy yet; a month of books would answer it")
    avoided, bought = total.avoided_micro / 1e6, total.bought_micro / 1e6
    given_up = total.given_up_micro / 1e6 + bought
    sellable_kwh, unsold = total.sellable_wh / 1000, _unsold(total)
    return AgainstExport(
        first=local_day(total.start_s, report.zone),
        until=local_day(total.end_s, report.zone),
        diverted_kwh=total.diverted_wh / 1000,
        given_up=given_up,
        avoided=avoided,
        net=total.net_micro / 1e6,
        net_kg=total.net_mg / 1e6,
        months=tuple(_month(row, report) for row in report.rows),
        break_even_export_price=(avoided - unsold) / sellable_kwh if sellable_kwh else None,
        export_price=(given_up - unsold) / sellable_kwh if sellable_kwh else None,
        coverage=total.coverage,
        unpriced_kwh=total.unpriced_wh / 1000,
        estimated_kwh=total.estimated_wh / 1000,
        by_source=parts,
        given_up_forgone=total.forgone_micro / 1e6,
        given_up_bought=bought,
    )


def samples(report: ValueReport, gas_share: Callable[[int, int], float]) -> list[Sample]:
    """The books' months as samples of the year. gas_share: the share of what was avoided in [start_s, end_s) UTC
    seconds that would have been gas, 0 to 1."""
    found = []
    for row in report.rows:
        avoided = row.avoided_micro / 1e6
        gas = avoided * gas_share(row.start_s, row.end_s) if avoided else 0.0
        figures = Figures(
            kwh=row.diverted_wh / 1000,
            electricity=avoided - gas,
            gas=gas,
            given_up=(row.given_up_micro + row.bought_micro) / 1e6,
            avoided_kg=row.avoided_mg / 1e6,
            given_up_kg=(row.given_up_mg + row.bought_mg) / 1e6,
        )
        found.append(Sample(local_day(row.start_s, report.zone).month, _known(row, report), figures))
    return found


def _month(row: ValueRow, report: ValueReport) -> Month:
    return Month(
        first=local_day(row.start_s, report.zone).replace(day=1),
        known=_known(row, report),
        diverted_kwh=row.diverted_wh / 1000,
        given_up=(row.given_up_micro + row.bought_micro) / 1e6,
        avoided=row.avoided_micro / 1e6,
        net=row.net_micro / 1e6,
        net_kg=row.net_mg / 1e6,
        coverage=row.coverage,
        sellable_kwh=row.sellable_wh / 1000,
        unsold=_unsold(row),
    )


def _unsold(row: ValueRow) -> float:
    return (row.bought_micro + row.forgone_micro) / 1e6


def _known(row: ValueRow, report: ValueReport) -> float:
    """The share of the row's calendar month that the report spans."""
    day = local_day(row.start_s, report.zone)
    first = day.replace(day=1)
    after = month_after(first)
    return min(1.0, (row.end_s - row.start_s) / (midnight_s(after, report.zone) - midnight_s(first, report.zone)))


def losing_months(months: Sequence[Month]) -> tuple[int, ...]:
    """The calendar months, 1 to 12, of which every one that the books hold nearly whole lost money."""
    by_month: dict[int, list[float]] = {}
    for month in months:
        if month.known >= ENOUGH_OF_MONTH and month.diverted_kwh > 0:
            by_month.setdefault(month.first.month, []).append(month.net)
    return tuple(sorted(number for number, nets in by_month.items() if all(net < 0 for net in nets)))
