"""The guards, one small module each, in the order of precedence: the first that does not allow decides.

A guard judges and it says. `judge` answers with a verdict and, on the way that allows, makes no object: it runs on
every reading. `say` puts the same verdict in words with its figures, for people. Both get the snapshot, the settings,
the memory as `rules.upkeep.noticed` left it, the instant, the heater's index and what the heaters asked before leave.

The hard guards come first: nothing after them, the override included, can defeat them. None of this is a safety
device: it ranks below the tank's control thermostat, and that below its manual-reset cut-out.
"""

from typing import Protocol

from rules.guards import (
    alternate,
    away,
    battery,
    fresh,
    full,
    limit,
    override,
    rest,
    surplus,
    together,
    worth,
    yielding,
)
from rules.model.memory import Memory
from rules.model.orders import Finding, Verdict
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot


class Guard(Protocol):
    """What a guard's module has. NAME: its name in findings; HARD: whether even an override stops before it."""

    @property
    def NAME(self) -> str: ...

    @property
    def HARD(self) -> bool: ...

    def judge(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Verdict: ...

    def say(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Finding: ...


GUARDS: tuple[Guard, ...] = (
    limit,
    fresh,
    full,
    override,
    together,
    away,
    battery,
    yielding,
    alternate,
    worth,
    surplus,
    rest,
)
"""The order of precedence."""
