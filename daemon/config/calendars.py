"""Calendar files: public holidays and absences. Source: RFC 5545 (iCalendar), of which this reads VEVENTs.

Read are SUMMARY, DTSTART, DTEND, DURATION, RRULE (by the day or less often), RDATE, EXDATE, RECURRENCE-ID with
RANGE=THISANDFUTURE (3.8.4.4) and STATUS. Time zones are taken by their IANA names; a time without one is the home's.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import MAXYEAR, UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from rules.model.errors import BrimfulError

OP = "read a calendar"
LAST_YEAR = 2100
"""Events that repeat for ever are followed to the end of this year."""
LARGEST_BYTES = 4_000_000
_MOST_REPEATS = 50_000
_YEARS_AHEAD = 400 * 19
"""A rule is followed so many years later, where the calendar is the same day for day: 400 years are whole weeks. So the
library, which looks for a next repeat until the year 9999, looks some 300 years beyond LAST_YEAR and not 8,000."""
_PROPERTY = re.compile(r'([A-Za-z0-9-]+)((?:;[A-Za-z0-9-]+=(?:"[^"]*"|[^";:])*)*):(.*)', re.DOTALL)
_DURATION = re.compile(r"\+?P(?:(\d{1,4})W)?(?:(\d{1,5})D)?(?:T(?:(\d{1,5})H)?(?:(\d{1,6})M)?(?:(\d{1,7})S)?)?")


@dataclass(frozen=True, slots=True)
class Event:
    """When something is: from start until end, end not included. Whole days are dates, times are aware."""

    name: str
    start: date
    end: date


@dataclass(frozen=True, slots=True)
class _Shape:
    """What a VEVENT says of each of its repeats."""

    name: str
    start: date
    length: timedelta


@dataclass(frozen=True, slots=True)
class _Change:
    """What holds for a repeat and all after it: the repeat's own start, and their shape; None: they are cancelled."""

    of: date
    shape: _Shape | None


@dataclass(slots=True)
class _Raw:
    """A VEVENT as written: by property, its parameters and its values."""

    line: int
    properties: dict[str, list[tuple[dict[str, str], str]]] = field(default_factory=dict)

    def text(self, name: str) -> str:
        return self.properties[name][0][1].strip() if name in self.properties else ""

    @property
    def cancelled(self) -> bool:
        return self.text("STATUS").upper() == "CANCELLED"


