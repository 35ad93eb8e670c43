"""Whether the machine's wall clock can be believed, and when it was set.

The readings' ages and the rules' timers never depend on it, so the heaters are stopped and the surplus is diverted
whatever it shows. Prices and absences go by its date as it is. What must have a true date waits: the books, and what is
heated on purpose (for a plan, hygiene or a return).

A small computer without a battery behind its clock wakes up in 1970, or at the hour it was last switched off, until it
has asked the network. What is dated then would be false for ever. The clock is doubted too where it is far ahead of the
books, or jumps there, until the machine's time service vouches for it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from rules.model.reading import Moment

EARLIEST_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
"""No brimful ran before this."""

PATIENCE_S = 600.0
"""How long a clock behind the books is given to be set right; after that it is believed."""

AHEAD_PATIENCE_S = 86_400.0
"""The same for one that is far ahead: what is dated in a year to come stays there, so it is given longer."""

LONGEST_PAUSE_S = 31 * 86_400.0
"""At the start: a ledger that was last written longer ago than this is a contradiction, unless it is confirmed."""

LONGEST_STEP_S = 2 * 86_400.0
"""While running: a step forward by more is none that a clock needs, unless it is confirmed."""

_NEVER_S = float("inf")
_SLACK_S = 60.0
_STEP_S = 2.0  # less than this between two looks is the clock being slewed


@dataclass(frozen=True, slots=True)
class Step:
    """What changed between two looks. by_s: how far the clock was set, + forward; was_right, is_right: whether it was
    believed before, and is now."""

    by_s: float
    was_right: bool
    is_right: bool


class WallTime:
    """Compares the wall clock with the forward clock, which nobody sets.

    now: the start; known_s: UTC second up to which the books know the house, None where they are new; earliest_s: what
    is before it is never believed; confirmed: whether something else vouches for a UTC second.
    """

    def __init__(
        self,
        now: Moment,
        known_s: float | None,
        earliest_s: float = EARLIEST_S,
        confirmed: Callable[[float], bool] = lambda utc_s: False,
    ) -> None:
        self._earliest_s = earliest_s
        self._confirmed = confirmed
        self._known_s = known_s
        self._offset_s = now.utc_s - now.mono_s
        self._doubted_s = now.mono_s
        self._longest_s = LONGEST_PAUSE_S
        self.ahead_s = 0.0
        """By how much the clock is too far ahead to be believed, s; 0 where it is not."""
        self.behind_s = 0.0
        """By how much it is too far behind the books, s; 0 where it is not."""
        self.impossible = False
        """Whether it shows a time before any brimful ran."""
        self.right = self._believable(now, behind=True)

    def look(self, now: Moment) -> Step | None:
        """What has changed since the last look; None for nothing, as nearly always."""
        offset_s = now.utc_s - now.mono_s
        by_s = offset_s - self._offset_s
        self._offset_s = offset_s
        stepped = not -_STEP_S < by_s < _STEP_S
        if self.right and not stepped:
            return None
        was_right = self.right
        if was_right:
            # A running clock that is set back is being set right; only what cannot be is waited out.
            self._known_s = now.utc_s - by_s
            self._doubted_s = now.mono_s
            self._longest_s = LONGEST_STEP_S
        self.right = self._believable(now, behind=not was_right)
        if not stepped and self.right == was_right:
            return None
        return Step(by_s if stepped else 0.0, was_right, self.right)

    @property
    def due_s(self) -> float:
        """Forward-clock second at which waiting ends; inf while the clock is believed, or shows what cannot be."""
        if self.right or self.impossible:
            return _NEVER_S
        return self._doubted_s + (AHEAD_PATIENCE_S if self.ahead_s else PATIENCE_S)

    def _believable(self, now: Moment, *, behind: bool) -> bool:
        self.ahead_s = self.behind_s = 0.0
        self.impossible = now.utc_s < self._earliest_s
        if self.impossible:
            return False
        if self._known_s is None:
            return True
        doubted_for_s = now.mono_s - self._doubted_s
        if behind and now.utc_s < self._known_s - _SLACK_S:
            if doubted_for_s >= PATIENCE_S:
                return True
            self.behind_s = self._known_s - now.utc_s
            return False
        ahead_s = now.utc_s - self._known_s
        if ahead_s <= self._longest_s or doubted_for_s >= AHEAD_PATIENCE_S or self._confirmed(now.utc_s):
            return True
        self.ahead_s = ahead_s
        return False
