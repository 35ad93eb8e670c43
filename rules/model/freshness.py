"""How old a reading is, and whether it still counts.

A reading is fresh while its age is less than the limit of its signal, and stale from exactly that instant on. Every
comparison is written `now >= seen + limit`, with the same sum that the guards' `next_s` answers with, so that a
decision made at the deadline is already the other one.
"""

from collections.abc import Sequence

from rules.model.reading import Moment, Reading
from rules.model.settings import Settings

_NEVER_S = float("inf")


def stale_at_s(reading: Reading, settings: Settings) -> float:
    """Forward-clock second from which the reading no longer counts; -inf if it was never heard live."""
    return reading.seen_s + settings.stale_after_s.get(reading.signal, 0.0)


def first_stale_s(readings: Sequence[Reading | None], settings: Settings, now: Moment) -> float:
    """Forward-clock second at which the first of those readings that still count will cease to; inf where none does."""
    now_s, limits, first_s = now.mono_s, settings.stale_after_s, _NEVER_S
    for reading in readings:
        if reading is not None and now_s < (at_s := reading.seen_s + limits.get(reading.signal, 0.0)) < first_s:
            first_s = at_s
    return first_s


def is_fresh(reading: Reading | None, settings: Settings, now: Moment) -> bool:
    """Whether there is a reading and it still counts."""
    return reading is not None and now.mono_s < reading.seen_s + settings.stale_after_s.get(reading.signal, 0.0)
