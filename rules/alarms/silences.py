"""Inputs that are silent: level, surplus, temperatures, the load that goes first, and prices that are not known."""

from rules.alarms.alarm import Alarm
from rules.guards import limit, worth
from rules.model import wording
from rules.model.formatting import duration
from rules.model.freshness import is_fresh, stale_at_s
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot

NEVER_HEARD_S = 60.0
"""How long to wait for an input that has not been heard yet and has no limit of its own, s."""


def silences(
    snapshot: Snapshot, settings: Settings, started_s: float, unpriced_since_s: float | None, now: Moment
) -> list[Alarm]:
    """Which inputs are silent now. One not heard since the start, at started_s, is given its own limit to appear.

    unpriced_since_s: since when a price that the rule `worth` needs is not known; None if it is known.
    """
    found: list[Alarm] = []
    if not (is_fresh(snapshot.level, settings, now) and is_fresh(snapshot.surplus, settings, now)):
        found += _of_needed(snapshot, settings, started_s, now)
    if limit.is_checked(snapshot, settings) and not limit.temperatures(snapshot, settings, now)[1]:
        found += _of_temperatures(snapshot, settings, started_s, now)
    if settings.yields is not None:
        found += _of_load(snapshot, settings, started_s, now)
    if unpriced_since_s is not None and now.mono_s >= unpriced_since_s + NEVER_HEARD_S:
        sentence = wording.say(
            "{price} is not known: rules.worth cannot compare, so surplus is diverted whatever it would bring if sold",
            price=worth.missing(snapshot),
        )
        found.append(Alarm("price not known", sentence, unpriced_since_s))
    return found


def is_unpriced(snapshot: Snapshot, settings: Settings) -> bool:
    """Whether the rule `worth` is on and cannot compare."""
    return settings.worth.enabled and worth.sides(snapshot, settings) is None


def _of_needed(snapshot: Snapshot, settings: Settings, started_s: float, now: Moment) -> list[Alarm]:
    """Level and surplus, without which nothing is diverted."""
    found = []
    for what, reading, signal in (
        (wording.say("level"), snapshot.level, "tank_level_pct"),
        (wording.say("surplus"), snapshot.surplus, "surplus_w"),
    ):
        if is_fresh(reading, settings, now):
            continue
        if reading is not None and reading.seen_s != NEVER_LIVE_S:
            since_s = stale_at_s(reading, settings)
            limit_s = settings.stale_after_s.get(reading.signal, 0.0)
            sentence = wording.say(
                "no {what} heard for more than {limit}: nothing is diverted until it is heard again",
                what=what,
                limit=duration(limit_s),
            )
        else:
            name = reading.signal if reading is not None else signal
            since_s = started_s + settings.stale_after_s.get(name, NEVER_HEARD_S)
            sentence = wording.say("no {what} heard since the start: nothing is diverted until it is heard", what=what)
        if now.mono_s >= since_s:
            found.append(Alarm(f"{what} silent", sentence, since_s))
    return found


def _of_temperatures(snapshot: Snapshot, settings: Settings, started_s: float, now: Moment) -> list[Alarm]:
    """The tank's temperatures: while any of them is not known, the heater is withheld."""
    readings = dict(snapshot.temperatures)
    found = []
    for signal, why in limit.unknown(snapshot, settings, now):
        reading = readings[signal]
        silent = not is_fresh(reading, settings, now)
        since_s = _silent_from_s(reading, signal, settings, started_s)
        if not silent and reading is not None:
            since_s = reading.seen_s
        if now.mono_s < since_s:
            continue
        if silent and reading is not None and reading.seen_s != NEVER_LIVE_S:
            limit_s = settings.stale_after_s.get(signal, 0.0)
            why = wording.say("has not been heard for more than {limit}", limit=duration(limit_s))
        sentence = wording.say(
            "{signal} {why}: nothing heats until that sensor shows how hot the water is; {out_of_service}",
            signal=signal,
            why=why,
            out_of_service=limit.out_of_service(signal),
        )
        found.append(Alarm(f"temperature {'silent' if silent else 'impossible'}: {signal}", sentence, since_s))
    return found


def _of_load(snapshot: Snapshot, settings: Settings, started_s: float, now: Moment) -> list[Alarm]:
    """The load that goes first: one that fell silent while it drew and is waited for no longer, or was never heard."""
    yields, reading = settings.yields, snapshot.yielding
    if yields is None or is_fresh(reading, settings, now):
        return []
    heard = reading is not None and reading.seen_s != NEVER_LIVE_S
    if heard and reading is not None and not reading.value > yields.above_w:
        return []  # switched off while it drew nothing, as chargers are
    silent_s = _silent_from_s(reading, yields.signal, settings, started_s)
    since_s = max(silent_s, snapshot.yield_above_seen_s + yields.for_s)
    if now.mono_s < since_s:
        return []
    if heard:
        why = wording.say("fell silent while it was drawing")
    else:
        why = wording.say("has not been heard since the start")
    sentence = wording.say(
        "{signal} {why}: the tank no longer waits for it, and takes what surplus is left",
        signal=yields.signal,
        why=why,
    )
    return [Alarm(f"{yields.signal} silent", sentence, since_s)]


def _silent_from_s(reading: Reading | None, signal: str, settings: Settings, started_s: float) -> float:
    """Forward-clock second from which it counts as silent."""
    if reading is not None and reading.seen_s != NEVER_LIVE_S:
        return stale_at_s(reading, settings)
    return started_s + settings.stale_after_s.get(signal, NEVER_HEARD_S)
