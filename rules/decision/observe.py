"""What a snapshot adds to the memory before the guards look: full, too hot, frozen, satisfied, hot throughout, an
override's end.

Only decide runs `noticed`. Run again on the same snapshot and the memory it returned, it changes nothing and returns
the same object.
"""

from dataclasses import replace

from rules.decision.hygiene import noted
from rules.guards import limit
from rules.guards.surplus import start_w
from rules.model.freshness import is_fresh
from rules.model.memory import HeaterMemory, Memory
from rules.model.orders import Decision, HeaterOrder, Order
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.signals import SIGNALS
from rules.model.snapshot import Snapshot
from rules.tank import plausibility as plausible

_can_read_level = SIGNALS["tank_level_pct"].can_read
_WITHHOLD = Order.WITHHOLD


def noticed(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> Memory:
    """The memory with what the snapshot shows; its `decision` is set and fits the settings' heaters."""
    decision = memory.decision
    if decision is None or not _fits(decision, memory, settings):
        memory = _fitted(memory, settings)
        decision = memory.decision
        assert decision is not None
    override = memory.override
    if override is not None and now.mono_s >= override.until_s:
        override = None

    full_since_s = memory.full_since_s
    level = snapshot.level
    if (
        level is not None
        and now.mono_s < level.seen_s + settings.stale_after_s.get(level.signal, 0.0)
        and _can_read_level(level.value)
    ):
        if full_since_s is None:
            if level.value >= settings.full.stop_at_pct:
                full_since_s = level.seen_s
        elif level.value < settings.full.resume_below_pct:
            full_since_s = None
    else:
        level = None
    frozen = memory.frozen
    tank = settings.tank
    if frozen is not None or (tank is not None and snapshot.level_taken_wh > tank.full_wh):
        frozen = plausible.frozen(snapshot, settings, level, frozen, now)

    hot_since_s = memory.hot_since_s
    if hot_since_s is not None or limit.is_checked(snapshot, settings):
        hot_since_s = _hot(snapshot, settings, hot_since_s, now)

    heaters = memory.heaters
    for i, past in enumerate(heaters):
        if (
            past.idle_since_s is not None
            or past.satisfied_at_s is not None
            or decision.orders[i].order is not _WITHHOLD
        ):
            level_pct = level.value if level is not None else None
            seen = _thermostat(snapshot, settings, decision.orders[i], past, now, i, level_pct)
            if seen is not past:
                heaters = (*heaters[:i], seen, *heaters[i + 1 :])

    hygiene = memory.hygiene
    if hygiene is not None or settings.hygiene is not None:
        hygiene = noted(snapshot, settings, memory, heaters, now)

    if (
        heaters is memory.heaters
        and override is memory.override
        and full_since_s == memory.full_since_s
        and hot_since_s == memory.hot_since_s
        and frozen is memory.frozen
        and hygiene is memory.hygiene
    ):
        return memory
    return replace(
        memory,
        override=override,
        full_since_s=full_since_s,
        hot_since_s=hot_since_s,
        frozen=frozen,
        hygiene=hygiene,
        heaters=heaters,
    )


def _fits(decision: Decision, memory: Memory, settings: Settings) -> bool:
    heaters = settings.heaters
    orders = decision.orders
    if len(orders) != len(heaters) or len(memory.heaters) != len(heaters):
        return False
    for i, heater in enumerate(heaters):  # noqa: SIM110 (a generator costs more than the rest; this runs on every reading)
        if orders[i].heater != heater.name:
            return False
    return True


def _fitted(memory: Memory, settings: Settings) -> Memory:
    """The memory for the settings' heaters: matched by name if it has orders, else by place; new heaters are off."""
    if memory.decision is not None:
        past = {
            given.heater: (given, kept) for given, kept in zip(memory.decision.orders, memory.heaters, strict=False)
        }
    else:
        past = {
            heater.name: (HeaterOrder(heater.name, _WITHHOLD, ""), kept)
            for heater, kept in zip(settings.heaters, memory.heaters, strict=False)
        }
    fitted = [
        past.get(heater.name, (HeaterOrder(heater.name, _WITHHOLD, ""), HeaterMemory())) for heater in settings.heaters
    ]
    return replace(
        memory,
        decision=Decision(tuple(given for given, _ in fitted)),
        heaters=tuple(kept for _, kept in fitted),
    )


def _hot(snapshot: Snapshot, settings: Settings, since_s: float | None, now: Moment) -> float | None:
    """Since when the tank is too hot. It stays so until every temperature is below the resume temperature."""
    temp_c, all_known = limit.temperatures(snapshot, settings, now)
    if since_s is None:
        return now.mono_s if temp_c is not None and temp_c >= settings.limit.maximum_c else None
    if temp_c is None and not limit.is_checked(snapshot, settings):
        return None  # its sensors were taken out of service
    return None if all_known and temp_c is not None and temp_c < settings.limit.resume_below_c else since_s


def _thermostat(
    snapshot: Snapshot,
    settings: Settings,
    standing: HeaterOrder,
    past: HeaterMemory,
    now: Moment,
    i: int,
    level_pct: float | None,
) -> HeaterMemory:
    """The heater's memory after a look at whether its own thermostat has switched it off.

    It takes a fresh reading of the heater's power, heard after the order was given, a fresh level, and for `surplus` a
    fresh surplus that would have started it. level_pct: None if there is no fresh level.
    """
    full = settings.full
    if settings.watching:  # what it takes is no answer to an order
        known = past.idle_since_s is not None or past.satisfied_at_s is not None
        return replace(past, idle_since_s=None, satisfied_at_s=None) if known else past
    if past.satisfied_at_s is not None:
        tried_again = now.mono_s >= past.satisfied_at_s + full.retry_after_s
        fallen = level_pct is not None and level_pct < past.satisfied_level_pct - full.idle_fall_pct
        return replace(past, satisfied_at_s=None) if tried_again or fallen else past
    measured = snapshot.measured[i] if i < len(snapshot.measured) else None
    if (
        measured is None
        or measured.value >= full.idle_w
        or standing.order is _WITHHOLD
        or level_pct is None
        or measured.seen_s <= past.since_s
        or not is_fresh(measured, settings, now)
        or not (standing.order is Order.HEAT or _offered(snapshot, settings, now, i))
    ):
        return past if past.idle_since_s is None else replace(past, idle_since_s=None)
    if past.idle_since_s is None:
        return replace(past, idle_since_s=now.mono_s)
    if now.mono_s < past.idle_since_s + full.idle_after_s:
        return past
    return replace(
        past,
        idle_since_s=None,
        satisfied_at_s=now.mono_s,
        satisfied_level_pct=level_pct,
        satisfied_count=past.satisfied_count + 1,
    )


def _offered(snapshot: Snapshot, settings: Settings, now: Moment, i: int) -> bool:
    """Whether there is enough surplus, beyond what the other heaters take, to start heater `i`."""
    if snapshot.surplus_mean_w is None or not is_fresh(snapshot.surplus, settings, now):
        return False
    others_w = sum(
        reading.value
        for j, reading in enumerate(snapshot.measured)
        if j != i and reading is not None and is_fresh(reading, settings, now)
    )
    return snapshot.surplus_mean_w - others_w >= start_w(settings, settings.heaters[i])
