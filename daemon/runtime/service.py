"""Starts a running daemon and takes it apart again: on the machine's clock, or on one that is moved by hand."""

import contextlib
import logging
import threading
from collections.abc import Callable

from accounting.ledger.opening import Connect, connect
from daemon.assembly.prepared_home import PreparedHome
from daemon.config.model import Home
from daemon.mqtt.address import BrokerAddress
from daemon.runtime import listed
from daemon.runtime.controller import Controller
from daemon.runtime.loop import Loop, Ports, Schedule
from daemon.runtime.parts import MakeShipping, Seams, put_together, shipping_of
from daemon.runtime.watchdog import HANG_S, Watchdog
from daemon.timing.clock import Clock
from daemon.timing.events import Due, Event, Stop
from daemon.timing.schedule import LiveSchedule, SteppedSchedule
from rules.decision.explain import Explanation
from rules.model.reading import Moment

log = logging.getLogger(__name__)


class Service:
    """One running house: loop, connections, schedule, API. `start`, then `join`; `stop` from anywhere.

    made: the home file made ready; broker: where its MQTT broker is; clock: whose time it lives by. stepped_from_s,
    tap, making, shipping: as in `Seams`. hang_s: how long the loop may stand still before the links are broken off and
    the process ends.
    """

    def __init__(
        self,
        made: PreparedHome,
        broker: BrokerAddress,
        clock: Clock,
        *,
        stepped_from_s: float | None = None,
        tap: Callable[[Event], None] | None = None,
        hang_s: float = HANG_S,
        making: Connect = connect,
        shipping: MakeShipping = shipping_of,
    ) -> None:
        parts = self.parts = put_together(made, broker, clock, Seams(making, stepped_from_s, tap, shipping))
        self.keeper = parts.keeper
        self._ready = False
        try:
            jobs, commands = listed.jobs(parts), listed.commands(parts)
            jobs.must_know(listed.AT_START)
            triggers = jobs.triggers()
            self._live: LiveSchedule | None = None
            schedule: Schedule
            if stepped_from_s is None:
                schedule = self._live = LiveSchedule(triggers, self._enqueue, _missed)
            else:
                schedule = SteppedSchedule(triggers, stepped_from_s)
            ports = Ports(parts.waiting, schedule, parts.housekeeping.shipped, self._alive)
            self.loop = Loop(parts.controller, clock, jobs, commands, ports)
            self._watchdog = Watchdog([link.break_off for link in parts.connections.links], hang_s)
            # Only here: questions to the ledger import this module too, and need no server.
            from daemon.web.site.application import ASKS
            from daemon.web.site.home_server import open_server

            commands.must_know(ASKS)
            self.api = open_server(lambda: self.home, parts.latest, self.loop.put, clock, broker)
        except BaseException:
            self.keeper.close()
            raise
        self._thread = threading.Thread(target=self._run, name="loop")
        self._failure: BaseException | None = None

    @property
    def home(self) -> Home:
        """The home file that is obeyed now."""
        return self.parts.home_file.home

    @property
    def controller(self) -> Controller:
        """What the loop does its work with. For whoever steps the clock, while the loop has nothing to do."""
        return self.parts.controller

    def start(self) -> None:
        """Begin: connect, answer, decide. The loop comes last, for its end ends all the others."""
        parts = self.parts
        parts.connections.start_lines()
        parts.feeds.start()
        parts.connections.listener.start()
        parts.neighbours.start()
        for job in listed.AT_START:
            self._enqueue(job)
        if parts.shipping is not None:
            parts.shipping.start()
        if parts.backups is not None:
            parts.backups.start()
            self._enqueue("backup")
        if self._live is not None:
            self._live.start()
        self.api.start()
        self._watchdog.start()
        self._thread.start()

    def stop(self) -> None:
        """Ask the loop to end; returns at once."""
        self.parts.manager.stopping()
        self.loop.put(Stop())

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; whether it has come. Raises what ended the loop if that was no `stop`."""
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            return False
        if self._failure is not None:
            raise self._failure
        return True

    def explain(self) -> Explanation:
        """The standing decision's reasons. For whoever steps the clock, while the loop has nothing to do."""
        return self.parts.engine.explain(self.parts.clock.now())

    def _run(self) -> None:
        try:
            try:
                self.loop.run()
            finally:
                self._end()
        except BaseException as failure:
            log.critical("loop=failed %s: %s", type(failure).__name__, failure, exc_info=failure)
            self._failure = failure

    def _alive(self, now: Moment) -> None:
        self._watchdog.alive()
        manager = self.parts.manager
        if not self._ready:
            self._ready = True
            manager.ready()
        manager.alive(now.mono_s)

    def _end(self) -> None:
        """Withhold first; the rest after, each whether or not the one before it failed."""
        parts = self.parts
        ends = parts.connections.ends()
        ends += [part.stop for part in (self._live, parts.shipping, parts.backups) if part is not None]
        ends += [parts.nightly.stop, parts.neighbours.stop, parts.feeds.stop]
        ends += [self.api.stop, self.keeper.close, self._watchdog.stop]
        with contextlib.ExitStack() as stack:
            for end in reversed(ends):  # a stack: the last to come is the first to go
                stack.callback(end)

    def _enqueue(self, job: str) -> None:
        self.loop.put(Due(job))


def _missed(job: str, why: str) -> None:
    log.warning("job=%s missed: %s", job, why)
