"""The clocks. Live and simulated time share one shape; the daemon asks for nothing else."""

import threading
import time
from typing import Protocol

from rules.model.reading import Moment


class Clock(Protocol):
    """A source of moments, and how long to wait in the real world for a later one."""

    def now(self) -> Moment:
        """The present instant by both clocks."""

    def wait_s(self, until_mono_s: float) -> float | None:
        """Real seconds until the forward clock shows `until_mono_s`; None: somebody else will say."""


# The plain monotonic clock stands still while the machine sleeps: readings would wake up as fresh as they went to bed.
_FORWARD = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class SystemClock:
    """The machine's clocks."""

    def now(self) -> Moment:
        return Moment(time.time(), time.clock_gettime(_FORWARD))

    def wait_s(self, until_mono_s: float) -> float | None:
        if until_mono_s == float("inf"):
            return None
        return max(0.0, until_mono_s - time.clock_gettime(_FORWARD))


class SteppedClock:
    """A clock that stands still until it is moved; both its clocks show UTC seconds."""

    def __init__(self, start_utc_s: float) -> None:
        self._now = Moment(start_utc_s, start_utc_s)
        self._lock = threading.Lock()

    def now(self) -> Moment:
        with self._lock:
            return self._now

    def move_to(self, utc_s: float) -> None:
        """Show `utc_s`; a step back moves nothing."""
        with self._lock:
            if utc_s > self._now.utc_s:
                self._now = Moment(utc_s, utc_s)

    def wait_s(self, until_mono_s: float) -> float | None:
        return None
