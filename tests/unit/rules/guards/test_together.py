"""Several heaters: an order of preference, one at a time unless the home allows more."""

from rules.model.memory import Memory
from rules.model.orders import Order, Verdict
from rules.model.settings import Full, Heater, Rest, Settings, Surplus
from tests.support.rules_case import House, ruling, settings

UPPER = Heater("upper", "gate", 3000.0, 500.0)
LOWER = Heater("lower", "gate", 2000.0, 100.0)


def two(**changes: object) -> Settings:
    return settings(heaters=(UPPER, LOWER), **changes)


def test_the_preferred_one_has_the_place() -> None:
    it = House(two())
    decision = it.at(0)
    assert ruling(decision, 0) == (Order.SURPLUS, "surplus")
    assert ruling(decision, 1) == (Order.WITHHOLD, "together")
    assert (
        it.why("lower").text
        == "Heater off: heater upper is on, and only one may be on at a time; may start when upper stops"
    )
    assert it.why().heater == "upper"


def test_too_little_for_the_preferred_one_lets_the_next_try() -> None:
    it = House(two())
    decision = it.at(0, surplus=300.0)
    assert ruling(decision, 0) == (Order.WITHHOLD, "together")
    assert ruling(decision, 1) == (Order.SURPLUS, "surplus")
    assert [f.guard for f in it.why("upper").findings if f.verdict is Verdict.FORBID] == ["together", "surplus"]
    assert it.again(0) is decision


def test_the_preferred_one_takes_over_when_it_can() -> None:
    it = House(two())
    it.at(0, surplus=300.0)
    decision = it.at(10, surplus=600.0)
    assert [order.order for order in decision.orders] == [Order.SURPLUS, Order.WITHHOLD]


def test_one_within_its_minimum_on_time_keeps_the_place() -> None:
    it = House(two(rest=Rest(60, 0)))
    it.at(0, surplus=300.0)
    assert ruling(it.at(10, surplus=600.0), 1) == (Order.SURPLUS, "surplus")
    assert ruling(it.at(20, surplus=-600.0), 1) == (Order.SURPLUS, "rest")
    assert [order.order for order in it.at(60, surplus=600.0).orders] == [Order.SURPLUS, Order.WITHHOLD]


def test_a_preferred_heater_that_is_satisfied_lets_the_next_try() -> None:
    it = House(two(full=Full(idle_after_s=60)))
    for at_s in range(0, 80, 10):
        decision = it.at(at_s, measured=(0.0, 0.0))
    assert ruling(decision, 0) == (Order.WITHHOLD, "full")
    assert ruling(decision, 1) == (Order.SURPLUS, "surplus")


def test_together_each_finds_what_the_earlier_leave() -> None:
    it = House(two(together=True))
    assert [o.order for o in it.at(0, surplus=3099.0).orders] == [Order.SURPLUS, Order.WITHHOLD]
    assert [o.order for o in it.at(10, surplus=3200.0).orders] == [Order.SURPLUS, Order.SURPLUS]
    finding = next(f for f in it.why("lower").findings if f.guard == "surplus")
    assert finding.sentence == "surplus 200 W on average over 60 s, left by the other heaters"


def test_together_modulated_heaters_share_the_watts() -> None:
    heaters = (Heater("upper", "modulated", 1000.0, 100.0), Heater("lower", "modulated", 2000.0, 100.0))
    it = House(settings(heaters=heaters, together=True))
    assert [order.watts for order in it.at(0, surplus=1800.0).orders] == [1000, 750]


def test_memory_follows_the_heaters_by_name() -> None:
    it = House(two(rest=Rest(0, 600)))
    it.at(0, surplus=300.0)
    it.at(10, surplus=-300.0)
    it.settings = settings(heaters=(LOWER,), rest=Rest(0, 600))
    assert ruling(it.at(20)) == (Order.WITHHOLD, "rest")
    it.settings = two(rest=Rest(0, 600))
    decision = it.at(30)
    assert ruling(decision, 0) == (Order.SURPLUS, "surplus")
    assert len(it.memory.heaters) == 2


def test_memory_follows_a_changed_preference() -> None:
    it = House(two(rest=Rest(600, 0)))
    it.at(0)
    it.settings = settings(heaters=(LOWER, UPPER), rest=Rest(600, 0))
    decision = it.at(10)
    assert [order.heater for order in decision.orders] == ["lower", "upper"]
    assert ruling(decision, 1) == (Order.SURPLUS, "surplus")  # it is still the one within its minimum on time


def test_a_heater_left_nothing_by_the_other_is_not_satisfied() -> None:
    it = House(two(together=True, full=Full(idle_after_s=60), surplus=Surplus(200, 0)))
    it.at(0, surplus=3300.0, measured=(0.0, 0.0))
    for at_s in range(10, 200, 10):  # the upper takes all there is, the lower, still permitted, nothing
        decision = it.at(at_s, surplus=0.0, mean=3100.0, measured=(3000.0, 0.0))
    assert ruling(decision, 1) == (Order.SURPLUS, "surplus")
    assert it.memory.heaters[1].satisfied_at_s is None


def test_a_memory_without_a_decision_keeps_its_heaters() -> None:
    it = House(two(full=Full(idle_after_s=60)))
    for at_s in range(0, 80, 10):
        it.at(at_s, measured=(0.0, 0.0))
    after = House(it.settings, Memory(heaters=it.memory.heaters))
    assert ruling(after.at(80), 0) == (Order.WITHHOLD, "full")


def test_a_gate_leaves_the_next_heater_what_it_cannot_take_and_takes_no_more_than_there_is() -> None:
    upper, lower = Heater("upper", "gate", 3000.0), Heater("lower", "gate", 2000.0)
    it = House(settings(heaters=(upper, lower), together=True))
    for at_s, mean_w, left in ((0, 5500.0, "surplus 2,500 W"), (10, 2500.0, "surplus 0 W")):
        it.at(at_s, surplus=mean_w, measured=(None, None))
        surplus = next(finding for finding in it.why("lower").findings if finding.guard == "surplus")
        assert surplus.sentence == f"{left} on average over 60 s, left by the other heaters"
