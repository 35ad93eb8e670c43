"""Whether the machine's wall clock can be believed, and when it was set. Control never depends on it; the books do.

A small computer without a battery behind its clock wakes up in 1970, or at the hour it was last switched off, until it
has asked the network. What is dated then would be false for ever, so the books wait.
"""

from dataclasses import dataclass
from datetime import UTC, datetime

from rules.model.reading import Moment

EARLIEST_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
"""No brimful ran before this."""

PATIENCE_S = 600.0
"""How long a clock that contradicts the books is given to be set right; after that it is believed."""

LONGEST_PAUSE_S = 400 * 86_400.0
"""A ledger that was last written longer ago than this is a contradiction too."""

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
    is before it is never believed.
    """

    def __init__(self, now: Moment, known_s: float | None, earliest_s: float = EARLIEST_S) -> None:
        self._earliest_s = earliest_s
        self._known_s = known_s
        self._offset_s = now.utc_s - now.mono_s
        self._doubt_ends_s = now.mono_s + PATIENCE_S
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
            self._doubt_ends_s = now.mono_s + PATIENCE_S
        self.right = self._believable(now, behind=not was_right)
        if not stepped and self.right == was_right:
            return None
        return Step(by_s if stepped else 0.0, was_right, self.right)

    @property
    def due_s(self) -> float:
        """Forward-clock second at which waiting ends; inf while the clock is believed."""
        return _NEVER_S if self.right else self._doubt_ends_s

    def _believable(self, now: Moment, *, behind: bool) -> bool:
        if now.utc_s < self._earliest_s:
            return False
        if self._known_s is None or now.mono_s >= self._doubt_ends_s:
            return True
        if behind and now.utc_s < self._known_s - _SLACK_S:
            return False
        return now.utc_s <= self._known_s + LONGEST_PAUSE_S
