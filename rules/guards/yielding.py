"""Another surplus load, such as a car charger, goes first while it draws, and for a set time after.

A load that was never heard, or has gone silent, is assumed to draw nothing: a charger that is switched off must not
keep the tank cold for ever. The finding says so.
"""

from math import ceil

from rules.guards.guard import NEVER_S
from rules.model import wording
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
        return Finding(NAME, verdict, wording.say("no other load goes first"))
    signal = SIGNALS.get(yields.signal)
    load = signal.about if signal is not None else yields.signal
    reading = snapshot.yielding
    limit = watts(yields.above_w)
    if reading is not None and is_fresh(reading, settings, now):
        draw = wording.joined((load, watts(reading.value)), " ")
        if reading.value > yields.above_w:
            change = wording.say("resumes once it is at most {limit}", limit=limit)
            if yields.for_s > 0:
                change = wording.say(
                    "resumes once it is at most {limit} for {time}", limit=limit, time=duration(yields.for_s)
                )
            sentence = wording.say("{draw}, above {limit}: it goes first", draw=draw, limit=limit)
            return Finding(NAME, verdict, sentence, change)
    elif reading is None:
        draw = wording.say("{load} not heard yet", load=load)
    else:
        draw = wording.say("{load} not heard lately", load=load)
    if verdict is FORBID:
        left = duration(ceil(snapshot.yield_above_seen_s + yields.for_s - now.mono_s))
        sentence = wording.say("{draw}, above {limit} a short while ago", draw=draw, limit=limit)
        return Finding(NAME, verdict, sentence, wording.say("resumes in {left}", left=left))
    if reading is not None and is_fresh(reading, settings, now):
        return Finding(NAME, verdict, wording.say("{draw}, not above {limit}", draw=draw, limit=limit))
    return Finding(NAME, verdict, wording.say("{draw}, assumed to draw nothing", draw=draw))
