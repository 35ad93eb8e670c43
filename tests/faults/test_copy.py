"""The copy in the time-series database under faults: nothing is lost, nothing hurries, nobody waits for it."""

import logging
import queue
import random
import tracemalloc
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger import Batch, Ledger, LedgerWriter
from accounting.reports.value import value_report
from accounting.timeseries import Target, open_reader, open_writer
from accounting.timeseries.reconcile import joined, months, reconcile, total
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.recording.shipper import Shipping
from daemon.recording.unit_of_work import Keeper
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Ask, Heard, Shipped, Tick
from rules.model.reading import Moment, Reading
from tests.support.faulty_http import Answer, Front, front
from tests.support.ledgers import QUAY, START_S, entry, new_ledger
from tests.support.servers import Server, free_port, influxdb1, victoria_metrics

pytestmark = pytest.mark.services
USER, PASSWORD = "brimful", "kettle-9"
WITHIN_S = 30.0


class Copying:
    """A ledger and its way to a database, on a clock that is moved by hand."""

    def __init__(self, folder: Path, target: Target, home: str = QUAY.name) -> None:
        self.now_s = 0.0
        self.target = target
        self.home = home
        self.ledger = new_ledger(folder, replace(QUAY, name=home))
        self.keeper = Keeper(self.ledger)
        self._answers: queue.SimpleQueue[Shipped] = queue.SimpleQueue()
        self.shipping = Shipping(open_writer(target), home, self._answers.put)
        self.shipping.start()

    def moment(self) -> Moment:
        return Moment(START_S + 1e6 + self.now_s, self.now_s)

    def book(self, *places: int, wh: int = 700) -> None:
        self.ledger.commit(Batch(START_S + 1e6, tuple(replace(entry(place, wh), reason="late") for place in places)))

    def turn(self, after_s: float = 15.0) -> None:
        """The timetable's job; then, if something has left, its answer and the commit."""
        self.now_s += after_s
        self.shipping.send(self.keeper, self.moment())
        if self.shipping.under_way:
            self.shipping.done(self.keeper, self._answers.get(timeout=WITHIN_S), self.moment())
            self.commit()

    def commit(self) -> None:
        kept = self.keeper
        lists = (kept._delivered, kept._refused, kept._again, kept._events)
        if not any(lists):
            return
        delivered, refused, again, events = (tuple(one) for one in lists)  # type: ignore[var-annotated, arg-type]
        self.ledger.commit(
            Batch(START_S + 1e6, delivered=delivered, refused=refused, again=again, events=events)  # type: ignore[arg-type]
        )
        for one in lists:
            one.clear()  # type: ignore[attr-defined]

    def depth(self) -> int:
        return self.ledger.outbox_depth()

    def events(self) -> list[tuple[str, str]]:
        return [(event.kind, event.name) for event in self.ledger.events(0, 1e12)]

    def assert_equal(self, url: str) -> None:
        """The database holds what the ledger holds: every interval, and the totals."""
        reader = open_reader(replace(self.target, url=url))
        zone = ZoneInfo("Europe/Dublin")
        spans = months(self.ledger, zone, None, None, 0)
        found = joined(zone, spans, reconcile(self.ledger, reader, self.home, spans, lambda wait_s: None))
        reader.close()
        assert found.equal, (found.missing, found.differing, found.extra)
        assert found.to_be_sent == 0
        whole, booked = total(found.rows), value_report(self.ledger, "year").total
        assert whole.database == whole.ledger
        assert (whole.ledger.diverted_wh, whole.ledger.given_up_micro, whole.ledger.avoided_micro) == (
            booked.diverted_wh,
            booked.given_up_micro,
            booked.avoided_micro,
        )

    def close(self) -> None:
        self.shipping.stop()
        self.keeper.close()


@contextmanager
def copying(folder: Path, target: Target, home: str = QUAY.name) -> Iterator[Copying]:
    made = Copying(folder, target, home)
    try:
        yield made
    finally:
        made.close()


# Each fault by itself


