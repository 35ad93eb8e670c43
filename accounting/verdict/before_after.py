"""The before-and-after answer: the saving with its range, the trade's figures beside it, and notes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from accounting.verdict.history import History, Period
from accounting.verdict.priors import Facts
from accounting.verdict.ranges import CONFIDENCE, Range
from accounting.verdict.regression import MONTHLY_CV_LIMIT, MONTHLY_NMBE_LIMIT, Regression, option_c
from accounting.verdict.savings import Savings, savings
from accounting.verdict.selection import Exclude, Selection, select
from rules.model.formatting import rounded_percent
from rules.model.wording import Number, joined, say

_LIKELY, _LIKELY_STEP = 0.5, 0.4
_WORTH_SAYING = 0.05  # a change in water use, as a share


@dataclass(frozen=True, slots=True)
class Driver:
    """A column's value before and after: per day for amounts, the mean for a temperature."""

    name: str
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """The answer. Energy in kWh bought over the periods after; money in the home's currency, None where no price is
    known.

    saved, of which by_carrier are the parts: not bought, against what the periods after would have taken under their
    own days and water; raw_kwh: the bare difference; taken_kwh: what they would have taken; regression: IPMVP option
    C's, or why there is none.
    """

    installed: date
    periods_before: int
    periods_after: int
    days_before: int
    days_after: int
    first_after: date
    until_after: date
    method: str
    confidence: float
    raw_kwh: float
    taken_kwh: float
    bought_kwh: float
    saved: Range
    by_carrier: Mapping[str, Range]
    money: Range | None
    money_by_carrier: Mapping[str, float]
    heat_saved_kwh: float
    level_sd: float
    drivers: tuple[Driver, ...]
    used_drivers: tuple[str, ...]
    regression: Regression | str
    excluded: tuple[tuple[Period, str], ...]
    notes: tuple[str, ...]
    after: tuple[Period, ...]


def before_after(
    history: History,
    installed: date,
    facts: Facts,
    excludes: Sequence[Exclude] = (),
    meter: str = "water",
    prices: Mapping[str, float] | None = None,
) -> BeforeAfter:
    """The answer from a history. meter: as in `select`; prices: money per kWh bought, by carrier, as they were in the
    periods after. Raises as `select` does."""
    selection = select(history, installed, excludes, meter)
    found = savings(selection, facts, meter)
    regression = option_c(selection, facts, CONFIDENCE)
    saved = found.saved_range
    known = prices is not None and all(name in prices for name in selection.carriers)
    money = found.money_range(prices) if prices is not None and known else None
    by_carrier = {name: found.carrier_range(name) for name in found.by_carrier}
    days_before, days_after = (sum(period.days for period in side) for side in (selection.before, selection.after))
    return BeforeAfter(
        installed=installed,
        periods_before=len(selection.before),
        periods_after=len(selection.after),
        days_before=days_before,
        days_after=days_after,
        first_after=selection.after[0].first,
        until_after=selection.after[-1].until,
        method=found.method,
        confidence=CONFIDENCE,
        raw_kwh=found.raw_kwh,
        taken_kwh=saved.value + found.bought_kwh,
        bought_kwh=found.bought_kwh,
        saved=saved,
        by_carrier=by_carrier,
        money=money,
        money_by_carrier={name: each.value * (prices or {})[name] for name, each in by_carrier.items()}
        if known
        else {},
        heat_saved_kwh=found.heat_saved_kwh,
        level_sd=(saved.high - saved.low) / 2 / 1.645 / abs(saved.value) if saved.value else 1.0,
        drivers=_drivers(selection),
        used_drivers=found.baseline.drivers,
        regression=regression,
        excluded=tuple((each.period, each.why) for each in selection.left_out),
        notes=tuple(_notes(selection, found, saved, regression, meter)),
        after=selection.after,
    )


def _drivers(selection: Selection) -> tuple[Driver, ...]:
    found = []
    for name, mean in (("water_l", False), ("away_days", False), ("inlet_c", True), ("outdoor_c", True)):
        sides = [_of_side(side, name, mean) for side in (selection.before, selection.after)]
        if sides[0] is not None and sides[1] is not None:
            found.append(Driver(name, sides[0], sides[1]))
    return tuple(found)


def _of_side(periods: Sequence[Period], name: str, mean: bool) -> float | None:
    known = [(period.days, value) for period in periods if (value := getattr(period, name)) is not None]
    if not known:
        return None
    days = sum(days for days, _ in known)
    return float(sum((value * length if mean else value) for length, value in known) / days)


