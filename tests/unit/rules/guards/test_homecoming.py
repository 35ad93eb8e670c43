"""Hot at the hour of return: the one heating in an absence, and never past a hard guard."""

from dataclasses import replace
from typing import Any

from rules.model.orders import Order, Verdict
from rules.model.overriding import set_override
from rules.model.settings import Away, Heater
from rules.model.snapshot import HeatingTimes, Stretch
from tests.support.rules_case import START_UTC_S, House, ruling, settings

HEATS = Heater("main", "gate", 3000.0, 100.0, can_heat=True)
AWAY = Away(((START_UTC_S, START_UTC_S + 6_000.0),), "main")
TIMES = HeatingTimes(homecoming=Stretch(START_UTC_S + 1_000, START_UTC_S + 5_000))
COLD: dict[str, Any] = {"level": 60.0, "surplus": -300.0, "times": TIMES}


def house(away: Away = AWAY) -> House:
    return House(settings(heaters=(HEATS,), away=away))


def finding(it: House) -> Any:
    return next(found for found in it.why().findings if found.guard == "return")


def test_it_heats_within_the_absence_in_its_stretch() -> None:
    it = house()
    assert ruling(it.at(900, **COLD)) == (Order.WITHHOLD, "away")
    assert it.due_s() <= 1_000.0
    assert finding(it).sentence == "the tank is to be hot at 14:40: heats from 13:16"
    assert ruling(it.at(1_000, **COLD)) == (Order.HEAT, "return")
    found = finding(it)
    assert (found.verdict, found.order, found.change) == (Verdict.REQUIRE, Order.HEAT, "ends at 14:23")
    assert found.sentence == "you return at 14:40, and the tank is to be hot then"
    assert ruling(it.at(5_000, **COLD)) == (Order.WITHHOLD, "away")
    assert finding(it).sentence == "the tank is to be hot at 14:40"
    assert ruling(it.at(6_000, **COLD)) == (Order.WITHHOLD, "surplus")
    assert finding(it).sentence == "no return is planned"


def test_it_passes_no_hard_guard_and_not_the_owners_word() -> None:
    it = house()
    assert ruling(it.at(1_000, **COLD | {"level": 95.0})) == (Order.WITHHOLD, "full")
    assert ruling(it.at(1_100, **COLD | {"level": None})) == (Order.WITHHOLD, "fresh")
    assert ruling(it.at(1_200, **COLD | {"top": 70.0})) == (Order.WITHHOLD, "limit")
    it = house()
    it.memory = set_override(it.memory, Order.WITHHOLD, 2_000.0)
    assert ruling(it.at(1_000, **COLD)) == (Order.WITHHOLD, "override")


def test_another_heater_and_one_that_cannot_stay_off() -> None:
    it = house(replace(AWAY, heater="lower"))
    assert ruling(it.at(1_000, **COLD)) == (Order.WITHHOLD, "away")
    assert finding(it).sentence == "heater lower heats for the return"
    deaf = House(settings(heaters=(replace(HEATS, can_heat=False),), away=AWAY))
    assert ruling(deaf.at(1_000, **COLD)) == (Order.WITHHOLD, "away")


def test_without_being_asked_it_does_nothing() -> None:
    it = house(replace(AWAY, heater=""))
    assert ruling(it.at(1_000, **COLD)) == (Order.WITHHOLD, "away")
    assert finding(it).sentence.endswith("rules.away.hot_on_return is false")
