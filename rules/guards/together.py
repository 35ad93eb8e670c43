"""One heater at a time, unless the home allows more: the others wait for the one that is on."""

from rules.guards.guard import never
from rules.model import wording
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "together"


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID while another heater is on and only one may be."""
    return ALLOW if share.holder < 0 or share.holder == i else FORBID


next_s = never


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    if verdict is FORBID:
        other = settings.heaters[share.holder].name
        sentence = wording.say("heater {heater} is on, and only one may be on at a time", heater=other)
        return Finding(NAME, verdict, sentence, wording.say("may start when {heater} stops", heater=other))
    if len(settings.heaters) == 1:
        return Finding(NAME, verdict, wording.say("the only heater"))
    if settings.together:
        return Finding(NAME, verdict, wording.say("heaters may be on together"))
    return Finding(NAME, verdict, wording.say("no other heater is on"))
