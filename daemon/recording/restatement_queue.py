"""Restatements beside the daemon's other work: the loop does them one after the other, a day's intervals at a time."""

import logging
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from accounting.books.restatement import LONGEST_WHY, Restating, TakingBack, lacks, unfinished, valued_by
from accounting.ledger import LedgerError, LedgerWriter
from accounting.valuation.settings import BooksSettings
from accounting.valuation.valuer import Valuer
from daemon.config.model import Home
from daemon.recording.price_note import PRICES, PriceNote, note_of, price_note
from rules.model.errors import BrimfulError
from rules.model.reading import Moment

log = logging.getLogger(__name__)
GO_ON = "restate on"
"""The job of one step; whoever does it asks for the next."""
LOOK_S = 60.0
"""How soon a step that the ledger refused is tried again."""
_OP = "restate"
_REMEMBERED = 20
_KEEP_ASSUMPTIONS = "restatement=none, settled intervals keep their assumptions; `brimful restate` takes the new ones"


@dataclass(frozen=True, slots=True)
class RestateWish:
    """A person's wish. ledger: the path of the one that is meant; from_s, to_s: UTC seconds; why: for the record."""

    ledger: str
    from_s: int
    to_s: int
    why: str


def read_restate(arguments: Mapping[str, Any]) -> RestateWish:
    """{"ledger": PATH, "from_s": S, "to_s": S, "why": TEXT}. Raises BrimfulError."""
    from_s, to_s = (_whole(arguments, name) for name in ("from_s", "to_s"))
    why = arguments.get("why")
    if not isinstance(why, str) or not 1 <= len(why) <= LONGEST_WHY:
        raise BrimfulError(_OP, "why", f"expected a text of 1 to {LONGEST_WHY} characters")
    return RestateWish(str(arguments.get("ledger")), from_s, to_s, why)


