"""The owner's word: what it asks, of whom, and that it always ends."""

import math

import pytest

from rules.model.errors import BrimfulError
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.overriding import clear_override, override_order, set_override
from rules.model.settings import Away, Heater, Rest
from tests.support.rules_case import MODULATED, START_UTC_S, House, moment, ruling, settings

CAN_HEAT = Heater("main", "gate", 3000.0, 100.0, can_heat=True)
AWAY = Away(((START_UTC_S - 1000, START_UTC_S + 1e6),))


def overridden(it: House, order: Order, until_s: float = 600.0, heater: str | None = None) -> House:
    it.memory = set_override(it.memory, order, until_s, heater)
    return it


def test_withhold() -> None:
    it = overridden(House(), Order.WITHHOLD)
    assert ruling(it.at(0)) == (Order.WITHHOLD, "override")
    assert (
        it.why().text == "Heater off: your override keeps the heater off until 13:10; ends at 13:10 or when you end it"
    )


def test_surplus_passes_over_the_soft_guards() -> None:
    it = House(settings(away=AWAY))
    assert ruling(it.at(0, mean=-500.0)) == (Order.WITHHOLD, "away")
    assert ruling(overridden(it, Order.SURPLUS).at(1, mean=-500.0)) == (Order.SURPLUS, "override")


def test_heat() -> None:
    it = overridden(House(settings(heaters=(CAN_HEAT,))), Order.HEAT)
    assert ruling(it.at(0, surplus=-500.0)) == (Order.HEAT, "override")


def test_heat_is_never_given_to_a_heater_that_cannot() -> None:
    it = overridden(House(), Order.HEAT)
    assert ruling(it.at(0)) == (Order.SURPLUS, "surplus")
    assert ruling(it.at(1, surplus=-500.0)) == (Order.WITHHOLD, "surplus")
    assert ruling(it.at(2, surplus=None)) == (Order.WITHHOLD, "fresh")


def test_a_modulated_heater_heats_at_its_rated_power() -> None:
    heater = Heater("main", "modulated", 2800.0, 100.0, can_heat=True)
    it = overridden(House(settings(heaters=(heater,))), Order.HEAT)
    assert it.at(0, surplus=-500.0).orders[0].watts == 2800


def test_ordered_to_take_surplus_a_modulated_heater_takes_nothing_when_there_is_none() -> None:
    it = overridden(House(settings(heaters=(MODULATED,))), Order.SURPLUS)
    order = it.at(0, surplus=-500.0).orders[0]
    assert (order.order, order.watts) == (Order.SURPLUS, 0)
    assert it.at(10, surplus=900.0, measured=(0.0,)).orders[0].watts == 850


def test_ends_exactly_when_it_says_and_is_forgotten() -> None:
    it = overridden(House(), Order.WITHHOLD, until_s=600.0)
    assert ruling(it.at(599.9)) == (Order.WITHHOLD, "override")
    assert ruling(it.at(600.0)) == (Order.SURPLUS, "surplus")
    assert it.memory.override is None


@pytest.mark.parametrize("until_s", [math.inf, math.nan])
def test_one_without_an_end_is_refused(until_s: float) -> None:
    with pytest.raises(BrimfulError, match="expected an end"):
        set_override(Memory(), Order.SURPLUS, until_s)


def test_clear() -> None:
    it = overridden(House(), Order.WITHHOLD)
    it.at(0)
    it.memory = clear_override(it.memory)
    assert ruling(it.at(1)) == (Order.SURPLUS, "surplus")
    assert clear_override(it.memory) is it.memory


def test_withhold_stops_at_once_whatever_the_minimum_on_time() -> None:
    it = House(settings(rest=Rest(minimum_on_s=600, minimum_off_s=0)))
    it.at(0)
    assert ruling(overridden(it, Order.WITHHOLD).at(1)) == (Order.WITHHOLD, "override")


def test_surplus_starts_at_once_whatever_the_minimum_off_time() -> None:
    it = House(settings(rest=Rest(minimum_on_s=0, minimum_off_s=600)))
    it.at(0)
    it.at(10, surplus=-500.0)
    assert ruling(it.at(20)) == (Order.WITHHOLD, "rest")
    assert ruling(overridden(it, Order.SURPLUS).at(30)) == (Order.SURPLUS, "override")


TWO = (Heater("upper", "gate", 3000.0), Heater("lower", "gate", 2000.0))


def test_without_a_name_withhold_is_for_all_and_the_rest_for_the_preferred() -> None:
    it = overridden(House(settings(heaters=TWO, together=True)), Order.WITHHOLD)
    assert [order.guard for order in it.at(0).orders] == ["override", "override"]
    it = overridden(House(settings(heaters=TWO, away=AWAY, together=True)), Order.SURPLUS)
    assert [order.guard for order in it.at(0).orders] == ["override", "away"]


def test_by_name_it_is_for_that_heater_and_takes_the_place_of_the_preferred_one() -> None:
    it = House(settings(heaters=TWO, rest=Rest(600, 0)))
    assert ruling(it.at(0)) == (Order.SURPLUS, "surplus")
    decision = overridden(it, Order.SURPLUS, heater="lower").at(1)
    assert ruling(decision, 0) == (Order.WITHHOLD, "together")
    assert ruling(decision, 1) == (Order.SURPLUS, "override")


def test_together_it_has_the_first_share_of_the_surplus() -> None:
    heaters = (Heater("upper", "gate", 3000.0, 600.0), Heater("lower", "gate", 2000.0))
    it = House(settings(heaters=heaters, together=True))
    assert ruling(it.at(0, surplus=2500.0), 0) == (Order.SURPLUS, "surplus")
    decision = overridden(it, Order.SURPLUS, heater="lower").at(1, surplus=2500.0)
    assert ruling(decision, 1) == (Order.SURPLUS, "override")
    decision = overridden(House(it.settings), Order.SURPLUS, heater="lower").at(1, surplus=2500.0)
    assert ruling(decision, 0) == (Order.WITHHOLD, "surplus")


def test_it_asks_nothing_from_the_second_it_ends() -> None:
    memory = set_override(Memory(), Order.SURPLUS, 600.0)
    assert override_order(settings(), memory, moment(599.9), 0) is Order.SURPLUS
    assert override_order(settings(), memory, moment(600.0), 0) is None


def test_a_name_that_is_no_heater_asks_nothing() -> None:
    assert ruling(overridden(House(), Order.WITHHOLD, heater="attic").at(0)) == (Order.SURPLUS, "surplus")