def _notes(selection: Selection, found: Savings, saved: Range, regression: Regression | str, meter: str) -> list[str]:
    said = [_METHODS[found.method], *found.baseline.notes]
    said += _of_water(selection)
    if saved.low <= 0 <= saved.high:
        said.append(
            say(
                "Can't tell yet whether it saved anything: the range includes 0. More periods after, with "
                "water_l and away_days for each, would narrow it."
            )
        )
    if len(selection.before) < 4 or len(selection.after) < 4:
        said.append(say("Few periods: what is usual for tanks and boilers weighs as much as the home's own figures."))
    estimated = [period.name for period in selection.periods if period.estimated]
    if estimated:
        said.append(say("Estimated reads widen the range: {estimated}.", estimated=joined(estimated)))
    odd = [selection.periods[place].name for place, likely in enumerate(found.posterior.outliers) if likely > _LIKELY]
    if odd:
        said.append(
            say(
                "The figure of {odd} does not fit the others: a wrong read? It counts for little, and the range "
                "is wider.",
                odd=joined(odd),
            )
        )
    if found.beyond_diverted:
        said.append(
            say(
                "More was saved than the hardware gave as heat, so something else must have changed too (a "
                "boiler, a shower, a setting): the range reaches down to what was diverted."
            )
        )
    stepped = found.posterior.stepped
    if stepped.sum() > _LIKELY_STEP:
        place = int(stepped.argmax())
        said.append(
            say(
                "Something else seems to have changed for good about {first}: a boiler, a shower, who lives "
                "there? If it did, exclude the time before it.",
                first=selection.periods[place].first,
            )
        )
    elif found.posterior.ambiguous:
        said.append(
            say(
                "The periods after are uneven: a saving that comes and goes with the sun, or something else that "
                "changed for good meanwhile (a boiler, a shower). The range holds both; diverted_kwh for each "
                "period after would help to tell them apart."
            )
        )
    if "gas" in selection.carriers and meter == "water":
        said.append(
            say("Gas is gross, as billed; a boiler changed in the meantime would count as the hardware's doing.")
        )
    said.append(_of_regression(found, saved, regression))
    said.append(say("Whatever else changed on that day and is in no column counts as the hardware's doing."))
    return [note for note in said if note]


_METHODS = {
    "water": say(
        "Modelled: water × (hot − inlet) + standing loss × days at home, with usual bounds of tank and boiler."
    ),
    "occupied days": (
        say(
            "Modelled by days at home alone, as water_l is not known on both sides: a change of habits "
            "counts as the hardware's doing, and the range is wide for it. A water meter would narrow it."
        )
    ),
    "totals": (
        say(
            "The bare difference per day, as neither water_l nor away_days is known on both sides: the range "
            "is as wide as habits, absences and seasons differ. Days away, from a calendar, would narrow it "
            "at no cost."
        )
    ),
    "whole house": (
        say(
            "The whole house's energy, by days, season and weather: hot water is a small part of it, and the "
            "range is wide. A meter of the hot water's own would narrow it."
        )
    ),
}


def _of_water(selection: Selection) -> list[str]:
    before, after = (_of_side(side, "water_l", mean=False) for side in (selection.before, selection.after))
    if before is None or after is None or before <= 0:
        return []
    change = after / before - 1
    if abs(change) < _WORTH_SAYING:
        return []
    share = rounded_percent(abs(change))
    return [
        say(
            "The home drew {change} water a day than before ({before} to {after} L): that is allowed for, and is no "
            "saving of the hardware's.",
            change=say("{share} more", share=share) if change > 0 else say("{share} less", share=share),
            before=Number(f"{before:.0f}"),
            after=Number(f"{after:.0f}"),
        )
    ]


def _of_regression(found: Savings, saved: Range, regression: Regression | str) -> str:
    if isinstance(regression, str):
        return say("No IPMVP option C beside it: {regression}.", regression=regression)
    half = regression.half_width_kwh
    apart = regression.saved_kwh + half < saved.low or regression.saved_kwh - half > saved.high
    far = abs(regression.saved_kwh - saved.value) > max(saved.high - saved.value, saved.value - saved.low)
    if apart or far:
        why = (
            say(
                "its model misses Guideline 14's limits (CV(RMSE) {cv_rmse}, limit {monthly_cv_limit})",
                cv_rmse=rounded_percent(regression.cv_rmse),
                monthly_cv_limit=rounded_percent(MONTHLY_CV_LIMIT),
            )
            if regression.cv_rmse > MONTHLY_CV_LIMIT or abs(regression.nmbe) > MONTHLY_NMBE_LIMIT
            else say("it knows nothing of tanks, and takes each of the few periods at face value")
        )
        return say(
            "IPMVP option C disagrees, with {saved} kWh: {why}.",
            saved=Number(f"{regression.saved_kwh:.0f}"),
            why=why,
        )
    return ""
