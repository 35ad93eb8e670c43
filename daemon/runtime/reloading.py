"""The home file as it holds now: a changed one is taken while the daemon runs, as far as that can be."""

import logging
from collections.abc import Callable

from accounting.ledger import EventRow
from daemon.assembly.prepared_home import Plan, plan
from daemon.config.edit import Change
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.rules_document import change_said
from daemon.documents.valuing import measuring_stock
from daemon.recording.mode_note import ModeNotes
from daemon.recording.restatement_queue import Restater
from daemon.runtime.controller import Controller
from daemon.runtime.file_stamps import stamp, stamps_of
from rules.model.errors import BrimfulError
from rules.model.reading import Moment

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

    Used by the loop's thread; `home` may be read from any.
    """

    def __init__(self, plan: Plan, controller: Controller, restater: Restater, modes: ModeNotes) -> None:
        self.home = plan.home
        self.fault = ""
        self._controller = controller
        self._restater = restater
        self._modes = modes
        self._stamps = stamps_of(plan.home)

    def look(self, now: Moment) -> None:
        """Take a changed home file, or a changed file that it names; a bad one changes nothing and is said once."""
        stamps = stamps_of(self.home)
        if stamps == self._stamps:
            return
        changed = ", ".join(path.name for path, stamp in stamps.items() if stamp != self._stamps.get(path))
        self._stamps = stamps
        keeper = self._controller.keeper
        try:
            home = load(self.home.file)
            self._stamps = stamps_of(home)
            self._adopt(home, changed, EventRow(now.utc_s, "home-file", "note", f"read again: {changed}"), now)
        except BrimfulError as refused:
            for line in str(refused).splitlines():
                log.error("home file refused, the former settings stay: %s", line)
            self.fault = f"the changed home file is refused and the former settings stay: {refused}"
            keeper.event("alarm", "home-file", self.fault, now)
        else:
            if self.fault:
                keeper.event("recovered", "home-file", f"{self.home.file.name} is accepted again", now)
            self.fault = ""
        self._controller.publish(now)

    def change(self, write: Callable[[Home, Callable[[Home], object]], Change], now: Moment) -> Change:
        """Have a rule in the file changed, and obey it at once.

        write: changes the file, given the home and a check that raises BrimfulError where a changed one does not fit.
        """
        change = write(self.home, plan)
        self._stamps[self.home.file] = stamp(self.home.file)
        event = EventRow(now.utc_s, f"rule.{change.rule}", "note", change_said(change))
        self._adopt(change.home, self.home.file.name, event, now)
        self._controller.write(now)
        return change

    def _adopt(self, home: Home, changed: str, event: EventRow, now: Moment) -> None:
        """Go on with another home file, as far as a running daemon can.

        changed: the names of the files that were; event: notes what was changed.
        """
        controller = self._controller
        kept, waits = _kept(home, self.home)
        switched = kept.watches != self.home.watches
        prepared = plan(kept)
        books = controller.engine.books
        former = books.settings
        books.reprice(prepared.books)
        books.go_by(controller.keeper.past(books))
        self._restater.repriced(self.home, kept, former, books.settings, changed, now.utc_s)
        self.home = kept
        controller.keeper.measure_used(measuring_stock(kept))
        controller.engine.adopt(prepared.rules, prepared.wiring)
        if switched:
            controller.control(not kept.watches)
        controller.redecide(now)
        controller.keeper.events([event])
        self._modes.look(kept, now)
        log.info("home=%s %s", home.file.name, event.sentence)
        if waits:
            log.warning("home=%s changes that wait for a restart: %s", home.file.name, ", ".join(waits))


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
