"""Sending what waits without a daemon, and comparing with a database that is slow to show what it has."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger import Batch, LedgerWriter, OutboxKey, Refused
from accounting.timeseries import Held, Point, SendFailed, Target, open_reader, point
from accounting.timeseries.reconcile import joined, months, reconcile
from daemon.cli.resending import PATIENCE, OwnQueue, drain
from rules.model.errors import BrimfulError
from tests.support.faulty_http import front
from tests.support.ledgers import START_S, entry, new_ledger

PLACES = 1200
END_S = entry(PLACES - 1).end_s


class Clock:
    """Time that goes on only where somebody waits."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.waits: list[float] = []

    def __call__(self) -> float:
        return self.now_s

    def pause(self, wait_s: float) -> None:
        self.waits.append(wait_s)
        self.now_s += wait_s


class Server:
    """Fails as told, a SendFailed for each request; then takes all."""

    def __init__(self, *fails: SendFailed | None) -> None:
        self.fails = list(fails)
        self.held: dict[int, Point] = {}
        self.requests = 0

    def send(self, points: Sequence[Point]) -> None:
        self.requests += 1
        failure = self.fails.pop(0) if self.fails else None
        if failure is not None:
            raise failure
        self.held.update((point.at_s, point) for point in points)

    def close(self) -> None: ...


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    with new_ledger(tmp_path) as made:
        made.commit(Batch(END_S, tuple(entry(place) for place in range(PLACES))))
        yield made


def passing(wait_s: float | None = None) -> SendFailed:
    return SendFailed("busy", lasting=False, retry_after_s=wait_s, subject="time-series database at http://db")


def run(ledger: LedgerWriter, server: Server, clock: Clock) -> tuple[list[Refused], list[int]]:
    left: list[int] = []
    return drain(ledger, server, "Quay Cottage", left.append, clock=clock, pause=clock.pause), left


def test_the_outbox_is_sent_until_it_is_empty_without_hurry(ledger: LedgerWriter) -> None:
    clock, server = Clock(), Server()
    assert run(ledger, server, clock) == ([], [700, 200, 0])
    assert len(server.held) == PLACES
    assert clock.waits[1:] == pytest.approx([0.1, 0.1]), "a pause between requests, however fast the server"
    assert ledger.known_until_s() == END_S


def test_a_server_that_is_busy_is_asked_again_as_it_wishes(ledger: LedgerWriter) -> None:
    clock, server = Clock(), Server(passing(), None, passing(30), passing(1))
    run(ledger, server, clock)
    assert clock.waits[1] == 2
    assert clock.waits[3:5] == [30, 4]
    assert len(server.held) == PLACES
    assert ledger.outbox_depth() == 0


@pytest.mark.parametrize(
    ("fails", "requests"),
    [
        ([passing()] * 99, PATIENCE),
        ([passing(900)] * 99, 1),
        ([SendFailed("no (401)", lasting=True, subject="time-series database at http://db")] * 99, 1),
    ],
)
def test_it_gives_up_before_somebody_grows_old_and_nothing_is_lost(
    ledger: LedgerWriter, fails: list[SendFailed], requests: int
) -> None:
    server = Server(*fails)
    with pytest.raises(BrimfulError, match=r"^time-series database at http://db: .* 1,200 intervals in the outbox"):
        run(ledger, server, Clock())
    assert server.requests == requests
    assert ledger.outbox_depth() == PLACES


def test_what_is_refused_is_set_aside_and_returned(ledger: LedgerWriter) -> None:
    refusal = SendFailed("no room", lasting=True, of_content=True, dropped=500)
    refused, left = run(ledger, Server(refusal), Clock())
    assert left == [700, 200, 0]
    assert refused == ledger.refused()
    assert [one.why for one in refused] == ["time-series database: no room"] * 500


