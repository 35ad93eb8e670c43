"""What of the tank's heat a tap can use, from half hour to half hour."""

from dataclasses import replace

import pytest

from rules.planning.stock import Stock
from tests.support.planning import STORE

WARM = replace(STORE, lukewarm_wh=1000.0, warm_wh=5000.0)


@pytest.mark.parametrize(
    ("stock_wh", "left_wh", "missing_wh"),
    [(3000.0, 2000.0, 0.0), (1800.0, 800.0, 200.0), (1000.0, 0.0, 1000.0), (400.0, 0.0, 1000.0)],
)
def test_a_draw_is_served_from_what_is_above_the_lukewarm(stock_wh: float, left_wh: float, missing_wh: float) -> None:
    stock = Stock.of(stock_wh)
    assert stock.draw(WARM, 1000.0) == missing_wh
    assert stock.wh == left_wh


def test_a_half_heated_tank_serves_no_more_than_before_and_a_warm_one_all() -> None:
    stock = Stock.of(2000.0)
    stock.put(WARM, 2500.0)
    assert (stock.wh, stock.usable_wh) == (4500.0, 2000.0)
    assert stock.draw(WARM, 1500.0) == 500.0
    stock.put(WARM, 2000.0)
    assert stock.usable_wh == stock.wh == 5000.0
    assert stock.draw(WARM, 4000.0) == 0.0


def test_where_all_heat_counts_alike_all_is_usable() -> None:
    stock = Stock.of(0.0)
    stock.put(STORE, 500.0)
    stock.cool(STORE)
    assert stock.wh == stock.usable_wh == pytest.approx(500.0 * (1 - STORE.loss_per_half_hour))
    assert stock.draw(STORE, 600.0) == pytest.approx(600.0 - stock.wh - 500.0 * (1 - STORE.loss_per_half_hour))
