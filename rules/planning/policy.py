"""The backward walk over the heat stock: what heat is worth in each half hour to come, and what to put in.

Stochastic dynamic programming over the stock and the scenarios. In every half hour today is taken to be like one of the
scenarios; the next may follow any other with the same predictions (likeness), so that nothing is decided with knowledge
of what only comes later. Worths are kept by scenario; a decision blends them by the scenarios' shares in today so far.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from rules.planning.likeness import Likeness
from rules.planning.marginal import (
    Cooling,
    Worth,
    before_draw,
    before_purchase,
    blend,
    stock_where_worth_falls_to,
)
from rules.planning.past import Scenario
from rules.planning.store import HALF_HOURS_A_DAY, Store


@dataclass(frozen=True, slots=True)
class HalfHour:
    """A half hour to come. day: number as the scenarios count; slot: 0–47 of the local clock; prices per kWh.

    heated: whether another rule heats the tank in it from the grid, whatever the plan says.
    """

    day: int
    weekday: int
    slot: int
    import_price: float
    export_price: float
    heated: bool = False

    @property
    def heat_price(self) -> float:
        """What the plan pays for the grid's heat: nothing more where another rule buys it anyway."""
        return min(self.import_price, 0.0) if self.heated else self.import_price


@dataclass(frozen=True, slots=True)
class Intake:
    """Wh to put in during a half hour: sun_wh of the surplus, grid_wh from the grid."""

    sun_wh: float
    grid_wh: float


def sources(
    store: Store, surplus_wh: float, import_price: float, export_price: float, *, heated: bool = False
) -> tuple[tuple[float, float], ...]:
    """What can be put in, cheapest first: (Wh, price per Wh). Sun costs the export price, and both share the power.

    heated: another rule runs the heater, which takes the sun first, even where that is dearer.
    """
    most = store.half_hour_wh
    if (import_price < export_price and not heated) or surplus_wh <= 0.0:
        return ((most, import_price / 1000),)
    sun = min(surplus_wh, most)
    return (sun, export_price / 1000), (most - sun, import_price / 1000)


class Policy:
    """What heat is worth at the end of each half hour to come, by scenario."""

    def __init__(self, store: Store, half_hours: Sequence[HalfHour], likeness: Likeness, end_worth: Worth) -> None:
        """half_hours: from the first to plan, without a gap; end_worth: of the heat left at the end, by cell."""
        self.store = store
        self.end_worth = end_worth
        self.half_hours = half_hours
        self.likeness = likeness
        self.cell_wh = store.usable_wh / len(end_worth)
        lukewarm_wh = max(store.lukewarm_wh - store.reserve_wh, 0.0)
        self.lukewarm_cells = round(lukewarm_wh / self.cell_wh) if self.cell_wh else 0
        # Half hours in which no scenario draws or has sun: nothing of them could be known too early.
        self._quiet = {
            slot
            for slot in range(1, HALF_HOURS_A_DAY)
            if not any(day.drawn_wh[slot] or day.surplus_wh[slot] for day in likeness.scenarios)
        }
        self.worths: list[list[Worth]] = []
        self._by_cell: dict[int, list[tuple[float, ...]]] = {}
        self._after: dict[tuple[int, int], Worth] = {}
        self._walk()

    def _walk(self) -> None:
        scenarios = self.likeness.scenarios
        cooling = Cooling.of(self.store.loss_per_half_hour, len(self.end_worth))
        worths = [self.end_worth] * len(scenarios)
        kept = [worths]
        for at in reversed(range(1, len(self.half_hours))):
            half_hour = self.half_hours[at]
            worths = [
                cooling.before(self._stepped(worth, half_hour, scenario))
                for worth, scenario in zip(self._expected(at, worths), scenarios, strict=True)
            ]
            kept.append(worths)
        kept.reverse()
        self.worths = kept

    def _expected(self, at: int, worths: list[Worth]) -> list[Worth]:
        """For each scenario at half hour `at`, the worth of the stock that goes into the next."""
        if at + 1 == len(self.half_hours):
            return worths
        here, following = self.half_hours[at], self.half_hours[at + 1]
        slot = here.slot if following.day == here.day else HALF_HOURS_A_DAY
        soon = following.day <= self.half_hours[0].day + 1
        if following.slot % (1 if soon else self.likeness.tuning.blend_every) or following.slot in self._quiet:
            return worths
        rows = self.likeness.rows(slot, following.day, following.weekday)
        by_cell = list(zip(*worths, strict=True))
        return [blend(row, by_cell) for row in rows]

    def _stepped(self, worth: Worth, half_hour: HalfHour, scenario: Scenario) -> Worth:
        """The worth before a half hour's purchases and draw; the loss is still to come.

        A tank that is all reserve has no stock to plan: its worth stays.
        """
        if not self.cell_wh:
            return worth
        slot = half_hour.slot
        surplus_wh, heated = scenario.surplus_wh[slot], half_hour.heated
        found = sources(self.store, surplus_wh, half_hour.heat_price, half_hour.export_price, heated=heated)
        # What is put in last comes first backwards.
        for wh, price in reversed(found):
            worth = before_purchase(worth, wh / self.cell_wh, price)
        # What the reserve loses has to be put in again.
        drawn_wh = scenario.drawn_wh[slot] + self.store.reserve_wh * self.store.loss_per_half_hour
        return before_draw(worth, drawn_wh / self.cell_wh, self.store.missing_price / 1000, self.lukewarm_cells)

    def worth(self, at: int, shares: Sequence[float]) -> Worth:
        """The worth of the stock at the end of half hour `at`, for shares of the scenarios."""
        return blend(shares, self.by_cell(at))

    def after(self, at: int, scenario_at: int) -> Worth:
        """The worth at the end of half hour `at`, for a day that has gone as a scenario up to then."""
        key = (at, scenario_at)
        if key not in self._after:
            if at + 1 == len(self.half_hours):
                self._after[key] = self.worths[at][scenario_at]
            else:
                here, following = self.half_hours[at], self.half_hours[at + 1]
                slot = here.slot if following.day == here.day else HALF_HOURS_A_DAY
                shares = self.likeness.rows(slot, following.day, following.weekday)[scenario_at]
                self._after[key] = blend(shares, self.by_cell(at))
        return self._after[key]

    def by_cell(self, at: int) -> list[tuple[float, ...]]:
        """For each cell of the stock, every scenario's worth at the end of half hour `at`."""
        if at not in self._by_cell:
            self._by_cell[at] = list(zip(*self.worths[at], strict=True))
        return self._by_cell[at]


def choose(
    store: Store, worth: Worth, stock_wh: float, surplus_wh: float, import_price: float, export_price: float
) -> Intake:
    """Put in what costs less than it is worth, and in any case the reserve. Never above power, surplus or capacity."""
    cell_wh = store.usable_wh / len(worth)
    above_wh = stock_wh - store.reserve_wh
    put = [0.0, 0.0]
    left_wh = store.half_hour_wh
    for grid, wh, price in _choices(surplus_wh, left_wh, import_price, export_price):
        target_wh = min(stock_where_worth_falls_to(worth, price / 1000) * cell_wh, store.usable_wh)
        taken = max(min(wh, left_wh, target_wh - above_wh), 0.0)
        put[grid] += taken
        left_wh -= taken
        above_wh += taken
    return Intake(put[0], put[1])


def _choices(
    surplus_wh: float, most_wh: float, import_price: float, export_price: float
) -> tuple[tuple[int, float, float], ...]:
    sun, grid = (0, max(surplus_wh, 0.0), export_price), (1, most_wh, import_price)
    return (grid, sun) if import_price < export_price else (sun, grid)
