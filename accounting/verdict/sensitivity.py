"""What matters most: each assumption moved over its own range, the others at their middle."""

from dataclasses import dataclass, replace

from accounting.verdict.life import Assumptions, expected_npv, with_years
from accounting.verdict.year import Figures, Year, YearMonth
from rules.model.formatting import rounded_percent
from rules.model.wording import Number, say

_PRICE, _WEATHER, _RATE, _GROWTH = 0.3, 0.1, 0.02, 0.02
_USED_DOWN, _EFFICIENCY = 0.15, 0.08
_GROWTH_OF = {
    "electricity": say("growth of the electricity price"),
    "gas": say("growth of the gas price"),
    "export": say("growth of the export price"),
}


@dataclass(frozen=True, slots=True)
class Moved:
    """An assumption, its range in words, and the net present value at each end."""

    what: str
    low: str
    high: str
    npv_low: float
    npv_high: float

    @property
    def width(self) -> float:
        return abs(self.npv_high - self.npv_low)


def sensitivity(year: Year, assumed: Assumptions, used: float, efficiency: float | None) -> tuple[Moved, ...]:
    """The assumptions with their effect on the net present value, the widest first.

    used: the share of diverted heat that counts as used; efficiency: the boiler's, None where no gas is saved.
    """
    moved: list[Moved] = []

    def add(
        what: str, low: str, high: str, at_low: tuple[Year, Assumptions], at_high: tuple[Year, Assumptions]
    ) -> None:
        moved.append(Moved(what, low, high, expected_npv(*at_low), expected_npv(*at_high)))

    total = year.total
    for what, name, amount in (
        (say("export price"), "given_up", total.given_up),
        (say("electricity price"), "electricity", total.electricity),
        (say("gas price"), "gas", total.gas),
    ):
        if amount:
            lower, higher = (_scaled(year, {name: 1 + sign * _PRICE}) for sign in (-1, 1))
            add(what, "-30 %", "+30 %", (lower, assumed), (higher, assumed))
    if efficiency is not None and total.gas:
        worse, better = max(0.3, efficiency - _EFFICIENCY), min(1.0, efficiency + _EFFICIENCY)
        ends = [_scaled(year, {"gas": efficiency / each}) for each in (worse, better)]
        add(say("boiler efficiency"), _share(worse), _share(better), (ends[0], assumed), (ends[1], assumed))
    if used > 0:
        least, most = max(0.05, used - _USED_DOWN), min(1.0, used + _USED_DOWN)
        ends = [_scaled(year, {"electricity": each / used, "gas": each / used}) for each in (least, most)]
        add(say("share of the heat that is used"), _share(least), _share(most), (ends[0], assumed), (ends[1], assumed))
    swing = _WEATHER + 0.25 * year.modelled_share
    ends = [_scaled(year, dict.fromkeys(("electricity", "gas", "given_up"), 1 + sign * swing)) for sign in (-1, 1)]
    add(say("sun and season"), _share(-swing), _share(swing, "+"), (ends[0], assumed), (ends[1], assumed))
    shorter, longer = round(assumed.years * 2 / 3), round(assumed.years * 4 / 3)
    add(
        say("life"),
        say("{years} years", years=shorter),
        say("{years} years", years=longer),
        (year, with_years(assumed, shorter)),
        (year, with_years(assumed, longer)),
    )
    rates = [max(0.0, assumed.discount - _RATE), assumed.discount + _RATE]
    ends_a = [replace(assumed, discount=rate) for rate in rates]
    low, high = (rounded_percent(rate, 1) for rate in rates)
    add(say("discount rate"), low, high, (year, ends_a[0]), (year, ends_a[1]))
    for name in ("electricity", "gas", "export"):
        if {"electricity": total.electricity, "gas": total.gas, "export": total.given_up}[name]:
            growth = [assumed.growing(name) + sign * _GROWTH for sign in (-1, 1)]
            ends_a = [replace(assumed, growth={**assumed.growth, name: rate}) for rate in growth]
            least_growth, most_growth = (
                say("{rate} a year", rate=rounded_percent(rate, 1, sign=True)) for rate in growth
            )
            add(_GROWTH_OF[name], least_growth, most_growth, (year, ends_a[0]), (year, ends_a[1]))
    if assumed.standby_per_year:
        ends_a = [_standby(assumed, factor) for factor in (0.5, 1.5)]
        add(say("standby use"), "-50 %", "+50 %", (year, ends_a[0]), (year, ends_a[1]))
    return tuple(sorted(moved, key=lambda each: -each.width))


def _share(value: float, sign: str = "") -> Number:
    return rounded_percent(value, sign=bool(sign))


def _scaled(year: Year, factors: dict[str, float]) -> Year:
    def of(figures: Figures) -> Figures:
        return replace(figures, **{name: getattr(figures, name) * factor for name, factor in factors.items()})

    months = tuple(YearMonth(month.month, of(month.figures), month.samples) for month in year.months)
    return Year(months, year.level_sd)


def _standby(assumed: Assumptions, factor: float) -> Assumptions:
    hardware = tuple(replace(each, standby_w=(each.standby_w or 0.0) * factor) for each in assumed.hardware)
    return replace(assumed, hardware=hardware)
