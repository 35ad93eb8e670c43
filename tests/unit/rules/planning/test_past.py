"""Whole days of the past as scenarios."""

from rules.planning.past import kind_of, running_sums, scenarios
from rules.planning.store import HALF_HOURS_A_DAY
from tests.support.planning import day, profile


def test_a_day_with_few_gaps_is_filled_from_the_others() -> None:
    gappy = [None, *profile(h7=800.0)[1:]]
    days = [day(1, profile(), [300.0, *profile(h7=1000.0)[1:]]), day(2, profile(), gappy)]
    made = scenarios(days, 3, 20.0)
    assert made[1].drawn_wh[0] == 300.0
    assert made[1].before_drawn_wh == sum(made[0].drawn_wh)
    assert made[0].weight < made[1].weight


def test_a_day_with_many_gaps_is_not_usable() -> None:
    assert not day(1, [None] * 7 + [0.0] * 41, profile()).usable
    assert day(1, [None] * 6 + [0.0] * 42, profile()).usable


def test_nothing_usable_is_no_scenario() -> None:
    assert scenarios([], 3, 20.0) == []


def test_sums_so_far_and_of_late() -> None:
    assert running_sums([1.0, 2.0, 3.0]) == [1.0, 3.0, 6.0]
    assert running_sums([1.0, 2.0, 3.0], 2) == [1.0, 3.0, 5.0]
    assert len(running_sums(profile())) == HALF_HOURS_A_DAY


def test_kinds_of_day() -> None:
    assert [kind_of(weekday) for weekday in range(7)] == [0, 0, 0, 0, 0, 1, 2]
