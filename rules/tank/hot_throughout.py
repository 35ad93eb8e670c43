"""Whether the whole tank was hot enough for long enough, by its sensors; when it last was, and when it must be again.

The coldest of the sensors stands for the tank, and one of them must be at the bottom: hot water rises, so the water
above is no colder. The lowest sensor sits in the middle of the lower third (rules/tank/charge.py), so about a sixth of
the volume lies unseen below it. A sensor that is silent or reads an impossible value proves nothing.

The usual figures and their sources are in rules/tank/water_safety.py. The hold is counted on the forward clock; the
days are counted by UTC, because they outlast a restart. This replaces no device and no duty under local rules.
"""

from dataclasses import replace

from rules.model.freshness import is_fresh
from rules.model.memory import HotRecord
from rules.model.reading import Moment
from rules.model.settings import Hygiene, Settings
from rules.model.signals import SIGNALS
from rules.model.snapshot import Snapshot

DAY_S = 86_400.0
FIRST_S = DAY_S
"""How soon the tank must be hot throughout if there is no record that it ever was, s: within a day."""
AHEAD_S = 3600.0
"""By how much a clock may be set back before an instant that it dated is doubted, s."""
_LOWEST_C, _HIGHEST_C = SIGNALS["tank_top_c"].lowest, SIGNALS["tank_top_c"].highest


def coldest(snapshot: Snapshot, settings: Settings, now: Moment) -> tuple[float, float] | None:
    """The coldest of the tank's temperatures, °C, and the forward-clock second of the oldest of their readings.

    None if the home has no sensor at the bottom, or if one of its temperatures is not known.
    """
    if "tank_bottom_c" not in settings.temperatures:
        return None
    readings = {"tank_top_c": snapshot.top, "tank_mid_c": snapshot.mid, "tank_bottom_c": snapshot.bottom}
    coldest_c = oldest_s = float("inf")
    for signal in settings.temperatures:
        reading = readings[signal]
        if reading is None or not is_fresh(reading, settings, now) or not _LOWEST_C <= reading.value <= _HIGHEST_C:
            return None
        coldest_c, oldest_s = min(coldest_c, reading.value), min(oldest_s, reading.seen_s)
    return coldest_c, oldest_s


def measured(record: HotRecord, rule: Hygiene, snapshot: Snapshot, settings: Settings, now: Moment) -> HotRecord:
    """The record after a look at the sensors; the same object where nothing changes.

    The hold counts from the first reading that shows the tank hot to the last one. A colder reading breaks it, and so
    do readings further apart than the sensors' `stale_after_s`.
    """
    known = coldest(snapshot, settings, now)
    if known is None or known[0] < rule.at_c:
        return record if record.hot_since_s is None else replace(record, hot_since_s=None)
    seen_s = known[1]
    if record.hot_since_s is None:
        return replace(record, hot_since_s=seen_s, seen_s=seen_s)
    if seen_s == record.seen_s:
        return record
    longest_s = min(settings.stale_after_s.get(signal, 0.0) for signal in settings.temperatures)
    if seen_s - record.seen_s > longest_s:
        return replace(record, hot_since_s=seen_s, seen_s=seen_s)
    if seen_s - record.hot_since_s < rule.hold_s:
        return replace(record, seen_s=seen_s)
    return done(replace(record, seen_s=seen_s), now.utc_of(seen_s))


def done(record: HotRecord, utc_s: float) -> HotRecord:
    """The record with the hold complete at a UTC second; it forgets what hindered earlier attempts."""
    return replace(record, last_hot_utc_s=utc_s, tried_utc_s=None, bottom_c=None)


def dated(record: HotRecord, now: Moment) -> HotRecord:
    """The record without an instant that lies ahead of the clock, because the clock has since been set back.

    When the tank was really hot is then not known, so it counts as never recorded. Up to an hour ahead is accepted.
    Call this only while the clock is trusted: a clock that is behind until it is set right is no reason to forget.
    """
    latest_s = now.utc_s + AHEAD_S
    if record.began_utc_s > latest_s:
        record = replace(record, began_utc_s=now.utc_s)
    if record.last_hot_utc_s is not None and record.last_hot_utc_s > latest_s:
        record = replace(record, began_utc_s=now.utc_s, last_hot_utc_s=None)
    if record.tried_utc_s is not None and record.tried_utc_s > latest_s:
        record = replace(record, tried_utc_s=None, bottom_c=None)
    return record


def undated(record: HotRecord | None, before: HotRecord | None) -> HotRecord | None:
    """The record after a look during which the clock was not trusted: the hold goes on by the forward clock, and the
    dates stay as they were before the look. None if there was no record, for it would begin with such a date."""
    if record is None or before is None or record is before:
        return before
    return replace(
        record,
        began_utc_s=before.began_utc_s,
        last_hot_utc_s=before.last_hot_utc_s,
        tried_utc_s=before.tried_utc_s,
        bottom_c=before.bottom_c,
    )


def carried_over(record: HotRecord | None, was: Settings, now: Settings) -> HotRecord | None:
    """The record under changed settings; None: it begins anew.

    A tank that was hot enough for an easier rule proves nothing for a harder one, and an attempt that one stop level
    ended may succeed under another."""
    if record is None or was.hygiene is None or now.hygiene is None:
        return None
    if now.hygiene.at_c > was.hygiene.at_c or now.hygiene.hold_s > was.hygiene.hold_s:
        return None
    if now.full.stop_at_pct != was.full.stop_at_pct and record.tried_utc_s is not None:
        return replace(record, tried_utc_s=None, bottom_c=None)
    return record


def days_since(record: HotRecord, now: Moment) -> float | None:
    """Days since the hold was last complete; None: there is no record that it ever was."""
    return None if record.last_hot_utc_s is None else max(now.utc_s - record.last_hot_utc_s, 0.0) / DAY_S


def due_utc_s(record: HotRecord, rule: Hygiene) -> float:
    """UTC second by which the hold must be complete again."""
    return record.began_utc_s + FIRST_S if record.last_hot_utc_s is None else record.last_hot_utc_s + rule.every_s
