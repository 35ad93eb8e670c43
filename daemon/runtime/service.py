"""Puts a running daemon together and takes it apart again: on the machine's clock, or on one that is moved by hand."""

import contextlib
import logging
import threading
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger import EventRow, LedgerError
from accounting.ledger.opening import Connect, connect
from accounting.timeseries import open_writer
from daemon.assembly.endpoints import facts, payloads, sources, timeseries_target
from daemon.assembly.prepared_home import Plan, feeds, plan
from daemon.config.load import load
from daemon.config.model import Home
from daemon.control.engine import Engine
from daemon.control.signal_state import Board
from daemon.documents.rules_document import change_answer, change_said, rules_answer
from daemon.documents.valuing import measuring_stock
from daemon.inputs.price_feeds import Feeds
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.heater_link import HeaterLine
from daemon.mqtt.house_state import HouseState
from daemon.mqtt.listener import Listener
from daemon.mqtt.outputs import Output, OutputRule, Outputs
from daemon.recording.backups import BACKED_UP, LOOK_S, Backups, open_ledger
from daemon.recording.recovery import kept_note, last_heard_live, resumed
from daemon.recording.restatement_queue import GO_ON, Restater
from daemon.recording.restatement_queue import LOOK_S as RESTATE_S
from daemon.recording.shipper import Shipping
from daemon.recording.unit_of_work import Keeper
from daemon.runtime import handlers as answers
from daemon.runtime.file_stamps import stamp, stamps_of
from daemon.runtime.loop import Loop
from daemon.runtime.sd_notify import Manager
from daemon.runtime.watchdog import HANG_S, Watchdog
from daemon.timing.clock import Clock
from daemon.timing.clock_trust import EARLIEST_S, WallTime
from daemon.timing.events import Due, Event, Shipped, Stop
from daemon.timing.kernel_clock import is_confirmed
from daemon.timing.schedule import LiveSchedule, SteppedSchedule, every, timetable
from daemon.web.server.live_state import Latest, Picture
from rules.decision.explain import Explanation
from rules.model.errors import BrimfulError
from rules.model.orders import Order
from rules.model.reading import Moment

log = logging.getLogger(__name__)
NOT_RELOADED = ("home", "broker", "signals", "heaters", "outputs", "ledger", "api", "timeseries")
"""Tables of the home file that a running daemon does not take anew."""
METERING = ("late_s", "attribute", "export_limit_w")
"""Keys of [books] that it does not take anew either: they say what is measured."""
PRICES_S = 60.0
"""How often it is looked whether prices told ahead are to be fetched."""


