"""If the owner wants it, the tank is hot at the hour of return. This is the only heating during an absence.

This guard comes after every hard guard and the owner's override, and before the absence, which forbids everything else.
Another module plans when the heating begins (rules/planning/heating_times.py).
"""

from itertools import chain

from rules.guards.away import absence
from rules.guards.guard import NEVER_S, next_edge_s
from rules.model import wording
from rules.model.formatting import clock
from rules.model.memory import Memory
from rules.model.orders import ALLOW, REQUIRE, Finding, Judgement, Order
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "return"


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Judgement:
    """`heat` for the heater chosen for it, in the stretch before the return."""
    stretch = snapshot.heating_times.homecoming
    if stretch is None or not stretch.from_s <= now.utc_s < stretch.until_s:
        return ALLOW
    heater = settings.heaters[i]
    if heater.name != settings.away.heater or not heater.can_heat or absence(settings, now.utc_s) is None:
        return ALLOW
    return Order.HEAT


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When an absence or the heating in it begins or ends, or is planned again."""
    if not settings.away.heater:
        return NEVER_S
    times = snapshot.heating_times
    return next_edge_s(chain((times.until_s, *(times.homecoming or ())), *settings.away.periods), now)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    if not settings.away.heater:
        return Finding(
            NAME, ALLOW, wording.say("the tank is not heated for a return: rules.away.hot_on_return is false")
        )
    period, stretch = absence(settings, now.utc_s), snapshot.heating_times.homecoming
    if period is None:
        return Finding(NAME, ALLOW, wording.say("no return is planned"))
    if settings.heaters[i].name != settings.away.heater:
        return Finding(NAME, ALLOW, wording.say("heater {heater} heats for the return", heater=settings.away.heater))
    back = clock(period[1], settings.timezone, now.utc_s)
    if stretch is None or now.utc_s >= stretch.until_s:
        return Finding(NAME, ALLOW, wording.say("the tank is to be hot at {back}", back=back))
    begins, ends = (clock(edge_s, settings.timezone, now.utc_s) for edge_s in stretch)
    if judge(snapshot, settings, memory, now, i, share) is Order.HEAT:
        sentence = wording.say("you return at {back}, and the tank is to be hot then", back=back)
        return Finding(NAME, REQUIRE, sentence, wording.say("ends at {ends}", ends=ends), Order.HEAT)
    sentence = wording.say("the tank is to be hot at {back}: heats from {begins}", back=back, begins=begins)
    return Finding(NAME, ALLOW, sentence)
