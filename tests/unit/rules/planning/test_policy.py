"""What the policy buys when everything is known, and when it isn't."""

from rules.planning.policy import Intake, choose
from rules.planning.store import HALF_HOURS_A_DAY, Store
from tests.support.planning import STORE, half_hours, policy, profile, scenario

NIGHT = tuple(0.1 if slot < 10 else 0.3 for slot in range(HALF_HOURS_A_DAY))
NO_SUN = profile()


def bought_at_night(
    surplus_wh: tuple[float, ...], drawn_wh: tuple[float, ...], missing_price: float = 0.6, lukewarm_wh: float = 0.0
) -> float:
    """Where the stock stands after the last cheap half hour of a day like the only scenario, from an empty tank."""
    store = Store(8000.0, 3000.0, 0.003, missing_price, lukewarm_wh=lukewarm_wh)
    made = policy([scenario(1, surplus_wh, drawn_wh)], half_hours(2, 1, NIGHT, 0.05), store, cells=80)
    stock_wh = 0.0
    for at in range(10):
        stock_wh *= 1 - store.loss_per_half_hour
        stock_wh += choose(store, made.worth(at, [1.0]), stock_wh, 0.0, 0.1, 0.05).grid_wh
    return stock_wh


def test_the_night_buys_what_the_day_needs() -> None:
    assert 2000 <= bought_at_night(NO_SUN, profile(h7=2000.0)) <= 2250


def test_the_night_leaves_to_the_sun_what_comes_before_the_draw() -> None:
    assert bought_at_night(profile(h12=1400.0, h13=1400.0), profile(h19=2000.0)) < 100


def test_nothing_is_bought_dearer_than_the_boiler() -> None:
    assert bought_at_night(NO_SUN, profile(h7=2000.0), missing_price=0.09) == 0.0


def test_a_draw_that_may_come_is_prepared_for_by_what_missing_it_costs() -> None:
    # One day in four draws: heat at 0.1 is worth having where missing it costs more than 0.4.
    days = [scenario(n, NO_SUN, profile(h7=2000.0 * (n % 4 == 0))) for n in range(1, 17)]
    bought = {}
    for missing_price in (0.6, 0.3):
        store = Store(8000.0, 3000.0, 0.0, missing_price)
        hours = half_hours(9, 1, tuple(0.1 if slot < 10 else 9.0 for slot in range(HALF_HOURS_A_DAY)), 0.05)
        made = policy(days, hours, store)
        stock_wh = 0.0
        for at in range(10):
            stock_wh += choose(store, made.worth(at, [1 / 16] * 16), stock_wh, 0.0, 0.1, 0.05).grid_wh
        bought[missing_price] = stock_wh
    assert bought[0.6] > 1500
    assert bought[0.3] < 500


def test_a_negative_price_fills_the_tank_and_leaves_the_sun_to_the_grid() -> None:
    assert choose(STORE, [0.0] * 24, 7000.0, 800.0, -0.1, 0.05) == Intake(0.0, 1000.0)


def test_sun_that_costs_nothing_goes_before_the_grid() -> None:
    assert choose(STORE, [0.0005] * 24, 0.0, 800.0, 0.3, 0.05) == Intake(800.0, 700.0)
    assert choose(STORE, [0.0002] * 24, 0.0, 800.0, 0.3, 0.05) == Intake(800.0, 0.0)
    assert choose(STORE, [0.0002] * 24, 0.0, 800.0, 0.3, 0.25) == Intake(0.0, 0.0)


def test_the_reserve_is_filled_at_any_price_and_counts_for_nothing_else() -> None:
    store = Store(8000.0, 3000.0, 0.003, 0.6, reserve_wh=2000.0)
    assert choose(store, [0.0] * 24, 1200.0, 300.0, 0.9, 0.5) == Intake(300.0, 500.0)
    assert choose(store, [0.0] * 24, 2000.0, 300.0, 0.9, 0.5) == Intake(0.0, 0.0)


def test_the_night_buys_what_carries_the_day_s_heat_too() -> None:
    assert bought_at_night(NO_SUN, NO_SUN, lukewarm_wh=1000.0) == 0.0
    assert 3000 <= bought_at_night(NO_SUN, profile(h7=2000.0), lukewarm_wh=1000.0) <= 3300


def test_a_tank_that_is_all_reserve_is_kept_full_and_nothing_more() -> None:
    store = Store(1000.0, 3000.0, 0.003, 0.6, reserve_wh=1000.0)
    made = policy([scenario(1, NO_SUN, profile(h7=500.0))], half_hours(2, 1, NIGHT, 0.05), store)
    assert choose(store, made.worth(0, [1.0]), 400.0, 0.0, 0.1, 0.05) == Intake(0.0, 600.0)
