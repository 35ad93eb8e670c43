"""Since when the house is controlled or only watched, as events in the ledger: a note at each change of the mode."""

from math import inf

from accounting.ledger import Ledger
from accounting.reports.watched import MODE
from daemon.config.model import Home
from daemon.recording.unit_of_work import Keeper
from rules.model.reading import Moment
from rules.model.wording import say

WATCHING = say("watching: no orders are sent")
_CONTROLLING = say("controlling: orders are sent")


def mode_at(ledger: Ledger, before_s: float = inf) -> str:
    """The mode that was noted last before an instant, UTC seconds; "control" before any was. Raises LedgerError."""
    noted = ledger.events(-inf, before_s, MODE)
    return str(noted[-1].figures.get("mode", "control")) if noted else "control"


class ModeNotes:
    """Notes each change. noted: the mode that was noted last."""

    def __init__(self, keeper: Keeper, noted: str) -> None:
        self._keeper = keeper
        self._noted = noted

    def look(self, home: Home, now: Moment) -> None:
        """Note the home's mode where it is another."""
        if home.home.mode != self._noted:
            self._noted = home.home.mode
            sentence = WATCHING if home.watches else _CONTROLLING
            self._keeper.event("note", MODE, sentence, now, {"mode": home.home.mode})
