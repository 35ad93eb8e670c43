"""The instant at which time alone may change the decision: at it the decision has changed, before it it has not."""

import math
from collections.abc import Callable

import pytest

from rules.decision.deadlines import due
from rules.decision.decide import decide
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.overriding import set_override
from rules.model.reading import Moment
from rules.model.settings import Away, Battery, Full, Rest, Worth, Yield
from rules.model.snapshot import Prices, Snapshot
from tests.support.rules_case import START_UTC_S, House, moment, ruling, settings, snapshot


def stale_surplus() -> House:
    it = House()
    it.at(0)
    return it


def stale_level() -> House:
    it = House()
    it.at(0, seen={"tank_level_pct": -590.0})
    return it


def stale_temperature() -> House:
    it = House()
    it.at(0, top=50.0, seen={"tank_top_c": -590.0})
    return it


def stale_battery() -> House:
    it = House(settings(battery=Battery(maximum_discharge_w=100)))
    it.at(0, battery=0.0, seen={"battery_w": -50.0})
    return it


def stale_battery_level() -> House:
    it = House(settings(battery=Battery(minimum_level_pct=50)))
    it.at(0, battery_level=80.0, seen={"battery_level_pct": -590.0})
    return it


def yield_goes_silent() -> House:
    it = House(settings(yields=Yield("car_w", 500)))
    it.at(0, car=900.0, car_above_s=-55.0, seen={"car_w": -55.0})
    return it


def yield_time_passes() -> House:
    it = House(settings(yields=Yield("car_w", 500, 100)))
    it.at(0, car=0.0, car_above_s=-95.0)
    return it


def override_ends() -> House:
    it = House()
    it.memory = set_override(it.memory, Order.WITHHOLD, 7.3)
    it.at(0)
    return it


def minimum_off() -> House:
    it = House(settings(rest=Rest(0, 10)))
    it.at(-8)
    it.at(-4, surplus=-500.0)
    it.at(0)
    return it


def minimum_on() -> House:
    it = House(settings(rest=Rest(10, 0)))
    it.at(-4)
    it.at(0, surplus=-500.0)
    return it


def idle() -> House:
    it = House(settings(full=Full(idle_after_s=15)))
    it.at(-10)
    it.at(0, measured=(0.0,))
    return it


def retry() -> House:
    it = House(settings(full=Full(idle_after_s=15, retry_after_s=18)))
    it.at(-50)
    it.at(-40, measured=(0.0,))
    it.at(-15, measured=(0.0,))
    it.at(0, measured=(0.0,))
    return it


def away_begins() -> House:
    it = House(settings(away=Away(((START_UTC_S - 90, START_UTC_S - 80), (START_UTC_S + 5.1, START_UTC_S + 1e5)))))
    it.at(0)
    return it


def away_ends() -> House:
    it = House(settings(away=Away(((START_UTC_S - 90, START_UTC_S + 6.7), (START_UTC_S + 1e5, START_UTC_S + 2e5)))))
    it.at(0)
    return it


HOUSES: list[tuple[Callable[[], House], float, tuple[Order, str]]] = [
    (stale_surplus, 20.0, (Order.WITHHOLD, "fresh")),
    (stale_level, 10.0, (Order.WITHHOLD, "fresh")),
    (stale_temperature, 10.0, (Order.WITHHOLD, "limit")),
    (stale_battery, 10.0, (Order.WITHHOLD, "battery")),
    (stale_battery_level, 10.0, (Order.WITHHOLD, "battery")),
    (yield_goes_silent, 5.0, (Order.SURPLUS, "surplus")),
    (yield_time_passes, 5.0, (Order.SURPLUS, "surplus")),
    (override_ends, 7.3, (Order.SURPLUS, "surplus")),
    (minimum_off, 6.0, (Order.SURPLUS, "surplus")),
    (minimum_on, 6.0, (Order.WITHHOLD, "surplus")),
    (idle, 15.0, (Order.WITHHOLD, "full")),
    (retry, 3.0, (Order.SURPLUS, "surplus")),
    (away_begins, 5.1, (Order.WITHHOLD, "away")),
    (away_ends, 6.7, (Order.SURPLUS, "surplus")),
]


@pytest.mark.parametrize(("make", "at_s", "after"), HOUSES, ids=[make.__name__ for make, _, _ in HOUSES])
def test_changes_exactly_then(make: Callable[[], House], at_s: float, after: tuple[Order, str]) -> None:
    it = make()
    before = it.memory.decision
    assert before is not None
    assert ruling(before) != after
    due_s = it.due_s()
    assert due_s == pytest.approx(at_s, abs=2e-6)
    early = House(it.settings, it.memory)
    assert early.on(it.snapshot, due_s - 1e-5) is before
    assert ruling(it.again(due_s)) == after
    assert it.due_s() > due_s


@pytest.mark.parametrize("offset_s", [0.1, 1 / 3, 12345.678901, 1e6 + 0.7])
@pytest.mark.parametrize("limit_s", [0.1, 20.0, 59.7])
def test_the_sum_is_the_one_the_guards_compare_with(offset_s: float, limit_s: float) -> None:
    it = House(settings(stale_after_s={"tank_level_pct": 1e9, "surplus_w": limit_s}))
    it.at(offset_s)
    due_s = it.due_s()
    assert ruling(it.again(math.nextafter(due_s, 0))) == (Order.SURPLUS, "surplus")
    assert ruling(it.again(due_s)) == (Order.WITHHOLD, "fresh")


@pytest.mark.parametrize("mono_s", [0.0, 0.1, 77.7, 123456.789, START_UTC_S])
@pytest.mark.parametrize("edge_s", [0.3, 5.1, 10.000001, 3600.7])
def test_an_edge_by_the_calendar_is_reached_when_it_is_due(mono_s: float, edge_s: float) -> None:
    rules = settings(
        away=Away(((START_UTC_S + edge_s, START_UTC_S + 1e6),)),
        stale_after_s={"tank_level_pct": 1e9, "surplus_w": 1e9},
    )
    now = Moment(START_UTC_S, mono_s)
    known = snapshot(mono_s)
    decision, memory = decide(known, rules, Memory(), now)
    due_s = due(known, rules, memory, now)
    assert due_s > mono_s
    then = Moment(now.utc_of(due_s), due_s)
    decision, memory = decide(known, rules, memory, then)
    assert ruling(decision) == (Order.WITHHOLD, "away")
    assert due(known, rules, memory, then) > due_s


def test_nothing_is_due_where_nothing_is_known() -> None:
    it = House()
    it.on(Snapshot(), 0)
    assert it.due_s() == math.inf


def test_other_prices_are_due_while_they_are_asked_for_and_not_past() -> None:
    until = Prices(export_price=0.1, heat_value=0.2, until_s=START_UTC_S + 8)
    it = House(settings(worth=Worth(enabled=True)))
    it.at(0, prices=until)
    assert it.due_s() == pytest.approx(8)
    it.again(8)
    assert it.due_s() == 20
    other = House()
    other.at(0, prices=until)
    assert other.due_s() == 20


def test_what_is_past_is_not_due() -> None:
    it = House()
    it.at(0)
    it.again(1e6)
    assert it.due_s() == math.inf
    assert moment(1e6).mono_s == 1e6
