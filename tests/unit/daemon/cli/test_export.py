"""The journal as CSV and JSON lines, and a whole ledger as one text file that can be read back."""

import csv
import io
import json
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from accounting.books.restatement import Restating
from accounting.ledger import Batch, EventRow, Ledger, LedgerWriter
from accounting.ledger.dumping import _summed, dumped, read_back
from accounting.ledger.tape import pack
from accounting.model.entry import Entry, Posting, TankEntry
from accounting.pricing.tariffs import Tariff
from accounting.reports.value import value_report
from accounting.valuation.settings import BooksSettings
from accounting.valuation.valuer import Energy, Valuer
from daemon.assembly.endpoints import broker_address
from daemon.assembly.prepared_home import prepare
from daemon.cli.main import main
from daemon.config.load import load
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from rules.model.errors import BrimfulError
from tests.support.broker import free_port
from tests.support.homes import TWO_HEATERS
from tests.support.ledgers import HALF_HOUR_S, START_S, new_ledger
from tests.support.prices import ZONE, flat, settings

PLACES = 100
NOON_S = 1_780_056_000.0
END_S = START_S + PLACES * HALF_HOUR_S


def booked(by: BooksSettings, place: int, wh: int = 500) -> Entry:
    taken = (("grid", 100),) if place % 3 == 0 else ()
    return Valuer(by).entry(Energy(START_S + place * HALF_HOUR_S, "main", wh, 0, 1800, taken), "settled")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A ledger with everything in it: versions, a restatement, a tank, tape, events, decisions' state."""
    old = settings()
    tank = TankEntry(
        START_S, HALF_HOUR_S, 1800, 900, postings=(Posting("sun", -300, -5, -7), Posting("tank", 300, 5, 7))
    )
    with new_ledger(tmp_path) as ledger:
        ledger.commit(
            Batch(
                END_S + 0.25,
                tuple(booked(old, place) for place in range(PLACES)),
                (booked(old, PLACES),),
                tank=(tank,),
                events=(EventRow(END_S, "heater.main", "note", 'Ärger, "quoted"\n', {"x": 0.1}),),
                state={"meter": {"deep": [1, None, 0.1]}},
                tape=pack([(START_S, {"grid_w": 0.1})]),
            )
        )
        ledger.commit(Batch(END_S + 1, (booked(old, 3, 600),), tank=(replace(tank, closing_wh=950),)))
        dearer = replace(old, export=Tariff("export", (flat("0.08"),), ZONE))
        work = Restating(ledger, Valuer(dearer), "a word", START_S, START_S + 86_400)
        while not work.step(END_S + 2):
            pass
    return tmp_path / "quay.sqlite"


