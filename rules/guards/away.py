"""Nobody is home: nothing is heated."""

from itertools import chain

from rules.guards.guard import next_edge_s
from rules.model import wording
from rules.model.formatting import clock
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "away"


def absence(settings: Settings, utc_s: float) -> tuple[float, float] | None:
    """The absence that covers a UTC second, as (start, end); None at home."""
    for period in settings.away.periods:
        if utc_s < period[0]:
            return None
        if utc_s < period[1]:
            return period
    return None


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID during an absence."""
    if not settings.away.periods:
        return ALLOW
    return ALLOW if absence(settings, now.utc_s) is None else FORBID


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When an absence begins or ends."""
    return next_edge_s(chain.from_iterable(settings.away.periods), now)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    period = absence(settings, now.utc_s)
    if period is not None:
        until = clock(period[1], settings.timezone, now.utc_s)
        return Finding(
            NAME, FORBID, wording.say("away until {until}", until=until), wording.say("resumes at {until}", until=until)
        )
    starts = [start_s for start_s, _ in settings.away.periods if start_s > now.utc_s]
    if starts:
        start = clock(starts[0], settings.timezone, now.utc_s)
        return Finding(NAME, ALLOW, wording.say("home; away from {start}", start=start))
    return Finding(NAME, ALLOW, wording.say("home, no absence is planned"))
