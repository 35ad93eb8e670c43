"""Which days today is held to be like."""

import pytest

from rules.planning.forecast import Expected
from rules.planning.likeness import Likeness
from rules.planning.regression import regress
from rules.planning.tuning import Tuning
from tests.support.planning import profile, scenario


def sun(wh: float) -> tuple[float, ...]:
    return profile(h9=wh, h10=wh, h11=wh, h12=wh, h13=wh, h14=wh)


DULL, BRIGHT = range(1, 9), range(9, 17)
DAYS = [scenario(n, sun(100.0 + n), profile(h7=1000.0)) for n in DULL] + [
    scenario(n, sun(1000.0 + n), profile(h7=1000.0)) for n in BRIGHT
]
HERE = (20, 2)  # day, weekday


def share_of_bright(likeness: Likeness, slot: int, surplus_wh: tuple[float, ...]) -> float:
    shares = likeness.of_today((*HERE, slot), (3000.0, 1000.0), surplus_wh[: slot + 1], profile(h7=1000.0)[: slot + 1])
    assert sum(shares) == pytest.approx(1.0)
    return sum(shares[-len(BRIGHT) :])


def test_a_bright_morning_makes_today_like_bright_days() -> None:
    likeness = Likeness(DAYS, Tuning())
    assert share_of_bright(likeness, 21, sun(1000.0)) > 0.95
    assert share_of_bright(likeness, 21, sun(100.0)) < 0.05


def test_a_forecast_leans_the_shares_before_anything_is_seen() -> None:
    dull = Likeness(DAYS, Tuning(), {HERE[0]: Expected(600.0, 0.3)})
    bright = Likeness(DAYS, Tuning(), {HERE[0]: Expected(6000.0, 0.3)})
    assert share_of_bright(dull, 4, sun(0.0)) < 0.1
    assert share_of_bright(bright, 4, sun(0.0)) > 0.9


def test_no_scenario_follows_itself() -> None:
    rows = Likeness(DAYS, Tuning()).rows(20, *HERE)
    assert all(row[at] == 0.0 for at, row in enumerate(rows))
    assert all(sum(row) == pytest.approx(1.0) for row in rows)


def test_a_workday_counts_workdays_more() -> None:
    likeness = Likeness([scenario(n, sun(500.0), profile(h7=1000.0)) for n in range(14)], Tuning())
    workday = likeness.across_midnight(21, 0, 3000.0, 1000.0)
    assert workday[0] == pytest.approx(workday[5] / Tuning().other_kind)


def test_a_regression_finds_a_line_and_what_it_leaves_open() -> None:
    weights = [0.25] * 4
    (line, noise) = regress([[0.0, 1.0, 2.0, 3.0]], [[1.0, 3.0, 5.0, 7.0], [1.0, -1.0, -1.0, 1.0]], weights, 0.0)
    assert line.predict([5.0]) == pytest.approx(11.0)
    assert line.residual_sd == pytest.approx(0.0, abs=1e-9)
    assert noise.predict([5.0]) == pytest.approx(0.0)
    assert noise.residual_sd == pytest.approx(1.0)


def test_a_column_without_spread_says_nothing() -> None:
    (flat,) = regress([[2.0, 2.0]], [[1.0, 3.0]], [0.5, 0.5], 0.1)
    assert flat.predict([99.0]) == pytest.approx(2.0)
