"""The owner's word. It stands before every guard that is about money or comfort, and after those about safety."""

from rules.memory import Memory
from rules.orders import ALLOW, REQUIRE, Finding, Order, Verdict
from rules.override import asked
from rules.reading import Moment
from rules.settings import Settings
from rules.share import Share
from rules.snapshot import Snapshot
from rules.words import clock

NAME = "override"
HARD = False
_WORDS = {
    Order.WITHHOLD: "you said to withhold",
    Order.SURPLUS: "you said to take surplus",
    Order.HEAT: "you said to heat, from the grid too",
}


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Verdict:
    """REQUIRE while an override asks something of this heater."""
    if memory.override is None:
        return ALLOW
    return ALLOW if asked(settings, memory, now, i) is None else REQUIRE


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    order = asked(settings, memory, now, i)
    if order is None or memory.override is None:
        return Finding(NAME, ALLOW, "no override")
    until = clock(now.utc_of(memory.override.until_s), settings.timezone, now.utc_s)
    return Finding(NAME, REQUIRE, f"{_WORDS[order]} until {until}", f"ends at {until} or when you clear it")
