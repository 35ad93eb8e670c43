"""The plan for the night in words and figures: the policy played over every scenario from now on."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rules.model.wording import Number, Sentence, joined, say
from rules.planning.course import COLD_WH, Played
from rules.planning.outlook import Outlook
from rules.planning.policy import Policy
from rules.planning.runs import runs_of
from rules.planning.warming import MOST


@dataclass(frozen=True, slots=True)
class Run:
    """Grid heat from half hour `first` up to but without `last`, places in the policy's half hours.

    wh: its mean; level_pct: the mean level at its end, % of the capacity, or that of a tank warm throughout.
    """

    first: int
    last: int
    wh: float
    level_pct: float


@dataclass(frozen=True, slots=True)
class Plan:
    """What to expect of the half hours planned, over the scenarios.

    grid_wh: mean heat from the grid, in the runs and in half hours that only few scenarios need; given_wh: mean heat
    from the grid by other rules, which is in no run, no grid_wh and no cost; sun_wh: mean heat
    from the sun; target_level_pct: mean level at the end of the last run (now, where there is none); expected_cost:
    money, for heat bought, missing heat and export given up; cold_risk: share of the scenarios in which more than
    COLD_WH are missing; missing_wh, drawn_wh: the means of what is missing and drawn; first: the policy's first half
    hour that is planned; half_hours: how many are; days_of_history: days of this home that it is based on; outlook:
    what other choices would bring, and the course of the day.
    """

    runs: tuple[Run, ...]
    grid_wh: float
    given_wh: float
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
    outlook: Outlook | None = None


def tonight(
    policy: Policy,
    played: Played,
    places: range,
    stock_wh: float,
    days_of_history: int,
    boiler_price: float,
) -> Plan:
    """The plan for the policy's half hours `places`, before which `stock_wh` is in the tank.

    played: the policy's courses in these half hours, as `courses` gives them; boiler_price: money per kWh that
    missing heat costs, which may be less than what the policy weighs it with.
    """
    count = len(places)
    grid_wh = [sum(share * course.grid_wh[at] for share, course in played) for at in range(count)]
    capacity_wh = policy.store.capacity_wh or 1.0
    level_pct = [
        100 * sum(share * course.stock_wh[at] for share, course in played) / capacity_wh for at in range(count)
    ]
    warm_pct = 100 * policy.store.warm_wh / capacity_wh
    runs = tuple(
        Run(places.start + first, places.start + end, sum(grid_wh[first:end]), max(level_pct[end - 1], warm_pct))
        for first, end in runs_of(played, MOST if warm_pct else 0.0)
    )
    plan = Plan(
        runs=runs,
        grid_wh=sum(grid_wh),
        given_wh=sum(share * course.given_wh for share, course in played),
        sun_wh=sum(share * course.sun_wh for share, course in played),
        target_level_pct=runs[-1].level_pct if runs else 100 * stock_wh / capacity_wh,
        expected_cost=sum(share * course.cost(boiler_price) for share, course in played),
        cold_risk=min(sum(share for share, course in played if course.missing_wh > COLD_WH), 1.0),
        missing_wh=sum(share * course.missing_wh for share, course in played),
        drawn_wh=sum(share * sum(course.drawn_wh) for share, course in played),
        first=places.start,
        half_hours=count,
        days_of_history=days_of_history,
        reasons=(),
    )
    return replace(plan, reasons=_reasons(plan, policy, boiler_price))


def _reasons(plan: Plan, policy: Policy, boiler_price: float) -> tuple[str, ...]:
    """Why, in sentences with figures."""
    half_hours = policy.half_hours
    found = []
    if plan.days_of_history:
        found.append(
            say(
                "The plan is based on {days_of_history} days of this home's past.",
                days_of_history=plan.days_of_history,
            )
        )
    else:
        found.append(
            say(
                "There is no past of this home yet: the plan assumes no sun, and draws after a published "
                "profile, scaled to the tank."
            )
        )
    given_kwh = f"{plan.given_wh / 1000:.1f}"
    given = "" if given_kwh == "0.0" else say("besides {given} kWh that other rules buy", given=Number(given_kwh))
    found.append(
        say(
            "Until its end {drawn} kWh are likely to be drawn; the sun is likely to put in {sun} kWh and the grid"
            " {grid}.",
            drawn=Number(f"{plan.drawn_wh / 1000:.1f}"),
            sun=Number(f"{plan.sun_wh / 1000:.1f}"),
            grid=joined((_from_grid(plan), given)),
        )
    )
    if plan.runs:
        prices = [half_hours[at].import_price for run in plan.runs for at in range(run.first, run.last)]
        others = [half_hour.import_price for half_hour in half_hours[plan.first : plan.first + plan.half_hours]]
        found.append(
            say(
                "Grid heat is bought at {prices} per kWh; until the plan's end it costs {others}.",
                prices=_span(prices),
                others=_span(others),
            )
        )
    else:
        found.append(
            say("No other grid heat is worth its price.") if given else say("No grid heat is worth its price.")
        )
    short = say(
        "In {risk} % of the scenarios more than {missing} kWh is missing",
        risk=Number(f"{plan.cold_risk * 100:.0f}"),
        missing=Number(f"{COLD_WH / 1000:.1f}"),
    )
    if boiler_price:
        short = say("{short}, which costs {price} per kWh", short=short, price=Number(f"{boiler_price:.3f}"))
    found.append(Sentence(short))
    return tuple(found)


def _from_grid(plan: Plan) -> str:
    """The grid's heat, and how much of it the hours of the plan are for, where that is not all of it."""
    planned, grid = (Number(f"{wh / 1000:.1f}") for wh in (sum(run.wh for run in plan.runs), plan.grid_wh))
    if planned == grid:
        return say("{grid} kWh", grid=grid)
    return say(
        "{grid} kWh ({planned} kWh in the hours of this plan, the rest in hours that only some days need)",
        grid=grid,
        planned=planned,
    )


def _span(prices: Sequence[float]) -> str:
    low, high = Number(f"{min(prices):.3f}"), Number(f"{max(prices):.3f}")
    return low if low == high else say("{low} to {high}", low=low, high=high)
