"""The plan for the night in words and figures: the policy played over every scenario from now on."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rules.planning.likeness import Likeness
from rules.planning.marginal import Worth, blend
from rules.planning.policy import Policy, choose
from rules.planning.store import HALF_HOURS_A_DAY

LEAST_RUN_WH = 50.0
"""Mean grid heat below which a half hour is in no run: it only happens in few scenarios."""
NEGLIGIBLE_SHARE = 1e-4
COLD_WH = 100.0
"""Missing heat that a household notices: some two litres at 40 °C. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Run:
    """Grid heat from half hour `first` up to but without `last`, places in the policy's half hours; wh: its mean."""

    first: int
    last: int
    wh: float


@dataclass(frozen=True, slots=True)
class Plan:
    """What to expect of the half hours planned, over the scenarios.

    heat_wh: mean heat from the grid; sun_wh: mean heat from the sun; target_level_pct: mean level at the end of the
    last run (now, where there is none); expected_cost: money, for heat bought and export given up; cold_risk: share of
    the scenarios in which more than COLD_WH are missing; missing_wh, drawn_wh: the means of what is missing and drawn;
    first: the policy's first half hour that is planned; half_hours: how many are; days_of_history: days of this home
    that it stands on.
    """

    runs: tuple[Run, ...]
    heat_wh: float
    sun_wh: float
    target_level_pct: float
    expected_cost: float
    cold_risk: float
    missing_wh: float
    drawn_wh: float
    first: int
    half_hours: int
    days_of_history: int
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Course:
    grid_wh: list[float]
    sun_wh: float
    stock_wh: list[float]
    cost: float
    missing_wh: float
    drawn_wh: float


def tonight(
    policy: Policy, here: int, shares: Sequence[float], stock_wh: float, half_hours: int, days_of_history: int
) -> Plan:
    """The plan for `half_hours` of the policy after its half hour `here`, at whose end `stock_wh` is in the tank.

    shares: of the scenarios for the half hour after it, adding to 1.
    """
    last = min(here + 1 + half_hours, len(policy.half_hours))
    courses = [
        (share, _course(policy, scenario, stock_wh, range(here + 1, last)))
        for scenario, share in enumerate(shares)
        if share > NEGLIGIBLE_SHARE
    ]
    total = sum(share for share, _ in courses)
    courses = [(share / total, course) for share, course in courses]
    count = last - here - 1
    grid_wh = [sum(share * course.grid_wh[at] for share, course in courses) for at in range(count)]
    runs = tuple(Run(here + 1 + run.first, here + 1 + run.last, run.wh) for run in _runs(grid_wh))
    target_wh = stock_wh
    if runs:
        end = runs[-1].last - here - 2
        target_wh = sum(share * course.stock_wh[end] for share, course in courses)
    capacity_wh = policy.store.capacity_wh
    plan = Plan(
        runs=runs,
        heat_wh=sum(grid_wh),
        sun_wh=sum(share * course.sun_wh for share, course in courses),
        target_level_pct=100.0 * target_wh / capacity_wh if capacity_wh else 0.0,
        expected_cost=sum(share * course.cost for share, course in courses),
        cold_risk=min(sum(share for share, course in courses if course.missing_wh > COLD_WH), 1.0),
        missing_wh=sum(share * course.missing_wh for share, course in courses),
        drawn_wh=sum(share * course.drawn_wh for share, course in courses),
        first=here + 1,
        half_hours=count,
        days_of_history=days_of_history,
        reasons=(),
    )
    return replace(plan, reasons=_reasons(plan, policy))


