"""`brimful reconcile` against real time-series databases, with and without a daemon."""

import csv
import io
import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import urllib3

from accounting.ledger import Batch, Ledger, LedgerWriter, OutboxKey, Refused
from accounting.model.entry import Entry
from accounting.timeseries import Target, open_reader
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.cli import main
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.runtime import parts as parts_module
from daemon.runtime.service import Service
from daemon.timing.clock import SystemClock
from daemon.timing.events import Due
from daemon.web.api.client import ask
from rules.model.errors import BrimfulError
from tests.support.faulty_http import Answer, front
from tests.support.homes import SMALL
from tests.support.ledgers import entry
from tests.support.servers import Server, free_port, influxdb1, victoria_metrics

pytestmark = pytest.mark.services
USER, PASSWORD = "brimful", "kettle-9"
KINDS = ("influxdb1", "victoriametrics")


@pytest.fixture(scope="module")
def servers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Server]]:
    """Both ask for a user and a password."""
    with ExitStack() as stack:
        yield {
            "influxdb1": stack.enter_context(
                influxdb1(tmp_path_factory.mktemp("influx"), user=USER, password=PASSWORD)
            ),
            "victoriametrics": stack.enter_context(
                victoria_metrics(tmp_path_factory.mktemp("victoria"), user=USER, password=PASSWORD)
            ),
        }


@dataclass
class House:
    """A home of its own on a server that others use too, its ledger filled, nothing sent yet."""

    folder: Path
    file: Path
    name: str
    kind: str
    server: Server
    capsys: pytest.CaptureFixture[str]

    @property
    def ledger(self) -> Path:
        return self.folder / "brimful.sqlite"

    def writer(self) -> LedgerWriter:
        return LedgerWriter.open(self.ledger, facts(load(self.file)))

    def book(self, *entries: Entry) -> None:
        with self.writer() as books:
            books.commit(Batch(max(one.end_s for one in entries), entries))

    def ask(self, *options: str, code: int = 0) -> str:
        with pytest.raises(SystemExit) as ended:
            main(["reconcile", "--home", str(self.file), *options])
        told = self.capsys.readouterr()
        assert ended.value.code == code, told
        assert PASSWORD not in told.out + told.err
        return told.out or told.err

    def json(self, *options: str, code: int = 0) -> dict[str, Any]:
        answer: dict[str, Any] = json.loads(self.ask("--json", *options, code=code))
        assert answer["schema"] == "brimful.reconcile/1"
        assert answer["equal"] is (code == 0)
        return answer

    def forget(self, point_s: int, value: float | None = None, heater: str = "main") -> None:
        """Spoil a point behind brimful's back: take it away (InfluxDB), or give it another value."""
        tags = f"home={self.name.replace(' ', chr(92) + ' ').replace(',', chr(92) + ',')},heater={heater}"
        login = urllib3.make_headers(basic_auth=f"{USER}:{PASSWORD}")
        with urllib3.PoolManager(retries=False, headers=login) as pool:
            if value is None:
                where = f"home = '{self.name}' AND heater = '{heater}' AND time = {point_s}s"
                answer = pool.request(
                    "POST",
                    f"{self.server.url}/query",
                    fields={"db": "brimful", "q": f"DELETE FROM diverted WHERE {where}"},
                    encode_multipart=False,
                )
            else:
                path = "write?db=brimful&" if self.kind == "influxdb1" else "api/v2/write?"
                line = f"diverted,{tags} diverted_wh={value:g}i {point_s}"
                answer = pool.request("POST", f"{self.server.url}/{path}precision=s", body=line.encode())
            assert answer.status in (200, 204), answer.data

    def wait_until_shown(self, done: Callable[[dict[tuple[int, str], dict[str, float]]], bool]) -> None:
        """VictoriaMetrics shows what it took only after some seconds, or when it is asked to."""
        reader = open_reader(self.target)
        end = datetime.now().timestamp() + 20
        while not done(reader.read(self.name, 0, 2**33)):
            assert datetime.now().timestamp() < end
            reader.settle(lambda wait_s: None)
        reader.close()

    @property
    def target(self) -> Target:
        return Target(self.kind, self.server.url, database="brimful", username=USER, secret=PASSWORD)  # type: ignore[arg-type]


