"""What the heaters take together, if all of it is known."""

from rules.model.freshness import is_fresh
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot


def total_w(snapshot: Snapshot, settings: Settings, now: Moment, from_s: float = float("-inf")) -> float | None:
    """Power that the heaters take, W; None if a meter is missing, stale, or was not heard from `from_s` on."""
    if len(snapshot.measured) < len(settings.heaters):
        return None
    total = 0.0
    for reading in snapshot.measured:
        if reading is None or reading.seen_s < from_s or not is_fresh(reading, settings, now):
            return None
        total += reading.value
    return total
