"""The verdict as a whole: every part, or why there is no answer yet and what would give one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from accounting.model.periods import month_after
from accounting.verdict.advice import Advice, advise
from accounting.verdict.against_export import AgainstExport
from accounting.verdict.climate import sunshine_mj
from accounting.verdict.life import DRAWS, SEED, Assumptions, Life, life
from accounting.verdict.ranges import Range
from accounting.verdict.sensitivity import Moved, sensitivity
from accounting.verdict.year import Figures, Sample, Year, draw_years, usual_year
from rules.model.wording import Number, joined, say

if TYPE_CHECKING:  # it brings scipy with it, which books alone do not need
    from accounting.verdict.before_after import BeforeAfter
    from accounting.verdict.fair_comparison import FairComparison


@dataclass(frozen=True, slots=True)
class Rates:
    """Money per kWh bought (electricity, gas) and sold (export), kg CO2e per kWh; None where nothing is known."""

    electricity: float | None = None
    gas: float | None = None
    export: float | None = None
    grid_kg: float | None = None
    gas_kg: float | None = None

    @property
    def bought(self) -> dict[str, float]:
        """The prices that are known of what is bought, by carrier."""
        both = {"electricity": self.electricity, "gas": self.gas}
        return {name: price for name, price in both.items() if price is not None}


@dataclass(frozen=True, slots=True)
class YearAnswer:
    """The usual year with its range. kg: None if carbon is not counted. source: its evidence, in words."""

    year: Year
    net: Range
    kg: float | None
    source: str


@dataclass(frozen=True, slots=True)
class CarbonAnswer:
    """Carbon a year, of making the hardware, and the carbon price at which the money's answer turns (money per tonne).
    turns: that price, or its absence, in words."""

    kg_year: float
    embodied_kg: float | None
    payback_years: float | None
    price_at_which_it_turns_per_t: float | None
    turns: str


@dataclass(frozen=True)
class Verdict:
    """The parts; None, with a sentence in why_not under the same name, where there is no answer yet."""

    against_export: AgainstExport | None = None
    before_after: "BeforeAfter | None" = None
    fair_comparison: "FairComparison | None" = None
    year: YearAnswer | None = None
    life: Life | None = None
    sensitivity: tuple[Moved, ...] | None = None
    advice: tuple[Advice, ...] | None = None
    carbon: CarbonAnswer | None = None
    why_not: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Evidence:
    """The evidence. against_export, before_after, comparison: a part, or why there is none; samples: the books' months;
    used: the share of diverted heat that counts as used; efficiency: the boiler's; carbon_known: whether the books
    count carbon; assumed: the hardware and the years ahead, or why they are not known; notes: what the books' figures
    rest on and leave out."""

    against_export: AgainstExport | str
    before_after: "BeforeAfter | str"
    comparison: "FairComparison | str"
    samples: Sequence[Sample]
    rates: Rates
    assumed: Assumptions | str
    latitude: float | None
    used: float = 1.0
    efficiency: float = 0.8
    carbon_known: bool = False
    notes: tuple[str, ...] = ()


def judge(evidence: Evidence) -> Verdict:
    """Every part that the evidence answers."""
    why_not: dict[str, str] = {}
    notes = list(evidence.notes)
    books = _part_or_note(evidence.against_export, "against_export", why_not)
    compared = _part_or_note(evidence.before_after, "before_after", why_not)
    alternated = _part_or_note(evidence.comparison, "fair_comparison", why_not)
    standby_kg = 0.0
    assumed = None if isinstance(evidence.assumed, str) else evidence.assumed
    if assumed is not None:
        standby_kg = assumed.standby_kwh_per_year * (assumed.grid_kg or 0.0)
    year = _part_or_note(_year(evidence, books, compared, notes), "year", why_not)
    if year is None:
        for part in ("life", "sensitivity"):
            why_not[part] = say("there is no year to go by: {year}", year=why_not["year"])
    elif isinstance(evidence.assumed, str):
        for part in ("life", "sensitivity"):
            why_not[part] = evidence.assumed
    lifetime = moved = None
    if year is not None and assumed is not None:
        notes += _of_standby(assumed)
        lifetime = life(year.year, assumed)
        efficiency = evidence.efficiency if year.year.total.gas else None
        moved = sensitivity(year.year, assumed, evidence.used, efficiency)
    advice = None
    if books is None:
        why_not["advice"] = say("advice comes only from the books, and there are none")
    else:
        advice = advise(books, assumed, evidence.carbon_known)
    carbon = None
    if year is None:
        why_not["carbon"] = say("there is no year to go by: {year}", year=why_not["year"])
    elif year.kg is None:
        why_not["carbon"] = say(
            "no carbon factor is known of the grid, or of what is displaced; [carbon] tables would answer it"
        )
    else:
        carbon = _carbon(year, assumed, standby_kg)
    return Verdict(books, compared, alternated, year, lifetime, moved, advice, carbon, why_not, tuple(notes))


def _of_standby(assumed: Assumptions) -> list[str]:
    notes = []
    lacking = joined(each.name for each in assumed.hardware if each.standby_w is None)
    if lacking:
        notes.append(
            say(
                "[[hardware]] states no standby_w for {lacking}: what it draws itself is in no figure.",
                lacking=lacking,
            )
        )
    kwh = assumed.standby_kwh_per_year
    if kwh and assumed.import_price is None:
        notes.append(
            say(
                "No import price is known: the hardware's standby, {kwh} kWh a year, counts as no cost.",
                kwh=Number(f"{kwh:,.0f}"),
            )
        )
    return notes


_Part = TypeVar("_Part")


def _part_or_note(part: _Part | str, name: str, why_not: dict[str, str]) -> _Part | None:
    if isinstance(part, str):
        why_not[name] = part
        return None
    return part


def _year(
    evidence: Evidence, books: AgainstExport | None, compared: "BeforeAfter | None", notes: list[str]
) -> YearAnswer | str:
    if books is not None:
        year = usual_year(evidence.samples, evidence.latitude)
        source = say("measured by the books")
        kg_known = evidence.carbon_known
    elif compared is not None:
        found = _of_history(evidence, compared, notes)
        if isinstance(found, str):
            return found
        year = usual_year(found, evidence.latitude, compared.level_sd)
        source = say("estimated from before and after")
        rates = evidence.rates
        kg_known = rates.grid_kg is not None and ("gas" not in compared.by_carrier or rates.gas_kg is not None)
    else:
        return say("there are neither books nor a history; either would answer it")
    if isinstance(year, str):
        return year
    drawn = draw_years(year, DRAWS, 1, SEED).net[:, 0]
    low, high = (float(each) for each in np.percentile(drawn, [5, 95]))
    total = year.total
    return YearAnswer(year, Range(total.net, low, high), total.net_kg if kg_known else None, source)


def _of_history(evidence: Evidence, compared: "BeforeAfter", notes: list[str]) -> list[Sample] | str:
    """The saving of the periods after, by month: divided as a clear sky's sun is."""
    if compared.money is None:
        return say("no price is known of what was saved; [tariffs] in the home file would give it in money")
    rates = evidence.rates
    if rates.export is None:
        return say(
            "no export price is known, so not what was given up by not selling; a tariff of direction export "
            "in the home file would answer it, with price = 0 where nothing is paid"
        )
    diverted = [period.diverted_kwh for period in compared.after]
    if all(each is not None for each in diverted):
        kwh = float(sum(each or 0.0 for each in diverted))
    else:
        kwh = max(0.0, compared.heat_saved_kwh)
        notes.append(
            say("Diverted energy is not in the history: it is assumed to be as much as the heat that was not bought.")
        )
    notes.append(say("Of the history's saving, export income given up is by the mean export price from 9:00 to 15:00."))
    saved_kg = sum(
        each.value * ((rates.grid_kg if name == "electricity" else rates.gas_kg) or 0.0)
        for name, each in compared.by_carrier.items()
    )
    total = Figures(
        kwh,
        compared.money_by_carrier.get("electricity", 0.0),
        compared.money_by_carrier.get("gas", 0.0),
        kwh * rates.export,
        saved_kg,
        kwh * (rates.grid_kg or 0.0),
    )
    sun: dict[tuple[int, int], float] = {}
    days: dict[tuple[int, int], int] = {}
    for period in compared.after:
        for number in range(period.first.toordinal(), period.until.toordinal()):
            day = date.fromordinal(number)
            key = (day.year, day.month)
            sun[key] = sun.get(key, 0.0) + sunshine_mj(day.timetuple().tm_yday, evidence.latitude)
            days[key] = days.get(key, 0) + 1
    whole = sum(sun.values())
    return [
        Sample(month, days[year, month] / _days_in(year, month), total.times(sun[year, month] / whole))
        for year, month in sun
    ]


def _days_in(year: int, month: int) -> int:
    first = date(year, month, 1)
    return (month_after(first) - first).days


def _carbon(year: YearAnswer, assumed: Assumptions | None, standby_kg: float) -> CarbonAnswer:
    kg = (year.kg or 0.0) - standby_kg
    net = year.net.value - (assumed.standby_per_year if assumed is not None else 0.0)
    embodied = assumed.embodied_kg if assumed is not None else None
    payback = embodied / kg if embodied is not None and kg > 0 else None
    if kg * net >= 0:
        if net >= 0 and kg >= 0:
            both = say("It gains in money, the purchase aside, and in carbon: no carbon price turns it.")
        else:
            both = say("It loses in money, the purchase aside, and in carbon: no carbon price turns it.")
        return CarbonAnswer(
            kg,
            embodied,
            payback,
            None,
            both,
        )
    price = -net / kg * 1000
    side = say("it pays above that") if kg > 0 else say("it pays below that")
    return CarbonAnswer(
        kg,
        embodied,
        payback,
        price,
        say(
            "At {price} a tonne of CO2e the answer turns, the purchase aside: {side}.",
            price=Number(f"{price:.0f}"),
            side=side,
        ),
    )
