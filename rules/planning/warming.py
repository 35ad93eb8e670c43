"""The courses of a plan whose heating goes on until the tank is warm throughout.

The policy buys what the day needs, as late as it costs nothing more. Where the tank has to be warm throughout it takes
longer: it then ends when the policy's own heating would, or earlier where that is cheaper.
"""

from collections.abc import Sequence
from math import ceil

from rules.planning.course import Filling, Played, courses
from rules.planning.policy import Policy
from rules.planning.runs import runs_of

MOST = 0.5
"""Share of the scenarios that heat in a run."""


def warmed(policy: Policy, shares: Sequence[float], stock_wh: float, places: range, *, begun: bool = False) -> Played:
    """As `courses`; begun: whether the grid heats already, and goes on."""
    store = policy.store
    if not store.warm_wh or not store.half_hour_wh:
        return courses(policy, shares, stock_wh, places)
    half_hours = policy.half_hours[places.start : places.stop]
    prices = [half_hour.import_price for half_hour in half_hours]
    free = _half_hours(policy, stock_wh) if begun else 0
    filled = set(range(free))
    while True:
        filling = Filling(frozenset(places.start + at for at in filled), store.warm_wh, alone=False)
        played = courses(policy, shares, stock_wh, places, filling)
        run = next(((first, end) for first, end in runs_of(played, MOST) if end > free), None)
        if run is None:
            return played
        first, end = max(run[0], free), run[1]
        before_wh = sum(share * course.stock_wh[first - 1] for share, course in played) if first else stock_wh
        length = _half_hours(policy, before_wh)
        latest = max(end - length, free)
        start = cheapest_start(prices, length, max(latest - length, free), latest)
        reached_wh = sum(share * course.stock_wh[end - 1] for share, course in played)
        heated = any(half_hour.heated for half_hour in half_hours[start : start + length])
        if reached_wh < store.warm_wh and not heated:
            filled.update(range(start, start + length))
        free = max(end, start + length)


def cheapest_start(prices: Sequence[float], length: int, earliest: int, latest: int) -> int:
    """Where so many half hours cost least; the latest of equally cheap starts."""
    return min(range(earliest, latest + 1), key=lambda start: (round(sum(prices[start : start + length]), 9), -start))


def _half_hours(policy: Policy, stock_wh: float) -> int:
    """How long it takes to make the tank warm, at full power."""
    return max(ceil((policy.store.warm_wh - stock_wh) / policy.store.half_hour_wh), 0)
