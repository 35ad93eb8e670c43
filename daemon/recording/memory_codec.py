"""What the rules remember, across a restart: instants of the forward clock as UTC seconds, and back."""

from dataclasses import replace
from math import isfinite
from typing import Any

from rules.model.memory import Frozen, HeaterMemory, HotRecord, Memory, Override
from rules.model.orders import Order
from rules.model.reading import Moment
from rules.model.settings import Hygiene, Settings
from rules.model.snapshot import HeatingTimes, Stretch
from rules.tank.hot_throughout import carried_over

HOT_WRITTEN_S = 900.0
"""How often at the most it is written down anew that the whole tank is hot."""


def written(memory: Memory, settings: Settings, now: Moment) -> dict[str, Any]:
    """The memory as plain JSON values. Orders, the plan and idle timers are left out: a restart begins withheld,
    and plans anew."""

    def utc(mono_s: float | None) -> float | None:
        return None if mono_s is None else now.utc_of(mono_s)

    override, frozen = memory.override, memory.frozen
    return {
        "full_since": utc(memory.full_since_s),
        "hot_since": utc(memory.hot_since_s),
        "frozen": None
        if frozen is None
        else {"level_pct": frozen.level_pct, "since": utc(frozen.since_s), "taken_wh": frozen.taken_wh},
        "hygiene": None
        if (record := memory.hygiene) is None or (rule := settings.hygiene) is None
        else {
            "at_c": rule.at_c,
            "hold_s": rule.hold_s,
            "stop_at_pct": settings.full.stop_at_pct,
            "began": record.began_utc_s,
            "last_hot": record.last_hot_utc_s,
            "tried": record.tried_utc_s,
            "bottom_c": record.bottom_c,
        },
        "begun": {"hygiene": memory.begun.hygiene, "homecoming": memory.begun.homecoming},
        "override": None
        if override is None
        else {
            "order": override.order.value,
            "heater": override.heater,
            "until": utc(override.until_s),
            "left_s": override.until_s - now.mono_s,
        },
        "heaters": {
            heater.name: {
                "satisfied_at": utc(past.satisfied_at_s),
                "satisfied_level_pct": past.satisfied_level_pct,
                "satisfied_count": past.satisfied_count,
            }
            for heater, past in zip(settings.heaters, memory.heaters, strict=False)
        },
    }


def lasting(memory: Memory) -> Memory:
    """The memory without what is not written, for comparing: equal as long as nothing that is written changes."""
    heaters = tuple(
        HeaterMemory(
            satisfied_at_s=past.satisfied_at_s,
            satisfied_level_pct=past.satisfied_level_pct,
            satisfied_count=past.satisfied_count,
        )
        for past in memory.heaters
    )
    record = memory.hygiene
    if record is not None:
        # While the tank is hot its last hot instant moves with each reading: that is no reason to write each time.
        last_s = record.last_hot_utc_s
        record = HotRecord(
            record.began_utc_s,
            None if last_s is None else last_s // HOT_WRITTEN_S * HOT_WRITTEN_S,
            tried_utc_s=record.tried_utc_s,
            bottom_c=record.bottom_c,
        )
    return replace(memory, decision=None, heaters=heaters, hygiene=record, planned=None)


def read(data: dict[str, Any] | None, settings: Settings, now: Moment) -> Memory:
    """The memory again. An override's time goes on while the daemon is down, and never grows by a clock set back.

    A heater counts as switched off this moment. It may have been, by the last will: what it was ordered after the last
    write, and when the daemon died, nobody knows. So a daemon that dies again and again keeps to the minimum off time.
    """
    if not data:
        return Memory()

    def mono(utc_s: float | None) -> float | None:
        return None if utc_s is None else min(now.mono_s, now.mono_s + (utc_s - now.utc_s))

    override = None
    if stored := data.get("override"):
        left_s = min(stored["until"] - now.utc_s, stored["left_s"])
        if left_s > 0:
            override = Override(Order(stored["order"]), now.mono_s + left_s, stored["heater"])
    frozen = None
    if (kept := data.get("frozen")) and (since_s := mono(kept["since"])) is not None:
        frozen = Frozen(kept["level_pct"], since_s, kept["taken_wh"])
    hygiene = None
    if (stored := data.get("hygiene")) and settings.hygiene is not None:
        hygiene = _hot_record(stored, settings, settings.hygiene)
    heaters = []
    off = HeaterMemory(since_s=now.mono_s)
    for heater in settings.heaters:
        past = data.get("heaters", {}).get(heater.name)
        heaters.append(
            off
            if past is None
            else replace(
                off,
                satisfied_at_s=mono(past["satisfied_at"]),
                satisfied_level_pct=past["satisfied_level_pct"],
                satisfied_count=past["satisfied_count"],
            )
        )
    return Memory(
        heaters=tuple(heaters),
        full_since_s=mono(data.get("full_since")),
        hot_since_s=mono(data.get("hot_since")),
        override=override,
        frozen=frozen,
        hygiene=hygiene,
        begun=_begun(data.get("begun", {})),
    )


def _begun(stored: dict[str, Any]) -> HeatingTimes:
    """What `written` kept of the stretches that have begun; whether they still hold is for the rules."""
    hygiene, homecoming = (
        None if edges is None else Stretch(*map(_finite, edges))
        for edges in (stored.get("hygiene"), stored.get("homecoming"))
    )
    return HeatingTimes(hygiene, homecoming)


def _hot_record(stored: dict[str, Any], settings: Settings, rule: Hygiene) -> HotRecord | None:
    """What `written` kept of the whole tank, under the rule of now. The hold begins anew: what the tank did meanwhile
    is not known. Raises what comes of a shape that is not its own."""
    began_s, last_s, tried_s, bottom_c = (
        None if stored[key] is None else _finite(stored[key]) for key in ("began", "last_hot", "tried", "bottom_c")
    )
    record = HotRecord(_finite(began_s), last_s, tried_utc_s=tried_s, bottom_c=bottom_c)
    former = replace(
        settings,
        hygiene=replace(rule, at_c=_finite(stored["at_c"]), hold_s=_finite(stored["hold_s"])),
        full=replace(settings.full, stop_at_pct=_finite(stored["stop_at_pct"])),
    )
    return carried_over(record, former, settings)


def _finite(value: Any) -> float:
    if not isinstance(value, int | float) or not isfinite(value):
        raise ValueError(f"expected a number, got {value!r}")
    return float(value)
