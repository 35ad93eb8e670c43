"""Minimum on and off times. They never delay a stop for safety or for a full tank."""

from math import ceil, floor

from rules.guards.guard import NEVER_S
from rules.guards.surplus import is_on
from rules.model import wording
from rules.model.formatting import duration
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Order, Permission
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "rest"


def is_running(settings: Settings, memory: Memory, now: Moment, i: int) -> bool:
    """Whether the heater takes surplus and its minimum on time has not passed."""
    return is_on(memory, i) and now.mono_s < memory.heaters[i].since_s + settings.rest.minimum_on_s


def holds(settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> bool:
    """Whether a standing `surplus` outlasts a guard that is not hard. It does not if another heater must be on."""
    return share.holder < 0 and is_running(settings, memory, now, i)


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID a start before the minimum off time has passed."""
    if now.mono_s >= memory.heaters[i].since_s + settings.rest.minimum_off_s:
        return ALLOW
    off = memory.decision is None or memory.decision.orders[i].order is Order.WITHHOLD
    return FORBID if off else ALLOW


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When a heater's minimum on or off time has passed."""
    rest, decision = settings.rest, memory.decision
    first_s = NEVER_S
    if decision is None or not (rest.minimum_on_s or rest.minimum_off_s):
        return first_s
    for past, standing in zip(memory.heaters, decision.orders, strict=True):
        at_s = past.since_s + (rest.minimum_off_s if standing.order is Order.WITHHOLD else rest.minimum_on_s)
        if now.mono_s < at_s < first_s:
            first_s = at_s
    return first_s


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    rest = settings.rest
    since_s = memory.heaters[i].since_s
    if verdict is FORBID:
        left = duration(ceil(since_s + rest.minimum_off_s - now.mono_s))
        past, least = duration(floor(now.mono_s - since_s)), duration(rest.minimum_off_s)
        sentence = wording.say("off for {past} of at least {least}", past=past, least=least)
        return Finding(NAME, verdict, sentence, wording.say("may start in {left}", left=left))
    if is_running(settings, memory, now, i):
        left = duration(ceil(since_s + rest.minimum_on_s - now.mono_s))
        past, least = duration(floor(now.mono_s - since_s)), duration(rest.minimum_on_s)
        sentence = wording.say("on for {past} of at least {least}", past=past, least=least)
        return Finding(NAME, verdict, sentence, wording.say("may stop in {left}", left=left))
    return Finding(NAME, verdict, wording.say("no minimum time to wait for"))
