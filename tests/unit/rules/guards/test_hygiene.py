"""The whole tank hot often enough: in its stretch it requires `heat`, and never past a hard guard."""

from dataclasses import replace
from typing import Any

import pytest

from rules.model.memory import HotRecord, Memory
from rules.model.orders import Order, Verdict
from rules.model.overriding import set_override
from rules.model.settings import Away, Battery, Heater, Hygiene, Limit
from rules.model.snapshot import HeatingTimes, Stretch
from tests.support.rules_case import START_UTC_S, House, ruling, settings

HEATS = Heater("main", "gate", 3000.0, 100.0, can_heat=True)
RULE = Hygiene("main", hold_s=600.0)
DAY_S = 86_400.0
NIGHT = HeatingTimes(hygiene=Stretch(START_UTC_S + 100, START_UTC_S + 10_000), until_s=START_UTC_S + 20_000)
COLD: dict[str, Any] = {"level": 60.0, "top": 55.0, "bottom": 30.0, "surplus": -300.0, "times": NIGHT}
SENSORS = ("tank_top_c", "tank_bottom_c")


def house(record: HotRecord | None = None, **changes: Any) -> House:
    rules = settings(heaters=(HEATS,), hygiene=RULE, temperatures=SENSORS)
    return House(replace(rules, **changes), Memory(hygiene=record))


def finding(it: House, name: str = "hygiene") -> Any:
    return next(found for found in it.why().findings if found.guard == name)


def test_it_heats_in_its_stretch_and_not_before_or_after() -> None:
    it = house()
    assert ruling(it.at(99.9, **COLD)) == (Order.WITHHOLD, "surplus")
    assert it.due_s() <= 100.0
    assert ruling(it.at(100, **COLD)) == (Order.HEAT, "hygiene")
    assert ruling(it.at(9_999.9, **COLD)) == (Order.HEAT, "hygiene")
    assert it.due_s() == pytest.approx(10_000.0)
    assert ruling(it.at(10_000, **COLD)) == (Order.WITHHOLD, "surplus")


def test_it_needs_no_surplus_and_a_fresh_level() -> None:
    it = house()
    assert ruling(it.at(200, **COLD | {"surplus": None})) == (Order.HEAT, "hygiene")
    assert ruling(it.at(300, **COLD | {"level": None})) == (Order.WITHHOLD, "fresh")


def test_it_never_heats_at_or_above_the_stop_level_or_the_limit() -> None:
    it = house(limit=Limit(68.0, 64.0))
    assert ruling(it.at(200, **COLD | {"level": 95.0})) == (Order.WITHHOLD, "full")
    assert ruling(it.at(210, **COLD | {"level": 90.0})) == (Order.WITHHOLD, "full"), (
        "not below it until the resume level"
    )
    assert ruling(it.at(220, **COLD | {"level": 87.0})) == (Order.HEAT, "hygiene")
    assert ruling(it.at(230, **COLD | {"top": 68.0})) == (Order.WITHHOLD, "limit")


def test_the_owner_and_an_absence_come_first_and_what_is_about_surplus_does_not() -> None:
    it = house()
    it.memory = set_override(it.memory, Order.WITHHOLD, 500.0)
    assert ruling(it.at(200, **COLD)) == (Order.WITHHOLD, "override")
    gone = house(away=Away(((START_UTC_S, START_UTC_S + 5_000.0),)))
    assert ruling(gone.at(200, **COLD)) == (Order.WITHHOLD, "away")
    assert finding(gone).verdict is Verdict.ALLOW
    low = house(battery=Battery(50.0, None))
    assert ruling(low.at(200, **COLD, battery_level=10.0)) == (Order.HEAT, "hygiene")


