"""Hard temperature limit, and whether the temperatures can be believed at all.

Once any temperature of the tank reaches the limit, nothing heats until all of them have fallen below the resume
temperature. A sensor that the home names and that is silent, was never heard, or reads an impossible value counts as
unknown, not as cool: nothing heats until that very sensor shows that the water has cooled, however cool the others are.
A home without temperature sensors is allowed: there is nothing to check.
The limit is no safety device: the control thermostat and the manual-reset cut-out stay in charge.
"""

from collections.abc import Iterator

from rules.guards.guard import NEVER_S
from rules.model import wording
from rules.model.formatting import clock, degrees, duration
from rules.model.freshness import first_stale_s
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Finding, Permission
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.signals import SIGNALS
from rules.model.snapshot import Snapshot

NAME = "limit"
_can_read = SIGNALS["tank_top_c"].can_read


def temperatures(snapshot: Snapshot, settings: Settings, now: Moment) -> tuple[float | None, bool]:
    """The highest known temperature in the tank, °C (None: none is known), and whether all of the home's are known."""
    named = settings.temperatures
    limits = settings.stale_after_s
    now_s = now.mono_s
    highest_c = None
    all_known = True
    for signal, reading in snapshot.temperatures:
        if reading is None:
            if signal in named:
                all_known = False
        elif now_s >= reading.seen_s + limits.get(signal, 0.0) or not _can_read(reading.value):
            all_known = False
        elif highest_c is None or reading.value > highest_c:
            highest_c = reading.value
    return highest_c, all_known


def is_checked(snapshot: Snapshot, settings: Settings) -> bool:
    """Whether the home has temperatures at all."""
    return (
        snapshot.top is not None
        or snapshot.mid is not None
        or snapshot.bottom is not None
        or settings.temperatures != ()
    )


def unknown(snapshot: Snapshot, settings: Settings, now: Moment) -> Iterator[tuple[str, str]]:
    """Each temperature of the home that is not known, and why: "was last heard 4 min ago, 60 s allowed"."""
    for signal, reading in snapshot.temperatures:
        if reading is not None or signal in settings.temperatures:
            why = _fault(signal, reading, settings, now)
            if why:
                yield signal, why


def out_of_service(signal: str) -> str:
    """How an owner takes a broken sensor out of service."""
    return wording.say(
        "if that sensor is broken, put # before each line of [signals.{signal}] in the home file and restart",
        signal=signal,
    )


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Permission:
    """FORBID while the tank is too hot, or while a temperature that should be known is not."""
    if memory.hot_since_s is not None:
        return FORBID
    if not is_checked(snapshot, settings):
        return ALLOW
    temp_c, all_known = temperatures(snapshot, settings, now)
    return ALLOW if all_known and temp_c is not None and temp_c < settings.limit.maximum_c else FORBID


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When the first of the temperatures goes stale."""
    top, mid, bottom = snapshot.top, snapshot.mid, snapshot.bottom
    if top is None and mid is None and bottom is None:
        return NEVER_S
    return first_stale_s((top, mid, bottom), settings, now)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    verdict = judge(snapshot, settings, memory, now, i, share)
    limit = settings.limit
    if not is_checked(snapshot, settings):
        return Finding(NAME, verdict, wording.say("no temperature sensor to check against the limit"))
    resume_c = limit.maximum_c if memory.hot_since_s is None else limit.resume_below_c
    maximum, since = degrees(limit.maximum_c), ""
    if memory.hot_since_s is not None:
        since = clock(now.utc_of(memory.hot_since_s), settings.timezone, now.utc_s)
    missing = list(unknown(snapshot, settings, now))
    if missing:
        sentence: str = wording.say_many(
            "{faults}: how hot the water is there is not known",
            "{faults}: how hot the water is in those places is not known",
            len(missing),
            faults=wording.joined([wording.joined(each, " ") for each in missing], "; "),
        )
        if since:
            sentence = wording.say(
                "{sentence} (the tank, reached the limit of {maximum} at {since})",
                sentence=sentence,
                maximum=maximum,
                since=since,
            )
        resumes = wording.say_many(
            "resumes when {signals} reads below {level}",
            "resumes when {signals} read below {level}",
            len(missing),
            signals=wording.with_and([signal for signal, _ in missing]),
            level=degrees(resume_c),
        )
        return Finding(NAME, verdict, sentence, wording.joined((resumes, out_of_service(missing[0][0])), "; "))
    temp_c, _ = temperatures(snapshot, settings, now)
    assert temp_c is not None
    resumes = wording.say("resumes below {level}", level=degrees(limit.resume_below_c))
    if memory.hot_since_s is not None:
        sentence = wording.say(
            "hottest water {temp}, reached the limit of {maximum} at {since}",
            temp=degrees(temp_c),
            maximum=maximum,
            since=since,
        )
        return Finding(NAME, verdict, sentence, resumes)
    sentence = wording.say("hottest water {temp}, limit {maximum}", temp=degrees(temp_c), maximum=maximum)
    if verdict is FORBID:
        return Finding(NAME, verdict, sentence, resumes)
    return Finding(NAME, verdict, sentence, wording.say("stops at {level}", level=maximum))


def _fault(signal: str, reading: Reading | None, settings: Settings, now: Moment) -> str:
    """Why the temperature is not known, or ""."""
    if reading is None:
        return wording.say("has not been heard yet")
    if reading.seen_s == NEVER_LIVE_S:
        return wording.say("has not been heard live since the start")
    limit_s = settings.stale_after_s.get(signal, 0.0)
    if now.mono_s >= reading.seen_s + limit_s:
        age, limit = duration(now.mono_s - reading.seen_s), duration(limit_s)
        return wording.say("was last heard {age} ago, {limit} allowed", age=age, limit=limit)
    if not _can_read(reading.value):
        return wording.say("reads {temp}, which is impossible", temp=degrees(reading.value))
    return ""
