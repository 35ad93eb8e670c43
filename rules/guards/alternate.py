"""A fair comparison is under way, and this is one of its days without diversion.

It only ever withholds. Guards that require heat (override, return, hygiene, plan) come before it.
"""

from rules.guards.guard import next_edge_s
from rules.model import wording
from rules.model.formatting import clock
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "alternate"


def block(settings: Settings, utc_s: float) -> tuple[float, float, bool] | None:
    """The run of days that covers a UTC second, as (start, end, whether they divert); None outside a comparison."""
    for run in settings.alternate.runs:
        if utc_s < run[0]:
            return None
        if utc_s < run[1]:
            return run
    return None


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID on a day without diversion."""
    if not settings.alternate.runs:
        return ALLOW
    standing = block(settings, now.utc_s)
    return FORBID if standing is not None and not standing[2] else ALLOW


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When a run of days begins or ends."""
    return next_edge_s([edge_s for run in settings.alternate.runs for edge_s in run[:2]], now)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    standing = block(settings, now.utc_s)
    if standing is not None:
        until = clock(standing[1], settings.timezone, now.utc_s)
        if standing[2]:
            return Finding(NAME, ALLOW, wording.say("fair comparison: diversion is on until {until}", until=until))
        return Finding(
            NAME,
            FORBID,
            wording.say("fair comparison: diversion is off until {until}", until=until),
            wording.say("resumes at {until}", until=until),
        )
    starts = [start_s for start_s, _, _ in settings.alternate.runs if start_s > now.utc_s]
    if starts:
        start = clock(starts[0], settings.timezone, now.utc_s)
        return Finding(NAME, ALLOW, wording.say("fair comparison from {start}", start=start))
    return Finding(NAME, ALLOW, wording.say("no fair comparison is planned"))
