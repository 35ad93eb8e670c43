"""The tank is full: by its level, from the stop level until below the resume level; or by its own thermostat.

Diversion should stop by the level, before the thermostat does. If the thermostat acts first nevertheless, a permitted
heater takes nothing although there is surplus; it then counts as satisfied until the level has fallen or a time has
passed (`rules.decision.observe` keeps track of that).
"""

from rules.guards.guard import NEVER_S
from rules.model import wording
from rules.model.formatting import clock, duration, percent
from rules.model.freshness import is_fresh
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "full"


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID while the tank is full or the heater satisfied."""
    if memory.full_since_s is not None or memory.heaters[i].satisfied_at_s is not None:
        return FORBID
    # An up-to-date memory knows it already; otherwise the level itself decides.
    level = snapshot.level
    return FORBID if level is not None and level.value >= settings.full.stop_at_pct else ALLOW


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When a heater that takes nothing counts as satisfied, or a satisfied one is tried again."""
    first_s = NEVER_S
    for past in memory.heaters:
        if past.satisfied_at_s is not None:
            at_s = past.satisfied_at_s + settings.full.retry_after_s
        elif past.idle_since_s is not None:
            at_s = past.idle_since_s + settings.full.idle_after_s
        else:
            continue
        if now.mono_s < at_s < first_s:
            first_s = at_s
    return first_s


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    full = settings.full
    past = memory.heaters[i]
    tank = _tank(snapshot, settings, now)
    resumes = wording.say("resumes below {level}", level=percent(full.resume_below_pct))
    if memory.full_since_s is not None:
        since = clock(now.utc_of(memory.full_since_s), settings.timezone, now.utc_s)
        return Finding(NAME, verdict, wording.say("{tank}, full since {since}", tank=tank, since=since), resumes)
    if past.satisfied_at_s is not None:
        at = clock(now.utc_of(past.satisfied_at_s), settings.timezone, now.utc_s)
        retry = clock(now.utc_of(past.satisfied_at_s + full.retry_after_s), settings.timezone, now.utc_s)
        fallen_pct = past.satisfied_level_pct - full.idle_fall_pct
        change = wording.say("will be tried again at {retry}", retry=retry)
        if fallen_pct > 0:
            change = wording.say(
                "will be tried again at {retry}, or when the level falls below {level}",
                retry=retry,
                level=percent(fallen_pct),
            )
        sentence = wording.say(
            "{tank}, and at {at} the heater had taken nothing for {idle}: its own thermostat had switched it off",
            tank=tank,
            at=at,
            idle=duration(full.idle_after_s),
        )
        return Finding(NAME, verdict, sentence, change)
    if verdict is FORBID:
        return Finding(NAME, verdict, wording.say("{tank}, full", tank=tank), resumes)
    return Finding(NAME, verdict, tank, wording.say("stops at {level}", level=percent(full.stop_at_pct)))


def _tank(snapshot: Snapshot, settings: Settings, now: Moment) -> str:
    if snapshot.level is None:
        return wording.say("tank level not known")
    if not is_fresh(snapshot.level, settings, now):
        return wording.say("tank {level} when last heard", level=percent(snapshot.level.value))
    return wording.say("tank {level}", level=percent(snapshot.level.value))
