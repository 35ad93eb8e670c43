"""The owner's override. It comes after the guards about safety, and before every guard about money or comfort."""

from rules.guards.guard import NEVER_S
from rules.model import wording
from rules.model.formatting import clock
from rules.model.memory import Memory
from rules.model.orders import ALLOW, REQUIRE, Finding, Judgement, Order
from rules.model.overriding import override_order
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "override"
_WORDS = {
    Order.WITHHOLD: wording.say("your override keeps the heater off"),
    Order.SURPLUS: wording.say("your override takes surplus"),
    Order.HEAT: wording.say("your override heats, from the grid too"),
}


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Judgement:
    """The order that the override gives this heater."""
    if memory.override is None:
        return ALLOW
    order = override_order(settings, memory, now, i)
    return ALLOW if order is None else order


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When the override ends."""
    override = memory.override
    return override.until_s if override is not None and now.mono_s < override.until_s else NEVER_S


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    order = override_order(settings, memory, now, i)
    if order is None or memory.override is None:
        return Finding(NAME, ALLOW, wording.say("no override"))
    until = clock(now.utc_of(memory.override.until_s), settings.timezone, now.utc_s)
    sentence = wording.say("{override} until {until}", override=_WORDS[order], until=until)
    return Finding(NAME, REQUIRE, sentence, wording.say("ends at {until} or when you end it", until=until), order)
