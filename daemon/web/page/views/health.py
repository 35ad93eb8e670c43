"""The room "Health": what needs the owner, then what the heater depends on, what the books depend on, and the rest."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger.tape import Row
from daemon.timing.events import HOMIE_LINK, READER_LINK
from daemon.web.page.views.figures import full_date, instant, signal_value, signal_words, utc, when
from daemon.web.page.views.house import HomeFacts
from daemon.web.page.views.now import InputShown, input_shown
from daemon.web.page.views.troubles import LOW_DISK_BYTES, READINGS_LINK, state_words, troubles
from rules.model.formatting import duration
from rules.model.signals import find
from rules.model.wording import Number, Sentence, joined, say, say_many

SPARK_HOURS = 6
WIDTH, HEIGHT = 240, 36
_MOST_POINTS = 120


@dataclass(frozen=True, slots=True)
class Spark:
    """A signal's last hours as a line. path: in an SVG of WIDTH × HEIGHT; said: the same for who cannot see it."""

    path: str
    said: str


@dataclass(frozen=True, slots=True)
class SignalShown:
    """A signal: its last reading (None: not heard since the start), its last hours, payloads that were refused, and
    the topic it is expected on."""

    words: str
    reading: InputShown | None
    spark: Spark | None
    refused: str
    topic: str


@dataclass(frozen=True, slots=True)
class Look:
    """One thing looked at: whether it is well, and a sentence."""

    name: str
    well: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Group:
    """What one thing depends on: the heater, the books, nothing. about: what happens where it is missing."""

    name: str
    about: str
    looks: tuple[Look, ...]
    signals: tuple[SignalShown, ...]


@dataclass(frozen=True, slots=True)
class HealthRoom:
    """All that the room shows. troubles: what needs the owner, a sentence for each cause."""

    date: str
    clock: str
    headline: str
    troubles: tuple[str, ...]
    groups: tuple[Group, ...]


def health_room(health: Mapping[str, Any], rows: Sequence[Row], free_bytes: int | None, facts: HomeFacts) -> HealthRoom:
    """The room, of the answer to `health`.

    rows: the tape's minutes of the last SPARK_HOURS; free_bytes: on the ledger's disk, None: not known.
    """
    zone, now = ZoneInfo(facts.timezone), instant(health["at"])
    shown = {name: _signal(name, health, rows, facts) for name in _names(health, facts)}
    needed = tuple(name for name in shown if name in facts.needed)
    kept = tuple(name for name in shown if name not in needed and name in facts.booked)
    rest = tuple(name for name in shown if name not in needed and name not in kept)
    wrong = troubles(health, facts, free_bytes)
    groups = (
        Group(
            say("What the heater depends on"),
            say("If one of these is missing, the heater stays off."),
            tuple(_links(health)),
            tuple(shown[name] for name in needed),
        ),
        Group(
            say("What the books depend on"),
            say("The heater works without these; what cannot be booked is reported, never guessed."),
            tuple(_book_looks(health, free_bytes, zone)),
            tuple(shown[name] for name in kept),
        ),
        Group(say("Other readings"), say("Only shown and recorded."), (), tuple(shown[name] for name in rest)),
    )
    return HealthRoom(
        date=full_date(now, zone),
        clock=f"{now.astimezone(zone):%H:%M}",
        headline=Sentence(state_words(len(wrong))),
        troubles=tuple(one.sentence for one in wrong),
        groups=tuple(group for group in groups if group.looks or group.signals),
    )


def _names(health: Mapping[str, Any], facts: HomeFacts) -> list[str]:
    """Every signal of the home file, those the heater needs first, and any other that was heard."""
    return list(dict.fromkeys((*facts.needed, *sorted(facts.topics), *(one["signal"] for one in health["inputs"]))))


def _signal(name: str, health: Mapping[str, Any], rows: Sequence[Row], facts: HomeFacts) -> SignalShown:
    heard = next((one for one in health["inputs"] if one["signal"] == name), None)
    tally = next((one for one in health["payloads"] if one["signal"] == name), None)
    points = [(end_s, values[name]) for end_s, values in rows if name in values]
    return SignalShown(
        words=signal_words(name, facts.heaters),
        reading=None if heard is None else input_shown(heard, facts.heaters),
        spark=spark(points, name, facts.heaters),
        refused="" if tally is None else _refused(tally),
        topic=facts.topics.get(name, ""),
    )


def _links(health: Mapping[str, Any]) -> Iterator[Look]:
    for name, link in health["links"].items():
        known = {READINGS_LINK: say("broker, for the readings"), HOMIE_LINK: say("broker, for the Homie device")}
        who = name if name.startswith(READER_LINK) else known.get(name) or say("broker, for heater {name}", name=name)
        why = link["reason"] or say("no answer")
        yield Look(who, link["up"], say("connected") if link["up"] else say("not connected: {why}", why=why))


