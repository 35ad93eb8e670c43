"""When the whole tank was last hot, as JSON: a part of `brimful.why/1` and of `brimful.health/1`."""

from typing import Any

from daemon.documents.times import iso
from rules.alarms.hygiene import is_overdue
from rules.guards.hygiene import ahead, last_hot
from rules.model.memory import Memory
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot, Stretch
from rules.tank.hot_throughout import coldest, days_since, due_utc_s


def hygiene_answer(settings: Settings, memory: Memory, snapshot: Snapshot, now: Moment) -> dict[str, Any] | None:
    """Days since the whole tank was hot, and what comes next; None where the rule is not asked.

    known_by: "measured", "inferred", or "nothing" where it cannot be known.
    """
    rule, record = settings.hygiene, memory.hygiene
    if rule is None or record is None:
        return None
    known = coldest(snapshot, settings, now)
    last_s = record.last_hot_utc_s
    return {
        "sentence": f"{last_hot(rule, record, now)}; {ahead(snapshot, settings, rule, record, now)}",
        "known_by": "measured" if rule.measured else "inferred" if rule.inferred else "nothing",
        "days_since": days_since_hot(memory, now),
        "last_hot": None if last_s is None else iso(last_s),
        "hot_since": None if record.hot_since_s is None else iso(now.utc_of(record.hot_since_s)),
        "coldest_c": None if known is None else known[0],
        "at_c": rule.at_c,
        "hold_s": rule.hold_s,
        "due": iso(due_utc_s(record, rule)),
        "overdue": is_overdue(settings, memory, now),
        "heats": _times(snapshot.heating_times.hygiene),
    }


def days_since_hot(memory: Memory, now: Moment, digits: int = 3) -> float | None:
    """Days since the whole tank was hot, rounded; None where that is not known, or not asked."""
    days = None if memory.hygiene is None else days_since(memory.hygiene, now)
    return None if days is None else round(days, digits)


def _times(stretch: Stretch | None) -> dict[str, str] | None:
    return None if stretch is None else {"from": iso(stretch.from_s), "to": iso(stretch.until_s)}
