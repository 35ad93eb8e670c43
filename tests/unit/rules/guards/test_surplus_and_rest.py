"""Enough surplus, with a band between start and stop; minimum on and off times."""

import pytest

from rules.model.orders import Order, Verdict
from rules.model.settings import Away, Battery, Full, Heater, Rest, Surplus
from tests.support.rules_case import MODULATED, START_UTC_S, House, ruling, settings

ON = (Order.SURPLUS, "surplus")
SURPLUS = Surplus(start_w=150, stop_w=20, over_s=60)


def test_starts_at_one_mean_and_stops_below_another() -> None:
    it = House(settings(surplus=SURPLUS))
    assert ruling(it.at(0, mean=149.9)) == (Order.WITHHOLD, "surplus")
    assert ruling(it.at(10, mean=150.0)) == ON
    assert ruling(it.at(20, mean=20.0)) == ON
    assert ruling(it.at(30, mean=19.9)) == (Order.WITHHOLD, "surplus")
    assert it.why().text == "Heater off: surplus 20 W on average over 60 s; starts at 150 W"
    assert ruling(it.at(40, mean=149.9)) == (Order.WITHHOLD, "surplus")


def test_says_how_much_is_short() -> None:
    it = House(settings(surplus=SURPLUS))
    it.at(0, surplus=-700.0)
    assert it.why().text == "Heater off: no surplus, 700 W short on average over 60 s; starts at 150 W"


def test_the_mean_decides_not_the_latest_reading() -> None:
    assert ruling(House(settings(surplus=SURPLUS)).at(0, surplus=-800.0, mean=300.0)) == ON
    assert ruling(House(settings(surplus=SURPLUS)).at(0, surplus=800.0, mean=100.0)) == (Order.WITHHOLD, "surplus")


def test_without_a_mean_nothing_starts() -> None:
    it = House()
    it.at(0, surplus=None)
    assert next(f for f in it.why().findings if f.guard == "surplus").sentence == "no surplus heard yet"


def test_a_gate_that_cannot_take_so_little_starts_later() -> None:
    it = House(settings(surplus=SURPLUS, heaters=(Heater("main", "gate", 3000.0, 400.0),)))
    assert ruling(it.at(0, mean=399.0)) == (Order.WITHHOLD, "surplus")
    assert ruling(it.at(10, mean=400.0)) == ON
    assert ruling(it.at(20, mean=20.0)) == ON


def test_a_modulated_heater_needs_its_least_power_and_the_margin_to_start() -> None:
    it = House(settings(surplus=SURPLUS, heaters=(Heater("main", "modulated", 3000.0, 400.0),)))
    assert ruling(it.at(0, mean=449.0)) == (Order.WITHHOLD, "surplus")
    assert ruling(it.at(10, mean=450.0)) == ON
    assert ruling(it.at(20, mean=400.0)) == ON
    assert ruling(it.at(30, mean=399.0)) == (Order.WITHHOLD, "surplus")


REST = Rest(minimum_on_s=60, minimum_off_s=90)


def test_minimum_off_delays_a_start_to_the_second() -> None:
    it = House(settings(rest=REST))
    assert ruling(it.at(0)) == ON  # off since ever before the first start
    it.at(100, surplus=-500.0)
    assert ruling(it.at(189.9)) == (Order.WITHHOLD, "rest")
    assert it.why().text == "Heater off: off for 89 s of at least 90 s; may start in 1 s"
    assert ruling(it.at(190)) == ON


@pytest.mark.parametrize(
    "blocked",
    [
        {"surplus": -500.0},
        {"battery_level": 10.0},
    ],
)
def test_minimum_on_holds_against_money_and_comfort(blocked: dict[str, object]) -> None:
    it = House(settings(rest=REST, battery=Battery(minimum_level_pct=50)))
    assert ruling(it.at(0, battery_level=80.0)) == ON
    known = {"battery_level": 80.0, **blocked}
    assert ruling(it.at(59.9, **known)) == (Order.SURPLUS, "rest")
    assert it.why().text == (
        "Taking surplus: on for 59 s of at least 60 s; may stop in 1 s, or when the tank reaches 95 %"
    )
    assert sum(finding.verdict is Verdict.FORBID for finding in it.why().findings) == 1
    assert ruling(it.at(60, **known))[0] is Order.WITHHOLD


@pytest.mark.parametrize(
    ("known", "guard"),
    [({"top": 90.0}, "limit"), ({"level": None}, "fresh"), ({"surplus": None}, "fresh"), ({"level": 96.0}, "full")],
)
def test_minimum_on_never_delays_a_hard_stop(known: dict[str, object], guard: str) -> None:
    it = House(settings(rest=REST))
    it.at(0)
    assert ruling(it.at(1, **known)) == (Order.WITHHOLD, guard)


def test_minimum_off_holds_after_a_hard_stop_too() -> None:
    it = House(settings(rest=REST, full=Full(95, 88)))
    it.at(0)
    it.at(10, level=96.0)
    assert ruling(it.at(20, level=80.0)) == (Order.WITHHOLD, "rest")


def test_a_held_modulated_heater_takes_its_least_power() -> None:
    it = House(settings(rest=REST, heaters=(MODULATED,)))
    it.at(0, surplus=1000.0)
    order = it.at(10, surplus=-500.0, mean=-500.0, measured=(300.0,)).orders[0]
    assert (order.order, order.guard, order.watts) == (Order.SURPLUS, "rest", 100)


def test_away_stops_after_the_minimum_on_time() -> None:
    it = House(settings(rest=REST, away=Away(((START_UTC_S + 10, START_UTC_S + 1000),))))
    it.at(0)
    assert ruling(it.at(10)) == (Order.SURPLUS, "rest")
    assert ruling(it.at(60)) == (Order.WITHHOLD, "away")