@pytest.fixture
def says(capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    def say(*arguments: object, code: int = 0) -> str:
        ended = 0
        try:
            main([str(one) for one in arguments])
        except SystemExit as exit:
            ended = int(exit.code or 0)
        said = capsys.readouterr()
        assert ended == code, said
        assert "Traceback" not in said.err
        return said.err if code else said.out

    return say


def test_the_journal_has_every_posting_of_every_version(path: Path, says: Callable[..., str]) -> None:
    text = says("export", "-", "--format", "csv", "--ledger", path)
    assert text.count("\r\n") == text.count("\n"), "RFC 4180, section 2.1: lines end with CRLF"
    rows = list(csv.DictReader(io.StringIO(text)))
    with closing(sqlite3.connect(path)) as db:
        ((heaters, wh),) = db.execute("SELECT count(*), sum(abs(wh)) FROM posting").fetchall()
        ((of_tank, tank_wh),) = db.execute("SELECT count(*), sum(abs(wh)) FROM tank_posting").fetchall()
    assert len(rows) == heaters + of_tank
    assert sum(abs(int(row["energy_wh"])) for row in rows) == wh + tank_wh
    assert [row["start"] for row in rows] == sorted(row["start"] for row in rows)
    third = [row for row in rows if row["start"] == "2026-06-01T01:30:00Z" and row["account"] == "sun"]
    assert [
        (row["version"], row["energy_wh"], row["cost"], row["booked_at"], row["replaced_at"], row["restatement"])
        for row in third
    ] == [
        ("1", "-400", "-0.022000", "2026-06-03T02:00:00.250000Z", "2026-06-03T02:00:01Z", ""),
        ("2", "-500", "-0.027500", "2026-06-03T02:00:01Z", "2026-06-03T02:00:02Z", ""),
        ("3", "-500", "-0.040000", "2026-06-03T02:00:02Z", "", "1"),
    ]
    assert third[2]["reason"] == "restated: a word"
    tank = [row for row in rows if row["heater"] == "" and row["account"] == "tank"]
    assert [row["version"] for row in tank] == ["1", "2", "3"], "booked, revised, and its cost restated"


def test_json_lines_say_the_same_as_the_csv(path: Path, tmp_path: Path, says: Callable[..., str]) -> None:
    for name in ("journal.csv", "journal.jsonl"):
        says("export", tmp_path / name, "--ledger", path)
    with (tmp_path / "journal.csv").open(newline="") as text:
        rows = list(csv.DictReader(text))
    head, *lines = [json.loads(line) for line in (tmp_path / "journal.jsonl").read_text().splitlines()]
    assert head == {"schema": "brimful.journal/1", "home": "Quay Cottage", "currency": "EUR"}
    assert len(lines) == len(rows)
    for line, row in zip(lines, rows, strict=True):
        assert {name: "" if cell is None else cell for name, cell in line.items()} == {
            **row,
            **{name: int(row[name]) for name in ("version", "line", "energy_wh")},
            **{name: float(row[name]) for name in ("cost", "carbon_kg")},
            **({"restatement": int(row["restatement"])} if row["restatement"] else {}),
        }
    assert not list(tmp_path.glob("*.part"))


def test_parquet_says_the_same_as_the_csv(path: Path, tmp_path: Path, says: Callable[..., str]) -> None:
    """Read back by the reference library of the format."""
    from pyarrow import parquet

    for name in ("journal.csv", "journal.parquet"):
        says("export", tmp_path / name, "--ledger", path)
    with (tmp_path / "journal.csv").open(newline="") as text:
        rows = list(csv.DictReader(text))
    table = parquet.read_table(tmp_path / "journal.parquet")
    assert table.schema.metadata == {b"schema": b"brimful.journal/1", b"home": b"Quay Cottage", b"currency": b"EUR"}
    assert table.column_names == list(rows[0])
    assert table.num_rows == len(rows)
    for line, row in zip(table.to_pylist(), rows, strict=True):
        for name, cell in line.items():
            if isinstance(cell, datetime):
                assert cell == datetime.fromisoformat(row[name])
            else:
                assert ("" if cell is None else str(cell)) == row[name]
    assert (tmp_path / "journal.parquet").stat().st_mode & 0o777 == 0o600
    assert not list(tmp_path.glob("*.part"))


def test_without_the_extra_parquet_is_refused_with_what_to_do(
    path: Path, tmp_path: Path, says: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    said = says("export", tmp_path / "journal.parquet", "--ledger", path, code=2)
    assert said.startswith("parquet: expected the library pyarrow")
    assert not list(tmp_path.glob("journal*"))


def answers(path: Path) -> list[object]:
    with Ledger.open_reader(path) as ledger:
        told: list[object] = [value_report(ledger, "day")]
        told += [value_report(ledger, "day", as_of_s=END_S + at_s) for at_s in (0, 0.25, 1, 2)]
        told += [list(ledger.chains(0, 1e11)), list(ledger.tank_entries(0, 1e11)), ledger.restatements()]
        told += [ledger.events(0, 1e11), ledger.tape(0, 1e11), ledger.state("meter"), ledger.outbox_depth()]
        assert ledger.integrity() == []
        return told


def test_a_ledger_read_back_answers_as_the_first_did(path: Path, tmp_path: Path, says: Callable[..., str]) -> None:
    kept, back = tmp_path / "kept.ledger", tmp_path / "back.sqlite"
    says("export", kept, "--ledger", path)
    says("export", kept, "--read-back", "--ledger", back)
    assert answers(back) == answers(path)
    assert list(dumped(back)) == list(dumped(path)) == kept.read_text().splitlines()
    assert back.stat().st_mode & 0o777 == 0o600
    with (
        LedgerWriter.open(back, Ledger.open_reader(back).facts()) as ledger,
        pytest.raises(sqlite3.IntegrityError, match="append-only"),
    ):
        ledger._db.execute("DELETE FROM entry")
    assert "does not exist yet" in says("export", kept, "--read-back", "--ledger", back, code=2)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda lines: lines[:-1], "it ends before its last line"),
        (lambda lines: [*lines[:40], *lines[41:]], "rows and their checksum"),
        (lambda lines: [line.replace('"settled"', '"Settled"') for line in lines], "rows and their checksum"),
        (lambda lines: lines[1:], 'expected "format": "brimful.ledger/1" in the first line'),
        (lambda lines: [lines[0].replace('"schema":', '"schema":9'), *lines[1:]], "this program knows 1 to"),
        (lambda lines: [*lines[:20], "?", *lines[20:]], "expected a JSON list or object"),
        (lambda lines: [*lines[:4], "[1]", *lines[4:]], "cells, got 1"),
        (lambda lines: [lines[0], '{"table":"entry; DROP TABLE entry","columns":["a"]}', *lines[1:]], "has no table"),
        (lambda lines: [line.replace('"base64"', '"b"') for line in lines], "base64"),
        (
            lambda lines: list(_summed(line for line in lines[:-1] if line[:6] != "[1,178")),
            "that is not there",
        ),
        (lambda lines: [], "it ends before its last line"),
    ],
)
def test_what_has_been_changed_or_cut_short_makes_nothing(
    path: Path, tmp_path: Path, spoil: Callable[[list[str]], list[str]], said: str
) -> None:
    back = tmp_path / "back.sqlite"
    with pytest.raises(BrimfulError) as refused:
        read_back(spoil(list(dumped(path))), "kept.ledger", back)
    assert said in str(refused.value)
    assert "kept.ledger, line " in str(refused.value)
    assert not list(tmp_path.glob("back*"))


