"""How a night's plan did: its cost against what it would have cost had everything been known."""

from collections.abc import Sequence
from dataclasses import dataclass

from rules.model.errors import BrimfulError
from rules.planning.likeness import Likeness
from rules.planning.past import Scenario
from rules.planning.policy import HalfHour, Policy, choose
from rules.planning.stock import Stock
from rules.planning.store import HALF_HOURS_A_DAY, Store
from rules.planning.tuning import Tuning

CELLS = 100


@dataclass(frozen=True, slots=True)
class Reckoned:
    """cost: money, less what the heat left is worth; missing_wh: what the tank could not serve. A boiler makes it, for
    money in the cost; without one it is in no cost: cold water is no money, however heavily a plan weighs it."""

    cost: float
    missing_wh: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a night and the day after it cost, and the least they could have cost, money. Both value the heat left.

    short_wh: how much more was missing than with the least cost, which is in neither cost; None where a boiler helps
    out, and both costs hold what it makes.
    """

    cost: float
    least_cost: float
    short_wh: float | None = None

    @property
    def regret(self) -> float:
        """What not knowing cost, money; not below 0: what was saved by leaving water cold shows in short_wh alone."""
        return max(self.cost - self.least_cost, 0.0)


def least_cost(
    store: Store,
    half_hours: Sequence[HalfHour],
    surplus_wh: Sequence[float],
    drawn_wh: Sequence[float],
    stock_wh: float,
    end_price: float,
    boiler_price: float | None,
) -> Reckoned:
    """The least cost of up to a day of half hours whose surplus and draw are known, Wh each.

    stock_wh: before the first; end_price: money per kWh by which the heat left at the end lowers the cost;
    boiler_price: money per kWh of missing heat (None: no boiler). What is done weighs missing heat at the store's
    missing_price. Computed on a hundred steps of the stock, so up to about 2 % too high. Raises BrimfulError for more
    than 48 half hours.
    """
    if len(half_hours) > HALF_HOURS_A_DAY:
        raise BrimfulError("look back on a plan", "half_hours", f"expected at most 48, got {len(half_hours)}")
    surplus, drawn = [0.0] * HALF_HOURS_A_DAY, [0.0] * HALF_HOURS_A_DAY
    for half_hour, sun, draw in zip(half_hours, surplus_wh, drawn_wh, strict=True):
        surplus[half_hour.slot] += sun
        drawn[half_hour.slot] += draw
    truth = Scenario(0, 0, 1.0, tuple(surplus), tuple(drawn), sum(surplus), sum(drawn))
    policy = Policy(store, half_hours, Likeness([truth], Tuning()), [end_price / 1000] * CELLS)
    cost = missing_wh = 0.0
    stock = Stock.of(stock_wh)
    for at, (half_hour, sun, draw) in enumerate(zip(half_hours, surplus_wh, drawn_wh, strict=True)):
        stock.cool(store)
        missing_wh += stock.draw(store, draw)
        put = choose(store, policy.worths[at][0], stock.wh, sun, half_hour.import_price, half_hour.export_price)
        stock.put(store, put.sun_wh + put.grid_wh)
        cost += put.sun_wh * half_hour.export_price + put.grid_wh * half_hour.import_price
    return _reckoned(cost - stock.wh * end_price, missing_wh, boiler_price)


def planned_cost(
    store: Store,
    half_hours: Sequence[HalfHour],
    surplus_wh: Sequence[float],
    drawn_wh: Sequence[float],
    stock_wh: float,
    end_price: float,
    boiler_price: float | None,
    targets_wh: Sequence[float],
) -> Reckoned:
    """The cost of the same half hours had the plan been followed to the letter.

    targets_wh: up to which stock the grid heats in each (0: not at all). Sun is put in where its export price is below
    end_price. The other parameters as in `least_cost`.
    """
    cost = missing_wh = 0.0
    stock = Stock.of(stock_wh)
    for half_hour, sun, draw, target_wh in zip(half_hours, surplus_wh, drawn_wh, targets_wh, strict=True):
        stock.cool(store)
        missing_wh += stock.draw(store, draw)
        put_wh = 0.0
        if half_hour.export_price < end_price:
            put_wh = max(min(sun, store.half_hour_wh, store.capacity_wh - stock.wh), 0.0)
        bought_wh = max(min(store.half_hour_wh - put_wh, target_wh - stock.wh - put_wh), 0.0)
        stock.put(store, put_wh + bought_wh)
        cost += put_wh * half_hour.export_price + bought_wh * half_hour.import_price
    return _reckoned(cost - stock.wh * end_price, missing_wh, boiler_price)


def _reckoned(milli: float, missing_wh: float, boiler_price: float | None) -> Reckoned:
    """milli: thousandths of money, without what is missing."""
    return Reckoned((milli + missing_wh * (boiler_price or 0.0)) / 1000, missing_wh)


def mean_regret(outcomes: Sequence[Outcome]) -> float | None:
    """Money per night; None without one."""
    return sum(outcome.regret for outcome in outcomes) / len(outcomes) if outcomes else None
