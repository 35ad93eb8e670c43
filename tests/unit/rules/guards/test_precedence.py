"""A guard that is made here and listed at a rank: decision, explanation and deadline follow, with no other file."""

from dataclasses import dataclass
from typing import Any

import pytest

from rules.decision.deadlines import due
from rules.decision.decide import decide
from rules.decision.explain import explain
from rules.guards import GUARDS, full, limit, override
from rules.guards.guard import NEVER_S, Guard, Power, never
from rules.guards.precedence import Precedence
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, REQUIRE, Decision, Finding, Judgement, Order, Verdict
from rules.model.overriding import set_override
from rules.model.reading import Moment
from rules.model.settings import Away, Heater, Rest, Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot
from tests.support.rules_case import START_UTC_S, House, moment, ruling, settings

CAN_HEAT = Heater("main", "gate", 3000.0, 100.0, can_heat=True)
LOWER = Heater("lower", "gate", 2000.0, 100.0, can_heat=True)


@dataclass(frozen=True)
class Programme:
    """Judges `during` of heater 0 from one second of the forward clock to another, and allows otherwise."""

    during: Judgement
    from_s: float = 100.0
    to_s: float = 200.0
    NAME: str = "programme"

    def judge(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Judgement:
        return self.during if i == 0 and self.from_s <= now.mono_s < self.to_s else ALLOW

    def say(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Finding:
        judgement = self.judge(snapshot, settings, memory, now, i, share)
        if isinstance(judgement, Order):
            return Finding(self.NAME, REQUIRE, "the programme runs", "ends by itself", judgement)
        return Finding(self.NAME, judgement, "the programme says", "ends by itself")

    def next_s(self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, /) -> float:
        return next((at_s for at_s in (self.from_s, self.to_s) if now.mono_s < at_s), NEVER_S)


def listed(guard: Guard, power: Power) -> Precedence:
    """The order of precedence with this guard at the rank of the house's own programmes."""
    rank = [other.NAME for other in GUARDS].index("battery")
    return Precedence(*GUARDS.ranked[:rank], (guard, power), *GUARDS.ranked[rank:])


class ProgrammeHouse(House):
    """A house whose order of precedence has a programme in it."""

    guards = listed(Programme(Order.HEAT), Power.REQUIRING)

    def on(self, known: Snapshot, at_s: float) -> Decision:
        self.snapshot, self.now = known, moment(at_s)
        decision, self.memory = decide(known, self.settings, self.memory, self.now, self.guards)
        return decision

    def order(self, at_s: float, i: int = 0, **known: Any) -> tuple[Order, str]:
        """The order of heater `i` at an instant, and the guard that decided it."""
        return ruling(self.at(at_s, **known), i)


def house(**changes: Any) -> ProgrammeHouse:
    return ProgrammeHouse(settings(**({"heaters": (CAN_HEAT,)} | changes)))


def test_it_decides_at_its_rank_and_gives_way_above() -> None:
    it = house()
    assert it.order(99.0, surplus=-500.0) == (Order.WITHHOLD, "surplus")
    assert it.order(100.0, surplus=-500.0) == (Order.HEAT, "programme")
    assert it.order(101.0, surplus=-500.0, level=95.0) == (Order.WITHHOLD, "full")
    assert it.order(102.0, surplus=-500.0, level=80.0, top=70.0) == (Order.WITHHOLD, "limit")
    it.memory = set_override(Memory(), Order.WITHHOLD, 150.0)
    assert it.order(103.0, surplus=-500.0) == (Order.WITHHOLD, "override")
    assert it.order(150.0, surplus=-500.0) == (Order.HEAT, "programme")
    assert it.order(200.0, surplus=-500.0) == (Order.WITHHOLD, "surplus")


def test_a_soft_guard_above_it_holds_it_back_and_those_below_do_not() -> None:
    it = house(away=Away(((START_UTC_S, START_UTC_S + 150.0),)))
    assert it.order(100.0) == (Order.WITHHOLD, "away")
    assert it.order(150.0, surplus=-500.0) == (Order.HEAT, "programme")


def test_required_to_heat_it_needs_a_level_but_no_surplus() -> None:
    it = house()
    assert it.order(99.0, surplus=None) == (Order.WITHHOLD, "fresh")
    assert it.order(100.0, surplus=None) == (Order.HEAT, "programme")
    assert it.order(101.0, level=None) == (Order.WITHHOLD, "fresh")


def test_a_heater_is_not_held_on_a_surplus_that_is_unknown() -> None:
    """Held by its minimum on time and not allowed to heat, it would take what nobody has measured."""
    it = house(rest=Rest(minimum_on_s=600.0), away=Away(((START_UTC_S + 100.0, START_UTC_S + 1000.0),)))
    assert it.order(99.0) == (Order.SURPLUS, "surplus")
    assert it.order(100.0, surplus=None) == (Order.WITHHOLD, "away")


def test_one_at_a_time_the_required_heater_comes_before_the_one_with_surplus_and_after_the_overridden_one() -> None:
    it = house(heaters=(CAN_HEAT, LOWER), rest=Rest(minimum_on_s=600.0))
    it.memory = set_override(Memory(), Order.SURPLUS, 50.0, "lower")
    assert it.order(49.0, i=1) == (Order.SURPLUS, "override")
    assert it.order(60.0, i=1) == (Order.SURPLUS, "surplus")  # within its minimum on time
    assert it.order(100.0) == (Order.HEAT, "programme")
    assert it.order(101.0, i=1) == (Order.WITHHOLD, "together")


def test_it_may_forbid_too_and_the_minimum_on_time_holds_against_it() -> None:
    it = house(rest=Rest(minimum_on_s=60.0))
    it.guards = listed(Programme(FORBID), Power.SOFT)
    assert it.order(90.0) == (Order.SURPLUS, "surplus")
    assert it.order(100.0) == (Order.SURPLUS, "rest")
    assert it.order(150.0) == (Order.WITHHOLD, "programme")


def test_it_has_its_place_and_its_sentence_in_the_explanation() -> None:
    it = house()
    it.order(100.0, surplus=-500.0)
    why = explain(it.snapshot, it.settings, it.memory, it.now, None, it.guards)
    assert why.text == "Heating: the programme runs; ends by itself, or when the tank reaches 95 %"
    assert [finding.guard for finding in why.findings] == [guard.NAME for guard in it.guards]
    names = [finding.guard for finding in why.findings]
    assert names.index("together") < names.index("programme") < names.index("surplus")
    assert (why.primary.verdict, why.primary.order) == (Verdict.REQUIRE, Order.HEAT)
    assert all(finding.order is None for finding in why.findings if finding is not why.primary)


def test_its_deadline_is_one_of_the_houses() -> None:
    it = house(stale_after_s={"tank_level_pct": 1e9, "surplus_w": 1e9})
    for at_s, due_s in ((0.0, 100.0), (100.0, 200.0)):
        it.order(at_s, surplus=-500.0)
        assert due(it.snapshot, it.settings, it.memory, it.now, it.guards) == due_s
        assert due(it.snapshot, it.settings, it.memory, it.now) == 1e9 + at_s
    it.order(190.0, surplus=-500.0)
    due_s = due(it.snapshot, it.settings, it.memory, it.now, it.guards)
    before = it.memory.decision
    it.on(it.snapshot, due_s - 1e-6)
    assert it.memory.decision is before
    it.on(it.snapshot, due_s)
    assert it.memory.decision is not before


def test_a_guard_without_a_deadline_is_not_asked_for_one() -> None:
    timeless = [guard.NAME for guard in GUARDS if guard.next_s is never]
    assert {"together", "surplus"} <= set(timeless)
    assert len(GUARDS.deadlines) == len(GUARDS.guards) - len(timeless)


def test_a_list_that_would_let_a_hard_guard_be_defeated_is_refused() -> None:
    with pytest.raises(ValueError, match="hard guard stands after"):
        Precedence((limit, Power.HARD), (override, Power.REQUIRING), (full, Power.HARD))
    with pytest.raises(ValueError, match="one name"):
        Precedence((limit, Power.HARD), (limit, Power.HARD))
