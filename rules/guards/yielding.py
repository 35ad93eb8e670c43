"""Another surplus load, such as a car charger, goes first while it draws, and for a set time after.

A load that was never heard, or has gone silent, is assumed to draw nothing: a charger that is switched off must not
keep the tank cold for ever. The finding says so.
"""

from math import ceil

from rules.guards.guard import NEVER_S
from rules.model.formatting import duration, watts
from rules.model.freshness import first_stale_s, is_fresh
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.signals import SIGNALS
from rules.model.snapshot import Snapshot

NAME = "yield"


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID while the other load draws, and for the set time after."""
    yields = settings.yields
    if yields is None:
        return ALLOW
    if now.mono_s < snapshot.yield_above_seen_s + yields.for_s:
        return FORBID
    reading = snapshot.yielding
    if reading is None or not reading.value > yields.above_w:
        return ALLOW
    return FORBID if is_fresh(reading, settings, now) else ALLOW


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When the time after the other load's draw has passed, or its reading above the limit goes stale."""
    yields = settings.yields
    if yields is None:
        return NEVER_S
    at_s = snapshot.yield_above_seen_s + yields.for_s
    first_s = at_s if now.mono_s < at_s else NEVER_S
    reading = snapshot.yielding
    if reading is not None and reading.value > yields.above_w:
        first_s = min(first_s, first_stale_s((reading,), settings, now))
    return first_s


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    yields = settings.yields
    if yields is None:
        return Finding(NAME, verdict, "no other load goes first")
    signal = SIGNALS.get(yields.signal)
    load = signal.about if signal is not None else yields.signal
    reading = snapshot.yielding
    limit = watts(yields.above_w)
    if reading is not None and is_fresh(reading, settings, now):
        draw = f"{load} {watts(reading.value)}"
        if reading.value > yields.above_w:
            after = f" for {duration(yields.for_s)}" if yields.for_s > 0 else ""
            return Finding(
                NAME,
                verdict,
                f"{draw}, above {limit}: it goes first",
                f"resumes once it is at most {limit}{after}",
            )
    else:
        draw = f"{load} {'not heard yet' if reading is None else 'not heard lately'}"
    if verdict is FORBID:
        left = duration(ceil(snapshot.yield_above_seen_s + yields.for_s - now.mono_s))
        return Finding(NAME, verdict, f"{draw}, above {limit} a short while ago", f"resumes in {left}")
    if reading is not None and is_fresh(reading, settings, now):
        return Finding(NAME, verdict, f"{draw}, not above {limit}")
    return Finding(NAME, verdict, f"{draw}, assumed to draw nothing")
