"""When the tank is heated on purpose: the cheapest stretch of the last day before it has to be hot.

On the days before, the sun may do it: a tank that it has heated throughout counts, and moves the last day on. Within
the last day the cheapest stretch is used; of equally cheap ones the latest, because the sun may still do it first, and
because stored heat is lost. Where that day passes without success, the next days are used in the same way, each once:
being late is no reason to buy at any price. What has not begun may move, within the hours that are left.

For hygiene only the hours at home count: where the last day has none, the next day that has some is used, which is the
day of the return. For a return only the absence itself counts, and what is left of it is used however short it is.
"""

from collections.abc import Callable, Sequence
from fractions import Fraction
from math import ceil, floor

from rules.guards.away import absence
from rules.model.memory import HotRecord
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.snapshot import HeatingTimes, Stretch
from rules.planning.store import HALF_HOUR_S
from rules.tank.hot_throughout import due_utc_s

DAY_S = 86_400
_NONE = HeatingTimes()

PriceAt = Callable[[float], Fraction | None]
"""The price of a kWh bought, at a UTC second; None where it is not known."""
Parts = Sequence[tuple[float, float]]
"""Parts of a time as (start, end), UTC seconds, ascending, apart from one another."""


def heating_times(
    settings: Settings,
    record: HotRecord | None,
    now: Moment,
    price_at: PriceAt,
    standing: HeatingTimes = _NONE,
) -> HeatingTimes:
    """The stretches that are planned at an instant.

    Within the last day they are planned anew each half hour, in what is left of the day: prices may come in, and the
    sun may have done it. standing: as planned before; a stretch of it that has begun stays where it is until the day
    ends.
    """
    next_slot_s = float((floor(now.utc_s / HALF_HOUR_S) + 1) * HALF_HOUR_S)
    hygiene, first_s = _hygiene(settings, record, now, price_at, standing.hygiene)
    homecoming, second_s = _homecoming(settings, now, price_at, standing.homecoming)
    at_least_s = next_slot_s if hygiene is not None or homecoming is not None else float("inf")
    return HeatingTimes(hygiene, homecoming, min(at_least_s, max(first_s, next_slot_s), max(second_s, next_slot_s)))


def cheapest(parts: Parts, need_s: float, price_at: PriceAt) -> Stretch:
    """The cheapest stretch of need_s, rounded up to half hours, within one of the parts; the latest of equal ones.

    An hour whose price is not known counts as the dearest that is. Where no part has so many half hours, the stretch
    is the end of the longest: as much of it as need_s, or all of it. parts: at least one.
    """
    longest = max(parts, key=lambda part: (part[1] - part[0], part[0]))
    count = ceil(min(need_s, longest[1] - longest[0]) / HALF_HOUR_S)
    slots_of = [range(ceil(from_s / HALF_HOUR_S), floor(until_s / HALF_HOUR_S)) for from_s, until_s in parts]
    quoted = {slot: price_at(slot * HALF_HOUR_S) for slots in slots_of for slot in slots}
    dearest = max((price for price in quoted.values() if price is not None), default=Fraction(0))
    prices = {slot: dearest if price is None else price for slot, price in quoted.items()}
    best: tuple[Fraction, int] | None = None
    for slots in slots_of:
        if len(slots) < count:
            continue
        cost = sum((prices[slot] for slot in slots[:count]), Fraction(0))
        for begin in range(slots.start, slots.stop - count + 1):
            if begin > slots.start:
                cost += prices[begin + count - 1] - prices[begin - 1]
            if best is None or cost <= best[0]:
                best = cost, begin
    if best is None:
        return Stretch(max(longest[0], longest[1] - count * HALF_HOUR_S), longest[1])
    return Stretch(float(best[1] * HALF_HOUR_S), float((best[1] + count) * HALF_HOUR_S))


def _planned(
    parts: Parts, left: Parts, need_s: float, now: Moment, price_at: PriceAt, standing: Stretch | None
) -> Stretch:
    """The standing stretch, if it has begun and lies within one of the parts; else the cheapest in what is left."""
    if (
        standing is not None
        and standing.from_s <= now.utc_s
        and any(from_s <= standing.from_s and standing.until_s <= until_s for from_s, until_s in parts)
    ):
        return standing
    return cheapest(left, need_s, price_at)


def _left(parts: Parts, need_s: float, now_utc_s: float) -> Parts:
    """What is not past of the parts; all of them where too little is left, so that this day is past."""
    left = [(max(from_s, now_utc_s), until_s) for from_s, until_s in parts if now_utc_s < until_s]
    longest_s, left_s = (max((until_s - from_s for from_s, until_s in some), default=0.0) for some in (parts, left))
    return left if left_s >= min(need_s, longest_s) else parts


def _hygiene(
    settings: Settings, record: HotRecord | None, now: Moment, price_at: PriceAt, standing: Stretch | None
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
    end_s, parts = _last_day(settings, by_s, now.utc_s)
    if now.utc_s < end_s - DAY_S:
        return None, end_s - DAY_S
    left = _left(parts, rule.need_s, now.utc_s)
    return _planned(parts, left, rule.need_s, now, price_at, standing), end_s


def _last_day(settings: Settings, by_s: float, now_utc_s: float) -> tuple[float, Parts]:
    """The end of the day to use, on a half hour, and its hours at home.

    It ends then; or, once that is past, a whole number of days later. Where that is in an absence with a day or more to
    go, nobody would use the heat: the day of the return is used. A day without hours at home is passed over.
    """
    end_s = float(floor(by_s / HALF_HOUR_S) * HALF_HOUR_S)
    end_s += DAY_S * _days_gone(settings, end_s)
    if now_utc_s >= end_s:
        end_s += DAY_S * (floor((now_utc_s - end_s) / DAY_S) + 1)
    while not (parts := _at_home(settings, end_s - DAY_S, end_s)):
        end_s += DAY_S * max(_days_gone(settings, end_s), 1)
    return end_s, parts


def _days_gone(settings: Settings, utc_s: float) -> int:
    """For how many whole days more nobody is at home."""
    gone = absence(settings, utc_s)
    return 0 if gone is None else floor((gone[1] - utc_s) / DAY_S)


def _at_home(settings: Settings, from_s: float, until_s: float) -> Parts:
    """The parts of a time in which somebody is at home, in whole half hours."""
    parts = []
    for start_s, end_s in settings.away.periods:
        if from_s < end_s and start_s < until_s:
            parts.append((from_s, float(floor(start_s / HALF_HOUR_S) * HALF_HOUR_S)))
            from_s = float(ceil(end_s / HALF_HOUR_S) * HALF_HOUR_S)
    parts.append((from_s, until_s))
    return [part for part in parts if part[0] < part[1]]


def _homecoming(
    settings: Settings, now: Moment, price_at: PriceAt, standing: Stretch | None
) -> tuple[Stretch | None, float]:
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
        left = [(max(from_s, now.utc_s), end_s)]
        return _planned([(from_s, end_s)], left, away.need_s, now, price_at, standing), end_s
    return None, float("inf")