def _course(policy: Policy, scenario_at: int, stock_wh: float, places: range) -> _Course:
    """The policy's course if the half hours are those of a scenario; after midnight, of the day that followed it."""
    store, likeness = policy.store, policy.likeness
    grid_wh: list[float] = []
    stocks_wh: list[float] = []
    sun_wh = cost = missing_wh = drawn_wh = 0.0
    at_day = scenario_at
    for at in places:
        half_hour = policy.half_hours[at]
        if half_hour.slot == 0 and at > places.start:
            at_day = _following(likeness, at_day)
        scenario = likeness.scenarios[at_day]
        stock_wh *= 1.0 - store.loss_per_half_hour
        draw = scenario.drawn_wh[half_hour.slot]
        served = min(stock_wh, draw)
        stock_wh -= served
        drawn_wh += draw
        missing_wh += draw - served
        surplus_wh = scenario.surplus_wh[half_hour.slot]
        decision = choose(
            store, _worth(policy, at, at_day), stock_wh, surplus_wh, half_hour.import_price, half_hour.export_price
        )
        stock_wh += decision.sun_wh + decision.grid_wh
        grid_wh.append(decision.grid_wh)
        stocks_wh.append(stock_wh)
        sun_wh += decision.sun_wh
        cost += (decision.sun_wh * half_hour.export_price + decision.grid_wh * half_hour.import_price) / 1000
        cost += (draw - served) * store.missing_price / 1000
    return _Course(grid_wh, sun_wh, stocks_wh, cost, missing_wh, drawn_wh)


def _worth(policy: Policy, at: int, scenario_at: int) -> Worth:
    """The worth at the end of a half hour, for a day that has gone as a scenario up to then."""
    likeness = policy.likeness
    if at + 1 == len(policy.half_hours):
        return list(policy.worths[at][scenario_at])
    here, following = policy.half_hours[at], policy.half_hours[at + 1]
    slot = here.slot if following.day == here.day else HALF_HOURS_A_DAY
    shares = likeness.rows(slot, following.day, following.weekday)[scenario_at]
    return blend(shares, policy.by_cell(at))


def _following(likeness: Likeness, at: int) -> int:
    """The scenario of the day after; the same again where that day is unknown."""
    number = likeness.scenarios[at].number + 1
    return next((place for place, day in enumerate(likeness.scenarios) if day.number == number), at)


def _runs(grid_wh: Sequence[float]) -> list[Run]:
    """Half hours with grid heat worth mentioning, those without a break between them as one run."""
    runs: list[Run] = []
    for at, wh in enumerate(grid_wh):
        if wh < LEAST_RUN_WH:
            continue
        if runs and runs[-1].last == at:
            runs[-1] = Run(runs[-1].first, at + 1, runs[-1].wh + wh)
        else:
            runs.append(Run(at, at + 1, wh))
    return runs


def _reasons(plan: Plan, policy: Policy) -> tuple[str, ...]:
    """Why, in sentences with figures."""
    half_hours = policy.half_hours
    found = []
    if plan.days_of_history:
        found.append(f"The plan stands on {plan.days_of_history} days of this home's past.")
    else:
        found.append(
            "There is no past of this home yet: the plan assumes no sun, and draws after a published profile,"
            " scaled to the tank."
        )
    found.append(
        f"Until its end {plan.drawn_wh / 1000:.1f} kWh are likely to be drawn; the sun is likely to put in"
        f" {plan.sun_wh / 1000:.1f} kWh and the grid {plan.heat_wh / 1000:.1f} kWh."
    )
    if plan.runs:
        prices = [half_hours[at].import_price for run in plan.runs for at in range(run.first, run.last)]
        others = [half_hour.import_price for half_hour in half_hours[plan.first : plan.first + plan.half_hours]]
        found.append(
            f"Grid heat is bought at {min(prices):.3f} to {max(prices):.3f} per kWh;"
            f" the prices until the plan's end go from {min(others):.3f} to {max(others):.3f}."
        )
    else:
        found.append("No grid heat is worth its price.")
    found.append(
        f"In {plan.cold_risk:.0%} of the scenarios more than {COLD_WH / 1000:.1f} kWh is missing,"
        f" which costs {policy.store.missing_price:.2f} per kWh."
    )
    return tuple(found)
