"""Settled intervals on their way to the time-series database, and what the loop makes of the answers."""

import queue
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from accounting.ledger import Batch, Ledger, OutboxItem, OutboxKey, Refused
from accounting.timeseries.failure import SendFailed
from accounting.timeseries.points import Point
from daemon.recording.shipper import Shipping, refusal
from daemon.recording.unit_of_work import Keeper
from daemon.timing.events import Shipped
from rules.model.reading import Moment
from tests.support.ledgers import START_S, entry, new_ledger

WITHIN_S = 30.0


class Server:
    """A database that takes points, or fails while it is down."""

    def __init__(self) -> None:
        self.down = False
        self.refuses: set[int] = set()
        self.taken: list[Point] = []
        self.closed = threading.Event()

    def send(self, points: Sequence[Point]) -> None:
        if self.down:
            raise SendFailed("nothing listens there", lasting=False)
        bad = {point.at_s for point in points} & self.refuses
        self.taken += [point for point in points if point.at_s not in bad]
        if bad:
            raise SendFailed("field type conflict", lasting=True, of_content=True, dropped=len(bad))

    def close(self) -> None:
        self.closed.set()


class House:
    def __init__(self, folder: Path) -> None:
        self.ledger = new_ledger(folder)
        self.ledger.commit(Batch(START_S + 3600, entries=(entry(0), entry(1))))
        self.path = self.ledger.path
        self.keeper = Keeper(self.ledger)
        self.server = Server()
        self._answers: queue.SimpleQueue[Shipped] = queue.SimpleQueue()
        self.shipping = Shipping(self.server, "Quay Cottage", self._answers.put)  # type: ignore[arg-type]
        self.shipping.start()

    def send(self, at_s: float) -> None:
        self.shipping.send(self.keeper, self.at(at_s))

    def done(self, at_s: float) -> None:
        self.shipping.done(self.keeper, self._answers.get(timeout=WITHIN_S), self.at(at_s))

    def commit(self) -> None:
        """What the keeper's commit does with the outbox."""
        kept = self.keeper
        self.ledger.commit(
            Batch(
                START_S + 3600,
                delivered=tuple(kept._delivered),
                refused=tuple(kept._refused),
                again=tuple(kept._again),
            )
        )
        for waiting in (kept._delivered, kept._refused, kept._again):
            waiting.clear()

    @staticmethod
    def at(at_s: float) -> Moment:
        return Moment(START_S + 3600 + at_s, at_s)

    def waiting(self) -> int:
        with Ledger.open_reader(self.path) as seen:
            return seen.outbox_depth()

    def events(self) -> list[tuple[str, str]]:
        return [(event.kind, event.name) for event in self.keeper._events]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.shipping.stop()
    assert made.server.closed.is_set()
    made.keeper.close()


def test_what_is_settled_is_sent_once_and_struck_off(house: House) -> None:
    house.send(0.0)
    house.send(5.0)  # one is under way
    house.done(6.0)
    house.send(6.5)  # too soon, and nothing waits
    house.commit()
    house.send(30.0)
    assert len(house.server.taken) == 2
    assert house.waiting() == 0
    assert house.events() == []


def test_a_shipment_that_could_not_be_loaded_is_not_waited_for(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patched:
        patched.setattr("daemon.recording.shipper.load", lambda *_: 1 // 0)
        with pytest.raises(ZeroDivisionError):
            house.send(0.0)
    house.send(1.0)
    house.done(2.0)
    assert len(house.server.taken) == 2


def test_a_server_that_fails_is_told_once_and_so_is_its_return(house: House, caplog: pytest.LogCaptureFixture) -> None:
    house.server.down = True
    house.send(0.0)
    house.done(1.0)
    assert "nothing listens there" in house.shipping.fault
    house.send(1000.0)
    house.done(1001.0)
    assert house.events() == [("alarm", "timeseries")]
    assert house.waiting() == 2
    house.server.down = False
    house.send(3000.0)
    house.done(3001.0)
    assert house.shipping.fault == ""
    assert house.events() == [("alarm", "timeseries"), ("recovered", "timeseries")]
    assert [record.levelname for record in caplog.records] == ["WARNING", "WARNING"]
    house.commit()
    assert house.waiting() == 0


def test_what_was_taken_just_before_a_failure_is_sent_again(house: House) -> None:
    house.send(0.0)
    house.done(1.0)
    house.commit()
    house.ledger.commit(Batch(START_S + 5400, entries=(entry(2),)))
    house.server.down = True
    house.send(10.0)
    house.done(11.0)
    house.commit()
    assert house.waiting() == 3


def test_a_failed_shipment_is_not_tried_at_once(house: House) -> None:
    house.server.down = True
    house.send(0.0)
    house.done(0.0)
    house.server.down = False
    house.send(4.9)
    assert house.server.taken == []
    house.send(5.0)
    house.done(5.0)
    assert len(house.server.taken) == 2


def test_what_the_server_refuses_is_set_aside_by_name_and_told_in_the_books_health(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    house.server.refuses = {START_S}
    house.send(0.0)
    house.done(1.0)
    assert house.shipping.fault == "", "the server as such is well"
    (event,) = house.keeper._events
    assert (event.kind, event.name, event.figures) == ("note", "timeseries.refused", {"count": 1})
    told = "set aside, for the database refuses them: main 2026-06-01T00:00Z; time-series database: field type conflict"
    assert event.sentence == told
    assert told in caplog.text
    house.send(20.0)
    assert len(house.server.taken) == 2, "the good one twice while the bad one was looked for; neither again"
    house.commit()
    assert house.keeper.health()["outbox"] == 0
    assert house.keeper.health()["refused"] == {"count": 1, "why": "time-series database: field type conflict"}


def test_many_refused_ones_are_counted_and_some_are_named() -> None:
    rows = [Refused(OutboxKey(START_S + 1800 * place, "main", 1), "no") for place in range(8)]
    assert refusal(rows).endswith("main 2026-06-01T02:00Z and 3 more; no")


def test_a_long_outbox_is_read_in_chunks_that_do_not_grow(house: House) -> None:
    """Between two commits many shipments leave; each asks the ledger for no more than its own."""
    house.ledger.commit(Batch(START_S, entries=tuple(entry(place) for place in range(2, 4000))))
    asked: list[int] = []
    peek = house.ledger.outbox_peek

    def counting(limit: int, *after: tuple[int, str]) -> list[OutboxItem]:
        items = peek(limit, *after)
        asked.append(len(items))
        return items

    house.ledger.outbox_peek = counting  # type: ignore[method-assign]
    for step in range(8):
        house.send(15.0 * step)
        house.done(15.0 * step + 1)
    assert asked == [500] * 8
    assert len({point.at_s for point in house.server.taken}) == 4000
    house.commit()
    assert house.waiting() == 0
