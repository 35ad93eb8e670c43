"""The whole tank gets hot often enough: if nothing else does it, the heater at the bottom heats, from the grid too.

It comes after every hard guard, so it never heats at or above the stop level or at the temperature limit. If the stop
level ends the heating before the bottom is hot, an alarm says so. The owner's override and an absence come before it
too. It comes before the guards about money, the house battery and other loads, because it is rare and protects
health. Another module plans when it heats, while somebody is at home (rules/planning/heating_times.py). It replaces no
thermostat, no device and no duty under local rules.
"""

from rules.guards.away import absence
from rules.guards.guard import next_edge_s
from rules.model import wording
from rules.model.formatting import clock, degrees, duration
from rules.model.memory import HotRecord, Memory
from rules.model.orders import ALLOW, REQUIRE, Finding, Judgement, Order
from rules.model.reading import Moment
from rules.model.settings import Hygiene, Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot
from rules.tank.hot_throughout import coldest, days_since, due_utc_s

NAME = "hygiene"
HOT_K, WARM_K = 2.0, 1.0
"""It heats until the coldest water is HOT_K above the rule's temperature, and again once it is less than WARM_K above
it: the heater need not run during the whole hold."""


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Judgement:
    """`heat` of the heater at the bottom, in the planned stretch, until the tank has been hot throughout."""
    rule, stretch, record = settings.hygiene, snapshot.heating_times.hygiene, memory.hygiene
    if rule is None or stretch is None or record is None or not stretch.from_s <= now.utc_s < stretch.until_s:
        return ALLOW
    heater = settings.heaters[i]
    if heater.name != rule.heater or not heater.can_heat or absence(settings, now.utc_s) is not None:
        return ALLOW
    if record.last_hot_utc_s is not None and record.last_hot_utc_s >= stretch.from_s:
        return ALLOW
    known = coldest(snapshot, settings, now)
    if known is not None:
        heating = memory.decision is not None and memory.decision.orders[i].order is Order.HEAT
        if known[0] >= rule.at_c + (HOT_K if heating else WARM_K):
            return ALLOW
    return Order.HEAT


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When the planned stretch begins or ends, or is planned again."""
    times = snapshot.heating_times
    return next_edge_s((times.until_s, *(times.hygiene or ())), now)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    rule, record = settings.hygiene, memory.hygiene
    if rule is None:
        return Finding(NAME, ALLOW, wording.say("no hygiene rule: nothing checks whether the whole tank gets hot"))
    if record is None:
        return Finding(NAME, ALLOW, wording.say("not checked yet"))
    last = last_hot(rule, record, now)
    order = judge(snapshot, settings, memory, now, i, share)
    stretch = snapshot.heating_times.hygiene
    if isinstance(order, Order) and stretch is not None:
        until = clock(stretch.until_s, settings.timezone, now.utc_s)
        sentence = wording.say(
            "the whole tank must be at {hot} for {hold}: {last}",
            hot=degrees(rule.at_c),
            hold=duration(rule.hold_s),
            last=last,
        )
        known = coldest(snapshot, settings, now)
        if known is not None:
            sentence = wording.say("{sentence}; coldest water {temp}", sentence=sentence, temp=degrees(known[0]))
        change = wording.say("ends when that is done, at {until} at the latest", until=until)
        return Finding(NAME, REQUIRE, sentence, change, order)
    return Finding(NAME, ALLOW, wording.joined((last, ahead(snapshot, settings, rule, record, now)), "; "))


def last_hot(rule: Hygiene, record: HotRecord, now: Moment) -> str:
    """When the whole tank was last hot, as far as is known: "the whole tank was last hot 3.2 days ago"."""
    days = days_since(record, now)
    if days is not None:
        ago = wording.Number(f"{days:.1f}")
        if rule.measured:
            return wording.say("the whole tank was last hot {ago} days ago", ago=ago)
        return wording.say("the whole tank was last hot {ago} days ago (inferred from the thermostat)", ago=ago)
    if not rule.can_be_known:
        return wording.say("nothing shows whether the whole tank ever gets hot: there is no sensor at its bottom")
    return wording.say("there is no record of the whole tank ever being hot")


def ahead(snapshot: Snapshot, settings: Settings, rule: Hygiene, record: HotRecord, now: Moment) -> str:
    """What comes next: the hold so far, or when it is due and when it heats."""
    if record.hot_since_s is not None:
        since = clock(now.utc_of(record.hot_since_s), settings.timezone, now.utc_s)
        return wording.say("hot throughout since {since}", since=since)
    by_s, away = due_utc_s(record, rule), absence(settings, now.utc_s)
    if away is not None and by_s < away[1]:
        by = wording.say("due after the return at {back}", back=clock(away[1], settings.timezone, now.utc_s))
    elif by_s > now.utc_s:
        by = wording.say("due by {time}", time=clock(by_s, settings.timezone, now.utc_s))
    else:
        by = wording.say("overdue")
    stretch = snapshot.heating_times.hygiene
    if rule.why_not:
        return wording.joined((by, rule.why_not), "; ")
    if stretch is not None and now.utc_s < stretch.from_s:
        start = clock(stretch.from_s, settings.timezone, now.utc_s)
        return wording.say("{due}; heats from {start} if the sun has not done it by then", due=by, start=start)
    return by
