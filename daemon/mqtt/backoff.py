"""How long to wait before the next attempt to connect: longer after each failure, up to a bound, and spread."""

from collections.abc import Callable
from dataclasses import dataclass

FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 30.0
STEADY_S = 60.0
"""A link that lasted this long was a good one: its loss is retried at once, not as one failure more. Longer than the
longest wait, or two clients that take one id from each other would be at it again after each longest wait."""
MANY_BREAKS = 3


@dataclass(slots=True)
class Backoff:
    """What came of the attempts so far. jitter: 0 to 1, by which the waits of many clients are spread."""

    jitter: Callable[[], float]
    failures: int = 0
    """Attempts in a row that were no good links."""
    breaks: int = 0
    """Links in a row that broke soon after they were made."""

    @property
    def keeps_breaking(self) -> bool:
        """Whether the broker takes the link and soon ends it, again and again."""
        return self.breaks >= MANY_BREAKS

    def ended(self, accepted: bool, lasted_s: float) -> None:
        """An attempt has ended. accepted: whether the broker took it; lasted_s: how long it was up, s."""
        self.breaks = self.breaks + 1 if accepted and lasted_s < STEADY_S else 0

    def next_wait_s(self, lasted_s: float) -> float:
        """Seconds to wait now, after an attempt that was up so long."""
        self.failures = 1 if lasted_s >= STEADY_S else self.failures + 1
        longest_s: float = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(self.failures - 1, 10))
        return longest_s * (0.5 + 0.5 * self.jitter())