def _book_looks(health: Mapping[str, Any], free_bytes: int | None, zone: ZoneInfo) -> Iterator[Look]:
    yield _books(health["books"], zone, health["at"])
    yield from _outbox(health)
    yield _disk(free_bytes)
    yield from _backup(health.get("backup"))
    yield from (Look(say("prices"), False, fault) for fault in health["prices"]["faults"])
    yield from (Look(say("alerts"), False, fault) for fault in health["alerts"]["faults"])
    if health["clock"]["fault"]:
        yield Look(say("clock"), False, health["clock"]["fault"])
    yield from _queue(health["queue"])


def spark(points: Sequence[tuple[float, float]], signal: str, heaters: Sequence[str]) -> Spark | None:
    """A line through (UTC seconds, value); None for fewer than two. A gap of ten minutes and more breaks it.

    Where there are many points, each stretch is drawn by its lowest and highest.
    """
    if len(points) < 2:
        return None
    known = find(signal, heaters)
    first_s, last_s = points[0][0], points[-1][0]
    low, high = min(value for _, value in points), max(value for _, value in points)
    span_s, span = max(1.0, last_s - first_s), (high - low) or 1.0
    drawn, before_s = [], None
    for at_s, value in _thinned(points):
        move = "M" if before_s is None or at_s - before_s > 600 + span_s / _MOST_POINTS * 2 else "L"
        x = 1 + (WIDTH - 2) * (at_s - first_s) / span_s
        y = HEIGHT / 2 if high == low else HEIGHT - 2 - (HEIGHT - 4) * (value - low) / span
        drawn.append(f"{move}{x:.1f} {y:.1f}")
        before_s = at_s
    if known is not None and known[0].kind == "counter":
        said = say("gained {gain}", gain=signal_value(signal, high - low, heaters))
    else:
        ends = (signal_value(signal, value, heaters) for value in (low, high))
        said = say("{begin} to {end}", begin=next(ends), end=next(ends))
    return Spark(" ".join(drawn), say("{course} in {time}", course=said, time=duration(last_s - first_s)))


def _thinned(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    if len(points) <= _MOST_POINTS:
        return list(points)
    step = -(-2 * len(points) // _MOST_POINTS)
    kept: list[tuple[float, float]] = []
    for start in range(0, len(points), step):
        part = points[start : start + step]
        ends = {min(part, key=lambda point: point[1]), max(part, key=lambda point: point[1])}
        kept += sorted(ends)
    return kept if kept[-1] == points[-1] else [*kept, points[-1]]


def _refused(tally: Mapping[str, Any]) -> str:
    many = sum(tally["refused"].values())
    if not many:
        return ""
    received, last = tally["received"], tally["last_refused"]
    return say("{many} of {received} payloads refused, the last: {last}", many=many, received=received, last=last)


def _books(books: Mapping[str, Any], zone: ZoneInfo, at: str) -> Look:
    if books["fault"]:
        return Look(say("ledger"), False, books["fault"])
    written_s = books["written_at_s"]
    if written_s is None:
        return Look(say("ledger"), True, say("nothing written yet"))
    return Look(say("ledger"), True, say("last written {time}", time=when(utc(written_s), zone, instant(at))))


def _outbox(health: Mapping[str, Any]) -> list[Look]:
    waiting, refused, series = health["books"]["outbox"], health["books"]["refused"], health["timeseries"]
    if series is None:
        return [Look(say("time-series database"), True, say("none in the home file, and none is needed"))]
    fault = series["fault"]
    said = say_many("{n} interval waits to be sent", "{n} intervals wait to be sent", waiting)
    looks = [Look(say("time-series database"), not fault, joined((fault, said), "; "))]
    if refused["count"]:
        said = say("{count} set aside; {why}", count=refused["count"], why=refused["why"])
        looks.append(Look(say("refused intervals"), False, said))
    return looks


def _disk(free_bytes: int | None) -> Look:
    if free_bytes is None:
        return Look(say("disk"), False, say("its free space cannot be read"))
    size = Number(f"{free_bytes / 1e9:,.1f} GB")
    return Look(say("disk"), free_bytes > LOW_DISK_BYTES, say("{size} free where the ledger is kept", size=size))


def _backup(backup: Mapping[str, Any] | None) -> list[Look]:
    if backup is None:
        return [Look(say("backup"), True, say("none is set in the home file"))]
    if backup["fault"]:
        return [Look(say("backup"), False, backup["fault"])]
    if backup["last"] is None:
        return [Look(say("backup"), True, say("none yet"))]
    said = say("{name}, {age} old", name=backup["last"], age=duration(backup["last_age_s"]))
    return [Look(say("backup"), True, said)]


def _queue(queue: Mapping[str, Any]) -> list[Look]:
    passed = queue["passed_over_readings"]
    said = say("{many} skipped: they come faster than they can be handled", many=passed)
    return [Look(say("messages"), False, said)] if passed else []
