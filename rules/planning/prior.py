"""What is assumed of a home with hardly a past yet: draws after a published profile, scaled to the tank.

The sun is the mean of the days that are known; before there is one, none.
"""

from collections.abc import Sequence

from rules.planning.past import Scenario
from rules.planning.store import HALF_HOURS_A_DAY, Store

FADED_AFTER_DAYS = 10
DRAWN_SHARES = (0.35, 0.6, 0.85)
"""Draws of a day as shares of the capacity. A tank is commonly larger than a day's use (common practice, no source)."""
# Regulation (EU) 814/2013, Annex III, table 1, profile M: kWh by half hour of the day.
PROFILE_M = {
    14: 1.505, 15: 0.105, 16: 0.21, 17: 0.21, 18: 0.105, 19: 0.105, 21: 0.105, 23: 0.21, 25: 0.315,
    29: 0.105, 31: 0.105, 33: 0.105, 36: 0.21, 37: 0.105, 38: 0.105, 41: 0.735, 42: 0.105, 43: 1.4,
}  # fmt: skip


def prior_scenarios(store: Store, known: Sequence[Scenario], today: int) -> list[Scenario]:
    """Invented days that stand beside the known ones, and fade as those grow in number.

    Each stands for a workday and for a Sunday, so that the kind of a day does not tell them from the known ones.
    """
    if len(known) >= FADED_AFTER_DAYS:
        return []
    total = sum(PROFILE_M.values())
    weight = 0.5 / len(DRAWN_SHARES) * (1.0 - len(known) / FADED_AFTER_DAYS)
    sun = tuple(sum(day.surplus_wh[slot] for day in known) / max(len(known), 1) for slot in range(HALF_HOURS_A_DAY))
    found = []
    for place, share in enumerate(DRAWN_SHARES):
        scale = share * store.capacity_wh / total
        drawn = tuple(PROFILE_M.get(slot, 0.0) * scale for slot in range(HALF_HOURS_A_DAY))
        usual = share * store.capacity_wh
        for kind, weekday in enumerate((0, 6)):
            number = today - 10_000 - 4 * place - 2 * kind
            found.append(Scenario(number, weekday, weight, sun, drawn, sum(sun), usual))
    return found
