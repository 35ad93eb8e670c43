"""What a night would have cost had everything been known."""

import pytest

from rules.model.errors import BrimfulError
from rules.planning.hindsight import Outcome, least_cost, mean_regret, planned_cost
from rules.planning.store import HALF_HOURS_A_DAY, Store
from tests.support.planning import half_hours, profile

STORE = Store(8000.0, 3000.0, 0.0, 0.6)
NIGHT = tuple(0.1 if slot < 10 else 0.3 for slot in range(HALF_HOURS_A_DAY))
HOURS = half_hours(1, 1, NIGHT, 0.05)


def test_the_night_serves_the_morning_and_the_sun_the_evening() -> None:
    found = least_cost(STORE, HOURS, profile(h12=1500.0), profile(h7=2000.0, h19=1500.0), 0.0, 0.0, 0.6)
    assert found.cost == pytest.approx(2.0 * 0.1 + 1.5 * 0.05, rel=0.02)


def test_heat_left_lowers_the_cost_by_its_price() -> None:
    nothing = profile()
    assert least_cost(STORE, HOURS, nothing, nothing, 1000.0, 0.08, 0.6).cost == pytest.approx(-0.08)
    # Where it is worth more than the night's price the tank is filled: 7000 Wh gain 0.05 per kWh.
    assert least_cost(STORE, HOURS, nothing, nothing, 1000.0, 0.15, 0.6).cost == pytest.approx(
        -0.15 - 7 * 0.05, rel=0.02
    )


def test_more_than_a_day_is_refused() -> None:
    with pytest.raises(BrimfulError, match="expected at most 48, got 96"):
        least_cost(STORE, half_hours(1, 2, NIGHT, 0.05), [0.0] * 96, [0.0] * 96, 0.0, 0.0, 0.6)


def test_the_mean_regret_of_the_nights() -> None:
    assert mean_regret([Outcome(1.5, 1.0), Outcome(0.9, 1.0)]) == pytest.approx(0.25)
    assert mean_regret([]) is None


def test_a_plan_followed_to_the_letter_never_costs_less_than_the_least() -> None:
    surplus, drawn = profile(h12=1500.0), profile(h7=2000.0, h19=1500.0)
    least = least_cost(STORE, HOURS, surplus, drawn, 0.0, 0.1, 0.6)
    enough = [2000.0 if slot < 10 else 0.0 for slot in range(HALF_HOURS_A_DAY)]
    followed = planned_cost(STORE, HOURS, surplus, drawn, 0.0, 0.1, 0.6, enough)
    assert followed.cost == pytest.approx(2.0 * 0.1 + 1.5 * 0.05)
    assert followed.cost == pytest.approx(least.cost, abs=0.01)
    nothing = planned_cost(STORE, HOURS, surplus, drawn, 0.0, 0.1, 0.6, [0.0] * HALF_HOURS_A_DAY)
    assert nothing.cost == pytest.approx(2.0 * 0.6 + 1.5 * 0.05)
    # Where selling brings more than heat left is worth, the sun is sold.
    sold = planned_cost(STORE, HOURS, surplus, profile(), 0.0, 0.04, 0.6, [0.0] * HALF_HOURS_A_DAY)
    assert sold.cost == 0.0


def test_without_a_boiler_cold_water_weighs_in_what_is_done_and_is_in_no_cost() -> None:
    drawn = profile(h7=2000.0)
    least = least_cost(STORE, HOURS, profile(), drawn, 0.0, 0.0, None)
    assert least.missing_wh == pytest.approx(0.0, abs=40)  # the weight of 0.6 makes it heat
    assert least.cost == pytest.approx(2.0 * 0.1, rel=0.02)
    nothing = planned_cost(STORE, HOURS, profile(), drawn, 0.0, 0.0, None, [0.0] * HALF_HOURS_A_DAY)
    assert nothing.missing_wh == 2000.0
    assert nothing.cost == 0.0  # nothing was bought: no money
