"""The decision: for each heater the first guard that does not allow, in the order of precedence.

Several heaters are judged in the order of preference. If only one may be on, the first that can be on is, and the
others wait ("together"). A heater within its minimum on time is judged before the preferred one, and a heater that a
guard requires to be on before both. If a preferred heater is satisfied, or the surplus is too small for it, the next
one may try. If they may be on together, each finds the surplus that the earlier ones leave.
"""

from dataclasses import replace
from typing import NamedTuple

from rules.decision import tracking
from rules.decision.observe import noticed
from rules.guards import GUARDS, rest
from rules.guards.precedence import Precedence
from rules.model.memory import HeaterMemory, Memory
from rules.model.orders import ALLOW, FORBID, Decision, HeaterOrder, Order
from rules.model.power_range import fit_w, lowest_w
from rules.model.reading import Moment
from rules.model.settings import Heater, Settings
from rules.model.share import WHOLE, WHOLE_FROM_GRID, Share
from rules.model.snapshot import Snapshot

_WITHHOLD, _SURPLUS, _HEAT = Order


class Ruling(NamedTuple):
    """What the guards gave one heater. share: what it found left; past: its memory after the step of its watts."""

    order: Order
    guard: str
    share: Share
    watts: int | None
    past: HeaterMemory


def decide(
    snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, guards: Precedence = GUARDS
) -> tuple[Decision, Memory]:
    """What each heater is ordered now, and what to remember.

    The same inputs give the same result. If nothing changes, decision and memory are the same objects as before.
    """
    memory = noticed(snapshot, settings, memory, now)
    standing = memory.decision
    assert standing is not None
    if len(settings.heaters) == 1 and settings.heaters[0].kind == "gate":
        # A fast path for the common home and for every row of a long replay: it makes no object if nothing changes.
        required = guards.required(snapshot, settings, memory, now, 0)
        share = WHOLE if required is not _HEAT else WHOLE_FROM_GRID
        order, guard = _judged(snapshot, settings, memory, now, 0, share, guards)
        stands = standing.orders[0]
        if order is stands.order and guard == stands.guard:
            return standing, memory
        rulings = [Ruling(order, guard, share, None, memory.heaters[0])]
    else:
        rulings = allot(snapshot, settings, memory, now, guards)
    return _concluded(standing, settings, memory, now, rulings)


def allot(
    snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, guards: Precedence = GUARDS
) -> list[Ruling]:
    """Each heater's ruling, in the order of the settings. memory: as `noticed` left it."""
    required = [guards.required(snapshot, settings, memory, now, i) for i in range(len(settings.heaters))]
    found: dict[int, Ruling] = {}
    taken_w = 0.0
    holder = -1
    for i in _sequence(settings, memory, now, required):
        share = Share(taken_w, holder, required[i] is _HEAT)
        ruling = _ruled(snapshot, settings, memory, now, i, share, guards)
        found[i] = ruling
        if ruling.order is _WITHHOLD:
            continue
        if settings.together:
            taken_w += _taken_w(snapshot, settings, settings.heaters[i], ruling, taken_w)
        else:
            holder = i
    if holder >= 0:
        # Heaters judged before the holder did not know of it; what stops them now is that only one may be on.
        for i, ruling in found.items():
            if i != holder and ruling.share.holder < 0:
                share = Share(0.0, holder, required[i] is _HEAT)
                found[i] = _ruled(snapshot, settings, memory, now, i, share, guards)
    return [found[i] for i in range(len(settings.heaters))]


def _judged(
    snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, guards: Precedence
) -> tuple[Order, str]:
    """The order for heater `i`, and the name of the guard that decided it."""
    for name, hard, judge in guards.judges:
        judgement = judge(snapshot, settings, memory, now, i, share)
        if judgement is ALLOW:
            continue
        if judgement is not FORBID:
            return judgement, name
        # One that is to heat from the grid got so far without a surplus: it is held on `surplus` only if that is known.
        if (
            not hard
            and rest.holds(settings, memory, now, i, share)
            and (not share.from_grid or guards.permit_surplus(snapshot, settings, memory, now, i, share))
        ):
            return _SURPLUS, "rest"
        return _WITHHOLD, name
    return _SURPLUS, "surplus"


def _ruled(
    snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, guards: Precedence
) -> Ruling:
    """The same with the watts of a modulated heater."""
    order, guard = _judged(snapshot, settings, memory, now, i, share, guards)
    heater = settings.heaters[i]
    past = memory.heaters[i]
    if heater.kind == "gate" or order is _WITHHOLD:
        return Ruling(order, guard, share, None, past)
    if order is _HEAT:
        return Ruling(order, guard, share, int(heater.rated_w), past)
    assert snapshot.surplus is not None
    assert memory.decision is not None
    standing = memory.decision.orders[i]
    # Held on by its minimum on time, a heater takes its least power, if from the grid; required to take surplus when
    # there is none, it takes nothing.
    below_w = 0 if guard in guards.requiring else lowest_w(heater)
    watts, past = tracking.step(
        heater,
        settings.tracking,
        past,
        standing.watts if standing.order is _SURPLUS else None,
        tracking.available_w(snapshot, settings, memory, now) - share.taken_w - settings.tracking.margin_w,
        snapshot.surplus.seen_s,
        below_w,
    )
    return Ruling(order, guard, share, watts, past)


def _sequence(settings: Settings, memory: Memory, now: Moment, required: list[Order | None]) -> list[int]:
    """The heaters in the order in which they are judged."""
    indices = list(range(len(settings.heaters)))
    if not settings.together:
        indices.sort(key=lambda i: not rest.is_running(settings, memory, now, i))
    indices.sort(key=lambda i: required[i] in (None, _WITHHOLD))
    return indices


def _taken_w(snapshot: Snapshot, settings: Settings, heater: Heater, ruling: Ruling, taken_w: float) -> float:
    """How much of the surplus a heater that is on takes, W. A gate takes all it finds, up to its rated power.

    A modulated heater counts with as much as it can be ordered: a later heater must not stay on by taking part of that.
    """
    if ruling.order is _HEAT:
        return heater.rated_w
    left_w = (snapshot.surplus_mean_w or 0.0) - taken_w
    if ruling.watts is not None:
        return max(ruling.watts, fit_w(heater, left_w - settings.tracking.margin_w, 0))
    return min(max(left_w, 0.0), heater.rated_w)


def _concluded(
    standing: Decision, settings: Settings, memory: Memory, now: Moment, rulings: list[Ruling]
) -> tuple[Decision, Memory]:
    """Rulings made into a decision and its memory; the standing objects where nothing has changed."""
    orders = list(standing.orders)
    heaters = list(memory.heaters)
    changed = remembered = False
    for i, ruling in enumerate(rulings):
        stands = orders[i]
        past = ruling.past
        if ruling.order is not stands.order:
            past = replace(past, since_s=now.mono_s, idle_since_s=None)
            if ruling.order is not _SURPLUS:
                past = replace(past, reversals_s=(), step_sign=0, tracked_s=float("-inf"))
        if past is not heaters[i]:
            heaters[i] = past
            remembered = True
        if (ruling.order, ruling.guard, ruling.watts) != (stands.order, stands.guard, stands.watts):
            orders[i] = HeaterOrder(settings.heaters[i].name, ruling.order, ruling.guard, ruling.watts)
            changed = True
    if not changed and not remembered:
        return standing, memory
    decision = Decision(tuple(orders)) if changed else standing
    return decision, replace(memory, decision=decision, heaters=tuple(heaters) if remembered else memory.heaters)