def test_queued_again_is_known_until_no_later(ledger: LedgerWriter) -> None:
    run(ledger, Server(), Clock())
    keys = [OutboxKey(entry(place).start_s, "main", 0) for place in (3, 4)]
    assert OwnQueue(ledger).again(iter(keys)) == 2
    assert [key.start_s for key in ledger.outbox_keys(0, 1e11)] == [key.start_s for key in keys]
    assert ledger.known_until_s() == END_S


# A database that is slow to show


class Slow:
    """Shows the last points only once it has settled; meanwhile: what the daemon does in that time."""

    def __init__(self, hidden: int, meanwhile: Callable[[], None] = lambda: None) -> None:
        self.hidden = hidden
        self.meanwhile = meanwhile
        self.settled = 0

    def settle(self, pause: Callable[[float], None]) -> None:
        self.settled += 1
        self.meanwhile()
        pause(1.0)

    def read(self, home: str, from_s: int, to_s: int) -> Held:
        shown = PLACES + 1 if self.settled else PLACES - self.hidden
        points = (point(entry(place), home) for place in range(shown))
        return {(one.at_s, "main"): dict(one.fields) for one in points if from_s <= one.at_s < to_s}

    def close(self) -> None: ...


def test_a_month_that_differs_is_looked_at_twice(ledger: LedgerWriter) -> None:
    """What it had not shown is there then, and what was settled and sent in between is no stranger."""
    run(ledger, Server(), Clock())

    def settle_one_more() -> None:
        ledger.commit(Batch(END_S + 1800, (entry(PLACES),)))
        run(ledger, Server(), Clock())

    spans = months(ledger, ZoneInfo("Europe/Dublin"), None, None, START_S)
    assert [end_s - start_s for start_s, end_s in spans] == [PLACES * 1800], "all of June's first 25 days"
    clock = Clock()
    slow = Slow(3, settle_one_more)
    found = joined(ZoneInfo("Europe/Dublin"), spans, reconcile(ledger, slow, "Quay Cottage", spans, clock.pause))
    assert found.equal
    assert (slow.settled, clock.waits) == (1, [1.0])


def test_where_settling_cannot_be_asked_for_time_does_it() -> None:
    clock = Clock()
    reader = open_reader(Target("victoriametrics", "http://127.0.0.1:1"))
    reader.settle(clock.pause)
    reader.close()
    assert clock.waits == [12.0]


@pytest.mark.parametrize("kind", ["influxdb1", "influxdb2", "victoriametrics"])
@pytest.mark.parametrize("content", ["", "[]", "null", "{}", '{"results": [{}, {}]}', '{"metric": {}}', "<html>"])
def test_an_answer_of_another_kind_is_told_or_is_nothing(kind: str, content: str) -> None:
    with front(answers=content) as server:
        reader = open_reader(Target(kind, server.url, database="quay", bucket="quay"))  # type: ignore[arg-type]
        try:
            if kind == "victoriametrics" and content == "":
                assert reader.read("Quay", 0, 10) == {}, "no line is no sample"
            else:
                with pytest.raises(BrimfulError, match="its answer is not of the kind that was expected"):
                    reader.read("Quay", 0, 10)
        finally:
            reader.close()


def test_influxdb2_is_asked_by_bucket_and_token_and_names_are_quoted() -> None:
    series = (
        '{"results": [{"series": [{"name": "diverted", "tags": {"heater": "main"}, '
        '"columns": ["time", "diverted_wh", "given_up"], "values": [[1780272000, 700, null]]}]}]}'
    )
    with front(answers=series) as server:
        reader = open_reader(Target("influxdb2", f"{server.url}/", org="o", bucket="heat", secret="to ken"))
        assert reader.read("O'Quay\\", 0, 10) == {(1780272000, "main"): {"diverted_wh": 700.0}}
        reader.close()
    ((path, headers),) = server.gets
    assert path.startswith("/query?db=heat&epoch=s&q=SELECT")
    assert "O%5C%27Quay%5C%5C%27" in path
    assert headers["Authorization"] == "Token to ken"
