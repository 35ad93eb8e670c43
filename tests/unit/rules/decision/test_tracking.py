"""Watts of a modulated heater."""

from typing import Any

import pytest

from rules.decision import tracking
from rules.model.memory import HeaterMemory
from rules.model.power_range import fit_w, lowest_w
from rules.model.settings import Heater, Surplus, Tracking
from tests.support.rules_case import House, settings

HEATER = Heater("main", "modulated", 3000.0, 100.0)
TRACKING = Tracking(margin_w=50, reversals=3, over_s=60)


def house(heater: Heater = HEATER, **changes: Any) -> House:
    return House(settings(heaters=(heater,), tracking=TRACKING, surplus=Surplus(100, 0), **changes))


@pytest.mark.parametrize(
    ("target_w", "expected_w"),
    [(99.9, 7), (100.0, 100), (850.9, 850), (3000.0, 3000), (9000.0, 3000)],
)
def test_fits_the_range_in_whole_watts(target_w: float, expected_w: int) -> None:
    assert fit_w(HEATER, target_w, below_w=7) == expected_w


@pytest.mark.parametrize(
    ("target_w", "expected_w"), [(999.0, 0), (1000.0, 1000), (1999.0, 1000), (2000.0, 2000), (9000.0, 2000)]
)
def test_rounds_down_to_the_steps_in_its_range(target_w: float, expected_w: int) -> None:
    heater = Heater("main", "modulated", 2500.0, 600.0, steps_w=(500, 1000, 2000, 3000))
    assert lowest_w(heater) == 1000
    assert fit_w(heater, target_w, below_w=0) == expected_w


def test_begins_with_the_latest_surplus_less_the_margin() -> None:
    assert house().at(0, surplus=1200.0, mean=500.0, measured=(0.0,)).orders[0].watts == 1150


def test_counts_what_it_takes_already() -> None:
    it = house()
    it.at(0, surplus=1200.0, measured=(0.0,))
    assert it.at(10, surplus=300.0, measured=(1140.0,)).orders[0].watts == 1390
    assert it.at(20, surplus=-500.0, mean=800.0, measured=(1390.0,)).orders[0].watts == 840


def test_without_a_meter_it_takes_what_it_was_ordered() -> None:
    it = house()
    it.at(0, surplus=1200.0)
    assert it.at(10, surplus=300.0).orders[0].watts == 1400
    stale = {"diverted_w": -100.0}
    assert it.at(20, surplus=250.0, measured=(0.0,), seen=stale).orders[0].watts == 1600


def test_the_same_reading_gives_no_second_step() -> None:
    it = house()
    it.at(0, surplus=1200.0, measured=(0.0,))
    decision = it.at(10, surplus=2000.0, measured=(1150.0,))
    memory = it.memory
    assert it.again(15) is decision
    assert it.memory is memory


def test_corrections_not_worth_a_message_are_left_out() -> None:
    it = house()
    decision = it.at(0, surplus=1200.0, measured=(0.0,))
    assert it.at(10, surplus=79.9, mean=1200.0, measured=(1150.0,)) is decision
    assert it.at(20, surplus=80.1, mean=1200.0, measured=(1150.0,)).orders[0].watts == 1180


def test_with_no_margin_every_watt_is_followed() -> None:
    it = House(settings(heaters=(HEATER,), tracking=Tracking(margin_w=0)))
    it.at(0, surplus=1200.0, measured=(0.0,))
    assert it.at(10, surplus=1.0, mean=1200.0, measured=(1200.0,)).orders[0].watts == 1201


def test_steps_are_halved_after_repeated_reversals_until_these_are_past() -> None:
    past = HeaterMemory()
    standing_w, past = tracking.step(HEATER, TRACKING, past, None, 1000, 0.0, 100)
    for at_s, target_w in ((5, 1400), (10, 1000), (15, 1400)):  # up, down, up: two reversals
        standing_w, past = tracking.step(HEATER, TRACKING, past, standing_w, target_w, at_s, 100)
        assert standing_w == target_w
    standing_w, past = tracking.step(HEATER, TRACKING, past, standing_w, 1000, 20.0, 100)  # the third
    assert standing_w == 1200
    standing_w, past = tracking.step(HEATER, TRACKING, past, standing_w, 1000, 25.0, 100)  # still damped
    assert standing_w == 1100
    standing_w, past = tracking.step(HEATER, TRACKING, past, standing_w, 500, 70.0, 100)  # the first is 60 s ago
    assert standing_w == 500


def test_noise_is_no_reversal() -> None:
    past = HeaterMemory()
    standing_w, past = tracking.step(HEATER, TRACKING, past, None, 1000, 0.0, 100)
    for i in range(1, 20):
        standing_w, past = tracking.step(HEATER, TRACKING, past, standing_w, 1000 + (-1) ** i * 20, i, 100)
    assert standing_w == 1000
    assert past.reversals_s == ()


def test_a_stop_forgets_the_reversals() -> None:
    it = house()
    for at_s, watts in ((0, 1000.0), (5, 1500.0), (10, 900.0), (15, 1500.0)):
        it.at(at_s, surplus=watts, mean=900.0, measured=(0.0,))
    assert it.memory.heaters[0].reversals_s != ()
    it.at(20, surplus=-900.0)
    assert it.memory.heaters[0].reversals_s == ()
    assert it.memory.heaters[0].step_sign == 0


def test_settles_on_a_house_that_answers_late() -> None:
    """Meter and heater one reading behind each other: undamped this swings for ever."""
    it = house()
    load_w, told_w, taken_w = 1800.0, 0, 0.0
    swings = []
    for at_s in range(0, 600, 2):
        surplus_w = load_w - taken_w  # the meter sees what the heater took one reading ago
        order = it.at(at_s, surplus=surplus_w, mean=load_w, measured=(float(told_w),)).orders[0]
        assert order.watts is not None
        taken_w, told_w = float(told_w), order.watts
        swings.append(told_w)
    assert max(swings[-50:]) - min(swings[-50:]) <= 60
    assert abs(swings[-1] - 1750) <= 60
