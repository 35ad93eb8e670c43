"""Level or surplus silent: inputs without which nothing is diverted."""

from rules.alarms.alarm import Alarm
from rules.model.formatting import duration
from rules.model.freshness import is_fresh, stale_at_s
from rules.model.reading import NEVER_LIVE_S, Moment
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot

NEVER_HEARD_S = 60.0
"""Patience with an input that has not told anything yet and whose limit is not known, s."""


def silences(snapshot: Snapshot, settings: Settings, started_s: float, now: Moment) -> list[Alarm]:
    """Which of them are silent now. One not heard since the start, at started_s, has as long as its limit says."""
    found: list[Alarm] = []
    if is_fresh(snapshot.level, settings, now) and is_fresh(snapshot.surplus, settings, now):
        return found
    for what, reading, signal in (
        ("level", snapshot.level, "tank_level_pct"),
        ("surplus", snapshot.surplus, "surplus_w"),
    ):
        if is_fresh(reading, settings, now):
            continue
        if reading is not None and reading.seen_s != NEVER_LIVE_S:
            since_s = stale_at_s(reading, settings)
            limit_s = settings.stale_after_s.get(reading.signal, 0.0)
            sentence = f"no {what} heard for more than {duration(limit_s)}: nothing is diverted until it tells again"
        else:
            name = reading.signal if reading is not None else signal
            since_s = started_s + settings.stale_after_s.get(name, NEVER_HEARD_S)
            sentence = f"no {what} heard since the start: nothing is diverted until it tells"
        if now.mono_s >= since_s:
            found.append(Alarm(f"{what} silent", sentence, since_s))
    return found
