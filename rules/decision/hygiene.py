"""What a snapshot adds to the record of when the whole tank was hot.

With a sensor at the bottom it is measured (rules/tank/hot_throughout.py). Without one it can be inferred if the owner
says that the heater sits at the bottom and below which temperature its thermostat heats again, and if that temperature
is hot enough. Then:
- the heater drew while it was permitted, and then took nothing: its thermostat ended the heating, so the bottom was at
  the thermostat's setting. Hot water rises, so nothing above was colder;
- permitted again, it still took nothing: the bottom had not cooled to where the thermostat starts again. The time
  between counts as the hold, if it is long enough.
Both times the level must be high: a tripped fuse ends the drawing too, but seldom just when the tank is full. Two cases
go unseen: a bottom that cooled and was heated by something else in between, and a thermostat set lower than the owner
says.
"""

from dataclasses import replace

from rules.model.freshness import is_fresh
from rules.model.memory import HeaterMemory, HotRecord, Memory
from rules.model.orders import Decision, Order
from rules.model.reading import Moment
from rules.model.settings import Hygiene, Settings
from rules.model.snapshot import Snapshot
from rules.tank.hot_throughout import coldest, done, measured
from rules.tank.water_safety import WHOLE_TANK_SHARE

LEAST_PCT = 100 * WHOLE_TANK_SHARE
"""Below this level, %, a heater that takes nothing is not believed to have heated the whole tank."""


def noted(
    snapshot: Snapshot, settings: Settings, memory: Memory, heaters: tuple[HeaterMemory, ...], now: Moment
) -> HotRecord | None:
    """The record after a look; the same object if nothing changes, None if the rule is off.

    memory: as it was before this snapshot, with its decision; heaters: their memories after it.
    """
    rule = settings.hygiene
    if rule is None:
        return None
    record = memory.hygiene or HotRecord(now.utc_s)
    i = next((i for i, heater in enumerate(settings.heaters) if heater.name == rule.heater), 0)
    if rule.measured:
        record = measured(record, rule, snapshot, settings, now)
    elif rule.inferred:
        record = _inferred(record, rule, snapshot, settings, memory, heaters[i], now, i)
    return _hindered(record, snapshot, settings, memory, now, i)


def _inferred(
    record: HotRecord,
    rule: Hygiene,
    snapshot: Snapshot,
    settings: Settings,
    memory: Memory,
    past: HeaterMemory,
    now: Moment,
    i: int,
) -> HotRecord:
    at_s = past.satisfied_at_s
    if at_s is not None:
        if at_s == memory.heaters[i].satisfied_at_s:
            return record
        believed = past.satisfied_level_pct >= LEAST_PCT
        if record.drew_since_s == past.since_s or not believed:
            return replace(record, drew_since_s=None, ended_s=at_s if believed else None)
        if record.ended_s is not None and at_s - record.ended_s >= rule.hold_s:
            return done(record, now.utc_of(at_s))
        return record
    decision = memory.decision
    reading = snapshot.measured[i] if i < len(snapshot.measured) else None
    if (
        decision is None
        or decision.orders[i].order is Order.WITHHOLD
        or reading is None
        or reading.value < settings.full.idle_w
        or reading.seen_s <= past.since_s
        or not is_fresh(reading, settings, now)
        or (record.drew_since_s == past.since_s and record.ended_s is None)
    ):
        return record
    return replace(record, drew_since_s=past.since_s, ended_s=None)


def _hindered(
    record: HotRecord, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int
) -> HotRecord:
    """The record with an attempt that the stop level ended before the tank was hot throughout."""
    stretch, decision = snapshot.heating_times.hygiene, memory.decision
    if stretch is None or memory.full_since_s is None or record.hot_since_s is not None or decision is None:
        return record
    ended_s = now.utc_of(memory.heaters[i].since_s)
    if (
        not stretch.from_s < ended_s <= now.utc_s < stretch.until_s
        or not _withheld_by(decision, i, "full")
        or (record.tried_utc_s is not None and record.tried_utc_s >= stretch.from_s)
    ):
        return record
    known = coldest(snapshot, settings, now)
    return replace(record, tried_utc_s=now.utc_s, bottom_c=None if known is None else known[0])


def _withheld_by(decision: Decision, i: int, guard: str) -> bool:
    given = decision.orders[i]
    return given.order is Order.WITHHOLD and given.guard == guard
