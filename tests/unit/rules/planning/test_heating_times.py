"""When the tank is heated on purpose: the cheapest stretch of the last day, the latest of equal ones, each day once."""

from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import settings as rounds
from hypothesis import strategies as st

from rules.model.memory import HotRecord
from rules.model.settings import Away, Hygiene, Settings
from rules.model.snapshot import HeatingTimes, Stretch
from rules.planning.heating_times import cheapest, heating_times
from rules.planning.store import HALF_HOUR_S
from tests.support.rules_case import START_UTC_S, moment, settings

HOUR_S, DAY_S = 3600.0, 86_400.0
RULE = Hygiene("main", need_s=3.2 * HOUR_S)
RULES = settings(hygiene=RULE)
HOT = HotRecord(START_UTC_S, START_UTC_S)
"""Hot at 12:00 UTC: due in seven days at 12:00."""


def nights(utc_s: float) -> Fraction:
    """Cheap from 00:00 to 07:00 UTC."""
    return Fraction(1, 10) if utc_s % DAY_S < 7 * HOUR_S else Fraction(3, 10)


def unknown(utc_s: float) -> None:
    return None


def at(day: float, record: HotRecord | None = HOT, price: Callable[[float], Fraction | None] = nights) -> HeatingTimes:
    return heating_times(RULES, record, moment(day * DAY_S), price)


def test_nothing_is_planned_while_the_sun_has_days_left() -> None:
    assert at(0.01) == HeatingTimes(None, None, START_UTC_S + 6 * DAY_S)


def test_the_last_night_before_it_is_due_is_used_as_late_as_is_cheap() -> None:
    stretch = at(6.0).hygiene
    midnight_s = START_UTC_S + 6.5 * DAY_S
    assert stretch == Stretch(midnight_s + 3.5 * HOUR_S, midnight_s + 7 * HOUR_S)
    assert at(6.6).hygiene == stretch, "and stays where it is once it has begun"
    assert at(6.0).until_s == START_UTC_S + 6 * DAY_S + HALF_HOUR_S, "prices may come in"


def test_without_prices_it_is_as_late_as_can_be() -> None:
    assert at(6.0, price=unknown).hygiene == Stretch(START_UTC_S + 7 * DAY_S - 3.5 * HOUR_S, START_UTC_S + 7 * DAY_S)


def test_a_day_that_passed_in_vain_is_followed_by_the_next() -> None:
    first = at(6.0).hygiene
    assert first is not None
    assert at(7.0).hygiene == Stretch(first.from_s + DAY_S, first.until_s + DAY_S)
    assert at(9.9).hygiene == Stretch(first.from_s + 3 * DAY_S, first.until_s + 3 * DAY_S)


def test_a_tank_not_known_to_have_been_hot_is_heated_in_the_first_night() -> None:
    midnight_s = START_UTC_S + 0.5 * DAY_S
    assert at(0.0, HotRecord(START_UTC_S)).hygiene == Stretch(midnight_s + 3.5 * HOUR_S, midnight_s + 7 * HOUR_S)


def test_what_the_stop_level_ended_is_not_bought_again_each_night() -> None:
    tried = HotRecord(START_UTC_S, START_UTC_S, tried_utc_s=START_UTC_S + 6.7 * DAY_S)
    assert at(7.0, tried).hygiene is None
    assert at(12.8, tried).hygiene is not None


def test_a_rule_that_cannot_heat_or_has_no_record_plans_nothing() -> None:
    silent = settings(hygiene=Hygiene("main", why_not="heat is false"))
    assert heating_times(silent, HOT, moment(6 * DAY_S), nights) == HeatingTimes()
    assert heating_times(settings(), None, moment(6 * DAY_S), nights) == HeatingTimes()
    assert at(0.0, None) == HeatingTimes(None, None, START_UTC_S + HALF_HOUR_S), "looked at again once there is one"


def away(*periods: tuple[float, float]) -> Settings:
    absences = tuple((START_UTC_S + start * DAY_S, START_UTC_S + end * DAY_S) for start, end in periods)
    return settings(away=Away(absences, "main", 3.2 * HOUR_S))


def test_the_tank_is_heated_within_the_absence_and_before_the_return() -> None:
    rules = away((1.0, 3.25))
    assert heating_times(rules, None, moment(DAY_S), nights) == HeatingTimes(None, None, START_UTC_S + 2.25 * DAY_S)
    homecoming = heating_times(rules, None, moment(2.3 * DAY_S), nights).homecoming
    midnight_s = START_UTC_S + 2.5 * DAY_S
    assert homecoming == Stretch(midnight_s + 3.5 * HOUR_S, midnight_s + 7 * HOUR_S)
    assert heating_times(rules, None, moment(3.25 * DAY_S), nights) == HeatingTimes()


def test_a_short_absence_is_heated_through() -> None:
    start_s, end_s = START_UTC_S + DAY_S, START_UTC_S + DAY_S + 600.0
    rules = settings(away=Away(((start_s, end_s),), "main", 3.2 * HOUR_S))
    assert heating_times(rules, None, moment(DAY_S), nights).homecoming == Stretch(start_s, end_s)


def test_nobody_asks_for_it() -> None:
    rules = settings(away=Away(((START_UTC_S, START_UTC_S + DAY_S),)))
    assert heating_times(rules, None, moment(0.0), nights) == HeatingTimes()


PRICES = st.lists(st.one_of(st.none(), st.integers(-3, 5)), min_size=1, max_size=30)


@rounds(max_examples=200, deadline=None)
@given(PRICES, st.floats(1.0, 20 * HALF_HOUR_S))
def test_no_stretch_is_cheaper_and_none_as_cheap_is_later(prices: list[int | None], need_s: float) -> None:
    """Against every stretch there is, one by one."""
    base = 1_000 * HALF_HOUR_S
    told = {base + i * HALF_HOUR_S: None if price is None else Fraction(price) for i, price in enumerate(prices)}
    until_s = base + len(prices) * HALF_HOUR_S
    dearest = max((price for price in told.values() if price is not None), default=Fraction(0))
    found = cheapest(base, until_s, need_s, lambda utc_s: told[int(utc_s)])
    length = found.until_s - found.from_s
    assert base <= found.from_s < found.until_s <= until_s
    assert length >= min(need_s, until_s - base)
    assert length < need_s + HALF_HOUR_S

    def cost(from_s: float) -> Fraction:
        slots = range(int(from_s), int(from_s + length), HALF_HOUR_S)
        return sum((dearest if told[s] is None else told[s] or Fraction(0) for s in slots), Fraction(0))

    starts = [float(s) for s in range(base, int(until_s - length) + 1, HALF_HOUR_S)]
    assert cost(found.from_s) == min(map(cost, starts))
    assert all(cost(later) > cost(found.from_s) for later in starts if later > found.from_s)


@pytest.mark.parametrize("need_s", [0.0, float("inf")])
def test_no_need_and_an_endless_one(need_s: float) -> None:
    found = cheapest(0.0, 4 * HALF_HOUR_S, need_s, unknown)
    assert found == (Stretch(4 * HALF_HOUR_S, 4 * HALF_HOUR_S) if need_s == 0 else Stretch(0.0, 4 * HALF_HOUR_S))
