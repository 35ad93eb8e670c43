"""What the time-series server will not take: found among the rest, set aside by name, given another trial."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from accounting.ledger import Batch, LedgerWriter, OutboxItem, OutboxKey, Refused
from accounting.timeseries import Point, SendFailed
from accounting.timeseries.outbox import MOST_REQUESTS, Delivered, Failed, Shipment, carry, load
from tests.support.ledgers import START_S, entry, new_ledger


class Choosy:
    """A server that refuses some points. counting: it takes the others and says how many it dropped."""

    def __init__(self, refuses: Callable[[Point], bool], *, counting: bool = False) -> None:
        self.refuses = refuses
        self.counting = counting
        self.taken: set[int] = set()
        self.requests = 0

    def send(self, points: Sequence[Point]) -> None:
        self.requests += 1
        bad = [point for point in points if self.refuses(point)]
        if not bad or self.counting:
            self.taken |= {point.at_s for point in points} - {point.at_s for point in bad}
        if bad:
            dropped = len(bad) if self.counting else None
            raise SendFailed("it refuses the points (400)", lasting=True, of_content=True, dropped=dropped)

    def close(self) -> None: ...


def key(place: int) -> OutboxKey:
    return OutboxKey(entry(place).start_s, "main", 1)


def shipment(count: int) -> Shipment:
    return load([OutboxItem(key(place), entry(place)) for place in range(count)], "Quay Cottage")


def at(*places: int) -> Callable[[Point], bool]:
    starts = {entry(place).start_s for place in places}
    return lambda point: point.at_s in starts


@pytest.mark.parametrize("counting", [False, True])
@pytest.mark.parametrize("bad", [(0,), (499,), (250,), (3, 4, 400), ()])
def test_a_bad_point_does_not_hold_the_others(bad: tuple[int, ...], counting: bool) -> None:
    server = Choosy(at(*bad), counting=counting)
    answer = carry(server, shipment(500))
    assert isinstance(answer, Delivered)
    assert [refused.key for refused in answer.refused] == [key(place) for place in bad]
    assert answer.keys == tuple(key(place) for place in range(500) if place not in bad)
    assert server.taken == {key(place).start_s for place in range(500)} - {key(place).start_s for place in bad}
    assert server.requests <= 1 + 18 * len(bad), "halved, not asked one by one"


def test_a_server_that_counts_is_believed_when_it_drops_all() -> None:
    server = Choosy(lambda _: True, counting=True)
    answer = carry(server, shipment(500))
    assert isinstance(answer, Delivered)
    assert len(answer.refused) == 500
    assert server.requests == 1


def test_one_alone_is_set_aside_only_by_the_servers_own_count() -> None:
    assert carry(Choosy(lambda _: True, counting=True), shipment(1)) == Delivered(
        (), (Refused(key(0), "time-series database: it refuses the points (400)"),)
    )
    assert carry(Choosy(lambda _: True), shipment(1)) == Failed("it refuses the points (400)", True)


@pytest.mark.parametrize("count", [2, 500])
def test_a_server_that_wants_nothing_at_all_sets_nothing_aside(count: int) -> None:
    """A proxy with a page of its own, say: what is wrong then are not the points."""
    server = Choosy(lambda _: True)
    assert carry(server, shipment(count)) == Failed("it refuses the points (400)", True)
    assert server.requests <= MOST_REQUESTS + 1


def test_many_bad_ones_are_found_bit_by_bit_and_the_rest_stays() -> None:
    server = Choosy(at(*range(450)))
    left = shipment(500)
    rounds = 0
    while left.keys:
        before = server.requests
        answer = carry(server, left)
        assert isinstance(answer, Delivered)
        assert server.requests - before <= MOST_REQUESTS + 1
        done = {*answer.keys, *(refused.key for refused in answer.refused)}
        keep = [place for place, one in enumerate(left.keys) if one not in done]
        assert len(keep) < len(left.keys)
        left = Shipment(tuple(left.keys[place] for place in keep), tuple(left.points[place] for place in keep))
        rounds += 1
    assert server.taken == {key(place).start_s for place in range(450, 500)}
    assert rounds > 1


def test_a_server_that_goes_away_while_it_is_asked_leaves_all_in_the_outbox() -> None:
    class Going(Choosy):
        def send(self, points: Sequence[Point]) -> None:
            if self.requests == 3:
                raise SendFailed("nothing answers there", lasting=False)
            super().send(points)

    assert carry(Going(at(5)), shipment(10)) == Failed("nothing answers there", False)


# In the ledger


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    with new_ledger(tmp_path) as made:
        made.commit(Batch(entry(2).end_s, tuple(entry(place) for place in range(3))))
        yield made


def set_aside(ledger: LedgerWriter, *places: int) -> None:
    ledger.commit(Batch(START_S, refused=tuple(Refused(key(place), "no room") for place in places)))


def waiting(ledger: LedgerWriter) -> list[OutboxKey]:
    keys = [item.key for item in ledger.outbox_peek(10)]
    assert keys == ledger.outbox_keys(0, 1e11)
    return keys


def test_what_is_refused_leaves_the_outbox_and_is_kept_by_name(ledger: LedgerWriter) -> None:
    set_aside(ledger, 1)
    assert waiting(ledger) == [key(0), key(2)]
    assert ledger.refused() == [Refused(key(1), "no room")]
    assert ledger.refused_count() == 1
    assert ledger.refused(START_S, START_S + 1800) == []
    assert ledger.integrity() == []


@pytest.mark.parametrize("way", ["again", "rebuild", "revised"])
def test_what_was_set_aside_has_another_trial(ledger: LedgerWriter, way: str) -> None:
    set_aside(ledger, 0, 1)
    if way == "again":
        ledger.commit(Batch(START_S, again=(key(1),)))
    elif way == "rebuild":
        ledger.rebuild_outbox(entry(1).start_s)
    else:
        ledger.commit(Batch(START_S, (replace(entry(1, 999), reason="late reading"),)))
    version = 2 if way == "revised" else 1
    assert waiting(ledger) == [key(1)._replace(version=version), key(2)]
    assert [refused.key for refused in ledger.refused()] == [key(0)]


def test_a_version_that_came_while_the_old_one_was_refused_is_not_set_aside_with_it(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (replace(entry(1, 999), reason="late reading"),)))
    set_aside(ledger, 1)
    assert waiting(ledger) == [key(0), key(1)._replace(version=2), key(2)]
    assert ledger.refused() == []


def test_the_outbox_is_read_in_chunks(ledger: LedgerWriter) -> None:
    chunk = ledger.outbox_peek(2)
    assert [item.key for item in chunk] == [key(0), key(1)]
    assert [item.key for item in ledger.outbox_peek(2, chunk[-1].key[:2])] == [key(2)]
    assert ledger.outbox_keys(START_S + 1, START_S + 1801) == [key(1)]
