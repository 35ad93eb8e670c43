"""When the tank is heated on purpose: the cheapest stretch of the last day, the latest of equal ones, each day once."""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

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
    assert at(6.6).hygiene == stretch
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


@pytest.mark.parametrize(
    ("from_min", "until_min", "planned"),
    [
        (10, 55, (10, 55)),  # no whole half hour
        (20, 50, (20, 50)),  # half an hour long
        (10, 200, (10, 200)),  # shorter than the heating, which takes 192 min
        (10, 230, (20, 230)),  # longer, but with too few whole half hours
        (10, 250, (30, 240)),
    ],
)
def test_a_short_absence_off_the_half_hours_is_used_to_the_minute(
    from_min: int, until_min: int, planned: tuple[int, int]
) -> None:
    rules = settings(away=Away(((START_UTC_S + from_min * 60.0, START_UTC_S + until_min * 60.0),), "main", 192 * 60.0))
    homecoming = heating_times(rules, None, moment(from_min * 60.0), unknown).homecoming
    assert homecoming == Stretch(START_UTC_S + planned[0] * 60.0, START_UTC_S + planned[1] * 60.0)


def hygiene_and_away(*periods: tuple[float, float]) -> Settings:
    absences = tuple((START_UTC_S + start * DAY_S, START_UTC_S + end * DAY_S) for start, end in periods)
    return settings(hygiene=RULE, away=Away(absences))


def test_hygiene_is_planned_for_the_hours_at_home_of_the_last_day() -> None:
    night_s = START_UTC_S + 6.5 * DAY_S
    rules = hygiene_and_away((6.5 + 6.1 / 24, 6.9))
    assert heating_times(rules, HOT, moment(6 * DAY_S), nights).hygiene == Stretch(
        night_s + 2.5 * HOUR_S, night_s + 6 * HOUR_S
    ), "before they leave, on the last whole half hours"
    rules = hygiene_and_away((5.9, 6.5 + 6.1 / 24))
    assert heating_times(rules, HOT, moment(6 * DAY_S), nights).hygiene == Stretch(
        night_s + 6.5 * HOUR_S, night_s + 10 * HOUR_S
    ), "after the return, in what is left of the cheap hours"
    rules = hygiene_and_away((6.0, 6.9), (6.95, 7.0))
    assert heating_times(rules, HOT, moment(6 * DAY_S), nights).hygiene == Stretch(
        START_UTC_S + 6.9 * DAY_S + 0.4 * HOUR_S, START_UTC_S + 6.95 * DAY_S - 0.3 * HOUR_S
    ), "all the time there is, where it is shorter than the heating"


@pytest.mark.parametrize("back_day", [8.0, 8.01, 9.25, 10.0, 10.99, 4000.3])
def test_hygiene_due_in_an_absence_is_planned_for_the_day_of_the_return(back_day: float) -> None:
    rules = hygiene_and_away((6.9, back_day))
    day = 7.0 + int(back_day - 7 + 0.5 / 24)
    assert heating_times(rules, HOT, moment((day - 0.01) * DAY_S), nights) == HeatingTimes(
        None, None, START_UTC_S + day * DAY_S
    )
    stretch = heating_times(rules, HOT, moment(day * DAY_S), nights).hygiene
    assert stretch is not None
    assert START_UTC_S + back_day * DAY_S <= stretch.from_s < stretch.until_s <= START_UTC_S + (day + 1) * DAY_S
    assert heating_times(rules, HOT, moment(max(back_day, day) * DAY_S), nights).hygiene == stretch


def test_between_two_absences_hygiene_that_is_late_uses_what_time_there_is() -> None:
    rules = hygiene_and_away((5.0, 9.25), (9.3, 12.0))
    assert heating_times(rules, HOT, moment(9.1 * DAY_S), nights).hygiene == Stretch(
        START_UTC_S + 9.25 * DAY_S, START_UTC_S + 9.25 * DAY_S + HOUR_S
    )


def test_a_calendar_with_a_way_to_work_each_day_does_not_put_hygiene_off() -> None:
    rules = hygiene_and_away(*((day + 0.75, day + 1.2) for day in range(60)))
    slow = replace(rules, hygiene=replace(RULE, need_s=20 * HOUR_S))
    stretch = heating_times(slow, HOT, moment(6 * DAY_S), nights).hygiene
    assert stretch == Stretch(START_UTC_S + 6 * DAY_S + 5 * HOUR_S, START_UTC_S + 6 * DAY_S + 18 * HOUR_S)