@pytest.mark.parametrize(
    ("fault", "wait_s", "words"),
    [
        (Answer(401), 1800, "it refuses the token or password (401)"),
        (Answer(403), 1800, "the token or password does not allow writing (403)"),
        (Answer(404), 1800, "it has no such database, bucket or path (404)"),
        (Answer(400, body=f"unable to parse, {PASSWORD}"), 1800, "it refuses the points (400): unable to parse, ***"),
        (Answer(429), 5, "it asks for fewer requests (429)"),
        (Answer(429, {"Retry-After": "120"}), 120, "it asks for fewer requests (429)"),
        (Answer(500, body="disk"), 5, "it does not take the points (500): disk"),
        (Answer(503, {"Retry-After": "600"}), 600, "it does not take the points (503)"),
        (Answer(None), 5, "the connection breaks off"),
        (Answer(None, after=True), 5, "the connection breaks off"),
        ("silence", 5, "no answer within 0.3 s"),
        ("nobody", 5, "nothing answers there (is it running?)"),
    ],
)
def test_what_is_kept_when_it_is_tried_again_and_what_is_said(
    tmp_path: Path, fault: Answer | str, wait_s: float, words: str, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    with ExitStack() as stack:
        server = stack.enter_context(front())
        url = f"http://127.0.0.1:{free_port()}" if fault == "nobody" else server.url
        target = Target("influxdb1", url, database="quay", username=USER, secret=PASSWORD, timeout_s=0.3)
        house = stack.enter_context(copying(tmp_path, target))
        house.book(0, 1)
        if isinstance(fault, Answer):
            server.always = fault
        elif fault == "silence":
            server.hold.clear()
        house.turn()
        server.always = None
        server.hold.set()
        asked = len(server.posts)

        assert house.depth() == 2
        assert house.events() == [("alarm", "timeseries")]
        health = house.shipping.health(house.moment())
        assert words in health["fault"]
        assert (health["failures"], health["next_attempt_in_s"]) == (1, wait_s)
        house.turn(wait_s - 0.1)
        assert len(server.posts) == asked, "not before its time"
        if fault != "nobody":
            house.turn(0.1)
            assert house.depth() == 0
            assert house.events() == [("alarm", "timeseries"), ("recovered", "timeseries")]
            assert house.shipping.health(house.moment()) == {"fault": "", "failures": 0, "next_attempt_in_s": 0.0}
        said = [record.getMessage() for record in caplog.records if record.name == "daemon.recording.shipper"]
        assert words in said[0]
        assert len(said) == (1 if fault == "nobody" else 2)
        told = caplog.text + str(house.ledger.events(0, 1e12))
        assert PASSWORD not in told
        assert USER not in told.replace("brimful.", "")


# Any sequence of them


FAULTS = (
    Answer(401),
    Answer(404),
    Answer(429, {"Retry-After": "40"}),
    Answer(500),
    Answer(None),
    Answer(None, after=True),
    Answer(500, after=True),
)


@pytest.fixture(scope="module")
def servers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Server]]:
    with ExitStack() as stack:
        influx, victoria = (tmp_path_factory.mktemp(name) for name in ("influx", "victoria"))
        yield {
            "influxdb1": stack.enter_context(influxdb1(influx, user=USER, password=PASSWORD)),
            "victoriametrics": stack.enter_context(victoria_metrics(victoria, user=USER, password=PASSWORD)),
        }


@pytest.mark.parametrize("seeds", [range(4), pytest.param(range(4, 200), marks=pytest.mark.long)], ids=["few", "many"])
@pytest.mark.parametrize("kind", ["influxdb1", "victoriametrics"])
def test_after_any_faults_the_database_holds_what_the_ledger_holds(
    tmp_path: Path, servers: dict[str, Server], kind: str, seeds: range
) -> None:
    for seed in seeds:
        folder = tmp_path / str(seed)
        folder.mkdir()
        with front(servers[kind].url) as server:
            target = Target(kind, server.url, database="brimful", username=USER, secret=PASSWORD)  # type: ignore[arg-type]
            with copying(folder, target, f"Quay {kind} {seed}") as house:
                suffer(house, server, random.Random(seed), revise=kind == "influxdb1")
                house.assert_equal(servers[kind].url)
                house.ledger.rebuild_outbox()
                suffer(house, server, random.Random(-seed), revise=False, book=False)
                house.assert_equal(servers[kind].url)


def suffer(house: Copying, server: Front, dice: random.Random, *, revise: bool, book: bool = True) -> None:
    """A day in which the database fails again and again while intervals are settled, and revised; then it is well."""
    booked = 0
    for _ in range(30):
        if book:
            house.book(*range(booked, booked + dice.choice((0, 1, 4))))
            booked = len(house.ledger.entries(0, 1e12))
            if revise and booked and dice.random() < 0.4:  # a rewrite does not reliably win in every database
                house.book(dice.randrange(booked), wh=dice.randrange(2000))
        if dice.random() < 0.6:
            server.script.append(dice.choice(FAULTS))
        house.turn(dice.choice((15.0, 60.0, 900.0, 2000.0)))
    server.script.clear()
    for _ in range(20):
        house.turn(2000.0)
    assert house.depth() == 0


# A long outage


