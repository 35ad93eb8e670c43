"""The planner through the days: what it does without a past, with gaps, with a forecast, and its plan for the night."""

from dataclasses import replace
from itertools import pairwise

import pytest

from rules.model.errors import BrimfulError
from rules.planning.forecast import Expected
from rules.planning.planner import Planner
from rules.planning.store import HALF_HOURS_A_DAY, Store
from tests.support.planning import STORE, day, half_hours, profile

NIGHT = tuple(0.1 if slot < 10 else 0.35 for slot in range(HALF_HOURS_A_DAY))
MORNINGS = profile(h7=1200.0, h7_5=1200.0)
SUN = profile(**{f"h{hour}": 900.0 for hour in range(10, 16)})
EXPORT = 0.05


def past(first: int, last: int, surplus_wh: tuple[float, ...] = profile()) -> list:
    return [day(number, surplus_wh, MORNINGS) for number in range(first, last)]


def night(planner: Planner, today: int, stock_wh: float = 0.0) -> float:
    """Wh bought in the cheap hours of a night."""
    hours = half_hours(today, 2, NIGHT, EXPORT)
    bought = 0.0
    for at in range(10):
        stock_wh *= 1 - planner.store.loss_per_half_hour
        decision = planner.decide(hours[at:], stock_wh, 0.0, 0.0)
        stock_wh += decision.grid_wh + decision.sun_wh
        bought += decision.grid_wh
    return bought


def test_a_past_of_mornings_makes_it_heat_for_the_morning() -> None:
    assert 2300 < night(Planner(STORE, past(1, 29)), 29) < 3200


def test_without_a_past_it_heats_for_a_published_profile() -> None:
    # At most what the heaviest of the assumed days takes, with what is lost meanwhile.
    assert 0.3 * STORE.capacity_wh < night(Planner(STORE), 29) <= 0.9 * STORE.capacity_wh


def test_a_week_of_gaps_leaves_the_days_before_it_in_force() -> None:
    unknown = [day(number, [None] * HALF_HOURS_A_DAY, [None] * HALF_HOURS_A_DAY) for number in range(22, 29)]
    whole = night(Planner(STORE, past(1, 22)), 29)
    assert night(Planner(STORE, past(1, 22) + unknown), 29) == whole
    assert 2300 < whole < 3200


def test_unknown_half_hours_of_today_are_not_taken_for_idle_ones() -> None:
    """Mornings without a draw are followed by days without one; a morning without readings says nothing."""
    at_home = profile(h6=1000.0, h7=1000.0, h19=3000.0)
    days = [day(number, profile(), at_home if number * number % 7 in (1, 2) else profile()) for number in range(1, 29)]
    cheap_at_eight = tuple(0.1 if slot in (16, 17, 18, 19) else 0.5 for slot in range(HALF_HOURS_A_DAY))
    hours = half_hours(29, 2, cheap_at_eight, EXPORT)
    bought = {}
    for drawn_wh in (None, 0.0):
        planner, bought[drawn_wh] = Planner(STORE, days), 0.0
        for at in range(20):
            bought[drawn_wh] += planner.decide(hours[at:], bought[drawn_wh], drawn_wh, drawn_wh).grid_wh
    assert bought[None] > bought[0.0] + 500


def test_a_sunny_forecast_leaves_room_and_a_dull_one_does_not() -> None:
    evenings = profile(h19=2400.0)
    days = [day(number, SUN if number * number % 7 in (1, 2) else profile(), evenings) for number in range(1, 29)]
    bought = {}
    for wh in (100.0, 5400.0):
        planner = Planner(STORE, days)
        planner.forecast({29: Expected(wh, 0.2), 30: Expected(wh, 0.2)})
        bought[wh] = night(planner, 29)
    assert bought[100.0] > 2000
    assert bought[5400.0] < 300


def test_a_forecast_that_changes_makes_it_plan_anew() -> None:
    planner = Planner(STORE, past(1, 29))
    hours = half_hours(29, 2, NIGHT, EXPORT)
    planner.decide(hours, 0.0, 0.0, 0.0)
    before = planner._policy
    planner.decide(hours[1:], 0.0, 0.0, 0.0)
    assert planner._policy is before
    planner.forecast({})
    planner.decide(hours[2:], 0.0, 0.0, 0.0)
    assert planner._policy is not before


def test_new_prices_make_it_plan_anew() -> None:
    planner = Planner(STORE, past(1, 29))
    planner.decide(half_hours(29, 2, NIGHT, EXPORT), 0.0, 0.0, 0.0)
    before = planner._policy
    planner.decide(half_hours(29, 2, (0.2,) * HALF_HOURS_A_DAY, EXPORT)[1:], 0.0, 0.0, 0.0)
    assert planner._policy is not before


