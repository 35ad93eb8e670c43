"""Prices that nobody has published yet."""

import pytest

from rules.model.errors import BrimfulError
from rules.planning.policy import HalfHour
from rules.planning.prices import UsualPrices, usual_cheapest


def test_the_latest_days_of_the_kind_stand_for_it() -> None:
    known = [HalfHour(number, number % 7, 3, 0.1 if number % 7 < 5 else 0.2, 0.05) for number in range(14)]
    usual = UsualPrices(known, 14)
    assert usual.of(0, 3) == pytest.approx((0.1, 0.05))
    assert usual.of(6, 3) == pytest.approx((0.2, 0.05))


def test_old_prices_do_not_count_and_unknown_half_hours_take_what_there_is() -> None:
    usual = UsualPrices([HalfHour(1, 1, 3, 9.0, 9.0), HalfHour(30, 2, 3, 0.1, 0.05)], 14)
    assert usual.of(2, 3) == pytest.approx((0.1, 0.05))
    assert usual.of(6, 40) == pytest.approx((0.1, 0.05))


def test_where_no_price_is_known_none_is_made_up() -> None:
    with pytest.raises(BrimfulError, match="expected a known price"):
        UsualPrices([], 14).of(0, 0)


def test_the_cheapest_hour_of_a_usual_day() -> None:
    rows = [HalfHour(1, 1, 0, 0.1, 0.0), HalfHour(1, 1, 1, 0.3, 0.0), HalfHour(2, 2, 0, 0.2, 0.0)]
    assert usual_cheapest(rows) == pytest.approx(0.15)
    assert usual_cheapest([HalfHour(1, 1, 0, -0.1, 0.0)]) == 0.0
