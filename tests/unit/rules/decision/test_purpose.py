"""What may heat on a purpose of its own: a guard that requires, now or at an instant to come; not the owner."""

from dataclasses import dataclass

import pytest

from rules.decision.purpose import has_purpose
from rules.guards import GUARDS, full, override, surplus
from rules.guards.guard import NEVER_S, Power
from rules.guards.precedence import Precedence
from rules.model.memory import Memory, Override
from rules.model.orders import ALLOW, REQUIRE, Finding, Judgement, Order
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot
from tests.support.rules_case import moment, settings, snapshot


@dataclass(frozen=True)
class Programme:
    """Requires `heat` from one second of the forward clock to another, or, with no edges, below a level."""

    from_s: float = 100.0
    to_s: float = 200.0
    below_pct: float = 0.0
    NAME: str = "programme"

    def judge(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Judgement:
        low = snapshot.level is not None and snapshot.level.value < self.below_pct
        return Order.HEAT if low or self.from_s <= now.mono_s < self.to_s else ALLOW

    def say(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Finding:
        return Finding("programme", REQUIRE, "it is its time", "ends with it", Order.HEAT)

    def next_s(self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, /) -> float:
        return next((at_s for at_s in (self.from_s, self.to_s) if now.mono_s < at_s), NEVER_S)


def listed(programme: Programme, power: Power = Power.REQUIRING) -> Precedence:
    return Precedence((full, Power.HARD), (override, Power.REQUIRING), (programme, power), (surplus, Power.SOFT))


@pytest.mark.parametrize(
    ("programme", "at_s", "purpose"),
    [
        (Programme(), 0.0, True),
        (Programme(), 150.0, True),
        (Programme(), 200.0, False),
        (Programme(NEVER_S, NEVER_S, below_pct=60.0), 0.0, True),
        (Programme(NEVER_S, NEVER_S, below_pct=40.0), 0.0, False),
    ],
)
def test_a_guard_that_requires_has_one_before_and_in_its_time(programme: Programme, at_s: float, purpose: bool) -> None:
    assert has_purpose(snapshot(at_s), settings(), Memory(), moment(at_s), listed(programme)) is purpose


def test_the_owners_override_and_what_only_forbids_have_none() -> None:
    overridden = Memory(override=Override(Order.HEAT, 60.0))
    assert not has_purpose(snapshot(0.0), settings(), overridden, moment(0.0))
    assert not has_purpose(snapshot(0.0), settings(), Memory(), moment(0.0), listed(Programme(), Power.SOFT))
    assert override.NAME in GUARDS.requiring
