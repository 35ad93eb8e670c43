"""The owner's dated notes. Each is an event of the ledger; a withdrawal is another one: nothing is deleted."""

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from accounting.ledger.records import OWNERS, EventRow
from rules.model.errors import BrimfulError
from rules.model.wording import say

KINDS = ("tariff", "setting", "hardware", "absence", "other")
LONGEST = 200
_EARLIEST_YEAR, _LATEST_YEAR = 1971, 2200
_OP = "write a note"
_WRITTEN, _WITHDRAWN = f"{OWNERS}note", f"{OWNERS}withdrawn"


@dataclass(frozen=True, slots=True)
class Note:
    """A note on a local day. id: what it is withdrawn by."""

    id: str
    day: date
    kind: str
    text: str


def note_of(arguments: Mapping[str, Any]) -> Note:
    """The note a request describes: day, kind, text. Raises BrimfulError naming what does not fit."""
    given_day, kind, text = (arguments.get(name) for name in ("day", "kind", "text"))
    try:
        day = date.fromisoformat(given_day if isinstance(given_day, str) else "")
    except ValueError:
        raise _refused("day", say("a date like 2026-06-01"), given_day) from None
    if not _EARLIEST_YEAR <= day.year <= _LATEST_YEAR:
        raise _refused("day", say("a year {begin} to {end}", begin=_EARLIEST_YEAR, end=_LATEST_YEAR), given_day)
    if not isinstance(kind, str) or kind not in KINDS:
        raise _refused("kind", say("one of {names}", names=", ".join(KINDS)), kind)
    text = " ".join(text.split()) if isinstance(text, str) else ""
    if not 1 <= len(text) <= LONGEST or not text.isprintable():
        cause = say("expected 1 to {most} printable characters, got {got}", most=LONGEST, got=len(text))
        raise BrimfulError(_OP, "text", cause)
    return Note(secrets.token_hex(6), day, kind, text)


def written(note: Note, at_s: float) -> EventRow:
    """The event that keeps a note written at a UTC second."""
    figures = {"note": note.id, "day": note.day.isoformat(), "kind": note.kind}
    return EventRow(at_s, _WRITTEN, "note", note.text, figures)


def withdrawn(note: Note, at_s: float) -> EventRow:
    """The event that takes a note back."""
    return EventRow(at_s, _WITHDRAWN, "note", f"withdrawn: {note.text}", {"note": note.id})


def notes_of(events: Sequence[EventRow]) -> list[Note]:
    """The notes that stand."""
    gone = {str(event.figures.get("note")) for event in events if event.name == _WITHDRAWN}
    return [
        Note(
            str(note_figures["note"]),
            date.fromisoformat(str(note_figures["day"])),
            str(note_figures["kind"]),
            event.sentence,
        )
        for event in events
        if event.name == _WRITTEN and (note_figures := event.figures) and str(note_figures["note"]) not in gone
    ]


def _refused(subject: str, expected: str, got: object) -> BrimfulError:
    cause = say("expected {expected}, got {got}", expected=expected, got=repr(str(got)[:40]))
    return BrimfulError(_OP, subject, cause)
