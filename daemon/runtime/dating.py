"""Whether what happens can be dated, so that the books may take it; where the clock has gone back, so do the books."""

import logging

from daemon.control.engine import Engine
from daemon.control.own_alarms import OwnAlarms
from daemon.recording.unit_of_work import Keeper
from daemon.timing.clock_trust import PATIENCE_S, Step, WallTime
from rules.alarms import Alarm
from rules.model.formatting import duration
from rules.model.reading import Moment
from rules.model.wording import say

log = logging.getLogger(__name__)
_KEPT = say("the counters keep what is taken meanwhile")
_SLACK_S = 2.0
_NEVER_S = float("inf")
RETRY_S = 5.0
"""How soon a ledger that could not be read is read again."""


class Dating:
    """Keeps `engine.dated` and `engine.clock_right` right, and the alarm of a clock that is far ahead.

    wall: whether the wall clock is believed. Used by the loop's thread alone.
    """

    def __init__(self, wall: WallTime, engine: Engine, keeper: Keeper, alarms: OwnAlarms) -> None:
        self._wall = wall
        self._engine = engine
        self._keeper = keeper
        self._alarms = alarms
        self._back_s = 0.0
        self._retry_s = _NEVER_S

    @property
    def right(self) -> bool:
        """Whether the wall clock is believed."""
        return self._wall.right

    @property
    def due_s(self) -> float:
        """Forward-clock second at which waiting for a better clock ends, or for a ledger that can be read; inf if time
        alone ends neither."""
        return self._retry_s if self._wall.right else self._wall.due_s

    @property
    def fault(self) -> str:
        """Why nothing is booked though all else goes on, or ""."""
        if self._engine.dated:
            return ""
        wall = self._wall
        if wall.right:
            return say(
                "the machine's clock was set back by {back} and the ledger cannot be read, so the books wait "
                "until it can; {kept}",
                back=duration(self._back_s),
                kept=_KEPT,
            )
        if wall.ahead_s:
            why = say(
                "is {ahead} ahead of what the books last saw, and no time service vouches for it: the books wait "
                "until it is set right or confirmed, for a day at most",
                ahead=duration(wall.ahead_s),
            )
        elif wall.behind_s:
            why = say(
                "is {behind} behind what the books last saw: they wait until it is set right, for {patience} at most",
                behind=duration(wall.behind_s),
                patience=duration(PATIENCE_S),
            )
        else:
            why = say("shows a time that cannot be, so the books wait until it is set right")
        return say(
            "the machine's clock {why}; {kept}, and nothing is heated for a plan, for hygiene or for a return",
            why=why,
            kept=_KEPT,
        )

    def begin(self, now: Moment) -> None:
        """At the start: are the books ahead of the clock?"""
        self._engine.dated = self._engine.clock_right = self._wall.right
        self._keep_alarm(now)
        if self._wall.right:
            self._set_books_back(self._engine.books.newest_s - now.utc_s, now)

    def look(self, now: Moment) -> bool:
        """Whether the wall clock has been set, or is believed where it was not, or the other way round; the books go
        along."""
        step = self._wall.look(now)
        if step is None:
            return False
        self._note(step, now)
        return True

    def retry(self, now: Moment) -> None:
        """Set back what could not be set back at once, for the ledger could not be read. Cheap before its time."""
        if now.mono_s >= self._retry_s and self._wall.right:
            self._set_books_back(self._back_s, now)

    def _note(self, step: Step, now: Moment) -> None:
        by = duration(abs(step.by_s))
        sentence = say("the clock was set forward by {time}", time=by)
        if step.by_s <= 0:
            sentence = say("the clock was set back by {time}", time=by)
        if step.by_s:
            log.warning("clock=set %s", sentence)
            self._keeper.event("note", "clock", sentence, now)
        if step.is_right != step.was_right:
            log.warning("clock=%s", "right" if step.is_right else "wrong")
        self._engine.dated = self._engine.clock_right = step.is_right
        self._keep_alarm(now)
        if step.is_right:
            if not step.was_right:
                self._keeper.redate(now)
            by_s = self._back_s - step.by_s if step.was_right else self._engine.books.newest_s - now.utc_s
            self._set_books_back(by_s, now)

    def _keep_alarm(self, now: Moment) -> None:
        self._alarms.drop("clock")
        if self._wall.ahead_s and not self._engine.dated:
            self._alarms.add(Alarm("clock", self.fault, now.mono_s))

    def _set_books_back(self, by_s: float, now: Moment) -> None:
        """They need what they have settled of that time. by_s: in all, with what could not be set back before."""
        self._back_s, self._retry_s = 0.0, _NEVER_S
        if by_s <= _SLACK_S:
            return
        settled = self._keeper.settled_from(self._engine.books.newest_s - by_s)
        self._engine.dated = settled is not None
        if settled is None:
            self._back_s, self._retry_s = by_s, now.mono_s + RETRY_S
        else:
            self._engine.books.set_back(by_s, settled)