def test_what_makes_no_sense_is_refused(path: Path, tmp_path: Path, says: Callable[..., str]) -> None:
    assert "expected an ending of csv, jsonl, parquet, ledger" in says(
        "export", tmp_path / "x.txt", "--ledger", path, code=2
    )
    assert "there is no such file" in says("export", "x.csv", "--ledger", tmp_path / "none", code=2)
    assert "alone" in says("export", "x.csv", "--read-back", code=2)
    assert "cannot be read" in says("export", tmp_path / "none", "--read-back", "--ledger", tmp_path / "b", code=2)
    assert "cannot be written" in says("export", tmp_path / "no" / "x.csv", "--ledger", path, code=2)
    (tmp_path / "bytes").write_bytes(b"\xff\xfe")
    assert "line 1: expected a JSON" in says(
        "export", tmp_path / "bytes", "--read-back", "--ledger", tmp_path / "b", code=2
    )


def test_no_secret_leaves_with_the_ledger(tmp_path: Path, says: Callable[..., str]) -> None:
    """Of a daemon that uses three of them: the broker's, the database's, and its own token."""
    file = tmp_path / "home.toml"
    text = TWO_HEATERS.replace(
        "port = 1884", f'port = {free_port()}\nusername = "barn"\npassword_file = "secrets/broker"'
    )
    file.write_text(f"{text}\n[api]\nport = {free_port()}\n")
    (tmp_path / "secrets").mkdir()
    for name in ("series", "broker"):
        (tmp_path / "secrets" / name).write_text(f"hush-{name}")
        (tmp_path / "secrets" / name).chmod(0o600)
    for name in ("prices.csv", "carbon.csv"):
        (tmp_path / name).write_text("time,value\n2026-01-01T00:00Z,0.2\n")
    home = load(file)
    address = broker_address(home)
    assert address is not None
    assert address.password == "hush-broker"
    service = Service(prepare(home), address, SteppedClock(NOON_S), stepped_from_s=NOON_S)
    service.start()
    service.stop()
    assert service.join(10.0)
    kept = tmp_path / "kept.ledger"
    says("export", kept, "--home", file)
    tokens = [one.read_text().strip() for one in tmp_path.iterdir() if "token" in one.name]
    assert tokens
    for secret in ("hush", *tokens):
        assert secret not in kept.read_text()
