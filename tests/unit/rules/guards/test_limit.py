"""The hard temperature limit and the sanity of the sensors."""

import math

import pytest

from rules.guards import limit
from rules.model.memory import HeaterMemory, Memory
from rules.model.orders import Order, Verdict
from rules.model.overriding import set_override
from rules.model.settings import Limit
from rules.model.share import WHOLE
from tests.support.rules_case import STALE_AFTER_S, House, moment, ruling, settings, snapshot

LIMIT = Limit(maximum_c=65.0, resume_below_c=60.0)


def house(**changes: object) -> House:
    return House(settings(limit=LIMIT, **changes))


def test_stops_exactly_at_the_limit() -> None:
    assert ruling(house().at(0, top=64.9)) == (Order.SURPLUS, "surplus")
    assert ruling(house().at(0, top=65.0)) == (Order.WITHHOLD, "limit")


@pytest.mark.parametrize("where", ["top", "mid", "bottom"])
def test_the_hottest_sensor_decides(where: str) -> None:
    known = {"top": 50.0, "mid": 50.0, "bottom": 50.0, where: 66.0}
    assert ruling(house().at(0, **known)) == (Order.WITHHOLD, "limit")


def test_the_guard_itself_holds_the_limit_on_a_memory_that_was_not_kept_up() -> None:
    rules, memory = settings(limit=LIMIT), Memory(heaters=(HeaterMemory(),))
    assert limit.judge(snapshot(0, top=64.9), rules, memory, moment(0), 0, WHOLE) is Verdict.ALLOW
    assert limit.judge(snapshot(0, top=65.0), rules, memory, moment(0), 0, WHOLE) is Verdict.FORBID


def test_a_tank_exactly_at_the_limit_has_reached_it() -> None:
    it = house()
    it.at(0, top=65.0)
    assert ruling(it.at(10, top=62.0)) == (Order.WITHHOLD, "limit")


def test_resumes_only_below_the_resume_temperature() -> None:
    it = house()
    it.at(0, top=66.0)
    assert ruling(it.at(10, top=60.0)) == (Order.WITHHOLD, "limit")
    assert ruling(it.at(20, top=59.9)) == (Order.SURPLUS, "surplus")


@pytest.mark.parametrize("order", [Order.SURPLUS, Order.HEAT])
def test_no_override_defeats_it(order: Order) -> None:
    it = house()
    it.memory = set_override(it.memory, order, 1000.0)
    assert ruling(it.at(0, top=66.0)) == (Order.WITHHOLD, "limit")


@pytest.mark.parametrize("nonsense", [-127.0, 200.0, math.nan, math.inf])
def test_an_impossible_temperature_is_unknown_however_cool_the_others_are(nonsense: float) -> None:
    it = house()
    assert ruling(it.at(0, top=nonsense, bottom=50.0)) == (Order.WITHHOLD, "limit")
    assert "which is impossible" in it.why().text
    assert ruling(it.at(1, top=50.0, bottom=50.0)) == (Order.SURPLUS, "surplus")


def test_a_hot_sensor_that_falls_silent_does_not_lift_the_limit() -> None:
    it = house(temperatures=("tank_top_c", "tank_bottom_c"), stale_after_s=STALE_AFTER_S | {"tank_top_c": 3.0})
    assert ruling(it.at(0, top=66.0, bottom=40.0)) == (Order.WITHHOLD, "limit")
    assert ruling(it.at(4, top=66.0, bottom=40.0, seen={"tank_top_c": 0.0})) == (Order.WITHHOLD, "limit")
    text = it.why().text
    assert "tank_top_c was last heard 4 s ago, 3 s allowed" in text
    assert "resumes when tank_top_c reads below 60 °C" in text
    assert "put # before each line of [signals.tank_top_c]" in text
    assert ruling(it.at(5000, top=62.0, bottom=40.0)) == (Order.WITHHOLD, "limit")
    assert ruling(it.at(5001, top=59.0, bottom=40.0)) == (Order.SURPLUS, "surplus")


def test_a_cool_sensor_that_falls_silent_is_unknown_not_cool() -> None:
    it = house(temperatures=("tank_top_c", "tank_bottom_c"))
    assert ruling(it.at(0, top=50.0, bottom=40.0)) == (Order.SURPLUS, "surplus")
    assert ruling(it.at(1000, top=50.0, bottom=40.0, seen={"tank_top_c": 0.0})) == (Order.WITHHOLD, "limit")
    assert ruling(it.at(1001, top=64.0, bottom=40.0)) == (Order.SURPLUS, "surplus"), "the limit was never reached"


def test_a_sensor_that_was_never_heard_is_unknown_however_cool_the_others_are() -> None:
    it = house(temperatures=("tank_top_c", "tank_bottom_c"))
    assert ruling(it.at(0, bottom=40.0)) == (Order.WITHHOLD, "limit")
    assert "tank_top_c has not been heard yet" in it.why().text
    it.memory = set_override(it.memory, Order.SURPLUS, 1000.0)
    assert ruling(it.at(1, bottom=40.0)) == (Order.WITHHOLD, "limit")


def test_a_limit_reached_while_another_sensor_was_silent_is_not_forgotten() -> None:
    it = house(temperatures=("tank_top_c", "tank_bottom_c"))
    it.at(0, top=66.0)
    assert ruling(it.at(1, top=62.0, bottom=40.0)) == (Order.WITHHOLD, "limit")
    assert ruling(it.at(2, top=59.0, bottom=40.0)) == (Order.SURPLUS, "surplus")


def test_what_was_too_hot_stays_so_while_the_sensor_is_silent() -> None:
    it = house()
    it.at(0, top=66.0)
    assert ruling(it.at(1000, top=66.0, seen={"tank_top_c": 0.0})) == (Order.WITHHOLD, "limit")
    assert ruling(it.at(1010, top=62.0)) == (Order.WITHHOLD, "limit")


def test_a_home_without_temperatures_is_allowed() -> None:
    assert ruling(house().at(0)) == (Order.SURPLUS, "surplus")


def test_a_home_with_temperatures_waits_for_the_first() -> None:
    it = house(temperatures=("tank_top_c",))
    assert ruling(it.at(0)) == (Order.WITHHOLD, "limit")
    assert ruling(it.at(1, top=50.0)) == (Order.SURPLUS, "surplus")


def test_a_limit_reached_is_forgotten_with_the_last_sensor() -> None:
    it = house()
    it.at(0, top=66.0)
    assert ruling(it.at(10)) == (Order.SURPLUS, "surplus")


def test_says_the_temperature_since_when_and_where_it_resumes() -> None:
    it = house()
    it.at(0, top=66.2)
    it.at(600, top=61.0)
    assert it.why().text == (
        "Heater off: hottest water 61 °C, reached the limit of 65 °C at 13:00; resumes below 60 °C"
    )
