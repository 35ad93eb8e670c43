"""What a guard's module has, and what a guard may do at its rank."""

from enum import Enum
from typing import Protocol

from rules.model.memory import Memory
from rules.model.orders import Finding, Judgement
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NEVER_S = float("inf")
"""The deadline of a guard whose answer time alone does not change."""


class Power(Enum):
    """What a guard may do at its rank.

    HARD: it forbids, and no order that a later guard requires stands against it; the minimum on time doesn't either.
    REQUIRING: it may forbid, and it may require an order, which stands against all later guards. What
    it judges does not go by `share`.
    SOFT: it may forbid; a heater within its minimum on time still goes on.
    """

    HARD = "hard"
    REQUIRING = "requiring"
    SOFT = "soft"


class Guard(Protocol):
    """A guard's module. NAME: its name in findings, decisions and the ledger."""

    @property
    def NAME(self) -> str: ...

    def judge(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Judgement:
        """ALLOW, FORBID, or the order it requires of heater `i`, one that this heater can obey.

        memory: as `rules.decision.observe` left it; share: what the heaters asked before leave to this one. Makes no
        object on the way that allows: it runs on every reading.
        """
        ...

    def say(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Finding:
        """The same judgement in words with its figures; where it requires, with the order."""
        ...

    def next_s(self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, /) -> float:
        """Forward-clock second at which time alone may next change what it judges of any heater; NEVER_S if none may.

        Always later than `now`. memory: as decide left it. The sum is the one that `judge` compares with, so that at
        that very second the judgement is already the other one.
        """
        ...


def never(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, /) -> float:
    """The `next_s` of a guard whose answer time alone does not change."""
    return NEVER_S
