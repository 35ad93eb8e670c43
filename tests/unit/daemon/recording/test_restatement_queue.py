"""Restating beside a running daemon and without one: by a changed file, by hand, after a death; and what is shown."""

import csv
import io
import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from accounting.books.restatement import Restating
from accounting.ledger import Batch, Ledger, LedgerError, LedgerWriter
from accounting.valuation.valuer import Energy, Valuer
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.cli.main import main
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.recording.restatement_queue import Restater, read_restate
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.web.api.client import Refused, ask
from rules.model.reading import Moment
from tests.support.broker import free_port
from tests.support.homes import SMALL

DAYS = 4
START_S = 1_780_056_000 - DAYS * 86_400
START_S -= START_S % 1800
NOON_S = 1_780_056_000.0
WITHIN_S = 15.0
SELL = """
[tariffs.sell]
direction = "export"
series = "sell.csv"

[[displaces]]
source = "gas"
share = 1
price = 0.12
"""


class House:
    """A home with four days booked, half a kWh every half hour, at 0.05 given up; and a command line."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.file = folder / "home.toml"
        self.file.write_text(f"{SMALL}{SELL}\n[api]\nport = {free_port()}\n")
        self.price("0.05")
        self.path = folder / "brimful.sqlite"
        self._capsys = capsys
        self.book()

    def price(self, told: str, of: str = "2026-01-01") -> None:
        (self.file.parent / "sell.csv").write_text(f"time,price\n{of}T00:00Z,{told}\n")

    def book(self) -> None:
        valuer = Valuer(prepare(load(self.file)).books)
        entries = (
            valuer.entry(Energy(START_S + place * 1800, "main", 500, 0, 1800), "settled") for place in range(DAYS * 48)
        )
        with self.writer() as ledger:
            ledger.commit(Batch(NOON_S, tuple(entries)))

    def writer(self) -> "Ledger":
        return LedgerWriter.open(self.path, facts(load(self.file)))

    def given_up(self) -> float:
        return json.loads(self.says("value", "--json"))["total"]["given_up"]

    def says(self, *arguments: str, code: int = 0) -> str:
        self._capsys.readouterr()
        ended = 0
        try:
            main([*arguments, "--home", str(self.file)])
        except SystemExit as exit:
            ended = int(exit.code or 0)
        said = self._capsys.readouterr()
        assert ended == code, said
        assert "Traceback" not in said.err
        assert {"--json", "--csv"} & {*arguments} or all(len(line) <= 80 for line in said.out.splitlines())
        return said.err if code else said.out


@pytest.fixture
def house(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> House:
    return House(tmp_path, capsys)


@pytest.fixture
def service(house: House) -> Iterator[Service]:
    running = started(house)
    yield running
    running.stop()
    assert running.join(WITHIN_S)


def made(house: House) -> Service:
    broker = BrokerAddress("127.0.0.1", free_port())
    return Service(prepare(load(house.file)), broker, SteppedClock(NOON_S), stepped_from_s=NOON_S)


def started(house: House) -> Service:
    service = made(house)
    service.start()
    return service


def until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def notes(house: House) -> list[str]:
    with Ledger.open_reader(house.path) as ledger:
        return [event.sentence for event in ledger.events(0, 1e11) if event.name == "restatement"]


def test_without_a_daemon_the_command_restates_with_a_pencil(house: House) -> None:
    """192 half hours of 0.5 kWh: 96 kWh × (0.08 − 0.05) = 2.88 more given up."""
    assert "Nothing: every interval is worth what the books say." in house.says("restate")
    house.price("0.08")
    before = house.path.read_bytes()
    dry = json.loads(house.says("restate", "--dry-run", "--json"))
    assert (dry["schema"], dry["dry_run"], dry["restatement"]) == ("brimful.restate/1", True, None)
    assert house.path.read_bytes() == before
    shown = house.says("restate", "--dry-run")
    assert "-2.88" in shown
    assert "Nothing is written." in shown
    told = json.loads(house.says("restate", "--json", "--why", "the supplier's letter"))
    assert (told["restatement"], told["why"], told["kept_intervals"]) == (1, "the supplier's letter", 0)
    assert told["rows"] == dry["rows"]
    total = told["total"]
    assert (total["intervals"], total["diverted_kwh"]) == (192, 96.0)
    assert (total["given_up_before"], total["given_up_after"]) == (4.8, 7.68)
    assert (total["net_before"], total["net_after"]) == (6.72, 3.84)
    assert house.given_up() == 7.68
    assert notes(house) == ["restated (the supplier's letter): net moved by -2.88 EUR"]
    assert json.loads(house.says("restate", "--json"))["rows"] == []


def test_as_of_tells_the_former_statement(house: House) -> None:
    house.price("0.08")
    house.says("restate")
    then = json.loads(house.says("value", "--as-of", "2026-05-30", "--json"))
    assert (then["total"]["given_up"], then["as_of"]) == (4.8, "2026-05-29T23:00:00Z")
    assert "expected a [tank] table" in house.says("value", "--as-of", "2026-05-30", "--used", "measured", code=2)


def test_a_part_of_the_time_alone(house: House) -> None:
    house.price("0.08")
    rows = list(
        csv.DictReader(io.StringIO(house.says("restate", "--from", "2026-05-28", "--to", "2026-05-29", "--csv")))
    )
    assert [(row["intervals"], row["given_up_after"]) for row in rows] == [("48", "1.920000")]
    assert house.given_up() == 4.8 + 0.72


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--to", "2026-05-01", "--from", "2026-05-02"), "--to: expected a time after 2026-05-02"),
        (("--why", ""), "--why: expected 1 to 200 characters, got 0"),
        (("--why", "x" * 201), "got 201"),
    ],
)
def test_what_makes_no_sense_is_refused(house: House, arguments: tuple[str, ...], said: str) -> None:
    assert said in house.says("restate", *arguments, code=2)


def test_what_is_not_known_any_more_is_said_and_kept(house: House) -> None:
    house.price("0.08", of="2026-05-27")
    assert "Left as booked: " in " ".join(house.says("restate").split())
    assert 4.8 < house.given_up() < 7.68


def test_a_running_daemon_is_asked_and_goes_by_the_files_as_they_are(house: House, service: Service) -> None:
    house.price("0.08")
    told = json.loads(house.says("restate", "--json", "--why", "by letter"))
    assert (told["restatement"], told["total"]["given_up_after"]) == (1, 7.68)
    assert house.given_up() == 7.68
    until(lambda: not ask(house.file, "GET", "/api/restating")["waiting"])
    assert notes(house) == ["restated (by letter): net moved by -2.88 EUR"]
    with pytest.raises(Refused, match="another home's daemon"):
        ask(house.file, "POST", "/api/restate", {"ledger": "elsewhere", "from_s": 0, "to_s": 1, "why": "x"})
    asked = {"ledger": str(house.path.resolve()), "from_s": 0, "to_s": 2**40, "why": "x"}
    for name, bad in (("from_s", True), ("to_s", "1"), ("to_s", 2**70), ("why", ""), ("why", 5)):
        with pytest.raises(Refused, match=name):
            ask(house.file, "POST", "/api/restate", {**asked, name: bad})


def test_a_changed_series_restates_by_itself(house: House, service: Service) -> None:
    house.price("0.08")
    service._enqueue("reload")
    until(lambda: house.given_up() == 7.68)
    assert notes(house) == ["restated (sell.csv changed): net moved by -2.88 EUR"]
    os.utime(house.file.parent / "sell.csv", (1, 1))
    service._enqueue("reload")
    until(lambda: not ask(house.file, "GET", "/api/restating")["waiting"])
    assert len(notes(house)) == 1


def test_what_is_told_of_today_is_told_anew(house: House) -> None:
    service = made(house)
    now = service.parts.clock.now()
    before = service.keeper.today(service.parts.engine, now)["given_up"]
    house.price("0.08")
    service.parts.home_file.look(now)
    while service.parts.restater.answer()["waiting"]:
        service.parts.housekeeping.restate(now)
    assert service.keeper.today(service.parts.engine, now)["given_up"] == pytest.approx(before * 8 / 5)
    service.start()  # so that it can be ended as it should
    service.stop()
    assert service.join(WITHIN_S)


def test_a_wish_comes_before_what_has_not_begun_but_interrupts_nothing(house: House) -> None:
    settings = prepare(load(house.file)).books
    wish = {"ledger": str(house.path.resolve()), "from_s": 0, "to_s": 2**40}
    with house.writer() as ledger:
        restater = Restater(ledger, settings, lambda: None)
        house.price("0.08")
        dearer = prepare(load(house.file)).books
        restater.wish(read_restate({**wish, "why": "first"}), dearer)
        restater.step(Moment(0.0, NOON_S))
        for why in ("second", "third"):
            restater.wish(read_restate({**wish, "why": why}), settings)
        assert [work.why for _, work in restater._waiting] == ["first", "third", "second"]


def test_a_changed_assumption_waits_for_a_person(house: House, service: Service) -> None:
    house.file.write_text(house.file.read_text().replace("price = 0.12", "price = 0.24"))
    service._enqueue("reload")
    house.price("0.08")
    service._enqueue("reload")
    until(lambda: not ask(house.file, "GET", "/api/restating")["waiting"])
    assert notes(house) == []
    house.says("restate")
    assert notes(house) == ["restated (by hand): net moved by +8.64 EUR"]


def test_a_gap_filled_while_the_daemon_was_stopped_is_restated_at_its_start(house: House) -> None:
    house.path.unlink()
    house.price("0.05", of="2026-05-28")
    house.book()
    assert house.given_up() < 4.8
    house.price("0.05")
    service = started(house)
    until(lambda: house.given_up() == 4.8)
    service.stop()
    assert service.join(WITHIN_S)
    assert len(notes(house)) == 1
    assert "prices that came late" in notes(house)[0]


def test_a_restatement_cut_short_is_taken_back_at_the_next_start(house: House) -> None:
    with house.writer() as ledger:
        settings = prepare(load(house.file)).books
        work = Restating(
            ledger, Valuer(replace(settings, displaces=())), "never to be", START_S, START_S + DAYS * 86_400
        )
        work.step(NOON_S)
    service = started(house)
    until(lambda: notes(house) != [])
    service.stop()
    assert service.join(WITHIN_S)
    assert notes(house) == ["restatement 1 taken back because it was cut short"]
    with Ledger.open_reader(house.path) as ledger:
        assert ledger.integrity() == []
        assert {entry.avoided_micro for entry in ledger.entries(0, 1e11)} == {60_000}


def test_a_ledger_that_cannot_be_written_holds_it_up_and_loses_nothing(house: House) -> None:
    asked: list[int] = []
    house.price("0.08")
    settings = prepare(load(house.file)).books
    now = Moment(0.0, NOON_S)
    with house.writer() as ledger:
        restater = Restater(ledger, settings, lambda: asked.append(1))
        wish = {"ledger": str(house.path.resolve()), "from_s": 0, "to_s": 2**40, "why": "a word"}
        ticket = restater.wish(read_restate(wish), settings)["ticket"]
        kept = ledger.restate

        def full(*_: object) -> None:
            raise LedgerError("write to the ledger", str(house.path), "disk full", "")

        ledger.restate = full  # type: ignore[method-assign]
        restater.step(now)
        assert "disk full" in restater.answer()["fault"]
        assert len(asked) == 1, "it is not tried again at once"
        ledger.restate = kept  # type: ignore[method-assign]
        restater.look()
        assert len(asked) == 2
        while not restater.step(now):
            pass
        assert restater.answer()["done"] == {str(ticket): {"restatement": 1, "kept_intervals": 0}}
        assert restater.answer()["fault"] == ""
        assert ledger.restatements()[0].intervals == 192


def lives(house: House) -> None:
    """Start the daemon, let it do what waits, and stop it."""
    service = started(house)
    try:
        until(lambda: service.parts.restater.idle)
    finally:
        service.stop()
        assert service.join(WITHIN_S)


def test_prices_edited_while_the_daemon_is_stopped_restate_at_its_start(house: House) -> None:
    """Stop, edit, start is the usual order."""
    lives(house)
    lives(house)
    assert notes(house) == [], "nothing was edited"
    house.price("0.08")
    lives(house)
    said = "restated (changed while brimful was stopped: sell.csv): net moved by -2.88 EUR"
    assert notes(house) == [said]
    assert house.given_up() == 7.68
    lives(house)
    assert notes(house) == [said], "once"
    home = house.file.read_text().replace("price = 0.12", "price = 0.13")
    house.file.write_text(home)
    lives(house)
    assert notes(house) == [said], "what is displaced is an assumption: for a person to restate by"


def test_a_backup_older_than_the_edit_restates_too(house: House) -> None:
    lives(house)
    saved = house.file.with_name("saved.sqlite")
    house.says("backup", str(saved), "--json")
    house.price("0.08")
    lives(house)
    house.says("restore", str(saved), "--json")
    assert house.given_up() == 4.8
    lives(house)
    assert house.given_up() == 7.68


def test_a_start_that_is_cut_short_restates_at_the_next(house: House) -> None:
    lives(house)
    house.price("0.08")
    service = made(house)
    service._end()  # before its first step
    assert house.given_up() == 4.8
    lives(house)
    assert house.given_up() == 7.68
