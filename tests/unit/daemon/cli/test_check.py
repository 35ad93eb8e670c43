"""check as a person sees it before, and while, a daemon runs; and paths that the system refuses to look at."""

import json
import os
import pty
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import daemon.web.api.client
from accounting.ledger import Batch, LedgerWriter
from daemon.assembly.endpoints import facts
from daemon.cli.main import commands, main
from daemon.config.load import load
from tests.support.broker import free_port
from tests.support.homes import SMALL
from tests.support.ledgers import START_S, entry


@pytest.fixture
def home(tmp_path: Path) -> Path:
    path = tmp_path / "home.toml"
    path.write_text(f"{SMALL}\n[api]\nport = {free_port()}\n")
    return path


def checked(home: Path) -> tuple[int, dict[str, tuple[bool, str]]]:
    """check's exit code, and its last line of each name."""
    done = CliRunner().invoke(commands, ["check", str(home), "--json"])
    told = json.loads(done.stdout)
    assert told["ok"] is (done.exit_code == 0)
    return done.exit_code, {line["name"]: (line["ok"], line["sentence"]) for line in told["checks"]}


def test_a_new_home_is_well_and_no_daemon_is_said(home: Path) -> None:
    code, told = checked(home)
    assert code == 0
    assert told["ledger"] == (True, "brimful.sqlite: not there yet, the daemon makes it")
    assert told["backup"] == (True, "none yet")
    assert told["daemon"] == (True, f"none runs here; start it with: brimful run {home}")


def test_what_is_kept_for_a_database_waits_only_where_there_is_one(home: Path) -> None:
    with LedgerWriter.open(home.with_name("brimful.sqlite"), facts(load(home))) as ledger:
        ledger.commit(Batch(START_S, (entry(0), entry(1))))
    assert checked(home)[1]["ledger"] == (True, "brimful.sqlite: sound")
    home.write_text(
        home.read_text() + f'[timeseries]\nkind = "victoriametrics"\nurl = "http://127.0.0.1:{free_port()}"\n'
    )
    assert checked(home)[1]["ledger"] == (True, "brimful.sqlite: sound, waiting to be sent: 2 intervals")


def test_a_ledger_whose_folder_is_missing_is_not_well(home: Path) -> None:
    home.write_text(home.read_text() + '[ledger]\npath = "stick/brimful.sqlite"\n')
    code, told = checked(home)
    assert code == 1
    assert told["ledger"] == (False, "brimful.sqlite: its folder does not exist; make it, or mount the disk it is on")


def test_a_folder_in_the_ledgers_place_is_called_one(home: Path) -> None:
    home.with_name("brimful.sqlite").mkdir()
    code, told = checked(home)
    assert code == 1
    assert told["ledger"] == (
        False,
        f"{home.with_name('brimful.sqlite')}: expected a file, got a folder; name the file in it",
    )


def test_a_ledger_that_is_gone_though_backed_up_is_not_well(home: Path) -> None:
    ledger = home.with_name("brimful.sqlite")
    with LedgerWriter.open(ledger, facts(load(home))) as books:
        books.commit(Batch(START_S + 1800, (entry(0),)))
    assert CliRunner().invoke(commands, ["backup", "--home", str(home)]).exit_code == 0
    ledger.unlink()
    code, told = checked(home)
    assert code == 1
    well, sentence = told["ledger"]
    assert not well
    assert "it is gone or empty, but there are backups of it; its newest sound backup goes back with:" in sentence


def test_a_named_folder_for_backups_that_is_missing_is_not_well(home: Path) -> None:
    home.write_text(home.read_text() + '[ledger.backup]\nfolder = "stick"\n')
    code, told = checked(home)
    assert code == 1
    folder = home.with_name("stick")
    assert told["backup"] == (False, f"{folder}: there is no such folder; make the folder, or mount the disk it is on")
    home.write_text(home.read_text() + "enabled = false\n")
    assert checked(home)[1]["backup"] == (True, "none, and the home file asks for none")


