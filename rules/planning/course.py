"""The half hours to come, played over every scenario: by the policy, or by filling the tank to a level at set times."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from rules.planning.likeness import Likeness
from rules.planning.policy import Intake, Policy, choose
from rules.planning.stock import Stock

NEGLIGIBLE_SHARE = 1e-4
COLD_WH = 100.0
"""Missing heat that a household notices: some two litres at 40 °C. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Filling:
    """Heat from the grid in the half hours `places`, up to a stock of `target_wh`; sun as the policy has it.

    alone: whether there and so far alone, or besides what the policy buys.
    """

    places: frozenset[int]
    target_wh: float
    alone: bool = True


@dataclass(slots=True)
class Course:
    """How it goes in one scenario. Lists by half hour, Wh; stock_wh: at the half hour's end; spent: money for heat from
    the grid and export given up; given_wh: what other rules put in from the grid, in neither grid_wh nor spent; the sun
    that their heater takes first is in both sun_wh and spent; missing_wh: what the stock could not serve; last_day: the
    scenario of its last day."""

    grid_wh: list[float] = field(default_factory=list)
    surplus_wh: list[float] = field(default_factory=list)
    drawn_wh: list[float] = field(default_factory=list)
    stock_wh: list[float] = field(default_factory=list)
    sun_wh: float = 0.0
    given_wh: float = 0.0
    spent: float = 0.0
    missing_wh: float = 0.0
    last_day: int = 0

    def cost(self, boiler_price: float) -> float:
        """Money spent, with what is missing bought at boiler_price per kWh."""
        return self.spent + self.missing_wh * boiler_price / 1000


Played = Sequence[tuple[float, Course]]
"""How it goes in each scenario that has a share; the shares add to 1."""


def courses(
    policy: Policy, shares: Sequence[float], stock_wh: float, places: range, filling: Filling | None = None
) -> Played:
    """(share, course) of each scenario that has one. shares: of the scenarios in the first of the half hours `places`;
    stock_wh: before it. The shares given back add to 1."""
    played = [
        (share, _course(policy, scenario, stock_wh, places, filling))
        for scenario, share in enumerate(shares)
        if share > NEGLIGIBLE_SHARE
    ]
    total = sum(share for share, _ in played)
    return [(share / total, course) for share, course in played]


def _course(policy: Policy, scenario_at: int, stock_wh: float, places: range, filling: Filling | None) -> Course:
    """The course if the half hours are those of a scenario; after midnight, of the day that followed it."""
    store, likeness = policy.store, policy.likeness
    found = Course(last_day=scenario_at)
    stock = Stock.of(stock_wh)
    for at in places:
        half_hour = policy.half_hours[at]
        if half_hour.slot == 0 and at > places.start:
            found.last_day = _following(likeness, found.last_day)
        scenario = likeness.scenarios[found.last_day]
        stock.cool(store)
        draw, surplus_wh = scenario.drawn_wh[half_hour.slot], scenario.surplus_wh[half_hour.slot]
        found.missing_wh += stock.draw(store, draw)
        if half_hour.heated:
            heat_wh = max(min(store.half_hour_wh, store.capacity_wh - stock.wh), 0.0)
            put = Intake(min(max(surplus_wh, 0.0), heat_wh), 0.0)
            found.given_wh += heat_wh - put.sun_wh
            stock.put(store, heat_wh)
        else:
            put = choose(
                store,
                policy.after(at, found.last_day),
                stock.wh,
                surplus_wh,
                half_hour.import_price,
                half_hour.export_price,
            )
            if filling is not None:
                put = _filled(put, filling, at, stock.wh, store.half_hour_wh)
            goes_on = filling is None or not filling.alone
            stock.put(store, put.sun_wh + put.grid_wh, of_use_wh=put.grid_wh if goes_on else 0.0)
        found.grid_wh.append(put.grid_wh)
        found.surplus_wh.append(surplus_wh)
        found.drawn_wh.append(draw)
        found.stock_wh.append(stock.wh)
        found.sun_wh += put.sun_wh
        found.spent += (put.sun_wh * half_hour.export_price + put.grid_wh * half_hour.import_price) / 1000
    return found


def _filled(put: Intake, filling: Filling, at: int, stock_wh: float, most_wh: float) -> Intake:
    bought_wh = 0.0 if filling.alone else put.grid_wh
    if at not in filling.places:
        return Intake(put.sun_wh, bought_wh)
    lacking_wh = filling.target_wh - stock_wh - put.sun_wh
    return Intake(put.sun_wh, max(min(most_wh - put.sun_wh, lacking_wh), bought_wh))


def _following(likeness: Likeness, at: int) -> int:
    """The scenario of the day after; the same again where that day is unknown."""
    number = likeness.scenarios[at].number + 1
    return next((place for place, day in enumerate(likeness.scenarios) if day.number == number), at)
