"""The house battery must not heat the water while it is low or while it discharges.

A limit that is set needs its signal: without a fresh reading the battery may be feeding the tank unseen.
"""

from rules.guards.guard import NEVER_S
from rules.model import wording
from rules.model.formatting import percent, watts
from rules.model.freshness import first_stale_s, is_fresh
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import Moment, Reading
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "battery"


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID while the battery is low or discharges too fast, or while a reading that a set limit needs is missing."""
    minimum_pct = settings.battery.minimum_level_pct
    if minimum_pct is not None:
        level = snapshot.battery_level
        if level is None or not is_fresh(level, settings, now) or not level.value >= minimum_pct:
            return FORBID
    maximum_w = settings.battery.maximum_discharge_w
    if maximum_w is not None:
        power = snapshot.battery
        if power is None or not is_fresh(power, settings, now) or not -power.value <= maximum_w:
            return FORBID
    return ALLOW


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When a reading that a set limit needs goes stale."""
    battery = settings.battery
    if battery.minimum_level_pct is None and battery.maximum_discharge_w is None:
        return NEVER_S
    level = snapshot.battery_level if battery.minimum_level_pct is not None else None
    power = snapshot.battery if battery.maximum_discharge_w is not None else None
    return first_stale_s((level, power), settings, now)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    minimum_pct = settings.battery.minimum_level_pct
    maximum_w = settings.battery.maximum_discharge_w
    fine: list[str] = []
    if minimum_pct is not None:
        fault, level_pct = _known(wording.say("charge"), snapshot.battery_level, settings, now)
        if level_pct is None:
            return Finding(NAME, verdict, fault, wording.say("resumes with its next reading"))
        level, minimum = percent(level_pct), percent(minimum_pct)
        if not level_pct >= minimum_pct:
            change = wording.say("resumes from {level}", level=minimum)
            return Finding(NAME, verdict, wording.say("battery {level}", level=level), change)
        fine.append(wording.say("battery {level}, at least {minimum} needed", level=level, minimum=minimum))
    if maximum_w is not None:
        fault, power_w = _known(wording.say("power"), snapshot.battery, settings, now)
        if power_w is None:
            return Finding(NAME, verdict, fault, wording.say("resumes with its next reading"))
        discharging = wording.say("battery is discharging at {power}", power=watts(-power_w))
        if not -power_w <= maximum_w:
            change = wording.say("resumes when it discharges at {maximum} or less", maximum=watts(maximum_w))
            return Finding(NAME, verdict, discharging, change)
        charging = wording.say("battery is charging at {power}", power=watts(power_w))
        fine.append(discharging if power_w < 0 else charging)
    return Finding(NAME, verdict, wording.joined(fine, "; ") or wording.say("no battery limit set"))


def _known(what: str, reading: Reading | None, settings: Settings, now: Moment) -> tuple[str, float | None]:
    """("", the value) if the reading is fresh, else (what is wrong with it, None)."""
    if reading is None:
        return wording.say("the battery's {what} has not been heard yet", what=what), None
    if not is_fresh(reading, settings, now):
        return wording.say("the battery's {what} has not been heard lately", what=what), None
    return "", reading.value
