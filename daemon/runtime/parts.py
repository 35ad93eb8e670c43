"""The parts of a running house, put together but not started."""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from accounting.ledger.opening import Connect
from accounting.timeseries import open_writer
from daemon.assembly.endpoints import facts, timeseries_target
from daemon.assembly.prepared_home import PreparedHome, feeds
from daemon.config.model import Home
from daemon.control.engine import Engine
from daemon.control.signal_state import Board
from daemon.documents.valuing import measuring_stock
from daemon.inputs.price_feeds import Feeds
from daemon.mqtt.address import BrokerAddress
from daemon.neighbours.opening import Neighbours, Ways, open_neighbours
from daemon.planning.nightly import PLANNED, Nightly
from daemon.recording.backups import BACKED_UP, Backups, open_ledger
from daemon.recording.mode_note import ModeNotes, mode_at
from daemon.recording.recovery import kept_note, last_heard_live, resumed
from daemon.recording.restatement_queue import GO_ON, Restater
from daemon.recording.shipper import Shipping
from daemon.recording.unit_of_work import Keeper
from daemon.runtime.connections import Connections
from daemon.runtime.controller import Controller
from daemon.runtime.following import Following
from daemon.runtime.handlers.questions import Questions
from daemon.runtime.housekeeping import Housekeeping
from daemon.runtime.publishing import Publishing
from daemon.runtime.reloading import HomeFile
from daemon.runtime.sd_notify import Manager
from daemon.runtime.showing import Showing
from daemon.timing.clock import Clock
from daemon.timing.clock_trust import EARLIEST_S, WallTime
from daemon.timing.event_queue import Waiting
from daemon.timing.events import Due, Event
from daemon.timing.kernel_clock import is_confirmed
from daemon.web.server.live_state import Latest

log = logging.getLogger(__name__)


class MakeShipping(Protocol):
    """Makes the way to the home's time-series database; None where it has none."""

    def __call__(self, home: Home, put: Callable[[Event], None], /) -> Shipping | None: ...


def shipping_of(home: Home, put: Callable[[Event], None]) -> Shipping | None:
    """As the home file says."""
    target = timeseries_target(home)
    return Shipping(open_writer(target), home.home.name, put) if target is not None else None


@dataclass(frozen=True, slots=True)
class Seams:
    """Where somebody else's part may take the place of the daemon's own.

    stepped_from_s: for a clock that is moved by hand, its start, UTC seconds: the timetable then goes by `Tick`. tap:
    given every event from the broker, on the network thread. making: makes the ledger's connection. shipping: makes the
    way to the time-series database.
    """

    making: Connect
    stepped_from_s: float | None = None
    tap: Callable[[Event], None] | None = None
    shipping: MakeShipping = shipping_of


@dataclass(frozen=True, slots=True)
class Parts:
    """What a job or a command can be bound to. shipping, backups: None where the home file asks for none."""

    clock: Clock
    waiting: Waiting
    keeper: Keeper
    engine: Engine
    controller: Controller
    home_file: HomeFile
    connections: Connections
    restater: Restater
    feeds: Feeds
    neighbours: Neighbours
    shipping: Shipping | None
    backups: Backups | None
    latest: Latest
    manager: Manager
    questions: Questions
    publishing: Publishing
    housekeeping: Housekeeping
    nightly: Nightly
    following: Following


def put_together(made: PreparedHome, broker: BrokerAddress, clock: Clock, seams: Seams) -> Parts:
    """Make the parts of a house. Raises BrimfulError: the ledger cannot be opened."""
    ledger = open_ledger(made.home, facts(made.home), seams.making)
    try:
        home, now, waiting = made.home, clock.now(), Waiting()
        keeper = Keeper(ledger)
        keeper.measure_used(measuring_stock(home))
        books, memory, forgotten = resumed(made, ledger, now)
        for sentence in forgotten:
            log.error("state=%s", sentence)
            keeper.event("note", "state", sentence, now)
        engine = Engine(made.rules, Board(made.rules, made.wiring), books, memory)
        price_feeds = Feeds(feeds(home))
        own = seams.stepped_from_s is None
        wall = WallTime(
            now, ledger.known_until_s(), EARLIEST_S if own else 0.0, is_confirmed if own else lambda utc_s: True
        )
        put = _tapped(waiting.put, seams.tap)
        connections = Connections(
            made,
            broker,
            clock,
            put,
            also_heard=price_feeds.topics,
            dated=lambda: wall.right,
            last_heard=last_heard_live(ledger),
        )
        controller = Controller(engine, keeper, connections.lines, connections.outputs, wall)
        restater = Restater(ledger, books.settings, lambda: waiting.put(Due(GO_ON)))
        restater.begun(home, books.settings, kept_note(ledger), now.utc_s)
        keeper.also = restater.state
        modes = ModeNotes(keeper, mode_at(ledger))
        modes.look(home, now)
        home_file = HomeFile(made, controller, restater, modes)
        shipping = seams.shipping(home, put)
        # A clock that is moved by hand lives through days in a minute: nobody wants a backup of each.
        backups = Backups(home, lambda: waiting.put(Due(BACKED_UP))) if home.ledger.backup.enabled and own else None
        nightly = Nightly(lambda: home_file.home, lambda: waiting.put(Due(PLANNED)), beside=own, making=seams.making)
        latest, manager = Latest(lambda: waiting.put(Due("show"))), Manager()
        tallies = connections.listener.tallies
        ways = Ways(lambda: home_file.home, put, connections.publish, connections.listener.hear, clock)
        neighbours = open_neighbours(broker, ways)
        questions = Questions(
            controller, home_file, waiting, tallies, price_feeds, shipping, backups, neighbours.alerts, nightly
        )
        publishing = Publishing(controller, questions, connections.state, latest, manager)
        controller.when_changed(publishing.publish)
        controller.when_changed(Showing(controller, questions, neighbours).show)
        return Parts(
            clock=clock,
            waiting=waiting,
            keeper=keeper,
            engine=engine,
            controller=controller,
            home_file=home_file,
            connections=connections,
            restater=restater,
            feeds=price_feeds,
            neighbours=neighbours,
            shipping=shipping,
            backups=backups,
            latest=latest,
            manager=manager,
            questions=questions,
            publishing=publishing,
            housekeeping=Housekeeping(controller, home_file, restater, price_feeds, shipping, backups),
            nightly=nightly,
            following=Following(controller, nightly),
        )
    except BaseException:
        ledger.close()
        raise


def _tapped(put: Callable[[Event], None], tap: Callable[[Event], None] | None) -> Callable[[Event], None]:
    if tap is None:
        return put

    def put_and_tap(event: Event) -> None:
        put(event)
        tap(event)

    return put_and_tap
