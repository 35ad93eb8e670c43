"""The half hours to come where another rule heats: its heater runs whatever the plan says, and takes the sun first."""

from dataclasses import replace

import pytest

from rules.planning.course import Course, courses
from rules.planning.policy import Policy, sources
from rules.planning.store import HALF_HOURS_A_DAY, Store
from tests.support.planning import half_hours, policy, profile, scenario

STORE = Store(capacity_wh=8000.0, power_w=3000.0, loss_per_half_hour=0.0, missing_price=0.6)
FLAT = (0.3,) * HALF_HOURS_A_DAY
EXPORT = 0.05
AT_NOON = range(22, 28)
"""Half hours from 11 to 14, in which hygiene heats; the sun gives 600 Wh in each, and before and after as much."""
SUN = profile(**{f"h{half / 2}".replace(".", "_"): 600.0 for half in range(18, 32)})
PLACES = range(1, HALF_HOURS_A_DAY)


def made(surplus_wh: tuple[float, ...] = SUN, end_price: float = 0.2) -> Policy:
    hours = half_hours(3, 2, FLAT, EXPORT)
    for at in AT_NOON:
        hours[at] = replace(hours[at], heated=True)
    return policy([scenario(2, surplus_wh, profile(h19=3000.0))], hours, STORE, end_price=end_price)


def played(policy: Policy, stock_wh: float = 0.0) -> Course:
    ((_, course),) = courses(policy, [1.0], stock_wh, PLACES)
    return course


def test_a_heater_that_another_rule_runs_takes_the_sun_first() -> None:
    course = played(made())
    in_its_hours = [course.stock_wh[at - 1] - course.stock_wh[at - 2] for at in AT_NOON]
    sun_wh = sum(min(600.0, wh) for wh in in_its_hours)
    assert sun_wh > 0
    assert course.given_wh == pytest.approx(sum(in_its_hours) - sun_wh)
    assert course.stock_wh[AT_NOON[-1] - 1] == pytest.approx(STORE.capacity_wh)
    assert course.spent == pytest.approx((course.sun_wh * EXPORT + sum(course.grid_wh) * 0.3) / 1000)
    assert course.sun_wh >= sun_wh


def test_without_sun_all_of_it_is_the_grid_s_and_in_no_cost() -> None:
    course = played(made(profile()))
    assert course.given_wh == pytest.approx(STORE.capacity_wh)
    assert course.sun_wh == course.spent == 0.0


def test_it_heats_from_its_first_half_hour_on() -> None:
    """With more time than it needs the heat is there early, though heat that is there later costs as little."""
    course = played(made(profile()))
    assert course.stock_wh[AT_NOON[1] - 1] == pytest.approx(2 * STORE.half_hour_wh)


def test_what_is_put_in_where_another_rule_heats_is_sun_before_grid_however_dear() -> None:
    assert sources(STORE, 600.0, 0.0, EXPORT, heated=True) == ((600.0, EXPORT / 1000), (900.0, 0.0))
    assert sources(STORE, 600.0, 0.0, EXPORT) == ((1500.0, 0.0),)
