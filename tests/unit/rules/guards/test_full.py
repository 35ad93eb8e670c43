"""Full by level, and by the heater's own thermostat."""

import pytest

from rules.guards import full
from rules.model.memory import HeaterMemory, Memory
from rules.model.orders import Order, Verdict
from rules.model.overriding import set_override
from rules.model.settings import Full, Heater
from rules.model.share import WHOLE
from tests.support.rules_case import House, moment, ruling, settings, snapshot

FULL = Full(stop_at_pct=95, resume_below_pct=88, idle_w=30, idle_after_s=300, idle_fall_pct=3, retry_after_s=3600)


def house(**changes: object) -> House:
    return House(settings(full=FULL, **changes))


def test_stops_at_the_stop_level_and_resumes_below_the_resume_level() -> None:
    it = house()
    assert ruling(it.at(0, level=94.9)) == (Order.SURPLUS, "surplus")
    assert ruling(it.at(10, level=95.0)) == (Order.WITHHOLD, "full")
    assert ruling(it.at(20, level=88.0)) == (Order.WITHHOLD, "full")
    assert ruling(it.at(30, level=87.9)) == (Order.SURPLUS, "surplus")


def test_the_guard_itself_holds_the_stop_level_on_a_memory_that_was_not_kept_up() -> None:
    rules, memory = settings(full=FULL), Memory(heaters=(HeaterMemory(),))
    assert full.judge(snapshot(0, level=94.9), rules, memory, moment(0), 0, WHOLE) is Verdict.ALLOW
    assert full.judge(snapshot(0, level=95.0), rules, memory, moment(0), 0, WHOLE) is Verdict.FORBID


def test_between_the_levels_a_tank_that_was_not_full_is_filled() -> None:
    assert ruling(house().at(0, level=91)) == (Order.SURPLUS, "surplus")


@pytest.mark.parametrize("order", [Order.SURPLUS, Order.HEAT])
def test_no_override_defeats_it(order: Order) -> None:
    it = house(heaters=(Heater("main", "gate", 3000.0, can_heat=True),))
    it.memory = set_override(it.memory, order, 1000.0)
    assert ruling(it.at(0, level=95.0)) == (Order.WITHHOLD, "full")
    assert ruling(it.at(1, level=90.0)) == (Order.WITHHOLD, "full")


def test_a_stale_level_does_not_end_a_full_tank() -> None:
    it = house()
    it.at(0, level=96)
    it.at(2000, level=50, seen={"tank_level_pct": 0.0})
    assert ruling(it.at(2001, level=90)) == (Order.WITHHOLD, "full")


def test_the_sentence_of_the_design() -> None:
    it = house()
    it.at(600, level=96)
    assert it.why().text == "Heater off: tank 96 %, full since 13:10; resumes below 88 %"


def idle(it: House, until_s: float, **known: object) -> None:
    """From 0 s on, every 10 s: permitted, surplus, nothing taken."""
    for at_s in range(0, int(until_s) + 1, 10):
        it.at(at_s, **{"level": 80.0, "measured": (0.0,), **known})


def test_a_heater_that_takes_nothing_counts_as_satisfied() -> None:
    it = house()
    idle(it, 300)
    assert ruling(it.memory.decision) == (Order.SURPLUS, "surplus")  # type: ignore[arg-type]
    assert ruling(it.at(310, level=80.0, measured=(0.0,))) == (Order.WITHHOLD, "full")  # first heard after it at 10 s
    assert it.memory.heaters[0].satisfied_count == 1
    assert it.why().text == (
        "Heater off: tank 80 %, and at 13:05 the heater had taken nothing for 5 min: its own thermostat had"
        " switched it off; will be tried again at 14:05, or when the level falls below 77 %"
    )


def test_the_satisfied_heater_is_tried_again_when_the_level_has_fallen() -> None:
    it = house()
    idle(it, 310)
    assert ruling(it.at(320, level=77.0, measured=(0.0,))) == (Order.WITHHOLD, "full")
    assert ruling(it.at(330, level=76.9, measured=(0.0,))) == (Order.SURPLUS, "surplus")


def test_no_level_below_empty_is_waited_for() -> None:
    it = house()
    idle(it, 310, level=2.0)
    assert it.why().change == "will be tried again at 14:05"


def test_the_satisfied_heater_is_tried_again_in_time() -> None:
    it = house()
    idle(it, 310)
    assert ruling(it.at(310 + 3599, level=80.0, measured=(0.0,))) == (Order.WITHHOLD, "full")
    assert ruling(it.at(310 + 3600, level=80.0, measured=(0.0,))) == (Order.SURPLUS, "surplus")
    assert it.memory.heaters[0].satisfied_count == 1


@pytest.mark.parametrize(
    "known",
    [
        {"measured": (30.0,)},
        {"measured": (None,)},
        {"surplus": 150.0},
        {"seen": {"diverted_w": -5.0}},
    ],
    ids=["it draws", "no meter", "no surplus to start on", "not heard since the order"],
)
def test_no_heater_is_satisfied_on_less_than_full_knowledge(known: dict[str, object]) -> None:
    it = house()
    it.at(-10, level=80.0)
    idle(it, 1000, **known)
    assert it.memory.heaters[0].satisfied_at_s is None
    assert ruling(it.at(1010, level=80.0, measured=(100.0,))) == (Order.SURPLUS, "surplus")


def test_a_draw_in_between_begins_the_wait_anew() -> None:
    it = house()
    idle(it, 200)
    it.at(210, level=80.0, measured=(500.0,))
    for at_s in range(220, 520, 10):
        assert ruling(it.at(at_s, level=80.0, measured=(0.0,))) == (Order.SURPLUS, "surplus")
    assert ruling(it.at(520, level=80.0, measured=(0.0,))) == (Order.WITHHOLD, "full")


def test_an_override_does_not_wake_a_satisfied_heater() -> None:
    it = house()
    idle(it, 310)
    it.memory = set_override(it.memory, Order.SURPLUS, 5000.0)
    assert ruling(it.at(320, level=80.0)) == (Order.WITHHOLD, "full")
