"""When the tank is heated on purpose: the cheapest stretch of the last day before it has to be hot.

The sun has all the days before: what it heats throughout counts, and moves the day on. Within the last day the stretch
is where energy is cheapest; of equally cheap ones the latest, for the sun may still come first, and heat that waits is
lost. Where that day passes without success, the next days are used in the same way, each once: never a heater that
buys at any price because it is late.
"""

from collections.abc import Callable
from fractions import Fraction
from math import ceil, floor

from rules.model.memory import HotRecord
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.snapshot import HeatingTimes, Stretch
from rules.planning.store import HALF_HOUR_S
from rules.tank.hot_throughout import due_utc_s

DAY_S = 86_400

PriceAt = Callable[[float], Fraction | None]
"""The price of a kWh bought, at a UTC second; None where it is not known."""


def heating_times(settings: Settings, record: HotRecord | None, now: Moment, price_at: PriceAt) -> HeatingTimes:
    """The stretches that are planned at an instant.

    They depend on the last day that holds `now` and on the prices alone, so that a stretch which has begun stays where
    it is. Within that day they are planned anew each half hour: prices may come in, and the sun may have done it.
    """
    next_slot_s = float((floor(now.utc_s / HALF_HOUR_S) + 1) * HALF_HOUR_S)
    hygiene, first_s = _hygiene(settings, record, now, price_at)
    homecoming, second_s = _homecoming(settings, now, price_at)
    at_least_s = next_slot_s if hygiene is not None or homecoming is not None else float("inf")
    return HeatingTimes(hygiene, homecoming, min(at_least_s, max(first_s, next_slot_s), max(second_s, next_slot_s)))


def cheapest(from_s: float, until_s: float, need_s: float, price_at: PriceAt) -> Stretch:
    """The cheapest stretch of need_s, rounded up to half hours, from from_s to until_s; the latest of equal ones.

    An hour whose price is not known counts as the dearest that is. All of the time where it is no longer than need_s.
    """
    first, last = ceil(from_s / HALF_HOUR_S), floor(until_s / HALF_HOUR_S)
    count = min(ceil(need_s / HALF_HOUR_S), last - first) if need_s < until_s - from_s else last - first
    quoted = [price_at(slot * HALF_HOUR_S) for slot in range(first, last)]
    dearest = max((price for price in quoted if price is not None), default=Fraction(0))
    prices = [dearest if price is None else price for price in quoted]
    cost = best = sum(prices[:count], Fraction(0))
    start = 0
    for begin in range(1, len(prices) - count + 1):
        cost += prices[begin + count - 1] - prices[begin - 1]
        if cost <= best:
            best, start = cost, begin
    return Stretch(float((first + start) * HALF_HOUR_S), float((first + start + count) * HALF_HOUR_S))


def _hygiene(
    settings: Settings, record: HotRecord | None, now: Moment, price_at: PriceAt
) -> tuple[Stretch | None, float]:
    """The stretch of the last day, and the UTC second at which that day begins (inf: never)."""
    rule = settings.hygiene
    if rule is None or rule.why_not:
        return None, float("inf")
    if record is None:
        return None, now.utc_s
    by_s = due_utc_s(record, rule)
    if record.tried_utc_s is not None:
        by_s = max(by_s, record.tried_utc_s + rule.every_s)
    end_s = _day_end_s(by_s, now.utc_s)
    if now.utc_s < end_s - DAY_S:
        return None, end_s - DAY_S
    return cheapest(end_s - DAY_S, end_s, rule.need_s, price_at), end_s


def _day_end_s(by_s: float, now_utc_s: float) -> float:
    """The end of the day to use: by then, or, once that is past, a whole number of days later. On a half hour."""
    end_s = floor(by_s / HALF_HOUR_S) * HALF_HOUR_S
    late_days = floor((now_utc_s - end_s) / DAY_S) + 1 if now_utc_s >= end_s else 0
    return float(end_s + late_days * DAY_S)


def _homecoming(settings: Settings, now: Moment, price_at: PriceAt) -> tuple[Stretch | None, float]:
    """The stretch before the return from an absence, within it; and the UTC second from which it is planned."""
    away = settings.away
    if not away.heater:
        return None, float("inf")
    for start_s, end_s in away.periods:
        if now.utc_s >= end_s:
            continue
        from_s = max(start_s, end_s - DAY_S)
        if now.utc_s < from_s:
            return None, from_s
        if end_s - from_s < HALF_HOUR_S:
            return Stretch(from_s, end_s), end_s
        stretch = cheapest(from_s, end_s, away.need_s, price_at)
        return stretch, end_s
    return None, float("inf")
