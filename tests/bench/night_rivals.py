"""What the planner is measured against: perfect foresight, and fixed settings in hindsight."""

from collections.abc import Callable
from dataclasses import dataclass

from tests.bench.night_case import Case, Row

Choice = Callable[[Row, float, float], tuple[float, float]]
"""(row, its surplus Wh, stock Wh after loss and draw) -> (sun Wh, grid Wh)."""
TOLERANCE_WH = 1e-6


class Account:
    """The stock and the money of one play."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.stock_wh = case.start_wh
        self.cost = 0.0
        self.bought_wh = self.sun_wh = self.grid_wh = 0.0

    def serve(self, row: Row) -> None:
        """Loss, draw, and the purchase of what is missing."""
        store = self.case.store
        self.stock_wh *= 1.0 - store.loss_per_half_hour
        drawn = row.drawn_wh or 0.0
        served = min(self.stock_wh, drawn)
        self.stock_wh -= served
        self.bought_wh += drawn - served
        self.cost += (drawn - served) * store.missing_price / 1000

    def put(self, row: Row, sun_wh: float, grid_wh: float) -> None:
        """Sun and grid. Raises ValueError for what the game does not allow."""
        store = self.case.store
        if (
            min(sun_wh, grid_wh) < 0.0
            or sun_wh > (row.surplus_wh or 0.0) + TOLERANCE_WH
            or sun_wh + grid_wh > store.half_hour_wh + TOLERANCE_WH
            or self.stock_wh + sun_wh + grid_wh > store.capacity_wh + TOLERANCE_WH
        ):
            raise ValueError(f"{row.start}: {sun_wh} Wh of sun and {grid_wh} Wh of grid cannot be put in")
        self.stock_wh += sun_wh + grid_wh
        self.sun_wh += sun_wh
        self.grid_wh += grid_wh
        self.cost += (sun_wh * row.export_price + grid_wh * row.import_price) / 1000

    @property
    def settled(self) -> float:
        """The cost with the end stock credited or charged."""
        return self.cost - (self.stock_wh - self.case.start_wh) * self.case.end_price / 1000


def play(case: Case, choose: Choice) -> Account:
    account = Account(case)
    for row in case.rows[: case.played]:
        account.serve(row)
        account.put(row, *choose(row, row.surplus_wh or 0.0, account.stock_wh))
    return account


def cheapest_quarters(case: Case) -> dict[int, tuple[set[int], float]]:
    """Of each local day: the places of the cheapest quarter of its half hours, ties by time, and its cheapest price."""
    days: dict[int, list[int]] = {}
    for at, row in enumerate(case.rows[: case.played]):
        days.setdefault(row.day, []).append(at)
    found = {}
    for day, places in days.items():
        by_price = sorted(places, key=lambda at: (case.rows[at].import_price, at))
        found[day] = set(by_price[: len(places) // 4]), case.rows[by_price[0]].import_price
    return found


def fixed(case: Case) -> dict[tuple[int, bool], float]:
    """The cost of each fixed setting: (level %, always diverting).

    In the cheapest quarter of each local day the grid fills the tank up to the level. Diverting is worth it where the
    export price is below the boiler's and below the cheapest import price of the day.
    """
    quarters = cheapest_quarters(case)
    store = case.store
    costs = {}
    for level_pct in range(0, 101, 10):
        for always in (True, False):
            places = iter(range(case.played))

            def choose(
                row: Row, surplus: float, stock: float, level: float = level_pct / 100 * store.capacity_wh,
                always: bool = always, places: "object" = places,
            ) -> tuple[float, float]:  # fmt: skip
                at = next(places)  # type: ignore[call-overload]
                cheap, cheapest = quarters[row.day]
                diverts = always or row.export_price < min(store.missing_price, cheapest)
                sun = min(surplus, store.half_hour_wh, store.capacity_wh - stock) if diverts else 0.0
                sun = max(sun, 0.0)
                grid = min(store.half_hour_wh - sun, max(level - stock - sun, 0.0)) if at in cheap else 0.0
                return sun, grid

            costs[level_pct, always] = play(case, choose).settled
    return costs


@dataclass(frozen=True, slots=True)
class Schedule:
    """What perfect foresight does. cost: money; grid_wh, stock_wh: of each half hour, the stock at its end."""

    cost: float
    grid_wh: list[float]
    stock_wh: list[float]


def foresight(case: Case) -> float:
    """The least cost of all, everything known and the end stock at least the start's."""
    return foresight_schedule(case).cost


def foresight_schedule(case: Case) -> Schedule:
    """How that is reached: a linear programme.

    The heat beyond the start's is credited as in every play. Where no play can end with the start's stock, for want of
    power and sun, what lacks is charged as in every play.
    """
    import numpy as np
    from scipy.optimize import linprog
    from scipy.sparse import diags, hstack, identity, vstack

    rows = case.rows[: case.played]
    count, store, keep = len(rows), case.store, 1.0 - case.store.loss_per_half_hour
    drawn = np.array([row.drawn_wh or 0.0 for row in rows])
    surplus = np.array([row.surplus_wh or 0.0 for row in rows])
    end_price = case.end_price / 1000
    one, nothing = identity(count, format="csr"), diags([np.zeros(count)], [0])
    before = diags([np.full(count - 1, keep)], [-1], shape=(count, count))
    first = np.zeros(count)
    first[0] = keep * case.start_wh
    # Variables: sun, grid, missing, stock at the end of the half hour.
    balance = hstack([-one, -one, -one, one - before])
    served = hstack([nothing, nothing, -one, -before])
    power = hstack([one, one, nothing, nothing])
    price = np.concatenate(
        [
            [row.export_price / 1000 for row in rows],
            [row.import_price / 1000 for row in rows],
            np.full(count, store.missing_price / 1000),
            np.zeros(count),
        ]
    )
    price[-1] -= end_price
    lower = np.zeros(4 * count)
    upper = np.concatenate([surplus, np.full(count, store.half_hour_wh), drawn, np.full(count, store.capacity_wh)])
    for least_end_wh in (case.start_wh, 0.0):
        lower[-1] = least_end_wh
        answer = linprog(
            price,
            A_eq=balance,
            b_eq=first - drawn,
            A_ub=vstack([served, power]),
            b_ub=np.concatenate([first - drawn, np.full(count, store.half_hour_wh)]),
            bounds=np.stack([lower, upper], axis=1),
            method="highs",
        )
        if answer.status == 0:
            _, grid, _, stock = np.split(answer.x, 4)
            return Schedule(float(answer.fun) + end_price * case.start_wh, grid.tolist(), stock.tolist())
    raise ValueError(f"{case.name}: foresight has no answer: {answer.message}")
