"""The arithmetic of the backward walk, against sums done by hand."""

import pytest

from rules.planning.marginal import Cooling, before_draw, before_purchase, blend, stock_where_worth_falls_to


def test_a_purchase_caps_what_heat_is_worth_until_it_runs_out() -> None:
    # One and a quarter cells for 3: the first needs of an empty tank are still worth what the cells above were.
    assert before_purchase([9.0, 7.0, 5.0, 1.0], 1.25, 3.0) == [6.5, 4.5, 3.0, 1.0]
    assert before_purchase([9.0, 7.0, 5.0, 1.0], 9.0, 3.0) == [3.0, 3.0, 3.0, 1.0]


def test_a_purchase_that_costs_more_than_heat_is_worth_changes_nothing() -> None:
    assert before_purchase([5.0, 4.0], 2.0, 5.0) == [5.0, 4.0]
    assert before_purchase([5.0, 4.0], 0.0, 1.0) == [5.0, 4.0]


def test_a_draw_makes_the_first_cells_worth_the_missing_price() -> None:
    assert before_draw([4.0, 3.0, 2.0], 1.25, 10.0) == [10.0, 5.5, 3.25]
    assert before_draw([4.0, 3.0, 2.0], 7.0, 10.0) == [10.0, 10.0, 10.0]


def test_a_loss_makes_heat_worth_less_and_moves_it_down() -> None:
    assert Cooling.of(0.5, 4).before([8.0, 6.0, 4.0, 2.0]) == [4.0, 4.0, 3.0, 3.0]
    assert Cooling.of(0.0, 3).before([3.0, 2.0, 1.0]) == [3.0, 2.0, 1.0]


def test_scenarios_blend_by_their_shares() -> None:
    assert blend([0.25, 0.75], [(4.0, 8.0), (0.0, 4.0)]) == [7.0, 3.0]


def test_the_stock_up_to_which_heat_is_worth_a_price() -> None:
    worth = [8.0, 6.0, 2.0]
    assert stock_where_worth_falls_to(worth, 9.0) == 0.0
    assert stock_where_worth_falls_to(worth, 1.0) == 3.0
    assert stock_where_worth_falls_to(worth, 4.0) == pytest.approx(2.0)  # half way between the middles at 1.5 and 2.5
