"""The home file as it holds now: a changed one is taken while the daemon runs, as far as that can be."""

import logging
from collections.abc import Callable
from pathlib import Path

from accounting.ledger import EventRow, LedgerError
from daemon.assembly.prepared_home import PreparedHome, prepare
from daemon.config.edit import Change
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.rules_document import change_said
from daemon.documents.valuing import measuring_stock
from daemon.recording.mode_note import ModeNotes
from daemon.recording.restatement_queue import Restater
from daemon.runtime.controller import Controller
from daemon.runtime.file_stamps import Stamp, stamp, stamps_of
from rules.model.errors import BrimfulError
from rules.model.reading import Moment
from rules.model.wording import say

log = logging.getLogger(__name__)
NOT_RELOADED = (
    *("home", "broker", "signals", "heaters", "outputs", "ledger", "api", "timeseries"),
    *("readers", "homie", "alerts"),
)
"""Tables of the home file that a running daemon does not take anew."""
METERING = ("late_s", "attribute", "export_limit_w")
"""Keys of [books] that it does not take anew either: they say what is measured."""


class HomeFile:
    """What the home file says. home: as it is obeyed now; fault: why a changed one is not, or "".

    A changed one is obeyed as a whole or not at all.

    Used by the loop's thread; `home` may be read from any.
    """

    def __init__(self, made: PreparedHome, controller: Controller, restater: Restater, modes: ModeNotes) -> None:
        self.home = made.home
        self.fault = ""
        self._made = made
        self._controller = controller
        self._restater = restater
        self._modes = modes
        self._stamps = stamps_of(made.home)

    def look(self, now: Moment) -> None:
        """Take a changed home file, or a changed file that it names; a bad one changes nothing and is said once."""
        stamps = {path: stamp(path) for path in self._stamps}
        if stamps == self._stamps:
            return
        changed = ", ".join(path.name for path, found in stamps.items() if found != self._stamps.get(path))
        beside: dict[Path, Stamp] = {}
        try:
            home = load(self.home.file)
            beside = stamps_of(home)
            self._adopt(
                home,
                changed,
                EventRow(now.utc_s, "home-file", "note", say("read again: {changed}", changed=changed)),
                now,
            )
        except LedgerError as failed:  # the file is not to blame: it is tried again at the next look
            self._refuse(str(failed), now)
        except BrimfulError as refused:
            # Those that it names are looked at too: with one of them mended it may be accepted.
            self._stamps = beside | stamps
            self._refuse(str(refused), now)
        except Exception as unforeseen:
            log.exception("home=%s could not be taken", self.home.file.name)
            self._stamps = beside | stamps
            self._refuse(
                say(
                    "{kind}: {unforeseen}; report it as an error",
                    kind=type(unforeseen).__name__,
                    unforeseen=unforeseen,
                ),
                now,
            )
        else:
            self._watch(beside | stamps)
            self._controller.redecide(now)
        self._controller.publish(now)

    def change(self, write: Callable[[Home, Callable[[Home], object]], Change], now: Moment) -> Change:
        """Have a rule in the file changed, and obey it at once.

        write: changes the file, given the home and a check that raises BrimfulError where a changed one does not fit.
        """
        change = write(self.home, prepare)
        event = EventRow(now.utc_s, f"rule.{change.rule}", "note", change_said(change))
        self._adopt(change.home, self.home.file.name, event, now)
        self._watch(self._stamps | {self.home.file: stamp(self.home.file)})
        self._controller.redecide(now)
        self._controller.write(now)
        return change

    def _watch(self, known: dict[Path, Stamp]) -> None:
        """From now on look at the home file that is obeyed and at the files it names. known: their stamps as read."""
        self._stamps = {path: known.get(path, found) for path, found in stamps_of(self.home).items()}

    def _adopt(self, home: Home, changed: str, event: EventRow, now: Moment) -> None:
        """Go on with another home file, as far as a running daemon can; where a part of it fails, with the former one.

        The caller decides again. changed: the names of the files that were; event: notes what was changed.
        """
        controller, former = self._controller, self._made
        engine = controller.engine
        valued_by, memory = engine.books.settings, engine.memory
        kept, waits = _kept(home, self.home)
        prepared = prepare(kept)
        self._restater.moved(former.home, kept, changed)  # a ledger that cannot be read is to be known before
        try:
            self._obey(prepared)
            self._restater.repriced(former.home, kept, valued_by, engine.books.settings, changed, now.utc_s)
        except Exception:
            self._obey(former)
            engine.memory = memory
            controller.redecide(now)
            raise
        controller.keeper.events([event])
        self._modes.look(kept, now)
        if self.fault:
            controller.keeper.event("recovered", "home-file", say("{name} is accepted again", name=home.file.name), now)
        self.fault = ""
        log.info("home=%s %s", home.file.name, event.sentence)
        if waits:
            log.warning("home=%s changes that wait for a restart: %s", home.file.name, ", ".join(waits))

    def _obey(self, prepared: PreparedHome) -> None:
        """Go by a home file made ready in all parts; the owner decides again at once."""
        controller, home = self._controller, prepared.home
        switched = home.watches != controller.engine.settings.watching
        books = controller.engine.books
        books.reprice(prepared.books)
        books.go_by(controller.keeper.past(books))
        controller.keeper.measure_used(measuring_stock(home))
        controller.engine.adopt(prepared.rules, prepared.wiring)
        self._made, self.home = prepared, home
        if switched:
            controller.control(not home.watches)

    def _refuse(self, why: str, now: Moment) -> None:
        fault = say("the changed home file is refused and the former settings stay: {why}", why=why)
        if fault == self.fault:
            return
        for line in why.splitlines():
            log.error("home file refused, the former settings stay: %s", line)
        self.fault = fault
        self._controller.keeper.event("alarm", "home-file", fault, now)


def _kept(home: Home, former: Home) -> tuple[Home, list[str]]:
    """What of a changed home file a running daemon obeys, and the names of what waits for a restart."""
    waits = [name for name in NOT_RELOADED if getattr(home, name) != getattr(former, name)]
    fixed = {name: getattr(former, name) for name in NOT_RELOADED}
    fixed["home"] = former.home.model_copy(update={"mode": home.home.mode})  # of [home] this key is obeyed at once
    if home.home == fixed["home"] and "home" in waits:
        waits.remove("home")
    metering = {name: getattr(former.books, name) for name in METERING}
    waits += [f"books.{name}" for name, value in metering.items() if getattr(home.books, name) != value]
    fixed["books"] = home.books.model_copy(update=metering)
    if home.fed != former.fed:
        waits.append("the live tables of tariffs, factors and forecast")
    kept = home.model_copy(update=fixed)
    if kept.attributes != former.attributes:  # books.used decides it where books.attribute is not given
        waits.append("who gave the energy (books.attribute)")
        fixed["books"] = fixed["books"].model_copy(update={"attribute": former.attributes})
        kept = home.model_copy(update=fixed)
    return kept, waits