def test_hygiene_that_has_begun_does_not_go_on_into_a_new_absence() -> None:
    standing = at(6.0)
    assert standing.hygiene is not None
    begun_s = standing.hygiene.from_s + 60 - START_UTC_S
    rules = hygiene_and_away((begun_s / DAY_S + 0.02, 7.5))
    stretch = heating_times(rules, HOT, moment(begun_s), nights, standing).hygiene
    assert stretch is not None
    assert stretch.until_s <= rules.away.periods[0][0]


def mornings(utc_s: float) -> Fraction:
    """What comes in later: half price from 08:00 to 12:00 UTC."""
    return Fraction(1, 20) if 8 * HOUR_S <= utc_s % DAY_S < 12 * HOUR_S else nights(utc_s)


def test_heating_that_has_begun_goes_on_whatever_prices_come_in() -> None:
    standing = at(6.0)
    assert standing.hygiene is not None
    before, within = standing.hygiene.from_s - 1 - START_UTC_S, standing.hygiene.from_s - START_UTC_S

    def planned(at_s: float, record: HotRecord = HOT, rules: Settings = RULES) -> Stretch | None:
        return heating_times(rules, record, moment(at_s), mornings, standing).hygiene

    assert planned(before) != standing.hygiene, "what has not begun may move"
    assert planned(within) == standing.hygiene
    assert planned(standing.hygiene.until_s - 1 - START_UTC_S) == standing.hygiene
    assert planned(standing.hygiene.until_s - START_UTC_S) == standing.hygiene, "each day once"
    assert planned(7 * DAY_S - 1) == standing.hygiene
    assert planned(7 * DAY_S) == Stretch(START_UTC_S + 7 * DAY_S + 20.5 * HOUR_S, START_UTC_S + 8 * DAY_S)
    assert planned(within, HotRecord(START_UTC_S, START_UTC_S + within)) is None, "the sun has done it"
    assert planned(within, rules=settings()) is None


def test_heating_for_a_return_that_has_begun_goes_on_too() -> None:
    rules = away((1.0, 3.25))
    standing = heating_times(rules, None, moment(2.3 * DAY_S), nights)
    assert standing.homecoming is not None
    begun_s = standing.homecoming.from_s - START_UTC_S
    for at_s in (begun_s, begun_s + 10 * HOUR_S):
        assert heating_times(rules, None, moment(at_s), mornings, standing).homecoming == standing.homecoming
    assert heating_times(rules, None, moment(begun_s - 1), mornings, standing).homecoming != standing.homecoming
    moved = away((1.0, 2.7))
    assert heating_times(moved, None, moment(begun_s), mornings, standing).homecoming != standing.homecoming


def test_a_price_that_comes_in_late_moves_no_stretch_into_hours_that_are_past() -> None:
    """One price until midnight; half an hour before, the next day's is published: three times as high."""
    midnight_s = START_UTC_S + 6.5 * DAY_S
    due = HotRecord(START_UTC_S, START_UTC_S - 4 * HOUR_S)

    def published(utc_s: float) -> Fraction:
        return Fraction(1, 10) if utc_s < midnight_s else Fraction(3, 10)

    standing = at(6.45, due, lambda utc_s: published(utc_s) if utc_s < midnight_s else None)
    assert standing.hygiene == Stretch(midnight_s + 4.5 * HOUR_S, midnight_s + 8 * HOUR_S)
    late = moment(6.5 * DAY_S - HALF_HOUR_S)
    begins_s = midnight_s - HALF_HOUR_S
    assert heating_times(RULES, due, late, published, standing).hygiene == Stretch(begins_s, begins_s + 3.5 * HOUR_S)
    rules = settings(away=Away(((START_UTC_S, midnight_s + 8 * HOUR_S),), "main", 3.2 * HOUR_S))
    assert heating_times(rules, None, late, published).homecoming == Stretch(begins_s, begins_s + 3.5 * HOUR_S)


def test_a_return_is_heated_for_in_what_is_left_and_hygiene_waits_for_the_next_day() -> None:
    """Without a plan of before, two hours ahead of the end: after that, the tank for the return would be cold."""
    rules = away((1.0, 3.25))
    last_s = START_UTC_S + 3.25 * DAY_S
    homecoming = heating_times(rules, None, moment(3.25 * DAY_S - 2 * HOUR_S), nights).homecoming
    assert homecoming == Stretch(last_s - 2 * HOUR_S, last_s)
    assert at(7.0 - 2 / 24).hygiene == at(6.0).hygiene


def test_nobody_asks_for_it() -> None:
    rules = settings(away=Away(((START_UTC_S, START_UTC_S + DAY_S),)))
    assert heating_times(rules, None, moment(0.0), nights) == HeatingTimes()


