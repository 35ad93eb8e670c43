"""What holds for decide and explain whatever the guards say."""

from rules.guards import GUARDS
from rules.model.orders import Order, Verdict
from rules.model.settings import Heater
from tests.support.rules_case import MODULATED, House, ruling, settings


def test_the_order_of_precedence() -> None:
    assert [guard.NAME for guard in GUARDS] == [
        "limit",
        "fresh",
        "full",
        "override",
        "together",
        "return",
        "away",
        "hygiene",
        "plan",
        "battery",
        "yield",
        "alternate",
        "worth",
        "surplus",
        "rest",
    ]
    assert [name for name, hard, _ in GUARDS.judges if hard] == ["limit", "fresh", "full"]
    assert GUARDS.requiring == {"override", "return", "hygiene", "plan"}


def test_unchanged_inputs_give_the_standing_objects() -> None:
    it = House()
    first = it.at(0)
    memory = it.memory
    assert it.at(10) is first
    assert it.memory is memory
    assert it.again(12) is first


def test_a_change_of_the_reason_alone_is_a_new_decision_but_no_new_order() -> None:
    it = House()
    first = it.at(0, surplus=-500.0)
    since_s = it.memory.heaters[0].since_s
    second = it.at(10, surplus=-500.0, level=96.0)
    assert (ruling(first), ruling(second)) == ((Order.WITHHOLD, "surplus"), (Order.WITHHOLD, "full"))
    assert it.memory.heaters[0].since_s == since_s == float("-inf")


def test_the_instant_of_a_change_is_remembered() -> None:
    it = House()
    it.at(0)
    it.at(10)
    assert it.memory.heaters[0].since_s == 0


def test_a_modulated_heater_is_ordered_watts_only_while_it_is_on() -> None:
    it = House(settings(heaters=(MODULATED,)))
    assert it.at(0).orders[0].watts == 950
    assert it.at(10, surplus=-500.0).orders[0].watts is None


def test_explain_has_one_finding_of_every_guard_and_leads_with_the_deciding_one() -> None:
    it = House()
    it.at(0, surplus=-500.0, level=96.0)
    why = it.why()
    assert [finding.guard for finding in why.findings] == [guard.NAME for guard in GUARDS]
    assert why.primary.guard == "full"
    assert {finding.guard for finding in why.findings if finding.verdict is Verdict.FORBID} == {"full", "surplus"}
    assert (why.heater, why.order, why.watts) == ("main", Order.WITHHOLD, None)


def test_the_hard_guards_come_first_and_are_named() -> None:
    assert [guard.NAME for guard in GUARDS][: len(GUARDS.hard)] == ["limit", "fresh", "full"]
    assert GUARDS.hard == {"limit", "fresh", "full"}


def test_explain_names_the_watts() -> None:
    it = House(settings(heaters=(MODULATED,)))
    it.at(0)
    assert it.why().text == (
        "Taking surplus (950 W): surplus 1,000 W on average over 60 s; stops below 100 W, or when the tank reaches 95 %"
    )
    assert it.why().primary.verdict is Verdict.ALLOW


def test_explain_before_any_decision_explains_the_one_to_come() -> None:
    it = House(settings(heaters=(Heater("upper", "gate", 3000.0), Heater("lower", "gate", 3000.0))))
    assert (
        it.why("lower").text
        == "Heater off: no tank level heard yet; no surplus heard yet; resumes with the next good reading"
    )
