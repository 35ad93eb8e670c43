"""Every step from a reading to an acknowledged point, by name, and a house that dies by kill −9 at any one of them.

`live` is run in a process of its own. It is put together of the daemon's own parts with a hand-moved clock; what breaks
it are arguments that all those parts take anyway: a board, books, a line, a connection to the file, a writer.
"""

import os
import signal
import sqlite3
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from accounting.books.booking import ALL, Books, BooksSettings, HeaterBooks
from accounting.ledger import Facts, LedgerWriter, OutboxKey, Refused
from accounting.metering.noting import NoteAll
from accounting.model.entry import Entry
from accounting.timeseries import Point, SendFailed, Target, Writer, open_writer
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.heater_link import HeaterLine
from daemon.mqtt.outputs import Outputs
from daemon.recording.memory_codec import read
from daemon.recording.shipper import Shipping
from daemon.recording.unit_of_work import MEMORY, METER, Keeper
from daemon.runtime.controller import Controller
from daemon.runtime.loop import Loop, Ports
from daemon.runtime.registry import Commands, Job, Jobs
from daemon.timing.clock import SteppedClock
from daemon.timing.clock_trust import WallTime
from daemon.timing.events import Event, Heard, Linked, Shipped, Stop, Tick
from daemon.timing.schedule import SteppedSchedule, every
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Rest
from tests.support.rules_case import settings

STEPS: Mapping[str, str] = {
    "heard": "the message is here, nothing of it is known yet",
    "on the board": "its last reading is on the board",
    "noted in the books": "the counter has moved in the books",
    "decided": "the heater is to have the surplus, and has not been told",
    "told": "the heater has been told",
    "settled": "the interval is complete, in memory",
    "begun": "a transaction is open",
    "interval in progress cleared": "inside it, the old picture of the open intervals is gone",
    "interval in progress": "the new one is there",
    "entry": "the settled interval is there",
    "postings": "its postings are there",
    "outbox": "it is queued for the time-series server",
    "heater": "the heater's stretch is longer",
    "decision": "the changed order is there",
    "event": "an event is there",
    "tape": "the recorded minutes are there",
    "state": "the working state is there, all but the commit",
    "committed": "the transaction is on the disk",
    "peeked": "the interval is on its way from the outbox to the shipping thread",
    "request": "the request is about to leave",
    "taken": "the server has it, nobody here knows",
    "answered": "the answer is here, the loop does not know",
    "struck off in memory": "the loop knows, the ledger does not",
    "struck off": "inside a transaction, its key is gone from the outbox",
    "struck off for good": "that transaction is on the disk",
    "set aside in memory": "the server has refused it, the loop knows, the ledger does not",
    "set aside": "inside a transaction, it is among the refused",
}

_WRITTEN = {
    "BEGIN IMMEDIATE": "begun",
    "DELETE FROM open_interval": "interval in progress cleared",
    "INSERT INTO open_interval": "interval in progress",
    "INSERT INTO entry ": "entry",
    "INSERT INTO posting": "postings",
    "INSERT INTO outbox": "outbox",
    "INSERT INTO heater": "heater",
    "INSERT INTO decision": "decision",
    "INSERT INTO event": "event",
    "INSERT INTO tape": "tape",
    "INSERT INTO state": "state",
    "DELETE FROM outbox": "struck off",
    "INSERT OR REPLACE INTO refused": "set aside",
}
_PART_OF_ANOTHER = ("DELETE FROM refused", "INSERT INTO meta", "UPDATE heater", "INSERT INTO link")
"""Of the steps "outbox" and "state", and of the opening of a new file."""

