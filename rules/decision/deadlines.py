"""When time alone may change the decision: the loop sleeps until then, or until the next message."""

from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot

_NEVER_S = float("inf")
_WITHHOLD = Order.WITHHOLD


def due(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """Forward-clock second of the next instant at which time alone can change the decision; inf if there is none.

    memory: as decide left it for this snapshot and instant. The answer is always later than `now`, and the sum it is
    made of is the one the guards compare with, so that at that very second the decision is already the other one.
    Beyond the readings' ages and the rules' timers it counts the instant at which other prices hold: the owner of the
    snapshot has to renew it then.
    """
    now_s = now.mono_s
    limits = settings.stale_after_s
    first_s = _NEVER_S

    reading: Reading | None
    for reading in (snapshot.level, snapshot.surplus, snapshot.top, snapshot.mid, snapshot.bottom):
        if reading is not None and now_s < (at_s := reading.seen_s + limits.get(reading.signal, 0.0)) < first_s:
            first_s = at_s
    battery = settings.battery
    if (
        battery.minimum_level_pct is not None
        and (reading := snapshot.battery_level) is not None
        and now_s < (at_s := reading.seen_s + limits.get(reading.signal, 0.0)) < first_s
    ):
        first_s = at_s
    if (
        battery.maximum_discharge_w is not None
        and (reading := snapshot.battery) is not None
        and now_s < (at_s := reading.seen_s + limits.get(reading.signal, 0.0)) < first_s
    ):
        first_s = at_s
    yields = settings.yields
    if yields is not None:
        if now_s < (at_s := snapshot.yield_above_seen_s + yields.for_s) < first_s:
            first_s = at_s
        if (
            (reading := snapshot.yielding) is not None
            and reading.value > yields.above_w
            and now_s < (at_s := reading.seen_s + limits.get(reading.signal, 0.0)) < first_s
        ):
            first_s = at_s

    if memory.override is not None and now_s < memory.override.until_s < first_s:
        first_s = memory.override.until_s
    decision = memory.decision
    for i, past in enumerate(memory.heaters):
        if past.satisfied_at_s is not None:
            if now_s < (at_s := past.satisfied_at_s + settings.full.retry_after_s) < first_s:
                first_s = at_s
        elif (
            past.idle_since_s is not None and now_s < (at_s := past.idle_since_s + settings.full.idle_after_s) < first_s
        ):
            first_s = at_s
        if decision is not None:
            rest_s = (
                settings.rest.minimum_off_s if decision.orders[i].order is _WITHHOLD else settings.rest.minimum_on_s
            )
            if now_s < (at_s := past.since_s + rest_s) < first_s:
                first_s = at_s

    if settings.worth.enabled and now.utc_s < snapshot.prices.until_s < _NEVER_S:
        first_s = min(first_s, _forward_s(snapshot.prices.until_s, now))
    for start_s, end_s, _ in settings.alternate.runs:
        edge_s = start_s if now.utc_s < start_s else end_s
        if now.utc_s < edge_s:
            first_s = min(first_s, _forward_s(edge_s, now))
            break
    if settings.away.periods:
        for period in settings.away.periods:
            edge_s = period[0] if now.utc_s < period[0] else period[1]
            if now.utc_s < edge_s:
                return min(first_s, _forward_s(edge_s, now))
    return first_s


def _forward_s(utc_s: float, now: Moment) -> float:
    """Forward-clock second at which a UTC second to come will have been reached.

    Floats of UTC seconds lie further apart than those of the forward clock, or as far in a replay: the way back by
    `Moment.utc_of` rounds to `utc_s` itself. Where the wall clock was slowed meanwhile, what is left is due next.
    """
    return now.mono_s + (utc_s - now.utc_s)
