"""In which half hours the grid heats, and that a tank heated throughout is heated where it is cheapest.

The policy buys what the day needs. Heating that goes on until the tank is warm throughout takes longer than that, and
would end in hours that may be dear: it begins so much earlier as makes it cheapest.
"""

from collections.abc import Sequence

from rules.planning.course import Filling, Played
from rules.planning.policy import Policy

LEAST_RUN_WH = 50.0
"""Mean grid heat below which a half hour is in no run: it only happens in few scenarios."""
MOST = 0.5
"""Share of the scenarios that heat in a half hour of a run, where heating goes on until the tank is warm."""


def runs_of(policy: Policy, played: Played) -> list[tuple[int, int]]:
    """Half hours with enough grid heat, joined into runs without a break: first and end of each, from 0."""
    runs: list[tuple[int, int]] = []
    for at in range(len(played[0][1].grid_wh)):
        bought = [(share, course.grid_wh[at]) for share, course in played if course.grid_wh[at]]
        if sum(share * wh for share, wh in bought) < LEAST_RUN_WH:
            continue
        if policy.store.warm_wh and sum(share for share, _ in bought) <= MOST:
            continue
        if runs and runs[-1][1] == at:
            runs[-1] = (runs[-1][0], at + 1)
        else:
            runs.append((at, at + 1))
    return runs


def cheapest_start(prices: Sequence[float], first: int, end: int, earliest: int) -> int:
    """Where a run of this length costs least, ending no later than `end` and beginning no earlier than `earliest` or
    its own length before; the latest of equally cheap ones."""
    length = end - first
    starts = range(max(earliest, first - length), first + 1)
    return min(starts, key=lambda start: (round(sum(prices[start : start + length]), 9), -start))


def warming(policy: Policy, played: Played, places: range) -> Filling | None:
    """The runs until the tank is warm, moved to where they are cheapest; None where they are there already."""
    if not policy.store.warm_wh:
        return None
    half_hours = policy.half_hours[places.start : places.stop]
    prices = [half_hour.import_price for half_hour in half_hours]
    found: set[int] = set()
    moved, free = False, 0
    for first, end in runs_of(policy, played):
        start = cheapest_start(prices, first, end, free)
        if any(half_hour.heated for half_hour in half_hours[start:first]):
            start = first
        free = start + end - first
        moved |= start != first
        found.update(range(start, free))
    return Filling(frozenset(places.start + at for at in found), policy.store.warm_wh, alone=False) if moved else None
