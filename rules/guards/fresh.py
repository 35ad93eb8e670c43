"""Fresh inputs: any heating needs a fresh and believable tank level, and diversion needs a fresh surplus too."""

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
    level = _fault("tank level", snapshot.level, settings, now)
    if not level and snapshot.level is not None and not _can_read_level(snapshot.level.value):
        level = f"tank level reads {percent(snapshot.level.value)}, which is impossible"
    if not level and memory.frozen is not None:
        level = frozen_sentence(memory.frozen, settings, now)
    surplus = _fault("surplus", snapshot.surplus, settings, now)
    if not surplus and snapshot.surplus is not None and not _can_read_surplus(snapshot.surplus.value):
        surplus = f"surplus reads {watts(snapshot.surplus.value)}, which is impossible"
    faults = "; ".join(fault for fault in (level, surplus) if fault)
    if verdict is FORBID:
        change = "resumes with the next good reading"
        if memory.frozen is not None:
            change = f"resumes when the level reads anything other than {percent(memory.frozen.level_pct)}"
        return Finding(NAME, verdict, faults, change)
    if faults:
        return Finding(NAME, verdict, f"{faults}, but heating needs only the level")
    return Finding(
        NAME, verdict, f"tank level {_age(snapshot.level, now)} old, surplus {_age(snapshot.surplus, now)} old"
    )


def frozen_sentence(frozen: Frozen, settings: Settings, now: Moment) -> str:
    """Why a level that stands still is not believed."""
    since = clock(now.utc_of(frozen.since_s), settings.timezone, now.utc_s)
    return (
        f"tank level has read {percent(frozen.level_pct)} since {since} although the heaters have put in"
        f" {energy(frozen.taken_wh)}, more than the whole tank can hold"
    )


def _fault(name: str, reading: Reading | None, settings: Settings, now: Moment) -> str:
    """What is wrong with the reading's age, or ""."""
    if reading is None:
        return f"no {name} heard yet"
    if reading.seen_s == NEVER_LIVE_S:
        return f"no {name} heard live since the start"
    if is_fresh(reading, settings, now):
        return ""
    limit_s = settings.stale_after_s.get(reading.signal, 0.0)
    return f"{name} last heard {_age(reading, now)} ago, {duration(limit_s)} allowed"


def _age(reading: Reading | None, now: Moment) -> str:
    return duration(now.mono_s - reading.seen_s) if reading is not None else ""
