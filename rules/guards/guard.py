"""What a guard's module has, and what a guard may do at its rank."""

from collections.abc import Iterable
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

    HARD: it forbids; neither an order that a later guard requires nor the minimum on time can defeat it.
    REQUIRING: it may forbid, and it may require an order, which defeats all later guards. Its judgement does not
    depend on `share`.
    SOFT: it may forbid; a heater within its minimum on time stays on nevertheless.
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

        memory: as `rules.decision.observe` left it; share: what the heaters judged before leave for this one. It makes
        no object when it allows, because it runs on every reading.
        """
        ...

    def say(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Finding:
        """The same judgement in words, with its figures and with the order if it requires one."""
        ...

    def next_s(self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, /) -> float:
        """Forward-clock second at which time alone may next change its judgement of any heater; NEVER_S if never.

        Always later than `now`. memory: as decide left it. It is the same sum that `judge` compares with, so that at
        exactly that second the judgement is already the new one.
        """
        ...


def never(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, /) -> float:
    """The `next_s` of a guard whose answer time alone does not change."""
    return NEVER_S


def next_edge_s(edges: Iterable[float], now: Moment) -> float:
    """Forward-clock second of the first of these UTC seconds that is still to come; NEVER_S if none is."""
    first_s = NEVER_S
    for edge_s in edges:
        if now.utc_s < edge_s < first_s:
            first_s = edge_s
    return now.mono_of(first_s)
