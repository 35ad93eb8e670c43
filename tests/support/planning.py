"""Days, half hours and policies for the tests of the planner."""

from collections.abc import Sequence

from rules.planning.likeness import Likeness
from rules.planning.past import Day, Scenario
from rules.planning.policy import HalfHour, Policy
from rules.planning.store import HALF_HOURS_A_DAY, Store
from rules.planning.tuning import Tuning

STORE = Store(capacity_wh=8000.0, power_w=3000.0, loss_per_half_hour=0.003, missing_price=0.6)


def profile(**wh: float) -> tuple[float, ...]:
    """Wh by half hour of the day: profile(h7=1500) draws 1500 Wh from 07:00; h7_5 is half past."""
    found = [0.0] * HALF_HOURS_A_DAY
    for name, value in wh.items():
        found[round(2 * float(name[1:].replace("_", ".")))] = value
    return tuple(found)


def day(number: int, surplus_wh: Sequence[float | None], drawn_wh: Sequence[float | None]) -> Day:
    return Day(number, number % 7, tuple(surplus_wh), tuple(drawn_wh))


def scenario(number: int, surplus_wh: Sequence[float], drawn_wh: Sequence[float], weight: float = 1.0) -> Scenario:
    """A day whose day before says nothing about it."""
    return Scenario(number, number % 7, weight, tuple(surplus_wh), tuple(drawn_wh), 3000.0, 1000.0)


def half_hours(first_day: int, days: int, import_price: Sequence[float], export_price: float) -> list[HalfHour]:
    """Whole days of half hours; import_price: of each half hour of a day."""
    return [
        HalfHour(number, number % 7, slot, import_price[slot], export_price)
        for number in range(first_day, first_day + days)
        for slot in range(HALF_HOURS_A_DAY)
    ]


def policy(
    scenarios: Sequence[Scenario],
    hours: Sequence[HalfHour],
    store: Store = STORE,
    end_price: float = 0.0,
    cells: int = 24,
) -> Policy:
    return Policy(store, hours, Likeness(scenarios, Tuning()), [end_price / 1000] * cells)