@pytest.mark.parametrize("last_day", [-6.9, -7.1])
def test_what_is_due_in_an_absence_is_said_to_be_due_after_the_return(last_day: float) -> None:
    gone = house(
        HotRecord(START_UTC_S, START_UTC_S + last_day * DAY_S), away=Away(((START_UTC_S, START_UTC_S + DAY_S),))
    )
    gone.at(200, **COLD | {"times": None})
    assert finding(gone).sentence.endswith("days ago; due after the return at 13:00 tomorrow")
    soon = house(HotRecord(START_UTC_S, START_UTC_S - 6 * DAY_S), away=Away(((START_UTC_S, START_UTC_S + 5_000.0),)))
    soon.at(200, **COLD | {"times": None})
    assert finding(soon).sentence.endswith("due by 13:00 tomorrow")


def test_it_heats_until_the_hold_is_complete_and_rests_while_the_tank_is_hot_enough() -> None:
    it = house()
    assert ruling(it.at(200, **COLD)) == (Order.HEAT, "hygiene")
    assert ruling(it.at(300, **COLD | {"bottom": 61.9, "top": 62.0})) == (Order.HEAT, "hygiene")
    assert ruling(it.at(400, **COLD | {"bottom": 62.0, "top": 62.0}))[0] is Order.WITHHOLD
    assert ruling(it.at(500, **COLD | {"bottom": 61.0, "top": 62.0}))[0] is Order.WITHHOLD
    assert ruling(it.at(600, **COLD | {"bottom": 60.9, "top": 62.0})) == (Order.HEAT, "hygiene")
    it.at(900, **COLD | {"bottom": 60.5, "top": 62.0})
    assert it.memory.hygiene is not None
    assert it.memory.hygiene.last_hot_utc_s == START_UTC_S + 900, "ten minutes from the first hot reading"
    assert ruling(it.at(910, **COLD))[0] is Order.WITHHOLD, "done, though cold water has come in since"


def test_one_that_was_hot_before_the_stretch_was_planned_is_heated_again() -> None:
    it = house(HotRecord(START_UTC_S, START_UTC_S - 6 * DAY_S))
    assert ruling(it.at(200, **COLD)) == (Order.HEAT, "hygiene")


def test_only_the_heater_at_the_bottom_heats_and_has_the_place() -> None:
    upper = Heater("upper", "gate", 3000.0, 100.0, can_heat=True)
    it = house(heaters=(upper, HEATS))
    decision = it.at(200, **COLD | {"surplus": 2000.0, "measured": (None, None)})
    assert ruling(decision, 0) == (Order.WITHHOLD, "together")
    assert ruling(decision, 1) == (Order.HEAT, "hygiene")


def test_a_heater_without_such_an_order_is_never_asked() -> None:
    it = house(heaters=(replace(HEATS, can_heat=False),))
    assert ruling(it.at(200, **COLD)) == (Order.WITHHOLD, "surplus")


def test_what_it_says() -> None:
    it = house(HotRecord(START_UTC_S, START_UTC_S - 6 * DAY_S))
    it.at(200, **COLD)
    found = finding(it)
    assert (found.verdict, found.order) == (Verdict.REQUIRE, Order.HEAT)
    assert found.sentence == (
        "the whole tank must be at 60 °C for 10 min: the whole tank was last hot 6.0 days ago; coldest water 30 °C"
    )
    assert found.change == "ends when that is done, at 15:46 at the latest"
    it.at(50, **COLD)
    assert finding(it).sentence == (
        "the whole tank was last hot 6.0 days ago; due by 13:00 tomorrow; heats from 13:01 if"
        " the sun has not done it by then"
    )
    it.at(60, **COLD | {"bottom": 61.0, "top": 61.0})
    assert finding(it).sentence.endswith("hot throughout since 13:01")


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        (None, "no hygiene rule: nothing checks whether the whole tank gets hot"),
        (Hygiene("main"), "there is no record of the whole tank ever being hot; due by 13:00 tomorrow"),
        (
            Hygiene("main", measured=False, why_not="no signal reads tank_bottom_c"),
            "nothing shows whether the whole tank ever gets hot: there is no sensor at its bottom; "
            "due by 13:00 tomorrow; "
            "no signal reads tank_bottom_c",
        ),
    ],
)
def test_what_it_says_where_nothing_is_planned(rule: Hygiene | None, said: str) -> None:
    it = house(hygiene=rule)
    it.at(0, **COLD | {"times": None})
    assert finding(it).sentence == said