def read_calendar(path: Path, zone: ZoneInfo) -> tuple[Event, ...]:
    """The events of a calendar file, repeated ones each, by their start.

    zone: that of times without one of their own. Raises BrimfulError, naming the line.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
        text = content.decode("utf-8-sig")
    except OSError as error:
        raise BrimfulError(OP, str(path), f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise BrimfulError(OP, path.name, "expected UTF-8 text") from error
    if len(content) > LARGEST_BYTES:
        raise BrimfulError(OP, path.name, f"expected at most {LARGEST_BYTES // 1_000_000} MB, got more")
    return parse_calendar(text, path.name, zone)


def parse_calendar(text: str, subject: str, zone: ZoneInfo) -> tuple[Event, ...]:
    """The events of a calendar's text; subject: the file's name, for messages. Otherwise as `read_calendar`."""
    raws = list(_raw_events(text, subject))
    replaced: dict[str, set[date]] = {}
    changes: dict[str, list[_Change]] = {}
    for raw in raws:
        uid = raw.text("UID")
        for of in _instants(raw, "RECURRENCE-ID", subject, zone):
            replaced.setdefault(uid, set()).add(of)
            if raw.properties["RECURRENCE-ID"][0][0].get("RANGE", "").upper() == "THISANDFUTURE":
                changes.setdefault(uid, []).append(_Change(of, None if raw.cancelled else _shape(raw, subject, zone)))
    for following in changes.values():
        following.sort(key=lambda change: _utc_s(change.of, zone))
    found: list[Event] = []
    for raw in raws:
        if raw.cancelled:
            continue
        alone, uid = "RECURRENCE-ID" in raw.properties, raw.text("UID")
        without, following = (set(), []) if alone else (replaced.get(uid, set()), changes.get(uid, []))
        try:
            found += _events(raw, subject, zone, without, following)
        except OverflowError:
            cause = "expected an event that ends before the year 9999"
            raise BrimfulError(OP, f"{subject}, line {raw.line}", cause) from None
    return tuple(sorted(found, key=lambda event: (_utc_s(event.start, zone), _utc_s(event.end, zone))))


def holidays(events: Sequence[Event]) -> frozenset[date]:
    """The days that whole-day events cover; an event of some hours makes no holiday."""
    days: set[date] = set()
    for event in events:
        if not isinstance(event.start, datetime):
            days.update(event.start + timedelta(days=n) for n in range((event.end - event.start).days))
    return frozenset(days)


def absences(events: Sequence[Event], zone: ZoneInfo) -> list[tuple[float, float]]:
    """Each event from its start to its end, UTC seconds; whole days from local midnight to local midnight."""
    return [(_utc_s(event.start, zone), _utc_s(event.end, zone)) for event in events]


def _raw_events(text: str, subject: str) -> Iterator[_Raw]:
    lines = text.replace("\r\n", "\n").split("\n")
    if not lines or lines[0].strip().upper() != "BEGIN:VCALENDAR":
        raise BrimfulError(OP, subject, "expected an iCalendar file, which begins with BEGIN:VCALENDAR")
    unfolded: list[tuple[int, str]] = []
    for number, line in enumerate(lines, 1):
        if line[:1] in (" ", "\t") and unfolded:
            unfolded[-1] = (unfolded[-1][0], unfolded[-1][1] + line[1:])
        elif line:
            unfolded.append((number, line))
    inside: list[str] = []
    raw: _Raw | None = None
    for number, line in unfolded:
        match = _PROPERTY.fullmatch(line)
        if match is None:
            raise BrimfulError(OP, f"{subject}, line {number}", f'expected NAME:VALUE, got "{line[:40]}"')
        name, value = match[1].upper(), match[3]
        if name == "BEGIN":
            inside.append(value.strip().upper())
            if inside[-1] == "VEVENT":
                raw = _Raw(number)
        elif name == "END":
            if not inside or inside.pop() != value.strip().upper():
                raise BrimfulError(
                    OP, f"{subject}, line {number}", f'expected an END that fits its BEGIN, got "{line}"'
                )
            if value.strip().upper() == "VEVENT" and raw is not None:
                yield raw
                raw = None
        elif raw is not None and inside[-1] == "VEVENT":  # an alarm inside an event is none of its own
            raw.properties.setdefault(name, []).append((_parameters(match[2]), value))
    if inside:
        raise BrimfulError(OP, subject, f"expected END:{inside[-1]}, got the end of the file", "the file is cut off?")


def _parameters(text: str) -> dict[str, str]:
    found = re.findall(r';([A-Za-z0-9-]+)=("[^"]*"|[^";:]*)', text)
    return {name.upper(): value.strip('"') for name, value in found}


def _shape(raw: _Raw, subject: str, zone: ZoneInfo) -> _Shape:
    where = f"{subject}, line {raw.line}"
    starts = _instants(raw, "DTSTART", subject, zone)
    if not starts:
        raise BrimfulError(OP, where, "expected an event with DTSTART, got none")
    (start, *_), ends = starts, _instants(raw, "DTEND", subject, zone)
    length = timedelta(0) if isinstance(start, datetime) else timedelta(days=1)
    if ends:
        if isinstance(ends[0], datetime) != isinstance(start, datetime):
            raise BrimfulError(OP, where, "expected DTSTART and DTEND both as dates or both as times")
        length = ends[0] - start
    elif raw.text("DURATION"):
        length = _length(raw.text("DURATION"), where)
    if length < timedelta(0):
        raise BrimfulError(OP, where, "expected an event that ends after it starts")
    name = re.sub(r"\\(.)", lambda escaped: " " if escaped[1] in "nN" else escaped[1], raw.text("SUMMARY"))
    return _Shape(name, start, length)


def _events(
    raw: _Raw, subject: str, zone: ZoneInfo, without: set[date], following: Sequence[_Change]
) -> Iterator[Event]:
    """An event's repeats but those in `without`; following: changes from a repeat on, the earliest first."""
    where = f"{subject}, line {raw.line}"
    shape = _shape(raw, subject, zone)
    left_out = without | set(_instants(raw, "EXDATE", subject, zone))
    ends: dict[date, date | None] = dict.fromkeys(_repeats(raw.text("RRULE"), shape.start, where))
    for at, end in _more(raw, subject, zone):
        ends.setdefault(at, end)
    for at, end in ends.items():
        if at in left_out:
            continue
        changed = [change for change in following if _utc_s(change.of, zone) <= _utc_s(at, zone)]
        if not changed:
            yield Event(shape.name, at, at + shape.length if end is None else end)
        elif (now := changed[-1].shape) is not None:
            moved = _moved(at, changed[-1].of, now.start, where)
            yield Event(now.name, moved, moved + now.length)


def _moved(at: date, old: date, new: date, where: str) -> date:
    """A later repeat, moved on its own clock by as much as the changed one was, from old to new."""
    if isinstance(at, datetime) and isinstance(old, datetime) and isinstance(new, datetime):
        return at + (new.astimezone(at.tzinfo) - old.astimezone(at.tzinfo))
    if isinstance(at, datetime) or isinstance(old, datetime) or isinstance(new, datetime):
        cause = "expected DTSTART and RECURRENCE-ID with RANGE=THISANDFUTURE all as dates or all as times"
        raise BrimfulError(OP, where, cause)
    return at + (new - old)


def _more(raw: _Raw, subject: str, zone: ZoneInfo) -> Iterator[tuple[date, date | None]]:
    """The further starts of RDATE, with the end of their own that a period has."""
    where = f"{subject}, line {raw.line}, RDATE"
    for parameters, values in raw.properties.get("RDATE", []):
        for value in values.split(","):
            began, has_end, ended = value.strip().partition("/")
            at = _instant(began, parameters, where, zone)
            if not has_end:
                yield at, None
            else:
                yield (
                    at,
                    at + _length(ended, where) if "P" in ended.upper() else _instant(ended, parameters, where, zone),
                )


