"""The room "Timeline": what happened to the house and its books, the newest first, with the owner's own notes."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from accounting.ledger.records import EventRow
from daemon.config.model import Home
from daemon.recording.owner_notes import Note, notes_of
from daemon.web.page.views.figures import day_words, fixed, utc
from rules.model.wording import Day, Sentence, Stored, joined, say

KINDS = {
    "tariff": say("Tariffs"),
    "setting": say("Settings"),
    "hardware": say("Hardware"),
    "absence": say("Absences"),
    "alarm": say("Alarms"),
    "other": say("Other"),
}
"""What an entry is about, and the heading it is chosen by."""
KIND_WORDS = {
    "tariff": say("tariff"),
    "setting": say("setting"),
    "hardware": say("hardware"),
    "absence": say("absence"),
    "alarm": say("alarm"),
    "other": say("other"),
}
"""The same at an entry."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line. at_s: UTC seconds it is sorted by; date: its local day, ISO 8601; note: the id of an owner's note that
    can be withdrawn, else ""."""

    at_s: float
    date: str
    day: str
    clock: str
    kind: str
    text: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Month:
    """The entries of one month, the newest first."""

    name: str
    entries: tuple[Entry, ...]


def timeline(home: Home, events: Sequence[EventRow], now_s: float, kind: str = "") -> tuple[Month, ...]:
    """Tariff periods, absences, events and notes by month, the newest first.

    events: of the ledger, any order; kind: one of KINDS, "" for all.
    """
    zone = ZoneInfo(home.home.timezone)
    today = utc(now_s).astimezone(zone).date()
    entries = [
        *_tariffs(home, zone, today),
        *_absences(home, zone, today),
        *_events(events, zone, today),
        *(_note(note, zone, today) for note in notes_of(events)),
    ]
    entries.sort(key=lambda entry: entry.at_s, reverse=True)
    months: dict[Day, list[Entry]] = {}
    for entry in entries:
        if kind and entry.kind != kind:
            continue
        local = utc(entry.at_s).astimezone(zone)
        months.setdefault(Day(f"{local:%B} {local.year}", local.date(), "yMMMM"), []).append(entry)
    return tuple(Month(name, tuple(of_it)) for name, of_it in months.items())


def _at(day: date | datetime, zone: ZoneInfo) -> datetime:
    if isinstance(day, datetime):
        return day if day.tzinfo is not None else day.replace(tzinfo=zone)
    return datetime(day.year, day.month, day.day, tzinfo=zone)


def _entry(
    at: datetime, zone: ZoneInfo, today: date, kind: str, text: str, note: str = "", *, day: bool = False
) -> Entry:
    local = at.astimezone(zone)
    clock = "" if day else f"{local:%H:%M}"
    words, shown = KIND_WORDS.get(kind, kind), day_words(local.date(), today)
    return Entry(at.timestamp(), local.date().isoformat(), shown, clock, words, Sentence(text), note)


def _tariffs(home: Home, zone: ZoneInfo, today: date) -> Iterable[Entry]:
    for name, tariff in home.tariffs.items():
        for period in tariff.periods:
            said = say("tariff {name}", name=name)
            if getattr(period, "supplier", None):
                said = say("tariff {name} from {supplier}", name=name, supplier=period.supplier)
            prices = joined(joined((band.name, fixed(float(band.price), 4)), " ") for band in period.bands)
            if prices:
                amount = joined((prices, home.home.currency), " ")
                said = joined((said, say("{amount} per kWh", amount=amount)), ": ")
            yield _entry(_at(period.from_, zone), zone, today, "tariff", said, day=True)


def _absences(home: Home, zone: ZoneInfo, today: date) -> Iterable[Entry]:
    for absence in home.rules.away.periods:
        until = _at(absence.to, zone).astimezone(zone)
        last = until - timedelta(seconds=1)
        whole = until.time() == datetime.min.time()
        said = say("away until {day}", day=day_words(last.date() if whole else until.date(), today))
        yield _entry(
            _at(absence.from_, zone), zone, today, "absence", said, day=not isinstance(absence.from_, datetime)
        )


def _events(events: Sequence[EventRow], zone: ZoneInfo, today: date) -> Iterable[Entry]:
    for event in events:
        if event.name.startswith("owner."):
            continue
        kind = {"alarm": "alarm", "recovered": "alarm", "quarantine": "alarm"}.get(event.kind, "setting")
        if event.kind == "note" and not event.name.startswith(("rule.", "home-file", "mode")):
            kind = "other"
        text: str = Stored(event.sentence)
        if event.kind == "recovered":
            text = say("recovered: {what}", what=text)
        yield _entry(utc(event.at_s), zone, today, kind, text)


def _note(note: Note, zone: ZoneInfo, today: date) -> Entry:
    return _entry(_at(note.day, zone), zone, today, note.kind, note.text, note.id, day=True)