PRICES = st.lists(st.one_of(st.none(), st.integers(-3, 5)), min_size=1, max_size=30)


@rounds(max_examples=200, deadline=None)
@given(PRICES, st.floats(1.0, 20 * HALF_HOUR_S), st.lists(st.integers(1, 29), max_size=3, unique=True))
def test_no_stretch_is_cheaper_and_none_as_cheap_is_later(
    prices: list[int | None], need_s: float, cuts: list[int]
) -> None:
    """Against every stretch there is in any of the parts, one by one."""
    base = 1_000
    edges = [0, *sorted(cut for cut in cuts if cut < len(prices)), len(prices)]
    parts = [(begin, end) for begin, end in pairwise(edges) if end - begin > 1 or len(edges) == 2]
    if not parts:
        return
    costs = {base + i: None if price is None else Fraction(price) for i, price in enumerate(prices)}
    usable = {base + i for begin, end in parts for i in range(begin, end)}
    dearest = max((price for slot, price in costs.items() if slot in usable and price is not None), default=Fraction(0))
    seconds = [((base + begin) * HALF_HOUR_S, (base + end) * HALF_HOUR_S) for begin, end in parts]
    longest_s = max(until_s - from_s for from_s, until_s in seconds)
    found = cheapest(seconds, need_s, lambda utc_s: costs[int(utc_s) // HALF_HOUR_S])
    length = found.until_s - found.from_s
    assert any(from_s <= found.from_s < found.until_s <= until_s for from_s, until_s in seconds)
    assert length >= min(need_s, longest_s)
    assert length < need_s + HALF_HOUR_S

    def cost(from_s: float) -> Fraction:
        slots = [int(s) // HALF_HOUR_S for s in range(int(from_s), int(from_s + length), HALF_HOUR_S)]
        return sum((dearest if costs[slot] is None else costs[slot] or Fraction(0) for slot in slots), Fraction(0))

    starts = [
        float(s) for from_s, until_s in seconds for s in range(int(from_s), int(until_s - length) + 1, HALF_HOUR_S)
    ]
    assert cost(found.from_s) == min(map(cost, starts))
    assert all(cost(later) > cost(found.from_s) for later in starts if later > found.from_s)


@pytest.mark.parametrize("need_s", [0.0, float("inf")])
def test_no_need_and_an_endless_one(need_s: float) -> None:
    found = cheapest([(0.0, 4.0 * HALF_HOUR_S)], need_s, unknown)
    assert found == (Stretch(4 * HALF_HOUR_S, 4 * HALF_HOUR_S) if need_s == 0 else Stretch(0.0, 4 * HALF_HOUR_S))


@rounds(max_examples=15, deadline=None)
@given(
    st.lists(st.floats(6.0, 9.0), max_size=6, unique=True).map(sorted),
    st.floats(600.0, 30 * HOUR_S),
    st.floats(-0.5, 0.5),
    st.sampled_from([0.0, 0.3, 100.0]),
)
def test_day_by_day_hygiene_heats_once_stays_out_of_absences_and_where_it_has_begun(
    edges: list[float], need_s: float, off_days: float, late_s: float
) -> None:
    """Through days in which it never succeeds, with prices that come and go; seen late_s after each half hour."""
    rules = replace(hygiene_and_away(*list(pairwise(edges))[::2]), hygiene=replace(RULE, need_s=need_s))
    record = HotRecord(START_UTC_S, START_UTC_S + off_days * DAY_S)
    due_s = (START_UTC_S + (off_days + 7) * DAY_S) // HALF_HOUR_S * HALF_HOUR_S
    standing, begun = HeatingTimes(), set()
    for half_hour in range(6 * 48, 11 * 48):
        now = moment(half_hour * HALF_HOUR_S + late_s)
        times = heating_times(rules, record, now, nights if half_hour % 7 else unknown, standing)
        assert times.until_s > now.utc_s
        stretch, was = times.hygiene, standing.hygiene
        if was is not None and was.from_s <= now.utc_s - HALF_HOUR_S and now.utc_s < was.until_s:
            assert stretch == was
        if stretch is not None:
            assert all(stretch.until_s <= start_s or end_s <= stretch.from_s for start_s, end_s in rules.away.periods)
            if stretch.from_s <= now.utc_s:
                begun.add(stretch)
        standing = times
    assert begun, "there are two days at home in the end"
    assert len(begun) == len({(stretch.from_s - due_s) // DAY_S for stretch in begun}), "each day once"
