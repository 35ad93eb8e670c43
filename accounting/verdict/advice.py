"""What to do now: only advice that the books themselves support, with its worth per year and what would reverse it."""

from calendar import month_name
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from accounting.verdict.against_export import AgainstExport, Month, losing_months
from accounting.verdict.life import Assumptions
from accounting.verdict.year import ENOUGH_OF_MONTH
from rules.model.wording import Day, Number, joined, listed, say

MOST = 3
WORTH_SAYING = 1.0
"""Money a year from which on it is advised."""
_MONTHS_IN_YEAR = 12


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, in words; what it brings per year in money and kg CO2e (None: carbon is not counted); what would make
    it wrong; about: "diverting", "standby" or "worth", what it is to change; at_most: whether it may bring less."""

    say: str
    per_year: float
    kg_per_year: float | None
    flips_if: str
    about: str
    at_most: bool = False


def advise(books: AgainstExport, assumed: Assumptions | None, carbon_known: bool) -> tuple[Advice, ...]:
    """Up to three pieces of advice, the one that brings most first. Their worth is by the ledger's own prices, with
    diversion off in those months. Nothing is advised that the books cannot show."""
    found: list[Advice] = []
    months = [month for month in books.months if month.known >= ENOUGH_OF_MONTH]
    losing = losing_months(months)
    whole = {month.first.month for month in months if month.diverted_kwh > 0}
    if losing:
        per_year, kg, price = _of_months(months, losing)
        always = len(losing) == len(whole) and len(whole) == _MONTHS_IN_YEAR
        flips = (
            say(
                "the export price falls below {price} in those months, or the displaced heat gets dearer in proportion",
                price=Number(f"{price:.4f}"),
            )
            if price is not None
            else say("something could be saved by it")
        )
        if always:
            what = say("Do not divert at all: selling the sun brought more.")
        else:
            what = say("Do not divert in {months}: selling the sun brought more.", months=_listed(losing))
        if carbon_known and kg < 0:
            what = joined((what, say("It costs carbon, though.")), " ")
        found.append(Advice(what, per_year, kg, flips, "diverting"))
    if assumed is not None and assumed.standby_per_year:
        monthly = assumed.standby_per_year / _MONTHS_IN_YEAR
        idle = tuple(
            number
            for number in sorted(whole)
            if all(month.net < monthly for month in months if month.first.month == number)
        )
        if idle:
            nets = [_mean_net(months, number) for number in idle]
            saved = sum(monthly - max(net, 0.0) for net in nets)
            kg = assumed.standby_kwh_per_year / _MONTHS_IN_YEAR * len(idle) * (assumed.grid_kg or 0.0)
            kg -= sum(max(_mean_kg(months, number), 0.0) for number in idle if number not in losing)
            what = say(
                "Switch the hardware itself off in {months}: its standby costs more than it brings then.",
                months=_listed(idle),
            )
            flips = say("its standby use is less than the home file says, or cannot be cut")
            found.append(Advice(what, saved, kg, flips, "standby"))
    worth = [each for each in found if each.per_year >= WORTH_SAYING]
    if not carbon_known:
        worth = [replace(each, kg_per_year=None) for each in worth]
    return tuple(sorted(worth, key=lambda each: -each.per_year)[:MOST])


def _of_months(months: Sequence[Month], numbers: Sequence[int]) -> tuple[float, float, float | None]:
    """What having it off in those calendar months brings a year: money, kg, and the export price that turns it."""
    per_year = -sum(_mean_net(months, number) for number in numbers)
    kg = -sum(_mean_kg(months, number) for number in numbers)
    chosen = [month for month in months if month.first.month in numbers]
    kwh = sum(month.sellable_kwh for month in chosen)
    return per_year, kg, sum(month.avoided - month.unsold for month in chosen) / kwh if kwh else None


def _mean_net(months: Sequence[Month], number: int) -> float:
    nets = [month.net for month in months if month.first.month == number]
    return sum(nets) / len(nets)


def _mean_kg(months: Sequence[Month], number: int) -> float:
    kgs = [month.net_kg for month in months if month.first.month == number]
    return sum(kgs) / len(kgs)


def _listed(numbers: Sequence[int]) -> str:
    return listed(Day(month_name[number], date(2024, number, 1), "LLLL") for number in numbers)
