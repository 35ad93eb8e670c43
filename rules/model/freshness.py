"""How old a reading is, and whether it still counts.

A reading is fresh while its age is less than its signal's limit. From that instant on it is stale. Every comparison is
written `now >= seen + limit`, with the same sum that the guards' `next_s` returns, so that a decision made exactly at
the deadline is already the new one.
"""

from collections.abc import Sequence

from rules.model.reading import Moment, Reading
from rules.model.settings import Settings

_NEVER_S = float("inf")


def stale_at_s(reading: Reading, settings: Settings) -> float:
    """Forward-clock second from which the reading no longer counts; -inf if it was never heard live."""
    return reading.seen_s + settings.stale_after_s.get(reading.signal, 0.0)


def first_stale_s(readings: Sequence[Reading | None], settings: Settings, now: Moment) -> float:
    """Forward-clock second at which the first of the fresh readings goes stale; inf if none is fresh."""
    now_s, limits, first_s = now.mono_s, settings.stale_after_s, _NEVER_S
    for reading in readings:
        if reading is not None and now_s < (at_s := reading.seen_s + limits.get(reading.signal, 0.0)) < first_s:
            first_s = at_s
    return first_s


def is_fresh(reading: Reading | None, settings: Settings, now: Moment) -> bool:
    """Whether there is a reading and it still counts."""
    return reading is not None and now.mono_s < reading.seen_s + settings.stale_after_s.get(reading.signal, 0.0)
