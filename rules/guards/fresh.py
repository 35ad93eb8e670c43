"""Fresh inputs: any heating needs a fresh and believable tank level, and diversion needs a fresh surplus too."""

from rules.model import wording
from rules.model.formatting import clock, duration, energy, percent, watts
from rules.model.freshness import first_stale_s, is_fresh
from rules.model.memory import Frozen, Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.signals import SIGNALS
from rules.model.snapshot import Snapshot

NAME = "fresh"
_can_read_level = SIGNALS["tank_level_pct"].can_read
_can_read_surplus = SIGNALS["surplus_w"].can_read


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID without a fresh, possible level, or without a fresh surplus unless the heater is to heat from the grid."""
    now_s = now.mono_s
    limits = settings.stale_after_s
    level = snapshot.level
    if (
        level is None
        or memory.frozen is not None
        or now_s >= level.seen_s + limits.get(level.signal, 0.0)
        or not _can_read_level(level.value)
    ):
        return FORBID
    surplus = snapshot.surplus
    if (
        surplus is None
        or now_s >= surplus.seen_s + limits.get(surplus.signal, 0.0)
        or not _can_read_surplus(surplus.value)
    ):
        return ALLOW if share.from_grid else FORBID
    return ALLOW


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When the level or the surplus goes stale."""
    return first_stale_s((snapshot.level, snapshot.surplus), settings, now)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    level = _fault(wording.say("tank level"), snapshot.level, settings, now)
    if not level and snapshot.level is not None and not _can_read_level(snapshot.level.value):
        level = wording.say("tank level reads {level}, which is impossible", level=percent(snapshot.level.value))
    if not level and memory.frozen is not None:
        level = frozen_sentence(memory.frozen, settings, now)
    surplus = _fault(wording.say("surplus"), snapshot.surplus, settings, now)
    if not surplus and snapshot.surplus is not None and not _can_read_surplus(snapshot.surplus.value):
        surplus = wording.say("surplus reads {power}, which is impossible", power=watts(snapshot.surplus.value))
    faults = wording.joined((level, surplus), "; ")
    if verdict is FORBID:
        change = wording.say("resumes with the next good reading")
        if memory.frozen is not None:
            level = percent(memory.frozen.level_pct)
            change = wording.say("resumes when the level reads anything other than {level}", level=level)
        return Finding(NAME, verdict, faults, change)
    if faults:
        return Finding(NAME, verdict, wording.say("{faults}, but heating needs only the level", faults=faults))
    ages = wording.say(
        "tank level {level_age} old, surplus {surplus_age} old",
        level_age=_age(snapshot.level, now),
        surplus_age=_age(snapshot.surplus, now),
    )
    return Finding(NAME, verdict, ages)


def frozen_sentence(frozen: Frozen, settings: Settings, now: Moment) -> str:
    """Why a level that stands still is not believed."""
    since = clock(now.utc_of(frozen.since_s), settings.timezone, now.utc_s)
    return wording.say(
        "tank level has read {level} since {since} although the heaters have put in {taken}, more than the whole tank"
        " can hold",
        level=percent(frozen.level_pct),
        since=since,
        taken=energy(frozen.taken_wh),
    )


def _fault(name: str, reading: Reading | None, settings: Settings, now: Moment) -> str:
    """What is wrong with the reading's age, or ""."""
    if reading is None:
        return wording.say("no {name} heard yet", name=name)
    if reading.seen_s == NEVER_LIVE_S:
        return wording.say("no {name} heard live since the start", name=name)
    if is_fresh(reading, settings, now):
        return ""
    limit_s = settings.stale_after_s.get(reading.signal, 0.0)
    age, limit = _age(reading, now), duration(limit_s)
    return wording.say("{name} last heard {age} ago, {limit} allowed", name=name, age=age, limit=limit)


def _age(reading: Reading | None, now: Moment) -> str:
    return duration(now.mono_s - reading.seen_s) if reading is not None else ""
