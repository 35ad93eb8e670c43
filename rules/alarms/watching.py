"""All alarms that stand now, and the heaters' own two: withheld but drawing, and permitted but idle."""

from dataclasses import dataclass, field, replace

from rules.alarms import sign, still
from rules.alarms.alarm import Alarm
from rules.alarms.hygiene import overdue
from rules.alarms.level import of_level
from rules.alarms.sign import Sign, wrong_sign
from rules.alarms.silences import is_unpriced, silences
from rules.alarms.still import Still, surplus_frozen
from rules.model import wording
from rules.model.formatting import percent, watts
from rules.model.freshness import is_fresh
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot

DRAWING_AFTER_S = 120.0
"""How long a withheld heater may go on drawing, s: meters and relays are slow."""
DRAWING_SHARE = 0.05
"""From which share of its rated power a withheld heater counts as drawing: less is the meter's noise."""
REFUSALS = 2
"""How often in a row a heater must take nothing, with room in the tank, before it looks like a fault."""
_NOTHING_SWITCHED = Sign()


@dataclass(frozen=True, slots=True)
class Watched:
    """What the watch remembers.

    started_s: forward-clock second of the first look (None: not yet); drawing_since_s: for each heater, since when it
    draws though withheld; drew_count: for each heater, how often it had been satisfied when it last drew;
    unpriced_since_s: since when a price that is needed is not known (None: it is);
    sign, still: what the surplus did at the heaters' switchings, and since when it stands still; alarms: those that
    stand.
    """

    started_s: float | None = None
    drawing_since_s: tuple[float | None, ...] = ()
    drew_count: tuple[int, ...] = ()
    unpriced_since_s: float | None = None
    sign: Sign = field(default_factory=Sign)
    still: Still = field(default_factory=Still)
    alarms: tuple[Alarm, ...] = ()


def watch(
    snapshot: Snapshot, settings: Settings, memory: Memory, watched: Watched, now: Moment
) -> tuple[tuple[Alarm, ...], Watched]:
    """The alarms that stand now, and what to remember; the same objects where nothing changes.

    memory: as decide left it. An alarm keeps its first sentence while it lasts.
    """
    count = len(settings.heaters)
    if watched.started_s is None or len(watched.drawing_since_s) != count:
        watched = replace(
            watched,
            started_s=now.mono_s if watched.started_s is None else watched.started_s,
            drawing_since_s=(None,) * count,
            drew_count=tuple(past.satisfied_count for past in memory.heaters) or (0,) * count,
        )
    if not settings.watching:  # a heater that is sent no orders cannot disobey them
        watched = _drawing(snapshot, settings, memory, watched, now)
    watched = _surplus(snapshot, settings, memory, watched, now)
    if is_unpriced(snapshot, settings) is (watched.unpriced_since_s is None):
        watched = replace(watched, unpriced_since_s=now.mono_s if watched.unpriced_since_s is None else None)
    assert watched.started_s is not None
    found = silences(snapshot, settings, watched.started_s, watched.unpriced_since_s, now)
    found += of_level(snapshot, settings, memory, now)
    found += surplus_frozen(settings, watched.still, now)
    found += wrong_sign(snapshot, watched.sign)
    found += overdue(settings, memory, now)
    for i in range(count):
        found += _of_heater(snapshot, settings, memory, watched, now, i)
    if not found and not watched.alarms:
        return (), watched  # the usual case
    standing = {alarm.name: alarm for alarm in watched.alarms}
    alarms = tuple(standing.get(alarm.name, alarm) for alarm in found)
    if alarms != watched.alarms:
        watched = replace(watched, alarms=alarms)
    return watched.alarms, watched


def _surplus(snapshot: Snapshot, settings: Settings, memory: Memory, watched: Watched, now: Moment) -> Watched:
    """What the surplus shows beside the heaters' power."""
    signed = _NOTHING_SWITCHED if settings.watching else sign.look(snapshot, settings, memory, watched.sign, now)
    stood = still.look(snapshot, settings, watched.still, now)
    if signed is watched.sign and stood is watched.still:
        return watched
    return replace(watched, sign=signed, still=stood)


def _drawing(snapshot: Snapshot, settings: Settings, memory: Memory, watched: Watched, now: Moment) -> Watched:
    """What the heaters' meters show: which heater draws though withheld, and whose count of refusals starts anew."""
    for i, heater in enumerate(settings.heaters):
        reading = _measured(snapshot, settings, now, i)
        past = memory.heaters[i]
        since_s, count = before = watched.drawing_since_s[i], watched.drew_count[i]
        if reading is None or reading.value < max(settings.full.idle_w, DRAWING_SHARE * heater.rated_w):
            since_s = None
        elif memory.decision is not None and memory.decision.orders[i].order is not Order.WITHHOLD:
            since_s, count = None, past.satisfied_count
        elif since_s is None:
            since_s = max(now.mono_s, past.since_s)
        if (since_s, count) != before:
            all_since_s, counts = watched.drawing_since_s, watched.drew_count
            watched = replace(
                watched,
                drawing_since_s=(*all_since_s[:i], since_s, *all_since_s[i + 1 :]),
                drew_count=(*counts[:i], count, *counts[i + 1 :]),
            )
    return watched


def _measured(snapshot: Snapshot, settings: Settings, now: Moment, i: int) -> Reading | None:
    """A heater's power if it is known now."""
    reading = snapshot.measured[i] if i < len(snapshot.measured) else None
    return reading if is_fresh(reading, settings, now) else None


def _of_heater(
    snapshot: Snapshot, settings: Settings, memory: Memory, watched: Watched, now: Moment, i: int
) -> list[Alarm]:
    past = memory.heaters[i]
    since_s = watched.drawing_since_s[i]
    if since_s is None and past.satisfied_at_s is None:
        return []
    heater = settings.heaters[i].name
    of = f": {heater}" if len(settings.heaters) > 1 else ""
    found = []
    reading = _measured(snapshot, settings, now, i)
    if since_s is not None and reading is not None and now.mono_s >= since_s + DRAWING_AFTER_S:
        found.append(
            Alarm(
                f"withheld but drawing{of}",
                wording.say(
                    "heater {heater} draws {power} though it is withheld; is its switch stuck, or another timer or"
                    " thermostat feeding it?",
                    heater=heater,
                    power=watts(reading.value),
                ),
                since_s,
            )
        )
    level = snapshot.level
    refusals = past.satisfied_count - watched.drew_count[i]
    if (
        past.satisfied_at_s is not None
        and refusals >= REFUSALS
        and level is not None
        and is_fresh(level, settings, now)
        and level.value < settings.full.resume_below_pct
    ):
        found.append(
            Alarm(
                f"permitted but idle{of}",
                wording.say(
                    "heater {heater} has taken nothing {refusals} times though there was surplus and the tank is at"
                    " {level}; is it switched off, its cut-out tripped, its thermostat set low, or the surplus of the"
                    " wrong sign?",
                    heater=heater,
                    refusals=refusals,
                    level=percent(level.value),
                ),
                past.satisfied_at_s,
            )
        )
    return found