def test_a_week_without_the_database_is_made_up_for_at_a_bounded_rate(tmp_path: Path) -> None:
    with front() as server, copying(tmp_path, Target("influxdb1", server.url, database="quay")) as house:
        server.always = Answer(503)
        for day in range(7):
            house.book(*range(48 * day, 48 * day + 48))
            for _ in range(24 * 60):
                house.turn(60.0)
        assert 7 * 96 - 10 <= len(server.posts) <= 7 * 96 + 10, "once in 15 minutes after the first"
        assert max(post.count("\n") for post in server.posts) < 500
        assert house.events() == [("alarm", "timeseries")]
        server.always = None
        before = len(server.posts)
        house.turn(900.0)
        assert house.depth() == 0
        assert len(server.posts) == before + 1


@pytest.mark.parametrize("count", [4_000, pytest.param(10 * 17_520, marks=pytest.mark.long)])
def test_a_rebuild_of_years_leaves_in_batches_one_a_turn(tmp_path: Path, count: int) -> None:
    with front() as server, copying(tmp_path, Target("influxdb1", server.url, database="quay")) as house:
        house.book(*range(count))
        house.turn()  # the client library is loaded with the first
        turns = 1
        tracemalloc.start()
        try:
            while house.depth():
                house.turn()
                server.posts.clear()
                turns += 1
            peak_bytes = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert turns == -(-count // 500)
        assert peak_bytes < 4e6, "however long the outbox"
        with Ledger.open_reader(house.ledger.path) as seen:
            assert seen.outbox_depth() == 0


# Control


HOME = """\
[home]
name = "Plover Barn"
timezone = "Europe/Dublin"
currency = "EUR"
[signals.grid_w]
topic = "barn/meter"
[signals.tank_level_pct]
topic = "barn/level"
[signals.diverted_wh]
topic = "barn/wh"
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "barn/order"
orders = { withhold = "off", surplus = "on" }
refresh_s = 60
[rules.surplus]
over_s = 1
[rules.rest]
minimum_on_s = 0
minimum_off_s = 0
[timeseries]
kind = "influxdb1"
database = "barn"
"""
NOON_S = 1_780_315_200.0  # 2026-06-01T12:00:00Z


class Barn:
    """The whole daemon without its broker, on a clock that is moved by hand."""

    def __init__(self, folder: Path, url: str, waiting: int) -> None:
        file = folder / "home.toml"
        file.write_text(f'{HOME}url = "{url}"\n[api]\nport = {free_port()}\n', encoding="utf-8")
        with LedgerWriter.open(folder / "brimful.sqlite", facts(load(file))) as books:
            books.commit(Batch(NOON_S - 1800, tuple(entry(place - waiting) for place in range(waiting))))
        self.clock = SteppedClock(NOON_S)
        self.now_s = NOON_S
        self.service = Service(
            prepare(load(file)), BrokerAddress("127.0.0.1", free_port()), self.clock, stepped_from_s=NOON_S
        )
        self.service.start()

    def live(self, seconds: float, **values: float) -> str:
        """Time goes on, the house tells these values, what is due is done; returns the order that then stands."""
        self.now_s += seconds
        self.clock.move_to(self.now_s)
        mono_s = self.clock.now().mono_s
        self.service.loop.put(Heard(tuple(Reading(name, value, self.now_s, mono_s) for name, value in values.items())))
        tick = Tick()
        self.service.loop.put(tick)
        tick.done.result(WITHIN_S)
        why = Ask("why")
        self.service.loop.put(why)
        order: str = why.answer.result(WITHIN_S)["order"]
        return order

    def close(self) -> None:
        self.service.stop()
        assert self.service.join(WITHIN_S)


@pytest.mark.parametrize("trouble", ["silence", "refusals", "backlog"])
def test_orders_are_told_in_time_whatever_the_database_does(tmp_path: Path, trouble: str) -> None:
    """Each change of the surplus has its order at once: before the database has answered, or while it catches up."""
    with front() as server:
        barn = Barn(tmp_path, server.url, 9000 if trouble == "backlog" else 5)
        try:
            if trouble == "silence":
                server.hold.clear()
            elif trouble == "refusals":
                server.always = Answer(500)
            told = barn.service.controller.orders_sent
            wh = 0.0
            for step in range(120):
                sun = step % 2 == 0
                wh += 10.0
                order = barn.live(30.0, grid_w=-2500.0 if sun else 2600.0, tank_level_pct=50.0, diverted_wh=wh)
                assert order == ("surplus" if sun else "withhold"), step
                if step == 1:
                    assert server.asked.acquire(timeout=WITHIN_S), "a shipment is on its way"
            refreshed = 60  # every minute
            assert barn.service.controller.orders_sent - told >= 120 + refreshed
            assert all(post.count("\n") < 500 for post in server.posts)
            if trouble == "silence":
                assert len(server.posts) == 1, "it waits for the answer; nobody else does"
            elif trouble == "backlog":
                assert len(server.posts) > 1
        finally:
            server.hold.set()
            barn.close()
