"""The owner's dated notes: written, and taken back."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daemon.recording import owner_notes
from daemon.recording.owner_notes import Note
from daemon.runtime.controller import Controller
from rules.model.errors import BrimfulError
from rules.model.reading import Moment


@dataclass(frozen=True, slots=True)
class WithdrawNote:
    """Take a note back. id: as `Note.id`."""

    id: str


def read_withdrawal(arguments: Mapping[str, Any]) -> WithdrawNote:
    """{"note": ID}."""
    return WithdrawNote(str(arguments.get("note")))


class Notes:
    """Keeps notes in the ledger; each is written down at once."""

    def __init__(self, controller: Controller) -> None:
        self._controller = controller

    def write(self, note: Note, now: Moment) -> dict[str, Any]:
        """Keep a note."""
        self._controller.keeper.events([owner_notes.written(note, now.utc_s)])
        return self._done(note, "written", now)

    def withdraw(self, wish: WithdrawNote, now: Moment) -> dict[str, Any]:
        """Take a note back; both stay in the ledger. Raises BrimfulError: none of that id stands."""
        keeper = self._controller.keeper
        for note in owner_notes.notes_of(keeper.owners_notes()):
            if note.id == wish.id:
                keeper.events([owner_notes.withdrawn(note, now.utc_s)])
                return self._done(note, "withdrawn", now)
        cause = f"expected the id of a note that stands, got {wish.id[:40]!r}"
        raise BrimfulError("withdraw a note", "note", cause, "it may be withdrawn already")

    def _done(self, note: Note, done: str, now: Moment) -> dict[str, Any]:
        self._controller.write(now)
        return {
            "schema": "brimful.note/1",
            "note": note.id,
            "day": note.day.isoformat(),
            "kind": note.kind,
            "text": note.text,
            "done": done,
            "kept": not self._controller.unkept,
        }