def test_a_daemon_that_does_not_answer_is_not_well(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It listens, for the kernel does that, but nobody is there."""
    monkeypatch.setattr(daemon.web.api.client, "WITHIN_S", 0.2)
    with socket.create_server(("127.0.0.1", load(home).api.port)):
        code, told = checked(home)
    assert code == 1
    well, sentence = told["daemon"]
    assert not well
    assert "expected an answer within 0.2 s, got none; a daemon that hangs is ended by its watchdog" in sentence


def test_on_a_terminal_its_lines_fit(home: Path) -> None:
    ours, its = pty.openpty()
    command = [sys.executable, "-c", "from daemon.cli import main; main()", "check", home.name]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[4]), "COLUMNS": "80"}
    process = subprocess.Popen(command, stdout=its, cwd=home.parent, env=environment)
    os.close(its)
    said = b""
    try:
        while piece := os.read(ours, 65536):
            said += piece
    except OSError:
        pass  # how Linux says that nobody has the other end open any more
    finally:
        os.close(ours)
    assert process.wait(30) == 0
    lines = said.decode().splitlines()
    assert max(map(len, lines)) <= 80
    assert [line[:5] for line in lines if "BAD" in line] == []
    caution = next(place for place, line in enumerate(lines) if line.startswith("note caution"))
    assert lines[caution + 1].startswith(" " * 20), "the rest of a sentence stands below its beginning"
    piped = subprocess.run(command, capture_output=True, text=True, cwd=home.parent, env=environment, check=True)
    assert max(map(len, piped.stdout.splitlines())) > 80, "a line each for a program"


TOO_LONG = "x" * 300
"""A name that the system refuses to look at whoever asks; a folder that may not be entered is refused alike, but not to
root, who may run the tests."""


@pytest.mark.parametrize(
    "arguments",
    [
        ["run", f"{TOO_LONG}.toml"],
        ["check", f"{TOO_LONG}.toml"],
        ["why", "--home", f"{TOO_LONG}.toml"],
        ["why", "--at", "2026-06-10", "--ledger", TOO_LONG],
        ["verify", "--ledger", TOO_LONG],
        ["backup", TOO_LONG],
        ["backup", "--ledger", TOO_LONG],
        ["restore", TOO_LONG],
        ["restore", "home.toml", "--ledger", TOO_LONG],
        ["value", "--ledger", TOO_LONG],
        ["restate", "--ledger", TOO_LONG],
        ["export", f"{TOO_LONG}.csv"],
        ["export", "-", "--format", "csv", "--ledger", TOO_LONG],
        ["replay", "home.toml", f"{TOO_LONG}.csv"],
        ["replay", "home.toml", "home.toml", "--ledger", TOO_LONG],
        ["demo", "--days", "1", "--headless", "--folder", TOO_LONG],
    ],
    ids=lambda arguments: " ".join(arguments).replace(TOO_LONG, "LONG"),
)
def test_a_path_that_cannot_be_looked_at_is_refused_in_words(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    monkeypatch.chdir(home.parent)
    LedgerWriter.open("brimful.sqlite", facts(load(home))).close()
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    told = capsys.readouterr().err.strip()
    assert ended.value.code == 2
    assert "too long" in told.lower()
    assert TOO_LONG in told
    assert "Traceback" not in told


@pytest.mark.parametrize("command", [["run"], ["check"]])
def test_a_ledger_that_cannot_be_looked_at_is_said(
    home: Path, capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    home.write_text(home.read_text() + f'[ledger]\npath = "{TOO_LONG}"\n[broker]\nhost = "127.0.0.1"\nport = 9\n')
    with pytest.raises(SystemExit) as ended:
        main([*command, str(home)])
    said = capsys.readouterr()
    assert ended.value.code == (2 if command == ["run"] else 1)
    assert "it cannot be looked at (File name too long); check its folder's permissions" in said.err + said.out


def test_reconcile_says_nothing_of_a_database_that_it_did_not_ask(home: Path) -> None:
    url = f"http://127.0.0.1:{free_port()}"  # nobody is there
    home.write_text(f'{home.read_text()}[timeseries]\nkind = "victoriametrics"\nurl = "{url}"\n')
    LedgerWriter.open(home.with_name("brimful.sqlite"), facts(load(home))).close()
    done = CliRunner().invoke(commands, ["reconcile", "--home", str(home)])
    assert done.stdout.splitlines() == ["Wren Hut: ledger and time-series database", "Nothing is booked yet."]
    assert done.exit_code == 0


SOLD_DEAR = """
[tariffs.sell]
direction = "export"
[[tariffs.sell.periods]]
from = 2020-01-01
bands = [{ name = "all", price = 0.30 }]
[[displaces]]
source = "gas boiler"
share = 1
price = 0.10
"""


@pytest.mark.parametrize(("more", "said"), [("", True), ("[rules.worth]\nenabled = true\n", False)])
def test_a_kwh_that_loses_money_is_said_unless_the_rule_stops_it(tmp_path: Path, more: str, said: bool) -> None:
    path = tmp_path / "home.toml"
    path.write_text(SMALL + SOLD_DEAR + more)
    lines = json.loads(CliRunner().invoke(commands, ["check", str(path), "--seconds", "0.1", "--json"]).stdout)[
        "checks"
    ]
    losing = [line["sentence"] for line in lines if "now loses" in line["sentence"]]
    assert bool(losing) is said
    if said:
        assert losing[0].startswith(
            "each kWh diverted now loses 0.2000 EUR: sold it brings 0.3000, as heat it saves 0.1000"
        )


def test_a_heater_whose_topic_is_still_an_example_may_only_be_watched(home: Path) -> None:
    home.write_text(home.read_text().replace("hut/permit", "not-heard-yet/heater/permit"))
    code, told = checked(home)
    assert code == 1
    assert "still an example" in told["heater"][1]
    home.write_text(home.read_text().replace('currency = "EUR"', 'currency = "EUR"\nmode = "watch"'))
    code, told = checked(home)
    assert (code, told["heater"][0]) == (0, True)
    assert told["mode"] == (True, 'watching: no orders are sent; with home.mode = "control" they are')