def test_the_price_of_a_repeated_hour_is_its_own() -> None:
    """In autumn two half hours share a place on the clock; the first of them is dear, the second is nearly free."""
    hours = half_hours(29, 1, (0.4,) * HALF_HOURS_A_DAY, EXPORT)
    first, second = hours[4], hours[4].__class__(29, 1, 4, -0.2, EXPORT)
    planner = Planner(STORE, past(1, 29))
    assert planner.decide([first, second, *hours[5:]], 0.0, 0.0, 0.0).grid_wh == 0.0
    assert planner.decide([second, *hours[5:]], 0.0, 0.0, 0.0).grid_wh == STORE.half_hour_wh


def test_a_tank_without_room_or_all_reserve_takes_nothing_but_the_reserve() -> None:
    hours = half_hours(29, 2, NIGHT, EXPORT)
    assert Planner(Store(0.0, 3000.0, 0.0, 0.5)).decide(hours, 0.0, 500.0, 0.0).sun_wh == 0.0
    all_reserve = Planner(Store(2000.0, 3000.0, 0.0, 0.5, reserve_wh=2000.0))
    assert all_reserve.decide(hours, 1000.0, 0.0, 0.0).grid_wh == 1000.0


def test_an_earlier_day_is_refused() -> None:
    planner = Planner(STORE)
    planner.decide(half_hours(29, 2, NIGHT, EXPORT), 0.0, 0.0, 0.0)
    with pytest.raises(BrimfulError, match="expected day 29 or later, got 28"):
        planner.decide(half_hours(28, 2, NIGHT, EXPORT), 0.0, 0.0, 0.0)


def planned(confidence: float | None = None, missing_price: float = 0.6) -> tuple:
    # Every fourth morning takes twice as much.
    days = [day(n, profile(), profile(h7=1200.0, h7_5=1200.0, h8=2400.0 * (n % 4 == 0))) for n in range(1, 29)]
    planner = Planner(Store(8000.0, 3000.0, 0.003, missing_price), days)
    planner.decide(half_hours(29, 2, NIGHT, EXPORT), 0.0, 0.0, 0.0)
    return planner.plan(0.0, confidence=confidence), planner


def test_the_plan_says_how_much_when_and_why() -> None:
    plan, _ = planned()
    assert 2400 < plan.grid_wh < 5500
    assert all(run.wh > 0 and 0 < run.first < run.last <= 49 for run in plan.runs)
    assert all(before.last < after.first for before, after in pairwise(plan.runs))
    assert sum(run.wh for run in plan.runs) == pytest.approx(plan.grid_wh, rel=0.1)
    assert plan.runs[0].last <= 10  # in the cheap hours
    assert 20 < plan.target_level_pct <= 100
    assert plan.days_of_history == 28
    assert plan.drawn_wh == pytest.approx(3000.0, rel=0.25)
    assert "28 days" in plan.reasons[0]
    assert "0.100" in " ".join(plan.reasons)


def test_more_confidence_heats_more_and_risks_less() -> None:
    cheap, _ = planned(missing_price=0.11)
    sure, _ = planned(confidence=0.9, missing_price=0.11)
    assert cheap.cold_risk > 0.1 >= sure.cold_risk
    assert sure.grid_wh > cheap.grid_wh


def test_a_plan_without_its_outlook_is_the_same_plan() -> None:
    plan, planner = planned(confidence=0.9)
    assert plan.outlook is not None
    assert planner.plan(0.0, confidence=0.9, with_outlook=False) == replace(plan, outlook=None)


def test_a_plan_made_again_from_another_stock_is_as_one_made_afresh() -> None:
    """What it took to be as sure as asked is kept for the day, and no longer than the policy it belongs to."""
    again = planned(confidence=0.9, missing_price=0.11)[1].plan(1500.0, confidence=0.9)
    assert again == planned(missing_price=0.11)[1].plan(1500.0, confidence=0.9)
    nightly, planner = planned(confidence=0.9, missing_price=0.11)
    flat = half_hours(29, 2, (0.2,) * HALF_HOURS_A_DAY, EXPORT)
    planner.decide(flat[1:], 0.0, 0.0, 0.0)
    assert planner.plan(0.0, confidence=0.9).expected_cost > nightly.expected_cost


def test_a_plan_before_the_first_decision_is_none_and_a_silly_confidence_is_refused() -> None:
    assert Planner(STORE).plan(0.0) is None
    with pytest.raises(BrimfulError, match=r"confidence: expected 0 to below 1, got 1\.5"):
        Planner(STORE).plan(0.0, confidence=1.5)
