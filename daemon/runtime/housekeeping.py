"""The regular work besides control: shipping, pruning, backups, restatements, prices that are fetched."""

import contextlib
from zoneinfo import ZoneInfo

from accounting.ledger import LedgerError
from accounting.model.periods import local_day
from daemon.inputs.price_feeds import Feeds
from daemon.recording.backups import Backups
from daemon.recording.comparison_note import write_comparison
from daemon.recording.restatement_queue import Restater
from daemon.recording.shipper import Shipping
from daemon.runtime.controller import Controller
from daemon.runtime.reloading import HomeFile
from daemon.timing.events import Shipped
from rules.model.reading import Moment

DAY_S = 86_400


class Housekeeping:
    """A method for each job. shipping, backups: None where there are none."""

    def __init__(
        self,
        controller: Controller,
        home_file: HomeFile,
        restater: Restater,
        feeds: Feeds,
        shipping: Shipping | None,
        backups: Backups | None,
    ) -> None:
        self._controller = controller
        self._home_file = home_file
        self._restater = restater
        self._feeds = feeds
        self._shipping = shipping
        self._backups = backups

    def ship(self, now: Moment) -> None:
        """Send what waits for the time-series database."""
        if self._shipping is not None:
            self._shipping.send(self._controller.keeper, now)

    def shipped(self, event: Shipped, now: Moment) -> None:
        """Take note of what came of a shipment."""
        if self._shipping is not None:
            self._shipping.done(self._controller.keeper, event, now)

    def prune(self, now: Moment) -> None:
        """Let go of tape, decisions and events that are older than the home file keeps; nothing by a doubted clock."""
        if not self._controller.dating.right:
            return
        kept = self._home_file.home.ledger
        tape_s, decisions_s, events_s = (
            now.utc_s - days * DAY_S for days in (kept.tape_days, kept.decision_days, kept.event_days)
        )
        self._controller.keeper.prune(tape_s, decisions_s, events_s)

    def look_back(self, now: Moment) -> None:
        """Go by the months that have been booked since."""
        controller = self._controller
        controller.engine.go_by(controller.keeper.past(controller.engine.books))

    def write_comparison(self, now: Moment) -> None:
        """Have the order of a fair comparison written down, if the ledger has another; if it cannot be read, later."""
        if self._controller.dating.right:
            with contextlib.suppress(LedgerError):
                write_comparison(self._controller.keeper, self._home_file.home, now)

    def back_up(self, now: Moment) -> None:
        """Have a backup made, if one is due."""
        if self._backups is not None and not self._controller.dating.fault:  # it would be given a wrong date
            self._backups.look(now)

    def backed_up(self, now: Moment) -> None:
        """Take note of what came of a backup."""
        if self._backups is not None:
            self._backups.done(self._controller.keeper, now)

    def look_for_restatements(self, now: Moment) -> None:
        """Begin a restatement, if one waits."""
        self._restater.look()

    def restate(self, now: Moment) -> None:
        """Do a step of one."""
        if self._controller.dating.fault:  # it would be given a wrong date
            self._restater.pause()
        elif self._restater.step(now):
            self._controller.keeper.revised()

    def look_for_prices(self, now: Moment) -> None:
        """Have prices fetched that are due."""
        today = local_day(now.utc_s, ZoneInfo(self._home_file.home.home.timezone))
        self._feeds.look(now.mono_s, today)
