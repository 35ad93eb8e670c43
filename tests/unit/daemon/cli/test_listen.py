"""listen without a broker: what it prints, the kettle it asks for, and what it refuses."""

import json
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import daemon.cli.listen
from daemon.cli.main import commands
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.setup.survey import Survey
from tests.support.heard import listened

_SLEEP = time.sleep
HOST = ["listen", "--host", "broker.tern.example"]


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> list[BrokerAddress]:
    """A survey of a house whose meter is turned; a kettle goes on when it is asked for. Whom it listened to."""
    asked: list[BrokerAddress] = []
    kettle = {"on": False}

    def survey(broker: BrokerAddress, seconds: float, wait: Callable[[float], object]) -> Survey:
        asked.append(broker)
        found = Survey(seconds=seconds)

        def sleep(seconds: float) -> None:
            begun_s = time.monotonic() - 100 * (not kettle["on"])
            for second in range(10):
                power_w = -300 - 2100 * kettle["on"]
                listened(found, begun_s + second, {"meter/power": str(power_w).encode(), "tank/level": b"61%"})
            kettle["on"] = True

        monkeypatch.setattr(time, "sleep", sleep)
        (sleep if wait is _SLEEP else wait)(seconds)
        return found

    monkeypatch.setattr(daemon.cli.listen, "survey", survey)
    return asked


def _run(*arguments: str, text: str = "") -> Result:
    return CliRunner().invoke(commands, [*HOST, *arguments], input=text)


def test_topics_with_their_pace_and_the_tables(heard: list[BrokerAddress]) -> None:
    said = _run("--port", "1884", "--username", "brim").output
    assert "# meter/power  (10, every 1 s)  -300" in said
    assert "[signals.tank_level_pct]" in said
    assert "balance: it needs grid_w, and house_w" in said
    assert (heard[0].host, heard[0].port, heard[0].username) == ("broker.tern.example", 1884, "brim")


def test_what_a_device_sends_steers_no_terminal_and_begins_no_line(
    heard: list[BrokerAddress], monkeypatch: pytest.MonkeyPatch
) -> None:
    def survey(broker: BrokerAddress, seconds: float, wait: Callable[[float], object]) -> Survey:
        found = Survey(seconds=seconds)
        listened(found, 1.0, {"odd/\x1b]0;x\x07": b"1\n[ledger]\npath = \x1b[2J", "odd": b'{"\\u001b[2J\\n[api]": 1}'})
        found.faults.append("refused \x1b[2J")
        return found

    monkeypatch.setattr(daemon.cli.listen, "survey", survey)
    said = _run().output
    assert "\x1b" not in said
    assert "\x07" not in said
    assert not [line for line in said.splitlines() if line.startswith(("[ledger]", "[api]", "path"))]
    assert "1\\n[ledger]\\npath = \\x1b[2J" in said


def test_the_sign_test_asks_for_a_kettle_and_turns_the_meter(heard: list[BrokerAddress], tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    done = _run("--sign-test", "--write", str(new), "--json", text="\n")
    assert "Switch a kettle on now" in done.stderr
    told = json.loads(done.stdout)
    assert any(note.startswith('sign test: "meter/power" moved by -2100 (W)') for note in told["notes"])
    home = load(new)
    assert home.signals["grid_w"].scale == -1
    assert "# sign test:" in new.read_text()


def test_what_is_known_of_the_house_goes_along(heard: list[BrokerAddress], tmp_path: Path) -> None:
    old, new = tmp_path / "home.toml", tmp_path / "new.toml"
    about = '[home]\nname = "Tern House"\ntimezone = "Europe/Lisbon"\ncurrency = "GBP"\n'
    old.write_text(f'{about}[broker]\nhost = "tern"\ntls = true\nca_file = "ca.pem"\n')
    done = CliRunner().invoke(commands, ["listen", str(old), "--write", str(new)])
    assert done.exit_code == 0, done.output
    home = load(new)
    assert (home.home.name, home.home.timezone, home.home.currency) == ("Tern House", "Europe/Lisbon", "GBP")
    assert home.broker is not None
    assert (home.broker.host, home.broker.tcp_port, home.broker.ca_file) == ("tern", 8883, "ca.pem")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["listen"], "expected a home file or --host, got neither"),
        (["listen", "home.toml", "--host", "tern"], "expected a home file or --host, got both"),
        ([*HOST, "--username", "brim", "--password-file", "/nowhere/at-all"], "expected a file at /nowhere/at-all"),
    ],
)
def test_what_it_cannot_do_is_said(arguments: list[str], words: str) -> None:
    assert words in str(CliRunner().invoke(commands, arguments).exception)


def test_a_file_that_is_there_is_refused_before_anything_is_heard(heard: list[BrokerAddress], tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    new.write_text("mine")
    assert "--force" in str(_run("--write", str(new)).exception)
    assert heard == []
    assert new.read_text() == "mine"
    assert _run("--write", str(new), "--force").exit_code == 0
    assert load(new).watches


def test_the_machines_time_zone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", ":Europe/Lisbon")
    assert daemon.cli.listen.machine_timezone() == "Europe/Lisbon"
    monkeypatch.setenv("TZ", "CET-1CEST")
    assert daemon.cli.listen.machine_timezone() is None
