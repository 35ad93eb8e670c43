"""What else could be done tonight and what that would cost, and how the day may go with the plan and without."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil

from rules.planning.course import COLD_WH, Course, Filling, Played, courses
from rules.planning.marginal import Worth
from rules.planning.policy import Policy

LEVELS_PCT = (0, 40, 60, 80, 100)
"""Levels to which the tank could be filled, % of its capacity; 0 is no heat from the grid but what other rules heat."""
LOW, MIDDLE, HIGH = 0.1, 0.5, 0.9


@dataclass(frozen=True, slots=True)
class Choice:
    """What filling the tank to a level would bring, as means over the scenarios.

    level_pct: of the capacity; None: the plan itself. grid_wh: from the grid; sun_wh: from the sun; left_wh: heat in
    the tank at the end; cost: money for heat bought, missing heat and export given up; net_cost: the same with what
    the heat left at the end saves later against what the heat there is now would; cold_risk: share of the scenarios
    in which more than COLD_WH are missing; missing_wh: what is.
    """

    level_pct: int | None
    grid_wh: float
    sun_wh: float
    left_wh: float
    cost: float
    net_cost: float
    cold_risk: float
    missing_wh: float


@dataclass(frozen=True, slots=True)
class Fan:
    """A figure in each half hour: what it is below in a tenth, in half and in nine tenths of the scenarios."""

    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Outlook:
    """choices: the plan first, then the levels, ascending; fans by half hour, Wh: the sun's surplus, the draw, and the
    heat in the tank at the half hour's end with the plan, and with no heat from the grid."""

    choices: tuple[Choice, ...]
    surplus_wh: Fan
    drawn_wh: Fan
    stock_wh: Fan
    without_wh: Fan


def outlook(
    planned: Played,
    plain: Policy,
    shares: Sequence[float],
    stock_wh: float,
    places: range,
    boiler_price: float,
) -> Outlook:
    """What the half hours `places` may bring. planned: the courses of the plan; plain: the policy whose prices are the
    owner's, which values the heat left; shares: of the scenarios in the first of `places`; stock_wh: heat before it.
    boiler_price: as in `tonight`. Heat left saves no more money than the boiler's or, later, the cheapest of the grid's
    costs, however much dearer the policy weighs cold water."""
    most_per_wh = max(plain.end_worth[0], boiler_price / 1000)
    filled = {level: courses(plain, shares, stock_wh, places, _filling(plain, places, level)) for level in LEVELS_PCT}

    def choice(level_pct: int | None, found: Played) -> Choice:
        def mean(of: Callable[[Course], float]) -> float:
            return sum(share * of(course) for share, course in found)

        def saved(course: Course) -> float:
            worth = [min(value, most_per_wh) for value in plain.after(places[-1], course.last_day)]
            return _value(plain, worth, course.stock_wh[-1]) - _value(plain, worth, stock_wh)

        cost = mean(lambda course: course.cost(boiler_price))
        return Choice(
            level_pct,
            grid_wh=mean(lambda course: sum(course.grid_wh)),
            sun_wh=mean(lambda course: course.sun_wh),
            left_wh=mean(lambda course: course.stock_wh[-1]),
            cost=cost,
            net_cost=cost - mean(saved),
            cold_risk=min(mean(lambda course: float(course.missing_wh > COLD_WH)), 1.0),
            missing_wh=mean(lambda course: course.missing_wh),
        )

    return Outlook(
        (choice(None, planned), *(choice(level, found) for level, found in filled.items())),
        surplus_wh=_fan(planned, lambda course: course.surplus_wh),
        drawn_wh=_fan(planned, lambda course: course.drawn_wh),
        stock_wh=_fan(planned, lambda course: course.stock_wh),
        without_wh=_fan(filled[0], lambda course: course.stock_wh),
    )


def _filling(policy: Policy, places: range, level_pct: int) -> Filling:
    """Filling up to a level in the cheapest half hours that suffice for it from an empty tank, the earlier first; none
    of those in which another rule heats."""
    target_wh = level_pct / 100 * policy.store.capacity_wh
    needed = ceil(target_wh / policy.store.half_hour_wh) if policy.store.half_hour_wh else 0
    free = (at for at in places if not policy.half_hours[at].heated)
    cheapest = sorted(free, key=lambda at: (policy.half_hours[at].import_price, at))[:needed]
    return Filling(frozenset(cheapest), target_wh)


def _value(policy: Policy, worth: Worth, stock_wh: float) -> float:
    """Money that a stock saves, by the worth of its cells; of the reserve, by that of the first."""
    whole = (stock_wh - policy.store.reserve_wh) / policy.cell_wh if policy.cell_wh else 0.0
    if whole <= 0.0:
        return stock_wh * worth[0]
    cells = min(int(whole), len(worth))
    part = worth[cells] * (whole - cells) if cells < len(worth) else 0.0
    return (sum(worth[:cells]) + part) * policy.cell_wh + policy.store.reserve_wh * worth[0]


def _fan(found: Played, of: Callable[[Course], list[float]]) -> Fan:
    rows = [(share, of(course)) for share, course in found]
    count = len(rows[0][1])
    low, middle, high = zip(
        *(_shares_of([(row[at], share) for share, row in rows]) for at in range(count)), strict=True
    )
    return Fan(low, middle, high)


def _shares_of(weighted: list[tuple[float, float]]) -> tuple[float, float, float]:
    """Of (value, share) the values below which a tenth, half and nine tenths of the shares lie."""
    found: list[float] = []
    summed = 0.0
    for value, share in sorted(weighted):
        summed += share
        while len(found) < 3 and summed >= (LOW, MIDDLE, HIGH)[len(found)] - 1e-9:
            found.append(value)
    found += [max(weighted)[0]] * (3 - len(found))
    return found[0], found[1], found[2]
