"""What is assumed of a home without a past: profile M by half hour, scaled to the tank, fading as days are known."""

import pytest

from rules.planning.past import Scenario
from rules.planning.prior import FADED_AFTER_DAYS, prior_scenarios
from rules.planning.store import HALF_HOURS_A_DAY, Store

STORE = Store(10_000.0, 3000.0, 0.001, 0.2)
# Regulation (EU) 814/2013, Annex III, table 1, profile M, added up by hand: kWh by half hour of the day.
BY_HALF_HOUR = {
    14: 1.505, 15: 0.105, 16: 0.21, 17: 0.21, 18: 0.105, 19: 0.105, 21: 0.105, 23: 0.21, 25: 0.315,
    29: 0.105, 31: 0.105, 33: 0.105, 36: 0.21, 37: 0.105, 38: 0.105, 41: 0.735, 42: 0.105, 43: 1.4,
}  # fmt: skip


def test_the_draws_are_those_of_the_profile_scaled_to_the_tank() -> None:
    small, *_, large = prior_scenarios(STORE, [], 100)
    for scenario, share in ((small, 0.35), (large, 0.85)):
        assert sum(scenario.drawn_wh) == pytest.approx(share * 10_000.0)
        scale = share * 10_000.0 / 5.845
        assert scenario.drawn_wh == pytest.approx([BY_HALF_HOUR.get(slot, 0.0) * scale for slot in range(48)])
        assert sum(scenario.surplus_wh) == 0.0, "no sun before a day is known"


def test_they_fade_as_days_are_known() -> None:
    day = (100.0,) * HALF_HOURS_A_DAY
    known = [Scenario(number, number % 7, 1.0, day, day, 4800.0, 4800.0) for number in range(FADED_AFTER_DAYS)]
    half = prior_scenarios(STORE, known[: FADED_AFTER_DAYS // 2], 100)
    assert sum(scenario.weight for scenario in half) == pytest.approx(0.5)
    assert half[0].surplus_wh == pytest.approx(day), "the sun is that of the days known"
    assert prior_scenarios(STORE, known, 100) == []
