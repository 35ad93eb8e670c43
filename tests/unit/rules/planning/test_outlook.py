"""What other choices would bring, and the fans of the day ahead."""

from dataclasses import replace
from itertools import pairwise

import pytest

from rules.planning.course import Filling, courses
from rules.planning.outlook import LEVELS_PCT, outlook
from rules.planning.planner import Planner
from rules.planning.policy import Policy
from rules.planning.store import HALF_HOURS_A_DAY, Store
from tests.support.planning import STORE, day, half_hours, policy, profile, scenario

NIGHT = tuple(0.1 if slot < 10 else 0.3 for slot in range(HALF_HOURS_A_DAY))
MORNINGS = [scenario(2 * n + 1, profile(h12=600.0), profile(h7=1000.0 + 2000.0 * (n % 2))) for n in range(6)]
EVEN = [1 / 6] * 6
PLACES = range(1, HALF_HOURS_A_DAY)


def made(store: Store = STORE) -> Policy:
    return policy(MORNINGS, half_hours(3, 2, NIGHT, 0.05), store, end_price=0.05)


def looked(stock_wh: float = 0.0, boiler_price: float = 0.6):  # type: ignore[no-untyped-def]
    planned = courses(made(), EVEN, stock_wh, PLACES)
    return outlook(planned, made(), EVEN, stock_wh, PLACES, boiler_price)


def test_the_plan_s_own_courses_are_played_once_and_shown_as_they_are() -> None:
    """What the plan says of its courses and what the outlook shows of them cannot differ."""
    (_, one), *_ = planned = courses(made(), EVEN, 0.0, PLACES)
    one.sun_wh += 600.0
    assert outlook(planned, made(), EVEN, 0.0, PLACES, 0.6).choices[0].sun_wh == pytest.approx(
        sum(share * course.sun_wh for share, course in planned)
    )


def test_each_choice_from_the_plan_to_a_full_tank() -> None:
    plan, *levels = looked().choices
    assert plan.level_pct is None
    assert [choice.level_pct for choice in levels] == list(LEVELS_PCT)
    assert levels[0].grid_wh == 0.0
    assert levels[0].cold_risk == 1.0
    assert levels[0].missing_wh == pytest.approx(2000.0)
    assert levels[0].cost == pytest.approx(2.0 * 0.6 + 0.6 * 0.05)
    assert levels[-1].cold_risk == 0.0
    assert all(fewer.grid_wh < more.grid_wh for fewer, more in pairwise(levels))
    assert all(fewer.left_wh <= more.left_wh for fewer, more in pairwise(levels))
    assert plan.net_cost <= min(choice.net_cost for choice in levels) + 0.01


def test_without_a_boiler_what_is_missing_costs_nothing() -> None:
    assert looked(boiler_price=0.0).choices[1].cost == pytest.approx(0.6 * 0.05)


def test_without_a_boiler_heat_left_saves_what_it_can_be_bought_for_and_not_what_cold_water_weighs() -> None:
    """Missing heat weighs 0.6 a kWh, and the cheapest heat to come costs 0.05."""
    for choice in looked(boiler_price=0.0).choices:
        assert choice.cost - choice.net_cost <= 0.05 * choice.left_wh / 1000 + 1e-9


def test_heat_that_is_there_counts_against_what_is_left() -> None:
    there, _, *_ = looked(stock_wh=6000.0).choices
    assert there.net_cost > there.cost  # more is used up than is left


def test_the_fans_hold_the_scenarios() -> None:
    found = looked()
    at_seven = 14 - 1
    assert (found.drawn_wh.low[at_seven], found.drawn_wh.high[at_seven]) == (1000.0, 3000.0)
    assert set(found.surplus_wh.middle) == {0.0, 600.0}
    for fan in (found.stock_wh, found.without_wh, found.drawn_wh, found.surplus_wh):
        assert len(fan.low) == len(fan.middle) == len(fan.high) == HALF_HOURS_A_DAY - 1
        assert all(low <= middle <= high for low, middle, high in zip(fan.low, fan.middle, fan.high, strict=True))
    assert all(bare <= more + 1e-6 for bare, more in zip(found.without_wh.low, found.stock_wh.low, strict=True))


def test_filling_takes_its_hours_alone_and_stops_at_its_level() -> None:
    filling = Filling(frozenset({2, 3}), 2500.0)
    for share, course in courses(made(), EVEN, 0.0, PLACES, filling):
        assert share == pytest.approx(1 / 6)
        assert [at for at, wh in zip(PLACES, course.grid_wh, strict=True) if wh] == [2, 3]
        assert max(course.stock_wh[:5]) == pytest.approx(2500.0)


def test_what_has_passed_is_noted_without_a_decision() -> None:
    """A planner that was given its past by `note` is the one that was given it as days."""
    days = [day(n, profile(h12=900.0), profile(h7=1500.0)) for n in range(1, 15)]
    hours = half_hours(15, 2, NIGHT, 0.05)
    by_days, by_notes = Planner(STORE, days), Planner(STORE)
    for hour in half_hours(1, 14, NIGHT, 0.05):
        past = days[hour.day - 1]
        by_notes.note(hour, past.surplus_wh[hour.slot], past.drawn_wh[hour.slot])
    for planner in (by_days, by_notes):
        planner.decide(hours, 0.0, 0.0, 0.0)
    first, second = by_days.plan(500.0), by_notes.plan(500.0)
    assert first is not None
    assert second is not None
    assert first.runs == second.runs
    assert first.days_of_history == second.days_of_history == 14


def test_being_surer_makes_no_cost_dearer_than_it_is() -> None:
    days = [day(n, profile(), profile(h7=1200.0 * (1 + n % 2))) for n in range(1, 15)]
    planner = Planner(STORE, days)
    planner.decide(half_hours(15, 2, NIGHT, 0.05), 0.0, 0.0, 0.0)
    plan = planner.plan(0.0, confidence=0.95, boiler_price=0.2)
    assert plan is not None
    assert plan.outlook is not None
    assert plan.expected_cost == pytest.approx(plan.outlook.choices[0].cost)
    assert plan.expected_cost == pytest.approx(plan.grid_wh * 0.1 / 1000 + plan.missing_wh * 0.2 / 1000, abs=0.02)


def test_a_level_is_filled_to_in_half_hours_that_no_other_rule_heats() -> None:
    """The cheapest are those of the other rule: filling in them would be no filling at all."""
    flat = half_hours(3, 2, (0.3,) * HALF_HOURS_A_DAY, 0.05)
    hours = [replace(hour, import_price=0.1, heated=True) if hour.slot in range(22, 28) else hour for hour in flat]
    it = policy([scenario(2, profile(), profile(h7=3000.0))], hours, end_price=0.05)
    found = outlook(courses(it, [1.0], 0.0, PLACES), it, [1.0], 0.0, PLACES, 0.0)
    nothing, some, *_, full = found.choices[1:]
    assert nothing.grid_wh == 0.0
    assert some.grid_wh > 3000.0
    assert full.grid_wh > some.grid_wh
    assert nothing.missing_wh > some.missing_wh
