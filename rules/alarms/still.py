"""Surplus frozen: the same figure for hours although the heaters' power changed, which the meter must show."""

from dataclasses import dataclass, replace

from rules.alarms.alarm import Alarm
from rules.alarms.power import total_w
from rules.model import wording
from rules.model.formatting import clock, watts
from rules.model.freshness import is_fresh
from rules.model.reading import NEVER_LIVE_S, Moment
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot

EVERY_S = 60.0
"""How often the figure is checked, s. A meter that moves in between is not frozen."""
AFTER_S = 7200.0
SWING_W = 500.0
"""How much the heaters' power must have changed meanwhile, W."""
HELD_W = 50.0
"""A surplus nearer to 0 W may be held there by a diverter or a house battery, and is too small to start anything."""


@dataclass(frozen=True, slots=True)
class Still:
    """The surplus so far. value_w: its value at every check since since_s; seen_s: of the last reading of that value;
    lowest_w, highest_w: of the heaters' power meanwhile.
    """

    looked_s: float = NEVER_LIVE_S
    value_w: float | None = None
    seen_s: float = NEVER_LIVE_S
    since_s: float = NEVER_LIVE_S
    lowest_w: float = 0.0
    highest_w: float = 0.0


def look(snapshot: Snapshot, settings: Settings, past: Still, now: Moment) -> Still:
    """What is remembered after another look; the same object where it is not yet time for one."""
    if now.mono_s < past.looked_s + EVERY_S:
        return past
    surplus = snapshot.surplus
    power_w = total_w(snapshot, settings, now)
    if surplus is None or power_w is None or not is_fresh(surplus, settings, now):
        return Still(looked_s=now.mono_s)
    if surplus.value != past.value_w:
        return Still(now.mono_s, surplus.value, surplus.seen_s, surplus.seen_s, power_w, power_w)
    return replace(
        past,
        looked_s=now.mono_s,
        seen_s=surplus.seen_s,
        lowest_w=min(past.lowest_w, power_w),
        highest_w=max(past.highest_w, power_w),
    )


def surplus_frozen(settings: Settings, past: Still, now: Moment) -> list[Alarm]:
    """The alarm, if it stands."""
    swing_w = past.highest_w - past.lowest_w
    if past.value_w is None or abs(past.value_w) < HELD_W or swing_w < SWING_W or past.seen_s < past.since_s + AFTER_S:
        return []
    since = clock(now.utc_of(past.since_s), settings.timezone, now.utc_s)
    sentence = wording.say(
        "the surplus has read {power} since {since} though the heaters' power changed by {swing}: it may be diverted"
        " from the grid; is the meter stuck, or is an old value repeated on the way?",
        power=watts(past.value_w),
        since=since,
        swing=watts(swing_w),
    )
    return [Alarm("surplus frozen", sentence, past.since_s)]
