"""Where the grid heats until the tank is warm throughout: in the cheapest hours that lead up to the need."""

from dataclasses import replace

import pytest

from rules.planning.course import Course, courses
from rules.planning.policy import Policy
from rules.planning.runs import cheapest_start, runs_of, warming
from rules.planning.store import HALF_HOURS_A_DAY
from tests.support.planning import STORE, half_hours, policy, profile, scenario

WARM = replace(STORE, lukewarm_wh=1000.0, warm_wh=5600.0)
NIGHT = tuple(0.1 if 2 <= slot < 12 else 0.3 for slot in range(HALF_HOURS_A_DAY))
"""Cheap from one to six."""
PLACES = range(1, HALF_HOURS_A_DAY)


def made(heated: range = range(0)) -> Policy:
    hours = half_hours(3, 2, NIGHT, 0.05)
    for at in heated:
        hours[at] = replace(hours[at], heated=True)
    return policy([scenario(2, profile(), profile(h7=2000.0))], hours, WARM)


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
    assert cheapest_start(prices, 3, 6, earliest) == start


def test_a_run_that_would_end_in_dear_hours_begins_earlier() -> None:
    it = made()
    plain = courses(it, [1.0], 0.0, PLACES)
    assert PLACES.start + runs_of(it, plain)[0][1] > 12
    filling = warming(it, plain, PLACES)
    assert filling is not None
    assert max(filling.places) < 12
    ((_, course),) = moved = courses(it, [1.0], 0.0, PLACES, filling)
    assert course.stock_wh[12 - PLACES.start - 1] >= WARM.warm_wh
    assert course.missing_wh == 0.0
    assert course.spent < plain[0][1].spent
    assert warming(it, moved, PLACES) is None


def test_it_does_not_begin_in_hours_that_another_rule_heats() -> None:
    it = made(heated=range(2, 12))
    plain = [(1.0, Course(grid_wh=[1500.0 if at in (12, 13, 14) else 0.0 for at in PLACES]))]
    assert runs_of(it, plain) == [(11, 14)]
    assert warming(it, plain, PLACES) is None


def test_what_few_scenarios_heat_is_no_run_of_a_tank_that_has_to_be_warm() -> None:
    played = [(share, Course(grid_wh=[1500.0 * (share < 0.5)] * 3)) for share in (0.4, 0.6)]
    assert runs_of(made(), played) == []
    assert runs_of(policy([scenario(2, profile(), profile())], half_hours(3, 2, NIGHT, 0.05)), played) == [(0, 3)]
    assert warming(policy([scenario(2, profile(), profile())], half_hours(3, 2, NIGHT, 0.05)), played, PLACES) is None
