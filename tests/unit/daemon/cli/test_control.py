"""rule without a daemon, and the durations people write."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from daemon.cli.main import commands
from daemon.cli.options import Duration
from rules.model.errors import BrimfulError
from tests.support.broker import free_port
from tests.support.homes import SMALL


@pytest.fixture
def home(tmp_path: Path) -> Path:
    path = tmp_path / "home.toml"
    path.write_text(f"{SMALL}\n[rules.full]\nstop_at_pct = 90  # ours\n\n[api]\nport = {free_port()}\n")
    return path


def run(home: Path, *arguments: str) -> Result:
    return CliRunner().invoke(commands, [*arguments, "--home", str(home)])


def test_the_file_is_shown_where_no_daemon_runs(home: Path) -> None:
    told = run(home, "rule", "full").stdout.splitlines()
    assert told[0] == "[rules.full]"
    assert told[1].split() == ["stop_at_pct", "90"]
    assert told[2].split() == ["resume_below_pct", "83", "(default)"]
    shown = json.loads(run(home, "rule", "--json").stdout)
    assert shown["schema"] == "brimful.rule/1"
    assert shown["rules"]["full"]["stop_at_pct"] == {"value": 90, "set": True}
    assert set(shown["rules"]) >= {"full", "surplus", "worth", "yield", "heaters"}


def test_the_file_is_changed_where_no_daemon_runs(home: Path) -> None:
    done = run(home, "rule", "full", "stop_at_pct=92", "resume_below_pct=80")
    assert done.exit_code == 0
    assert "rules.full.stop_at_pct: 90 → 92" in done.stdout
    assert "no daemon is running, it holds from the next start" in done.stderr
    assert "stop_at_pct = 92  # ours" in home.read_text()
    assert json.loads(run(home, "rule", "full", "stop_at_pct=91", "--json").stdout)["applied"] is False


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["rule", "fill"], "fill: expected one of limit, full"),
        (["rule", "full", "stop_at_pct=195"], "rules.full.stop_at_pct"),
        (["rule", "full", "stop_at_pct=high"], "rules.full.stop_at_pct"),
        (["rule", "full", "stop=90"], "expected a known key"),
    ],
)
def test_what_makes_no_sense_is_refused_and_not_written(home: Path, arguments: list[str], told: str) -> None:
    before = home.read_text()
    done = run(home, *arguments)
    assert isinstance(done.exception, BrimfulError)
    assert told in str(done.exception)
    assert home.read_text() == before


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["rule", "full", "stop_at_pct"], "expected KEY=VALUE, got 'stop_at_pct'"),
        (["override", "surplus"], "an override always ends"),
        (["override", "surplus", "--for", "a while"], "expected a duration like 90min, 2h or 1d"),
        (["override", "boil", "--for", "1h"], "'boil' is not one of"),
    ],
)
def test_what_cannot_be_understood_ends_with_2(home: Path, arguments: list[str], told: str) -> None:
    done = run(home, *arguments)
    assert done.exit_code == 2
    assert told in done.stderr


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90min", 5400), ("90m", 5400), ("2h", 7200), ("1h30m", 5400), ("1 d", 86_400), ("0.5h", 1800), ("45 s", 45)],
)
def test_durations(text: str, seconds: float) -> None:
    assert Duration().convert(text, None, None) == seconds


def test_why_names_the_links_that_are_down_though_every_reading_is_fresh(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = {
        "sentence": "surplus: the tank has room",
        "findings": [],
        "links_down": {"readings": "nothing listens there"},
        "alarms": [],
    }
    monkeypatch.setattr("daemon.cli.control.ask", lambda *_: answer)
    assert "no link to the broker for readings: nothing listens there" in run(home, "why").stdout


def test_a_rule_that_is_asked_for_by_name_explains_its_keys(home: Path) -> None:
    told = run(home, "rule", "full").stdout
    assert "resume_below_pct: There is room again below this level, %;" in " ".join(told.split())
    assert "mind Legionella" in " ".join(told.split())
    for name in json.loads(run(home, "rule", "--json").stdout)["rules"]:
        assert run(home, "rule", name).exit_code == 0


def test_a_short_command_loads_neither_ledger_nor_configuration() -> None:
    script = "import sys, daemon.cli.control\nprint(sorted({'sqlite3', 'pydantic', 'accounting'} & set(sys.modules)))"
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    assert ended.stdout.strip() == "[]"
