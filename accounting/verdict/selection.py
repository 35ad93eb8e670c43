"""Which periods of a history count as before and after the hardware. Figures that cannot be right are refused."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median

from accounting.verdict.history import OP, History, NotYetComparable, Period, place_of
from rules.model.wording import say, with_and

CARRIERS = ("electricity", "gas")
_MOST_KWH_PER_DAY = {"water": 120.0, "house": 600.0}
_LEAST_KWH_PER_DAY = 0.05
_FAR_OFF = 50.0
"""How many times the usual daily figure a period may have before a slip by a thousand is presumed."""


@dataclass(frozen=True, slots=True)
class Exclude:
    """Days that are not to count, and why: guests, a fault. until: the first day that counts again."""

    first: date
    until: date
    why: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A period that does not count, and why."""

    period: Period
    why: str


@dataclass(frozen=True, slots=True)
class Selection:
    """The periods that count. carriers: those with figures; left_out: the periods that do not count, and why."""

    history: History
    installed: date
    before: tuple[Period, ...]
    after: tuple[Period, ...]
    carriers: tuple[str, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def periods(self) -> tuple[Period, ...]:
        return (*self.before, *self.after)


def bought(period: Period, carrier: str) -> float | None:
    """kWh of a carrier bought in a period; None: not known."""
    return period.electricity_kwh if carrier == "electricity" else period.gas_kwh


def select(history: History, installed: date, excludes: Sequence[Exclude] = (), meter: str = "water") -> Selection:
    """The periods before and after the day the hardware came.

    meter: "water" where the energy is what hot water took, "house" where it is all that the house took. Raises
    BrimfulError, naming row and column, for a history that cannot be believed, and `NotYetComparable` for one that
    cannot be compared.
    """
    check_units(history, meter)
    carriers = tuple(name for name in CARRIERS if any(bought(period, name) is not None for period in history.periods))
    if not carriers:
        first = history.periods[0]
        cause = "expected what was bought in at least some periods, got nothing"
        raise _not_yet(history.name, first.line, "electricity_kwh", cause)
    before: list[Period] = []
    after: list[Period] = []
    left_out: list[LeftOut] = []
    for period in history.periods:
        why = _why_left_out(period, installed, excludes, carriers)
        if why:
            left_out.append(LeftOut(period, why))
        else:
            (before if period.first < installed else after).append(period)
    selection = Selection(history, installed, tuple(before), tuple(after), carriers, tuple(left_out))
    _check_enough(selection)
    return selection


def _why_left_out(period: Period, installed: date, excludes: Sequence[Exclude], carriers: Sequence[str]) -> str:
    if period.first < installed < period.until:
        return say("the hardware came within it, on {installed}", installed=installed)
    for exclude in excludes:
        if period.first < exclude.until and exclude.first < period.until:
            last = date.fromordinal(exclude.until.toordinal() - 1)
            return say("{why} ({first} to {last})", why=exclude.why, first=exclude.first, last=last)
    unknown = [name for name in carriers if bought(period, name) is None]
    return say("its {unknown} is not known", unknown=with_and(unknown)) if unknown else ""


def _check_enough(selection: Selection) -> None:
    history, installed = selection.history, selection.installed
    name = history.name
    last, first = history.periods[-1], history.periods[0]
    if len(history.periods) == 1:
        hint = "three periods on each side are enough for a first answer"
        raise _not_yet(name, first.line, "from", "expected periods before and after the hardware, got one period", hint)
    if not selection.after:
        cause = f"expected a period that begins on {installed} or later, when the hardware came, got none that counts"
        raise _not_yet(name, last.line, "from", cause, "is `installed` right? A period on each side is compared")
    if not selection.before:
        cause = f"expected periods that end by {installed}, when the hardware came, got none that counts"
        raise _not_yet(name, first.line, "to", cause, "without a time before there is nothing to compare with")
    if len(selection.before) < 2:
        cause = f"expected at least 2 periods before {installed}, got 1"
        hint = "one period does not show how much the home's use varies; older bills or app read-outs would"
        raise _not_yet(name, selection.before[0].line, "to", cause, hint)
    for side, periods in (("before", selection.before), ("after", selection.after)):
        if all(period.estimated for period in periods):
            cause = f"expected at least one real read {side} {installed}, got only estimated ones"
            hint = "a read of your own at the meter ends a period that is not estimated"
            raise _not_yet(name, periods[0].line, "estimated", cause, hint)


def _not_yet(name: str, line: int, column: str, cause: str, hint: str = "") -> NotYetComparable:
    return NotYetComparable(OP, place_of(name, line, column), cause, hint)


def check_units(history: History, meter: str = "water") -> None:
    """Raises BrimfulError, naming row and column, where a figure looks like one in another unit."""
    columns: list[tuple[str, str, Callable[[Period], float | None], float, str]] = [
        ("electricity_kwh", "kWh", lambda period: period.electricity_kwh, _MOST_KWH_PER_DAY[meter], "Wh"),
        ("gas_kwh", "kWh", lambda period: period.gas_kwh, _MOST_KWH_PER_DAY[meter], "Wh"),
        ("diverted_kwh", "kWh", lambda period: period.diverted_kwh, 150.0, "Wh"),
        ("export_kwh", "kWh", lambda period: period.export_kwh, 2000.0, "Wh"),
        ("pv_kwh", "kWh", lambda period: period.pv_kwh, 2000.0, "Wh"),
        ("water_l", "L", lambda period: period.water_l, 3000.0, "mL"),
    ]
    for column, unit, value_of, most, smaller in columns:
        known = [(period, value / period.days) for period in history.periods if (value := value_of(period)) is not None]
        for period, per_day in known:
            others = [other for at, other in known if at is not period and other > 0]
            usual = median(others) if others else None
            got = f"{value_of(period):g} ({per_day:g} a day)"
            if per_day > most or (usual is not None and len(others) > 1 and per_day > _FAR_OFF * usual and usual > 0.2):
                hint = f"{smaller} where {unit} is meant, or a digit too many?"
                raise history.wrong(period, column, f"expected at most {most:g} {unit} a day, got {got}", hint)
    _check_too_small(history)


def _check_too_small(history: History) -> None:
    for period in history.periods:
        parts = [bought(period, name) for name in CARRIERS]
        energy = sum(part for part in parts if part is not None)
        water = period.water_l
        home_days = period.days - (period.away_days or 0.0)
        if water is not None and 0 < water < home_days and energy > home_days:
            cause = f"expected litres, got {water:g} for {home_days:g} days at home"
            raise history.wrong(period, "water_l", cause, "m³ where L is meant?")
    everything = [
        (period, column, value / period.days)
        for period in history.periods
        for column, value in (("electricity_kwh", period.electricity_kwh), ("gas_kwh", period.gas_kwh))
        if value
    ]
    heat = [sum(bought(period, name) or 0.0 for name in CARRIERS) / period.days for period in history.periods]
    if everything and 0 < max(heat) < _LEAST_KWH_PER_DAY:
        period, column, per_day = everything[0]
        cause = f"expected kWh, got {per_day * period.days:g} ({per_day:.2g} a day)"
        raise history.wrong(period, column, cause, "MWh where kWh is meant?")
    for period, column, per_day in everything:
        others = [other for at, name, other in everything if name == column and at is not period]
        if len(others) > 1 and 0 < per_day * 300 < median(others) and _is_before(history, period):
            cause = f"expected kWh, got {per_day * period.days:g} ({per_day:.2g} a day)"
            raise history.wrong(period, column, cause, f"the others are about {median(others):.2g} a day; MWh?")


def _is_before(history: History, period: Period) -> bool:
    """Whether nothing diverted is known in a period: a sunny month after the hardware may well have bought nothing."""
    return not period.diverted_kwh and (period.away_days or 0) < period.days * 0.9