@pytest.fixture
def make(
    tmp_path: Path,
    servers: dict[str, Server],
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Callable[[str], House]:
    def made(kind: str) -> House:
        name = f"Hut, {request.node.name.replace('[', ' ').replace(']', '')}"[-28:]
        table = f'[timeseries]\nkind = "{kind}"\nurl = "{servers[kind].url}"\nusername = "{USER}"\n'
        if kind == "influxdb1":
            table += 'database = "brimful"\n'
        file = tmp_path / "home.toml"
        text = SMALL.replace("Wren Hut", name)
        file.write_text(f"{text}\n{table}\n[api]\nport = {free_port()}\n", encoding="utf-8")
        monkeypatch.setenv("BRIMFUL_TIMESERIES_PASSWORD", PASSWORD)
        house = House(tmp_path, file, name, kind, servers[kind], capsys)
        house.book(*(one(place) for place in range(PLACES)))
        return house

    return made


# From a day in June into July, local months of Lisbon: an hour before UTC's.
BEGIN_S = int(datetime.fromisoformat("2026-06-30T12:00+00:00").timestamp())
PLACES = 48


def one(place: int) -> Entry:
    return replace(entry(place, 301 + 7 * place), start_s=BEGIN_S + 1800 * place)


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_sent_is_to_be_sent_then_repair_sends_it_and_the_months_agree(
    make: Callable[[str], House], kind: str
) -> None:
    house = make(kind)
    before = house.json()
    assert before["total"]["to_be_sent"] == PLACES
    assert before["total"]["ledger_intervals"] == before["total"]["database_intervals"] == 0

    after = house.json("--repair")
    june, july = after["rows"]
    assert (june["start"], july["start"]) == ("2026-06-30T13:00:00+01:00", "2026-07-01T00:00:00+01:00")
    assert (june["ledger_intervals"], july["ledger_intervals"]) == (22, 26), "Lisbon's midnight is 23:00 UTC"
    wh = [301 + 7 * place for place in range(PLACES)]
    assert june["database_diverted_kwh"] == sum(wh[:22]) / 1000
    assert july["database_avoided"] == july["ledger_avoided"] == sum(wh[22:]) * 200 / 1e6
    assert after["total"]["to_be_sent"] == after["queued"] == 0
    with Ledger.open_reader(house.ledger) as books:
        assert books.outbox_depth() == 0
        assert books.known_until_s() == one(PLACES - 1).end_s, "sending tells nothing new of the house"

    again = house.json("--rebuild")
    assert again["queued"] == PLACES
    assert again["rows"] == after["rows"], "sent twice changes nothing"


def test_what_is_missing_or_another_is_found_told_and_mended(make: Callable[[str], House]) -> None:
    house = make("influxdb1")
    house.ask("--repair")
    house.forget(one(3).start_s)
    house.forget(one(30).start_s, 5)
    answer = house.json(code=1)
    assert [(row["missing"], row["differing"]) for row in answer["rows"]] == [(1, 0), (0, 1)]
    assert answer["rows"][0]["database_intervals"] == 21
    assert answer["rows"][1]["database_diverted_kwh"] == pytest.approx(
        answer["rows"][1]["ledger_diverted_kwh"] + (5 - 511) / 1000
    )
    told = house.ask(code=1)
    assert "1 missing" in told
    assert "1 differing" in told
    assert "brimful reconcile --repair" in told
    assert max(map(len, told.splitlines())) <= 80, told

    rows = list(csv.DictReader(io.StringIO(house.ask("--csv", code=1))))
    assert [row["missing"] for row in rows] == ["1", "0"]
    july = house.json("--from", "2026-07-01", code=1)
    assert july["total"]["missing"] == 0
    june = house.json("--to", "2026-07-01", "--repair")
    assert june["queued"] == 1
    assert house.json("--repair")["queued"] == 1
    assert house.json()["total"]["ledger_intervals"] == PLACES


def test_victoriametrics_missing_points_are_mended_and_rewritten_ones_told(make: Callable[[str], House]) -> None:
    house = make("victoriametrics")
    with house.writer() as books:  # struck off though the server never had it
        books.commit(Batch(one(47).end_s, delivered=(OutboxKey(one(3).start_s, "main", 1),)))
        assert books.outbox_depth() == PLACES - 1
    house.json("--repair")
    with Ledger.open_reader(house.ledger) as books:
        assert books.outbox_depth() == 0
    house.forget(one(5).start_s, 9_000_000)
    house.wait_until_shown(lambda held: len(held) == PLACES)
    answer = house.json("--repair", code=house_code(house))
    if not answer["equal"]:
        assert answer["total"]["differing"] == 1
        told = house.ask("--repair", code=1)
        assert "delete the home's series there" in " ".join(told.split())


def house_code(house: House) -> int:
    """Which value wins is the server's own affair."""
    with pytest.raises(SystemExit) as ended:
        main(["reconcile", "--home", str(house.file), "--repair"])
    house.capsys.readouterr()
    assert ended.value.code in (0, 1)
    return int(str(ended.value.code))


@pytest.mark.parametrize("kind", KINDS)
def test_a_point_that_the_ledger_does_not_have_is_named_and_left(make: Callable[[str], House], kind: str) -> None:
    house = make(kind)
    house.ask("--repair")
    extra_s = one(PLACES + 2).start_s
    house.forget(extra_s, 77)
    house.wait_until_shown(lambda held: (extra_s, "main") in held)
    answer = house.json("--repair", code=1)
    assert answer["extra_points"] == [{"start": "2026-07-01T14:00:00+01:00", "heater": "main"}]
    assert answer["total"]["extra"] == 1
    assert answer["queued"] == 0
    told = " ".join(house.ask(code=1).split())
    assert "brimful deletes nothing there" in told
    assert ("DELETE FROM" if kind == "influxdb1" else "delete_series") in told


def test_intervals_set_aside_are_shown_by_check_and_sent_by_repair(
    make: Callable[[str], House], capsys: pytest.CaptureFixture[str]
) -> None:
    house = make("influxdb1")
    house.ask("--repair")
    key = OutboxKey(one(3).start_s, "main", 1)
    house.forget(one(3).start_s)
    with house.writer() as books:
        books.commit(Batch(one(47).end_s, refused=(Refused(key, "it refuses the points (400): no room"),)))
    with pytest.raises(SystemExit) as ended:
        main(["check", str(house.file), "--seconds", "0.1"])
    told = capsys.readouterr().out
    assert ended.value.code == 1
    assert "BAD  database       set aside: 1 interval," in told
    assert "(400): no room; once that is mended: brimful reconcile --repair" in told
    assert house.json(code=1)["total"]["refused"] == 1
    assert house.json("--repair")["queued"] == 1
    with Ledger.open_reader(house.ledger) as books:
        assert books.refused_count() == 0


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("option", ["--repair", "--json"])
def test_a_wrong_password_is_told_without_it(
    make: Callable[[str], House], kind: str, option: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = make(kind)
    monkeypatch.setenv("BRIMFUL_TIMESERIES_PASSWORD", "wrong-one")
    told = house.ask(option, code=1)
    assert f"time-series database at {house.server.url}" in told
    assert "it refuses the token or password (401)" in told
    assert "wrong-one" not in told
    with Ledger.open_reader(house.ledger) as books:
        assert books.outbox_depth() == PLACES


def test_a_running_daemon_is_asked_and_sends(make: Callable[[str], House], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts_module, "is_confirmed", lambda utc_s: True)  # the books are months old
    house = make("influxdb1")
    house.ask("--repair")
    house.forget(one(3).start_s)
    nobody = BrokerAddress("127.0.0.1", free_port())
    service = Service(prepare(load(house.file)), nobody, SystemClock())
    service.start()
    try:
        answer = house.json("--repair")
        assert answer["queued"] == 1
        assert answer["total"]["to_be_sent"] == 1
        told = house.ask("--rebuild")
        assert f"{PLACES} intervals queued again; the running daemon sends them" in " ".join(told.split())
        with Ledger.open_reader(house.ledger) as books:
            assert books.outbox_depth() == PLACES
        assert "expected the running daemon's ledger" in refused(
            house, {"ledger": "/elsewhere", "intervals": [[one(3).start_s, "main"]]}
        )
        assert "pairs of start_s and heater" in refused(house, {"ledger": str(house.ledger), "intervals": [[1]]})
    finally:
        service.stop()
        assert service.join(20)
    assert house.json("--repair")["total"]["ledger_intervals"] == PLACES


def test_a_running_daemon_says_why_nothing_arrives_how_much_waits_and_when_it_tries_again(
    make: Callable[[str], House], capsys: pytest.CaptureFixture[str]
) -> None:
    house = make("influxdb1")
    with front(house.server.url) as server:
        server.always = Answer(401)
        house.file.write_text(house.file.read_text().replace(house.server.url, server.url))
        service = Service(prepare(load(house.file)), BrokerAddress("127.0.0.1", free_port()), SystemClock())
        service.start()
        try:
            service.loop.put(Due("ship"))
            end = datetime.now().timestamp() + 20
            while not ask(house.file, "GET", "/api/health")["timeseries"]["fault"]:
                assert datetime.now().timestamp() < end
            with pytest.raises(SystemExit) as ended:
                main(["check", str(house.file), "--seconds", "0.1"])
            told = capsys.readouterr().out
            assert ended.value.code == 1
            at = f"time-series database at {server.url}: it refuses the token or password (401)"
            assert f"BAD  daemon         {at}; still to be sent: {PLACES} intervals, next attempt in 30 min" in told
            assert f"BAD  database       {at}" in told
            assert PASSWORD not in told
        finally:
            service.stop()
            assert service.join(20)


def refused(house: House, arguments: dict[str, Any]) -> str:
    with pytest.raises(BrimfulError) as told:
        ask(house.file, "POST", "/api/resend", arguments)
    return str(told.value)


def test_a_home_without_a_database_or_a_ledger_is_told_so(
    make: Callable[[str], House], capsys: pytest.CaptureFixture[str]
) -> None:
    house = make("influxdb1")
    assert "quay.sqlite: there is no such file" in house.ask("--ledger", str(house.folder / "quay.sqlite"), code=2)
    missing = house.ask("--repair", "--ledger", str(house.folder / "quay.sqlite"), code=2)
    assert "there is no such file" in missing
    assert not (house.folder / "quay.sqlite").exists()
    house.file.write_text(SMALL, encoding="utf-8")
    assert house.ask(code=2).strip() == "timeseries: expected a [timeseries] table, got none (home.toml)"