START_S = 1_780_315_200  # 2026-06-01T12:00:00Z
STEP_S = 20
INTERVAL_S = 900
ARMED_AFTER_S = 1000
"""No death before the first interval is about to be settled, 120 s after its end."""
GAP_S = 600.0
WITHIN_S = 30.0
TOPIC, WITHHOLD, SURPLUS = "quay/permit", b"no", b"yes"
FACTS = Facts("Quay Cottage", INTERVAL_S // 60, "EUR", "Europe/Dublin", ("main",))
RULES = settings(stale_after_s={"grid_w": 60.0, "tank_level_pct": 600.0, "diverted_wh": 60.0}, rest=Rest(0.0, 0.0))
WIRING = Wiring(("grid_w", -1.0), True, (None,), ("diverted_wh",), None, None, 10.0, 60.0)
BOOKS = BooksSettings(
    (HeaterBooks("main", 3000.0, counter="diverted_wh", gap_s=GAP_S, resolution_wh=1.0),), interval_s=INTERVAL_S
)


def counter_wh(after_s: float) -> int:
    """The heater's own counter, which goes on whoever lives: 1.8 kW."""
    return 1000 + int(after_s * 1800 // 3600)


@dataclass(frozen=True, slots=True)
class Life:
    """One life of the house: where its ledger, broker and time-series server are, from when to when it lives, seconds
    after START_S, and at which of STEPS it dies (None: at none; it goes on until the server has all)."""

    folder: str
    broker_port: int
    server: str
    home: str
    from_s: int
    to_s: int
    dies_at: str | None = None

    @property
    def ledger(self) -> Path:
        return Path(self.folder) / "quay.sqlite"


class _Deaths:
    def __init__(self, life: Life, clock: SteppedClock) -> None:
        self._step = life.dies_at
        self._armed_s = START_S + ARMED_AFTER_S
        self._clock = clock

    def passing(self, step: str) -> None:
        """Die here, if this is the step to die at."""
        assert step in STEPS, step
        if step == self._step and self._clock.now().utc_s >= self._armed_s:
            os.kill(os.getpid(), signal.SIGKILL)


def _connecting(passing: Callable[[str], None]) -> Callable[[str], sqlite3.Connection]:
    class Connection(sqlite3.Connection):
        striking = False

        def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
            cursor = super().execute(sql, *values)
            if sql == "COMMIT":
                passing("committed")
                if self.striking:
                    passing("struck off for good")
                self.striking = False
            self._pass(sql)
            return cursor

        def executemany(self, sql: str, rows: Iterable[Any]) -> sqlite3.Cursor:  # type: ignore[override]
            given = list(rows)
            cursor = super().executemany(sql, given)
            if given:
                self.striking |= sql.startswith("DELETE FROM outbox")
                self._pass(sql)
            return cursor

        @staticmethod
        def _pass(sql: str) -> None:
            for words, step in _WRITTEN.items():
                if sql.startswith(words):
                    passing(step)
                    return
            writes = sql.startswith(("INSERT", "UPDATE", "DELETE", "REPLACE"))
            assert not writes or sql.startswith(_PART_OF_ANOTHER), f"a step without a name in STEPS: {sql}"

    def connect(address: str) -> sqlite3.Connection:
        return sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False, factory=Connection)

    return connect


class _Board(Board):
    passing: Callable[[str], None]

    def note(self, reading: Reading) -> None:
        super().note(reading)
        if reading.signal == "diverted_wh":  # the last of a message
            self.passing("on the board")


class _Books(Books):
    passing: Callable[[str], None]

    def _listen(self, signal: str, note_all: NoteAll) -> None:
        def noted(at_s: Sequence[float], values: Sequence[float]) -> None:
            note_all(at_s, values)
            self.passing("noted in the books")

        super()._listen(signal, noted)

    def settle(self, now_utc_s: float, most: int = ALL) -> list[Entry]:
        entries = super().settle(now_utc_s, most)
        if entries:
            self.passing("settled")
        return entries


class _Line:
    def __init__(self, line: HeaterLine, passing: Callable[[str], None]) -> None:
        self._line = line
        self._passing = passing

    def send(self, order: Order, watts: int | None) -> None:
        if order is Order.SURPLUS:
            self._passing("decided")
        self._line.send(order, watts)
        if order is Order.SURPLUS:
            self._passing("told")

    def refresh(self) -> None:
        self._line.refresh()


class _Keeper(Keeper):
    passing: Callable[[str], None]

    def delivered(self, keys: Iterable[OutboxKey]) -> None:
        super().delivered(keys)
        self.passing("struck off in memory")

    def refused(self, refused: Iterable[Refused]) -> None:
        super().refused(refused)
        self.passing("set aside in memory")


class _Writer:
    """refuses: none of it is welcome, though the server is well."""

    def __init__(self, writer: Writer, passing: Callable[[str], None], *, refuses: bool) -> None:
        self._writer = writer
        self._passing = passing
        self._refuses = refuses

    def send(self, points: Sequence[Point]) -> None:
        self._passing("request")
        if self._refuses:
            raise SendFailed("not this one", lasting=True, of_content=True, dropped=len(points))
        self._writer.send(points)
        self._passing("taken")

    def close(self) -> None:
        self._writer.close()


class _House:
    """The daemon's parts, put together."""

    def __init__(self, life: Life) -> None:
        self.clock = SteppedClock(START_S + life.from_s)
        self._life = life
        passing = self.passing = _Deaths(life, self.clock).passing
        self.up = threading.Event()
        self.answered = threading.Event()
        now = self.clock.now()
        ledger = LedgerWriter.open(life.ledger, FACTS, _connecting(passing))
        books, board = _Books(BOOKS, ledger.state(METER)), _Board(RULES, WIRING)
        self.keeper = _Keeper(ledger)
        for part in (books, board, self.keeper):
            part.passing = passing
        engine = Engine(RULES, board, books, read(ledger.state(MEMORY), RULES, now))
        self.line = HeaterLine(
            BrokerAddress("127.0.0.1", life.broker_port),
            "main",
            TOPIC,
            {Order.WITHHOLD: WITHHOLD.decode(), Order.SURPLUS: SURPLUS.decode()},
            600.0,
            self._put,
        )
        refuses = life.dies_at is not None and life.dies_at.startswith("set aside")
        target = Target("influxdb1", life.server, database="brimful")
        self.shipping = Shipping(_Writer(open_writer(target), passing, refuses=refuses), life.home, self._put)
        lines, outputs = [_Line(self.line, passing)], Outputs([], lambda *_: True)
        controller = Controller(engine, self.keeper, lines, outputs, WallTime(now, None))
        jobs = Jobs(
            [
                Job("settle", controller.settle, every(60)),
                Job("refresh", controller.refresh, every(60)),
                Job("publish", controller.look_round, every(60)),
                Job("ship", self._ship, every(15)),
                Job("flush", controller.flush, every(300)),
                Job("note", self._note_once, every(5)),
            ]
        )
        ports = Ports(schedule=SteppedSchedule(jobs.triggers(), now.utc_s), shipped=self._shipped)
        self.loop = Loop(controller, self.clock, jobs, Commands(), ports)
        self._noted = False
        self._thread = threading.Thread(target=self.loop.run)

    def start(self) -> None:
        self.line.start()
        self.shipping.start()
        self._thread.start()
        assert self.up.wait(WITHIN_S)

    def stop(self) -> None:
        self.loop.put(Stop())
        self._thread.join(WITHIN_S)
        self.line.close()
        self.shipping.stop()
        self.keeper.close()

    def live_to(self, after_s: int) -> None:
        """Hear everything at an instant, and do all that is due."""
        at_s = float(START_S + after_s)
        self.clock.move_to(at_s)
        full = after_s % 600 in range(300, 360)  # for a minute in every ten
        values = {"grid_w": -1500.0, "tank_level_pct": 97.0 if full else 50.0, "diverted_wh": counter_wh(after_s)}
        readings = tuple(Reading(name, float(value), at_s, at_s) for name, value in values.items())
        self.passing("heard")
        self.loop.put(Heard(readings))
        tick = Tick()
        self.loop.put(tick)
        tick.done.result(WITHIN_S)

    def _put(self, event: Event) -> None:
        if isinstance(event, Shipped):
            self.passing("answered")
        self.loop.put(event)
        if isinstance(event, Linked) and event.up:
            self.up.set()

    def _ship(self, now: Moment) -> None:
        if self.keeper.outbox(1):
            self.passing("peeked")
        self.shipping.send(self.keeper, now)

    def _shipped(self, event: Shipped, now: Moment) -> None:
        self.shipping.done(self.keeper, event, now)
        self.answered.set()

    def _note_once(self, now: Moment) -> None:
        if not self._noted and now.utc_s >= START_S + ARMED_AFTER_S:
            self._noted = True
            self.keeper.event("note", "visit", "somebody looked in", now)


def live(life: Life) -> None:
    """Live, in this process, until the end of the life, or the death in it."""
    house = _House(life)
    house.start()
    for after_s in range(life.from_s, life.to_s + 1, STEP_S):
        house.live_to(after_s)
    # What is still on its way to the server; a request takes longer than a step of this clock.
    after_s = life.to_s
    while house.keeper.outbox(1):
        house.answered.clear()
        after_s += STEP_S
        house.live_to(after_s)
        house.answered.wait(0.1)
    house.stop()
