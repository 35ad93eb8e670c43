"""What is assumed of a home with hardly a past yet: draws after a published profile (M), scaled to the tank.

The sun is the mean of the days that are known; before there is one, none.
"""

from collections.abc import Sequence

from rules.planning.past import Scenario
from rules.planning.store import HALF_HOUR_S, HALF_HOURS_A_DAY, Store
from rules.tank.tapping import PROFILE_M

FADED_AFTER_DAYS = 10
DRAWN_SHARES = (0.35, 0.6, 0.85)
"""Draws of a day as shares of the capacity. A tank is commonly larger than a day's use (common practice, no source)."""


def prior_scenarios(store: Store, known: Sequence[Scenario], today: int) -> list[Scenario]:
    """Invented days that stand beside the known ones, and fade as those grow in number.

    Each stands for a workday and for a Sunday, so that the kind of a day does not set them apart from the known ones.
    """
    if len(known) >= FADED_AFTER_DAYS:
        return []
    profile = [0.0] * HALF_HOURS_A_DAY
    for draw in PROFILE_M:
        profile[draw.at_s // HALF_HOUR_S] += draw.need_wh
    weight = 0.5 / len(DRAWN_SHARES) * (1.0 - len(known) / FADED_AFTER_DAYS)
    sun = tuple(sum(day.surplus_wh[slot] for day in known) / max(len(known), 1) for slot in range(HALF_HOURS_A_DAY))
    found = []
    for place, share in enumerate(DRAWN_SHARES):
        scale = share * store.capacity_wh / sum(profile)
        drawn = tuple(wh * scale for wh in profile)
        usual = share * store.capacity_wh
        for kind, weekday in enumerate((0, 6)):
            number = today - 10_000 - 4 * place - 2 * kind
            found.append(Scenario(number, weekday, weight, sun, drawn, sum(sun), usual))
    return found