class Restater:
    """The restatements that wait. Used by the loop's thread alone.

    go_on: asks the loop for another step, behind all that waits for it already. fault: why the last step failed, or "".
    note: by which prices the books are valued; that of changed ones once their restatement is done.
    """

    def __init__(self, ledger: LedgerWriter, settings: BooksSettings, go_on: Callable[[], None]) -> None:
        self.fault = ""
        self._ledger = ledger
        self._go_on = go_on
        self._waiting: deque[tuple[int, Restating | TakingBack]] = deque()
        self._tickets = 0
        self._done: dict[int, dict[str, Any]] = {}
        self._going = False
        self.note: PriceNote | None = None
        self._coming: PriceNote | None = None
        cut_short = unfinished(ledger)
        if cut_short is not None:
            log.warning("restatement=cut short, taken back; `brimful restate` makes it again")
            self._add(cut_short)
        unpriced = ledger.unpriced_span()
        if unpriced is not None:
            self._add(Restating(ledger, Valuer(settings), "prices that came late", *unpriced, lacks))

    @property
    def idle(self) -> bool:
        """Whether nothing waits."""
        return not self._waiting

    def begun(self, home: Home, settings: BooksSettings, kept: object, now_s: float) -> None:
        """Compare the prices with those that the books were valued by (kept: the note of them), and restate by the new.

        They were edited while the daemon was stopped, or after the backup that was restored. What was booked before the
        present assumptions keeps its value. now_s: UTC seconds.
        """
        former, present = note_of(kept), price_note(home)
        if former is None:  # an older program's ledger, or a new one
            self.note = self._coming = present
            return
        changed = present.changed_from(former, home.file.name)
        assumed = present.assumed != former.assumed
        self.note, self._coming = former, replace(present, since_s=now_s if assumed else former.since_s)
        if assumed:
            log.warning(_KEEP_ASSUMPTIONS)
        elif changed:
            log.warning("restatement=due, prices were changed while brimful was stopped: %s", ", ".join(changed))
            why = f"changed while brimful was stopped: {', '.join(changed)}"[:LONGEST_WHY]
            first_s, last_s = self._span()
            used = str(settings.used)
            from_s = max(first_s, int(former.since_s))
            work = Restating(self._ledger, Valuer(settings), why, from_s, last_s, lambda one: one.used in (None, used))
            self._add(work)
        self._settled()

    def repriced(
        self,
        before: Home,
        after: Home,
        former: BooksSettings,
        settings: BooksSettings,
        changed: str,
        now_s: float = 0.0,
    ) -> None:
        """The home file, or a file it names, was read again. What was valued by the former prices is valued by the new.

        Assumptions (what is displaced, the share used) have no dates: they are for a person to restate by. now_s: UTC
        seconds. Raises LedgerError, with nothing changed: the settled intervals cannot be read.
        """
        assumed = (before.displaces, before.books) != (after.displaces, after.books)
        since_s = 0.0 if self._coming is None else self._coming.since_s
        coming = price_note(after, now_s if assumed else since_s)
        if assumed:
            log.info(_KEEP_ASSUMPTIONS)
        span = self.moved(before, after, changed)
        if span is not None:
            why = f"{changed} changed"[:LONGEST_WHY]
            self._add(Restating(self._ledger, Valuer(settings), why, *span, valued_by(Valuer(former))))
            self.look()
        self._coming = coming
        self._settled()

    def moved(self, before: Home, after: Home, changed: str) -> tuple[int, int] | None:
        """From when until when, UTC seconds, there are settled intervals to be valued by the changed prices; None for
        no changed prices. Raises LedgerError."""
        if (before.displaces, before.books) != (after.displaces, after.books):
            return None
        if changed == after.file.name and (before.tariffs, before.carbon) == (after.tariffs, after.carbon):
            return None
        return self._span()

    def _settled(self) -> None:
        """With nothing left to restate, the books are valued by the prices there are."""
        if not self._waiting:
            self.note = self._coming

    def state(self) -> dict[str, Any]:
        """What of it is working state."""
        return {} if self.note is None else {PRICES: self.note.written()}

    def wish(self, wish: RestateWish, settings: BooksSettings) -> dict[str, Any]:
        """Restate as a person asks. Raises BrimfulError: another ledger is meant."""
        path = str(self._ledger.path.resolve())
        if wish.ledger != path:
            cause = f"expected the running daemon's ledger {path}, got {wish.ledger[:200]}"
            raise BrimfulError(_OP, "ledger", cause, "another home's daemon answers at this port")
        first_s, last_s = self._span()
        span = max(wish.from_s, first_s), min(wish.to_s, last_s)
        self._add(Restating(self._ledger, Valuer(settings), wish.why, *span))
        # Before what was queued by itself and has not begun: whoever asked gets to know what moved.
        self._waiting.rotate(1)
        if len(self._waiting) > 1 and self._waiting[1][1].begun:
            self._waiting[0], self._waiting[1] = self._waiting[1], self._waiting[0]
        self.look()
        return {"schema": "brimful.restate-asked/1", "ticket": self._tickets}

    def answer(self) -> dict[str, Any]:
        """How far it is: what waits, and what came of the last ones, by ticket."""
        return {
            "schema": "brimful.restating/1",
            "waiting": len(self._waiting),
            "fault": self.fault,
            "done": {str(ticket): done for ticket, done in self._done.items()},
        }

    def look(self) -> None:
        """Begin, if something waits and no step is on its way."""
        if self._waiting and not self._going:
            self._going = True
            self._go_on()

    def pause(self) -> None:
        """Not now: at the next look."""
        self._going = False

    def step(self, now: Moment) -> bool:
        """Do a day of the first that waits, and ask for the next step; whether it has come to its end."""
        self._going = False
        if not self._waiting:
            return False
        ticket, work = self._waiting[0]
        try:
            ended = work.step(now.utc_s)
        except LedgerError as failed:  # tried again at the next look
            if not self.fault:
                log.error("restatement=waits %s", failed)
            self.fault = str(failed)
            return False
        self.fault = ""
        if ended:
            self._waiting.popleft()
            self._remember(ticket, work)
            self._settled()
        self.look()
        return ended

    def _add(self, work: Restating | TakingBack) -> None:
        self._tickets += 1
        self._waiting.append((self._tickets, work))

    def _remember(self, ticket: int, work: Restating | TakingBack) -> None:
        if isinstance(work, TakingBack):
            return
        if work.number is not None:
            log.warning("restatement=%d done: %s", work.number, work.why)
        self._done[ticket] = {"restatement": work.number, "kept_intervals": work.kept}
        while len(self._done) > _REMEMBERED:
            del self._done[min(self._done)]

    def _span(self) -> tuple[int, int]:
        spans = self._ledger.heater_spans()
        return min((span.first_s for span in spans), default=0), max((span.end_s for span in spans), default=0)


def _whole(arguments: Mapping[str, Any], name: str) -> int:
    value = arguments.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) >= 2**62:
        raise BrimfulError(_OP, name, f"expected UTC seconds as a whole number, got {str(value)[:40]}")
    return value
