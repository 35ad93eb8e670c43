"""A plan whose heating goes on until the tank is warm throughout: in time, and where that is cheapest."""

from dataclasses import replace

import pytest

from rules.planning.course import Course, Filling, courses
from rules.planning.policy import Policy
from rules.planning.store import HALF_HOURS_A_DAY
from rules.planning.warming import cheapest_start, warmed
from tests.support.planning import STORE, half_hours, policy, profile, scenario

WARM = replace(STORE, lukewarm_wh=1000.0, warm_wh=5600.0)
NIGHT = tuple(0.1 if 2 <= slot < 12 else 0.3 for slot in range(HALF_HOURS_A_DAY))
"""Cheap from one to six."""
FLAT = (0.3,) * HALF_HOURS_A_DAY
PLACES = range(1, HALF_HOURS_A_DAY)
BATH = 14
"""The half hour of the bath, at seven."""


def made(prices: tuple[float, ...] = NIGHT, heated: range = range(0), bath_wh: float = 2000.0) -> Policy:
    hours = half_hours(3, 2, prices, 0.05)
    for at in heated:
        hours[at] = replace(hours[at], heated=True)
    return policy([scenario(2, profile(), profile(h7=bath_wh))], hours, WARM)


def played(it: Policy, stock_wh: float = 0.0, *, begun: bool = False) -> tuple[Course, dict[int, float]]:
    """The course, and what the grid heats by half hour."""
    ((_, course),) = warmed(it, [1.0], stock_wh, PLACES, begun=begun)
    return course, {PLACES.start + at: wh for at, wh in enumerate(course.grid_wh) if wh}


@pytest.mark.parametrize(
    ("prices", "earliest", "start"),
    [
        ([3, 1, 1, 1, 2, 2], 0, 1),
        ([1, 1, 1, 1, 1, 1], 0, 3),  # of equally cheap ones the latest
        ([3, 1, 1, 1, 2, 2], 2, 2),
        ([1, 3, 3, 2, 2, 2], 0, 3),
        ([1, 1, 1, 9, 9, 9], 0, 0),
    ],
)
def test_a_run_begins_where_it_costs_least(prices: list[float], earliest: int, start: int) -> None:
    assert cheapest_start(prices, 3, earliest, 3) == start


@pytest.mark.parametrize("prices", [NIGHT, FLAT])
def test_the_whole_tank_is_warm_in_time_for_the_bath(prices: tuple[float, ...]) -> None:
    course, grid_wh = played(made(prices))
    assert course.missing_wh == 0.0
    assert max(course.stock_wh) == pytest.approx(WARM.warm_wh)
    assert max(grid_wh) < (12 if prices is NIGHT else BATH)
    assert course.spent == pytest.approx(min(prices) * sum(grid_wh.values()) / 1000)


def test_half_heated_it_would_be_cold() -> None:
    half = Filling(frozenset(range(6, 12)), 4000.0)
    ((_, course),) = courses(made(), [1.0], 0.0, PLACES, half)
    assert sum(course.grid_wh) > 3900.0
    assert course.missing_wh == 2000.0


def test_heating_that_has_begun_goes_on_first() -> None:
    course, grid_wh = played(made(bath_wh=0.0), 3000.0, begun=True)
    assert grid_wh.keys() == {1, 2}
    assert course.stock_wh[1] == pytest.approx(WARM.warm_wh)
    assert not played(made(bath_wh=0.0), 3000.0)[1]


def test_a_tank_that_was_made_warm_once_is_not_heated_again_for_what_it_holds() -> None:
    days = scenario(2, profile(), profile(h7=1500.0, h19=1500.0))
    course, grid_wh = played(policy([days], half_hours(3, 2, NIGHT, 0.05), WARM))
    assert course.missing_wh == 0.0
    assert max(grid_wh) < 12


def test_it_does_not_begin_in_hours_that_another_rule_heats() -> None:
    course, grid_wh = played(made(heated=range(2, 13)))
    assert course.given_wh > 0
    assert grid_wh.keys().isdisjoint(range(2, 13))


def test_where_all_heat_counts_alike_the_policy_s_own_courses_stand() -> None:
    it = policy([scenario(2, profile(), profile(h7=2000.0))], half_hours(3, 2, NIGHT, 0.05))
    assert warmed(it, [1.0], 0.0, PLACES, begun=True) == courses(it, [1.0], 0.0, PLACES)
