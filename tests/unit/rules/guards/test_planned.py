"""Tonight's plan as a guard: heat in its hours, up to its level, and never past a rule that forbids heating."""

from dataclasses import replace

import pytest

from rules.model.memory import Memory, Planned, PlannedRun
from rules.model.orders import Order
from rules.model.overriding import set_override
from rules.model.settings import Away, Heater, Rest, Settings
from tests.support.rules_case import START_UTC_S, House, settings, told

CAN_HEAT = Heater("main", "gate", 3000.0, 100.0, can_heat=True)
PLANNED = Planned("main", (PlannedRun(START_UTC_S + 600, START_UTC_S + 4200, 70.0),))
NIGHT = {"surplus": -500.0}


def followed(rules: Settings | None = None, planned: Planned | None = PLANNED) -> House:
    rules = rules or settings(heaters=(CAN_HEAT,), follows_plan=True)
    return House(rules, Memory(planned=planned))


def test_it_heats_in_its_hours_and_its_deadlines_are_theirs() -> None:
    it = followed()
    assert told(it.at(0, **NIGHT)) == (Order.WITHHOLD, "surplus")
    assert "the plan heats from 13:10" in [found.sentence for found in it.why().findings]
    assert it.due_s() <= 600
    assert told(it.at(600, **NIGHT)) == (Order.HEAT, "plan")
    assert it.why().text.startswith("Heating: the plan heats to 70 % until 14:10")
    assert told(it.at(4199, **NIGHT)) == (Order.HEAT, "plan")
    assert it.due_s() == 4200
    assert told(it.at(4200, **NIGHT)) == (Order.WITHHOLD, "surplus")


def test_it_ends_at_its_level_and_begins_again_only_well_below() -> None:
    it = followed()
    assert told(it.at(600, level=66.9, **NIGHT)) == (Order.HEAT, "plan")
    assert told(it.at(700, level=69.9, **NIGHT)) == (Order.HEAT, "plan")
    assert told(it.at(800, level=70.0, **NIGHT)) == (Order.WITHHOLD, "surplus")
    assert told(it.at(900, level=67.5, **NIGHT)) == (Order.WITHHOLD, "surplus")
    assert told(it.at(1000, level=66.9, **NIGHT)) == (Order.HEAT, "plan")


@pytest.mark.parametrize(
    ("known", "guard"),
    [
        ({"level": None}, "fresh"),
        ({"level": 95.0}, "full"),
        ({"top": 75.0}, "limit"),
    ],
)
def test_no_hard_rule_gives_way(known: dict[str, float | None], guard: str) -> None:
    high = Planned("main", (PlannedRun(START_UTC_S, START_UTC_S + 4200, 100.0),))
    assert told(followed(planned=high).at(600, **{**NIGHT, **known})) == (Order.WITHHOLD, guard)


def test_away_and_the_override_stand_before_it() -> None:
    away = Away(((START_UTC_S - 1000, START_UTC_S + 1e6),))
    it = followed(settings(heaters=(CAN_HEAT,), follows_plan=True, away=away))
    assert told(it.at(600, **NIGHT)) == (Order.WITHHOLD, "away")
    it = followed()
    it.memory = set_override(it.memory, Order.WITHHOLD, 3000.0)
    assert told(it.at(600, **NIGHT)) == (Order.WITHHOLD, "override")


def test_unless_it_is_followed_it_orders_nothing_and_has_no_deadline() -> None:
    advised = settings(heaters=(CAN_HEAT,))
    with_plan, without = followed(advised), House(advised)
    for at_s in (0.0, 600.0, 1000.0, 4200.0):
        assert with_plan.at(at_s, **NIGHT) == without.at(at_s, **NIGHT)
        assert with_plan.due_s() == without.due_s()
        assert with_plan.why() == without.why()


def test_only_its_heater_and_only_one_that_can_heat() -> None:
    cannot = replace(CAN_HEAT, can_heat=False)
    it = followed(settings(heaters=(cannot,), follows_plan=True))
    assert told(it.at(600, **NIGHT)) == (Order.WITHHOLD, "surplus")
    upper = replace(CAN_HEAT, name="upper")
    it = followed(settings(heaters=(CAN_HEAT, upper), follows_plan=True), replace(PLANNED, heater="upper"))
    decision = it.at(600, measured=(None, None), **NIGHT)
    assert told(decision, 0)[0] is Order.WITHHOLD
    assert told(decision, 1) == (Order.HEAT, "plan")


def test_grid_heat_waits_for_no_surplus() -> None:
    assert told(followed().at(600, surplus=None)) == (Order.HEAT, "plan")


def test_the_sun_still_counts_outside_its_hours() -> None:
    assert told(followed().at(0, surplus=1500.0)) == (Order.SURPLUS, "surplus")


@pytest.mark.parametrize(
    ("surplus", "ordered"),
    [(1000.0, (Order.SURPLUS, "rest")), (None, (Order.WITHHOLD, "away"))],
    ids=["known", "silent"],
)
def test_a_plan_that_may_not_heat_cuts_no_minimum_on_time_short(
    surplus: float | None, ordered: tuple[Order, str]
) -> None:
    away = Away(((START_UTC_S + 600, START_UTC_S + 9000),))
    it = followed(settings(heaters=(CAN_HEAT,), follows_plan=True, away=away, rest=Rest(minimum_on_s=60)))
    assert told(it.at(590)) == (Order.SURPLUS, "surplus")
    assert told(it.at(610, surplus=surplus)) == ordered
    assert told(it.at(650)) == (Order.WITHHOLD, "away")