class Service:
    """One running house: loop, connections, schedule, API. `start`, then `join`; `stop` from anywhere.

    plan: the home file made ready; broker: where its MQTT broker is; clock: whose time it lives by. stepped_from_s:
    for a clock that is moved by hand, its start, UTC seconds: the timetable then goes by `Tick`. tap: told every event
    from the broker, on the network thread. hang_s: how long the loop may stand still before the links are broken off
    and the process ends. making: makes the ledger's connection.
    """

    def __init__(
        self,
        plan: Plan,
        broker: BrokerAddress,
        clock: Clock,
        *,
        stepped_from_s: float | None = None,
        tap: Callable[[Event], None] | None = None,
        hang_s: float = HANG_S,
        making: Connect = connect,
    ) -> None:
        self.home = plan.home
        self._plan = plan
        self._clock = clock
        self._tap = tap
        now = clock.now()
        ledger = open_ledger(plan.home, facts(plan.home), making)
        try:
            self.keeper = Keeper(ledger)
            self.keeper.measure_used(measuring_stock(plan.home))
            books, memory, forgotten = resumed(plan, ledger, now)
            for sentence in forgotten:
                log.error("state=%s", sentence)
                self.keeper.event("note", "state", sentence, now)
            self._last_heard = last_heard_live(ledger)
            self._engine = Engine(plan.rules, Board(plan.rules, plan.wiring), books, memory)
            self._stamps = stamps_of(plan.home)
            self._home_fault = ""
            self._feeds = Feeds(feeds(plan.home))
            own = stepped_from_s is None
            self._wall = WallTime(
                now,
                ledger.known_until_s(),
                EARLIEST_S if own else 0.0,
                is_confirmed if own else lambda utc_s: True,
            )
            self._connect(broker)
            self._restater = Restater(ledger, books.settings, lambda: self._enqueue(GO_ON))
            self._restater.begun(plan.home, books.settings, kept_note(ledger), now.utc_s)
            self.keeper.also = self._restater.state
            jobs = timetable(plan.home.ledger.flush_s, min(heater.refresh_s for heater in plan.home.heaters.values()))
            jobs = {**jobs, "restate": every(RESTATE_S)}
            # A clock that is moved by hand lives through days in a minute: nobody wants a backup of each.
            asked = plan.home.ledger.backup.enabled and stepped_from_s is None
            self._backups = Backups(plan.home, lambda: self._enqueue(BACKED_UP)) if asked else None
            if asked:
                jobs = {**jobs, "backup": every(LOOK_S)}
            if plan.home.live:
                jobs = {**jobs, "prices": every(PRICES_S)}
            self.stepped = None if stepped_from_s is None else SteppedSchedule(jobs, stepped_from_s)
            self._live = None if self.stepped is not None else LiveSchedule(jobs, self._enqueue, self._missed)
            self._manager = Manager()
            self._ready = False
            self._latest = Latest(lambda: self._enqueue("show"))
            links = [*(line.connection for line in self._lines), self._listener.connection]
            self._watchdog = Watchdog([link.break_off for link in links], hang_s)
            self.loop = Loop(
                self._engine,
                self.keeper,
                clock,
                self._lines,
                self._outputs,
                publish=self._publish,
                jobs={
                    "ship": self._ship,
                    "reload": self._reload,
                    "prune": self._prune,
                    "prices": self._look_for_prices,
                    "past": lambda loop, now: loop.engine.go_by(loop.keeper.past(loop.engine.books)),
                    "backup": self._back_up,
                    BACKED_UP: self._backed_up,
                    "show": self._show,
                    "restate": lambda loop, now: self._restater.look(),
                    GO_ON: self._restate,
                },
                answers={
                    "why": lambda loop, now, _: answers.why(loop, now, self.home),
                    "health": lambda loop, now, _: self._health(loop, now),
                    "written": lambda loop, now, _: answers.written(loop, now),
                    "rules": lambda loop, now, _: rules_answer(self.home),
                    "rule": self._change_rule,
                    "note": answers.write_note,
                    "withdraw": answers.withdraw_note,
                    "resend": lambda loop, now, arguments: answers.resend(loop, now, arguments, self.home),
                    "restate": self._wish_restated,
                    "restating": lambda loop, now, _: self._restater.answer(),
                    "override": lambda loop, now, arguments: answers.override(loop, now, arguments, self.home),
                },
                shipped=lambda event, now: self._shipped(event, now),
                stepped=self.stepped,
                wall=self._wall,
                alive=self._alive,
                rearm=lambda utc_s: self._live.rearm(utc_s) if self._live is not None else None,
            )
            # Only here: questions to the ledger import this module too, and need no server.
            from daemon.web.site.opening import open_server

            self.api = open_server(lambda: self.home, self._latest, self.loop.put, clock)
        except BaseException:
            ledger.close()
            raise
        self._thread = threading.Thread(target=self._run, name="loop")
        self._failure: BaseException | None = None

    @property
    def backup_fault(self) -> str:
        """Why no backup could be made; "" if all is well, or none is asked for."""
        return "" if self._backups is None else self._backups.fault

    @property
    def restated(self) -> bool:
        """Whether no restatement waits."""
        return self._restater.idle

    def start(self) -> None:
        """Begin: connect, answer, decide. The loop comes last, for its end ends all the others."""
        for line in self._lines:
            line.start()
        self._feeds.start()
        self._listener.start()
        self._enqueue("prices")
        self._enqueue("restate")
        if self._shipping is not None:
            self._shipping.start()
        if self._backups is not None:
            self._backups.start()
            self._enqueue("backup")
        if self._live is not None:
            self._live.start()
        self.api.start()
        self._watchdog.start()
        self._thread.start()

    def stop(self) -> None:
        """Ask the loop to end; returns at once."""
        self._manager.stopping()
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
        return self._engine.explain(self._clock.now())

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
        if not self._ready:
            self._ready = True
            self._manager.ready()
        self._manager.alive(now.mono_s)

    def _end(self) -> None:
        """Withhold first; the rest after, each whether or not the one before it failed."""
        ends: list[Callable[[], object]] = [line.close for line in self._lines]
        ends += [self._outputs.off, lambda: self._listener.close(self._state.farewell)]
        if self._live is not None:
            ends.append(self._live.stop)
        if self._shipping is not None:
            ends.append(self._shipping.stop)
        if self._backups is not None:
            ends.append(self._backups.stop)
        ends += [self._feeds.stop, self.api.stop, self.keeper.close, self._watchdog.stop]
        with contextlib.ExitStack() as stack:
            for end in reversed(ends):  # a stack: the last to come is the first to go
                stack.callback(end)

    def _connect(self, broker: BrokerAddress) -> None:
        """Make the connections; none is opened yet."""
        home = self.home

        def publish(topic: str, payload: bytes, qos: int, retain: bool = False) -> bool:
            return self._listener.connection.publish(topic, payload, qos, retain=retain)

        self._state = HouseState(home.home.name, publish)
        self._outputs = Outputs(
            [
                Output(OutputRule(Order(output.follows), output.run_on_s), output.topic, output.on, output.off)
                for output in home.outputs.values()
            ],
            publish,
        )
        self._listener = Listener(
            broker,
            sources(home),
            self._put,
            self._clock,
            will=self._state.will,
            also_up=self._greet,
            also_heard=self._feeds.topics,
            dated=lambda: self._wall.right,
            last_heard=self._last_heard,
        )
        self._lines = [
            HeaterLine(
                broker,
                heater.name,
                home.heaters[heater.name].topic,
                payloads(home, heater.name),
                home.heaters[heater.name].order_expiry_s,
                self._put,
            )
            for heater in self._plan.rules.heaters
        ]
        target = timeseries_target(home)
        self._shipping = Shipping(open_writer(target), home.home.name, self._put) if target is not None else None

    def _put(self, event: Event) -> None:
        self.loop.put(event)
        if self._tap is not None:
            self._tap(event)

    def _greet(self) -> None:
        self._state.greet()
        self._outputs.tell_again()

    def _enqueue(self, job: str) -> None:
        self.loop.put(Due(job))

    def _missed(self, job: str, why: str) -> None:
        log.warning("job=%s missed: %s", job, why)

    def _publish(self, loop: Loop, now: Moment) -> None:
        """Say on MQTT what the house does and why."""
        self._latest.changed()
        explanation = loop.engine.explain(now)
        self._manager.status(explanation.text)
        level = loop.engine.snapshot.level
        self._state.say(
            "state",
            {
                "order": explanation.order.value,
                "heater": explanation.heater,
                "watts": explanation.watts,
                "guard": explanation.primary.guard,
                "reason": explanation.text,
                "level_pct": None if level is None else level.value,
                "alarms": [
                    *(alarm.sentence for alarm in loop.alarms),
                    *filter(None, (self.keeper.fault, loop.clock_fault, self.backup_fault, self._home_fault)),
                    *self._feeds.faults,
                ],
            },
        )
        with contextlib.suppress(LedgerError):  # it stands in the alarms; the last figures stay
            self._state.say("today", self.keeper.today(loop.engine, now))

    def _show(self, loop: Loop, now: Moment) -> None:
        """Hand the page a picture of the house as it is now."""
        health = today = None
        with contextlib.suppress(LedgerError):  # it stands in the alarms
            health = self._health(loop, now)
            today = self.keeper.today(loop.engine, now)
        self._latest.put(Picture(self.home, answers.why(loop, now, self.home), health, today))

    def _health(self, loop: Loop, now: Moment) -> dict[str, Any]:
        return {
            **answers.health(
                loop,
                now,
                self.home,
                None if self._shipping is None else self._shipping.health(now),
                self._listener.tallies,
            ),
            "backup": None if self._backups is None else self._backups.health(now),
            "prices": {"faults": self._feeds.faults},
            "home_file": {"fault": self._home_fault or None},
        }

    def _ship(self, loop: Loop, now: Moment) -> None:
        if self._shipping is not None:
            self._shipping.send(self.keeper, now)

    def _shipped(self, event: Shipped, now: Moment) -> None:
        if self._shipping is not None:
            self._shipping.done(self.keeper, event, now)

    def _prune(self, loop: Loop, now: Moment) -> None:
        kept = self.home.ledger
        tape_s, decisions_s, events_s = (
            now.utc_s - days * 86_400 for days in (kept.tape_days, kept.decision_days, kept.event_days)
        )
        self.keeper.prune(tape_s, decisions_s, events_s)

    def _back_up(self, loop: Loop, now: Moment) -> None:
        if self._backups is not None and not loop.clock_fault:  # it would be given a wrong date
            self._backups.look(now)

    def _backed_up(self, loop: Loop, now: Moment) -> None:
        if self._backups is not None:
            self._backups.done(self.keeper, now)

    def _restate(self, loop: Loop, now: Moment) -> None:
        if loop.clock_fault:  # it would be given a wrong date
            self._restater.pause()
        elif self._restater.step(now):
            self.keeper.revised()

    def _wish_restated(self, loop: Loop, now: Moment, arguments: Mapping[str, Any]) -> dict[str, Any]:
        self._reload(loop, now)  # it is meant by the files as they are
        return self._restater.wish(arguments, self._engine.books.settings)

    def _look_for_prices(self, loop: Loop, now: Moment) -> None:
        today = datetime.fromtimestamp(now.utc_s, ZoneInfo(self.home.home.timezone)).date()
        self._feeds.look(now.mono_s, today)

    def _reload(self, loop: Loop, now: Moment) -> None:
        """Take a changed home file, or a changed file that it names; a bad one changes nothing and is told once."""
        stamps = stamps_of(self.home)
        if stamps == self._stamps:
            return
        changed = ", ".join(path.name for path, stamp in stamps.items() if stamp != self._stamps.get(path))
        self._stamps = stamps
        try:
            home = load(self.home.file)
            self._stamps = stamps_of(home)
            self._adopt(home, loop, now, changed, EventRow(now.utc_s, "home-file", "note", f"read again: {changed}"))
        except BrimfulError as refused:
            for line in str(refused).splitlines():
                log.error("home file refused, the former settings stay: %s", line)
            self._home_fault = f"the changed home file is refused and the former settings stay: {refused}"
            loop.keeper.event("alarm", "home-file", self._home_fault, now)
        else:
            if self._home_fault:
                loop.keeper.event("recovered", "home-file", f"{self.home.file.name} is accepted again", now)
            self._home_fault = ""
        self._publish(loop, now)

    def _adopt(self, home: Home, loop: Loop, now: Moment, changed: str, event: EventRow) -> None:
        """Go on with another home file, as far as a running daemon can.

        changed: the names of the files that were; event: notes what was changed.
        """
        waits = [name for name in NOT_RELOADED if getattr(home, name) != getattr(self.home, name)]
        fixed = {name: getattr(self.home, name) for name in NOT_RELOADED}
        metering = {name: getattr(self.home.books, name) for name in METERING}
        waits += [f"books.{name}" for name, value in metering.items() if getattr(home.books, name) != value]
        fixed["books"] = home.books.model_copy(update=metering)
        if home.live != self.home.live:
            waits.append("the live tables of tariffs and factors")
        kept = home.model_copy(update=fixed)
        if kept.attributes != self.home.attributes:  # books.used decides it where books.attribute is not given
            waits.append("who gave the energy (books.attribute)")
            fixed["books"] = fixed["books"].model_copy(update={"attribute": self.home.attributes})
            kept = home.model_copy(update=fixed)
        made = plan(kept)
        books = self._engine.books
        former = books.settings
        books.reprice(made.books)
        books.go_by(loop.keeper.past(books))
        self._restater.repriced(self.home, kept, former, books.settings, changed, now.utc_s)
        self.home, self._plan = kept, made
        self.keeper.measure_used(measuring_stock(kept))
        loop.engine.adopt(made.rules, made.wiring)
        loop.redecide(now)
        loop.keeper.events([event])
        log.info("home=%s %s", home.file.name, event.sentence)
        if waits:
            log.warning("home=%s changes that wait for a restart: %s", home.file.name, ", ".join(waits))

    def _change_rule(self, loop: Loop, now: Moment, arguments: Mapping[str, Any]) -> dict[str, Any]:
        change = answers.change_rule(self.home, arguments, fits=plan)
        self._stamps[self.home.file] = stamp(self.home.file)
        said = EventRow(now.utc_s, f"rule.{change.rule}", "note", change_said(change))
        self._adopt(change.home, loop, now, self.home.file.name, said)
        loop.write(now)
        return change_answer(change, applied=True)
