"""Enough surplus: start at or above one mean, stop below a lower one. Diverted power counts as surplus."""

from rules.guards.guard import never
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
    if snapshot.surplus_mean_w is None:
        return Finding(NAME, verdict, "no surplus heard yet", f"starts at {watts(start_w(settings, heater))}")
    left = ", left by the other heaters" if share.taken_w else ""
    over = duration(settings.surplus.over_s)
    mean_w = snapshot.surplus_mean_w - share.taken_w
    amount = f"surplus {watts(mean_w)}" if mean_w > -0.5 else f"no surplus, {watts(-mean_w)} short"
    mean = f"{amount} on average over {over}{left}"
    if verdict is FORBID:
        return Finding(NAME, verdict, mean, f"starts at {watts(start_w(settings, heater))}")
    return Finding(NAME, verdict, mean, f"stops below {watts(stop_w(settings, heater, share))}")