def _length(text: str, where: str) -> timedelta:
    match = _DURATION.fullmatch(text.upper())
    if match is None:
        raise BrimfulError(OP, where, f'expected a DURATION such as P1D or PT8H, got "{text[:40]}"')
    weeks, days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    return timedelta(days=7 * weeks + days, hours=hours, minutes=minutes, seconds=seconds)


def _repeats(rule: str, start: date, where: str) -> Iterator[date]:
    """An event's starts up to LAST_YEAR, on the clock of its own zone; rule: "" where it does not repeat."""
    if not rule:
        yield start
        return
    from dateutil.rrule import rrulestr  # rarely needed

    if start.year > LAST_YEAR:
        return
    if re.search(r"FREQ=(HOURLY|MINUTELY|SECONDLY)", rule, re.IGNORECASE):
        cause = f'expected an RRULE that repeats by the day or less often, got "{rule[:60]}"'
        raise BrimfulError(OP, where, cause, "a DAILY rule with BYHOUR says the same")
    zone = start.tzinfo if isinstance(start, datetime) else None
    wall = start.replace(tzinfo=None) if isinstance(start, datetime) else datetime.combine(start, time())
    count = 0
    try:
        ahead = wall.replace(year=wall.year + _YEARS_AHEAD)
        for count, there in enumerate(rrulestr(_ahead(_on_the_wall(rule, zone)), dtstart=ahead), 1):
            at = there.replace(year=there.year - _YEARS_AHEAD)
            if at.year > LAST_YEAR:
                return
            if count > _MOST_REPEATS:
                raise BrimfulError(OP, where, f"expected at most {_MOST_REPEATS} repeats, got more")
            yield at.replace(tzinfo=zone) if isinstance(start, datetime) else at.date()
    except (ValueError, TypeError, LookupError, AttributeError, OverflowError) as wrong:
        raise BrimfulError(OP, where, f'expected an RRULE as RFC 5545 has it, got "{rule[:60]}": {wrong}') from wrong
    if not count and "UNTIL" not in rule.upper():  # one that is over before its first repeat says so on purpose
        cause = f'expected an RRULE that comes true some day, got "{rule[:60]}"'
        raise BrimfulError(OP, where, cause, "a month that has no such day?")


def _ahead(rule: str) -> str:
    """The rule _YEARS_AHEAD later. An UNTIL past the last year that there is becomes its last day."""

    def later(until: re.Match[str]) -> str:
        year = int(until[1]) + _YEARS_AHEAD
        return f"UNTIL={year}{until[2]}" if year <= MAXYEAR else f"UNTIL={MAXYEAR}1231"

    return re.sub(r"UNTIL=(\d{4})(\d{4})", later, rule, flags=re.IGNORECASE)


def _on_the_wall(rule: str, zone: tzinfo | None) -> str:
    """UNTIL may be in UTC, but the rule is followed on the wall clock, without zones: no Z may be left in it."""
    until = re.search(r"UNTIL=(\d{8}T\d{6})Z", rule, re.IGNORECASE)
    if until is not None and zone is not None:
        instant = datetime.strptime(until[1], "%Y%m%dT%H%M%S").replace(tzinfo=UTC).astimezone(zone)
        rule = rule.replace(until[0], f"UNTIL={instant:%Y%m%dT%H%M%S}")
    return rule.replace("Z", "")


def _instants(raw: _Raw, name: str, subject: str, zone: ZoneInfo) -> list[date]:
    """The dates and times of a property."""
    return [
        _instant(value.strip(), parameters, f"{subject}, line {raw.line}, {name}", zone)
        for parameters, values in raw.properties.get(name, [])
        for value in values.split(",")
    ]


def _instant(value: str, parameters: dict[str, str], where: str, zone: ZoneInfo) -> date:
    """A DATE or DATE-TIME. In a missing hour the offset before it counts, in a repeated one the first is meant."""
    try:
        if re.fullmatch(r"\d{8}", value):
            return datetime.strptime(value, "%Y%m%d").date()
        if value.upper().endswith("Z"):
            return datetime.strptime(value.upper(), "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
        moment = datetime.strptime(value.upper(), "%Y%m%dT%H%M%S")
    except ValueError:
        cause = f'expected a date such as 20261225 or a time such as 20261224T180000, got "{value[:40]}"'
        raise BrimfulError(OP, where, cause) from None
    named = parameters.get("TZID")
    if named is None:
        return moment.replace(tzinfo=zone)
    try:
        return moment.replace(tzinfo=ZoneInfo(named))
    except (KeyError, ValueError, OSError):
        hint = "export the calendar with zones named as Europe/Dublin is"
        raise BrimfulError(OP, where, f'expected a time zone by its IANA name, got "{named[:40]}"', hint) from None


def _utc_s(at: date, zone: ZoneInfo) -> float:
    return (at if isinstance(at, datetime) else datetime.combine(at, time(), zone)).timestamp()
