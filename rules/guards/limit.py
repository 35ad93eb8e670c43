"""Hard temperature limit, and whether the temperatures can be believed at all.

Nothing heats at or above the limit by the hottest believable temperature, until that has fallen below the resume
temperature. A sensor that is silent or tells what cannot be is passed over while another one tells; where none does,
the limit cannot be checked and nothing heats. A home without temperature sensors is allowed: there is nothing to check.
The limit is no safety device: the control thermostat and the manual-reset cut-out stay in charge.
"""

from rules.model.formatting import clock, degrees
from rules.model.freshness import is_fresh
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Verdict
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.signals import SIGNALS
from rules.model.snapshot import Snapshot

NAME = "limit"
HARD = True
_LOWEST_C = SIGNALS["tank_top_c"].lowest
_HIGHEST_C = SIGNALS["tank_top_c"].highest


def hottest_c(snapshot: Snapshot, settings: Settings, now: Moment) -> float | None:
    """The highest fresh and believable temperature in the tank, °C; None if there is none."""
    highest_c = None
    for reading in (snapshot.top, snapshot.mid, snapshot.bottom):
        if (
            reading is not None
            and is_fresh(reading, settings, now)
            and _LOWEST_C <= reading.value <= _HIGHEST_C
            and (highest_c is None or reading.value > highest_c)
        ):
            highest_c = reading.value
    return highest_c


def is_checked(snapshot: Snapshot, settings: Settings) -> bool:
    """Whether the home has temperatures at all."""
    return (
        snapshot.top is not None
        or snapshot.mid is not None
        or snapshot.bottom is not None
        or settings.temperatures != ()
    )


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Verdict:
    """FORBID while the tank is too hot, or its temperature is not known where it should be."""
    if memory.hot_since_s is not None:
        return FORBID
    if not is_checked(snapshot, settings):
        return ALLOW
    temp_c = hottest_c(snapshot, settings, now)
    return ALLOW if temp_c is not None and temp_c < settings.limit.maximum_c else FORBID


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    limit = settings.limit
    temp_c = hottest_c(snapshot, settings, now)
    resume = f"resumes below {degrees(limit.resume_below_c)}"
    if temp_c is None:
        if not is_checked(snapshot, settings):
            return Finding(NAME, verdict, "no temperature sensor to check against the limit")
        again = "resumes when a temperature sensor tells a believable value again"
        if memory.hot_since_s is not None:
            again += f", below {degrees(limit.resume_below_c)}"
        return Finding(NAME, verdict, "no temperature sensor of the tank tells anything believable", again)
    if memory.hot_since_s is not None:
        since = clock(now.utc_of(memory.hot_since_s), settings.timezone, now.utc_s)
        sentence = f"hottest water {degrees(temp_c)}, reached the limit of {degrees(limit.maximum_c)} at {since}"
        return Finding(NAME, verdict, sentence, resume)
    sentence = f"hottest water {degrees(temp_c)}, limit {degrees(limit.maximum_c)}"
    if verdict is FORBID:
        return Finding(NAME, verdict, sentence, resume)
    return Finding(NAME, verdict, sentence, f"stops at {degrees(limit.maximum_c)}")
