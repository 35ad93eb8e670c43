"""Enough surplus: start at or above one mean, stop below a lower one. Diverted power counts as surplus."""

from rules.guards.guard import never
from rules.model import wording
from rules.model.formatting import duration, watts
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Order, Permission
from rules.model.power_range import lowest_w
from rules.model.reading import Moment
from rules.model.settings import Heater, Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "surplus"


def start_w(settings: Settings, heater: Heater) -> float:
    """Mean surplus from which the heater starts, W: the rule's, or more if the heater cannot take so little.

    A modulated heater must be able to take its least power and leave the margin.
    """
    if heater.kind == "modulated":
        return max(settings.surplus.start_w, lowest_w(heater) + max(settings.tracking.margin_w, 0.0))
    return max(settings.surplus.start_w, heater.minimum_w)


def stop_w(settings: Settings, heater: Heater, share: Share) -> float:
    """Mean surplus below which it stops, W. A modulated heater stops where its least power would come from the grid.

    So does a gate, if other heaters take surplus before it.
    """
    if heater.kind == "modulated":
        return max(settings.surplus.stop_w, lowest_w(heater))
    if share.taken_w > 0:
        return max(settings.surplus.stop_w, heater.minimum_w)
    return settings.surplus.stop_w


def is_on(memory: Memory, i: int) -> bool:
    """Whether the heater's standing order is to take surplus."""
    return memory.decision is not None and memory.decision.orders[i].order is Order.SURPLUS


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID while the surplus that is left for this heater is too small."""
    mean_w = snapshot.surplus_mean_w
    if mean_w is None:
        return FORBID
    heater = settings.heaters[i]
    needed_w = stop_w(settings, heater, share) if is_on(memory, i) else start_w(settings, heater)
    return ALLOW if mean_w - share.taken_w >= needed_w else FORBID


next_s = never


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    heater = settings.heaters[i]
    starts = wording.say("starts at {power}", power=watts(start_w(settings, heater)))
    if snapshot.surplus_mean_w is None:
        return Finding(NAME, verdict, wording.say("no surplus heard yet"), starts)
    over = duration(settings.surplus.over_s)
    mean_w = snapshot.surplus_mean_w - share.taken_w
    if mean_w > -0.5:
        amount = wording.say("surplus {power}", power=watts(mean_w))
    else:
        amount = wording.say("no surplus, {power} short", power=watts(-mean_w))
    mean = wording.say("{amount} on average over {time}", amount=amount, time=over)
    if share.taken_w:
        mean = wording.say("{surplus}, left by the other heaters", surplus=mean)
    if verdict is FORBID:
        return Finding(NAME, verdict, mean, starts)
    stops = wording.say("stops below {power}", power=watts(stop_w(settings, heater, share)))
    return Finding(NAME, verdict, mean, stops)
