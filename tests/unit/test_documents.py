"""README and deploy/docs: every command parses, every link leads somewhere, every file named is there."""

import json
import re
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import click
import pytest
import tomlkit
from click.testing import CliRunner, Result

from accounting.ledger import Batch, DecisionRow, LedgerWriter
from daemon.assembly.endpoints import facts
from daemon.cli.main import COMMANDS, commands
from daemon.config.load import load, parse
from daemon.config.places import keys_of
from daemon.config.rule_tables import TABLES
from rules.guards import GUARDS
from rules.model.orders import Order
from tests.support import study_house
from tests.support.homes import EXAMPLE
from tests.support.shown_commands import DOCS, DOCUMENTS, REPO, WRITTEN, ShownCommand, shown_commands, toml_blocks

SHOWN = shown_commands()


def test_there_is_something_to_look_at() -> None:
    assert len(SHOWN) > 60
    assert {each.arguments[0] for each in SHOWN if each.arguments} >= set(COMMANDS) - {"listen"}
    assert len(DOCUMENTS) > 12
    assert len(toml_blocks()) > 6


def test_a_block_of_commands_is_indented_from_its_first_line() -> None:
    wrong = []
    for document in DOCUMENTS:
        lines = document.read_text(encoding="utf-8").splitlines()
        for before, line in pairwise(lines):
            begun = not before.strip() or before.startswith((" ", "-", "*")) or before[0].isdigit()
            if line.startswith("    ") and not begun:
                wrong.append(f"{document.name}: {before}")
    assert wrong == []


def parsed(arguments: list[str]) -> None:
    """As the command line parses them; nothing is done. Raises click.UsageError."""
    context = commands.make_context("brimful", list(arguments))
    command: click.Command = commands
    rest = [*context._protected_args, *context.args]
    while isinstance(command, click.Group):
        name, below, rest = command.resolve_command(context, rest)
        assert below is not None
        assert name is not None
        command = below
        context = command.make_context(name, rest, parent=context)


@pytest.mark.parametrize("shown", SHOWN, ids=lambda shown: shown.place[:100])
def test_every_command_shown_parses(shown: ShownCommand, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    arguments = ["0" * 32 if word == "DIGEST" else word for word in shown.arguments]
    if "--help" in arguments or (arguments and arguments[0].lower().endswith(".toml")):
        return  # deploy/start HOME.toml runs the daemon on it
    if not arguments or arguments[0].startswith("--"):
        arguments = ["demo", *arguments]  # as deploy/start does
    if not shown.whole and len(arguments) == 1:
        assert arguments[0] in COMMANDS
        return
    parsed(arguments)


@pytest.mark.parametrize(
    "wrong", [["valu"], ["value", "--buy", "month"], ["override", "surplus", "--for", "soon"], ["run"]]
)
def test_what_does_not_parse_is_found(wrong: list[str]) -> None:
    with pytest.raises(click.UsageError):
        parsed(wrong)


def test_the_keys_of_rules_that_are_set_are_keys() -> None:
    seen = 0
    for shown in SHOWN:
        if shown.arguments[:1] == ["rule"]:
            plain = [word for word in shown.arguments[1:] if not word.startswith("-") and not word.endswith(".toml")]
            if plain and plain[0] not in {"NAME", "HOME.toml"}:
                name, *settings = plain
                known = keys_of(TABLES[name])
                assert {setting.split("=")[0] for setting in settings} <= set(known), shown.place
                seen += 1
    assert seen > 3


BASE = (
    EXAMPLE.read_text()
    .replace('orders = { withhold = "0", surplus = "1" }', 'orders = { withhold = "0", surplus = "1", heat = "2" }')
    .replace("[signals.battery_w]", '[signals.tank_bottom_c]\ntopic = "tern/low"\n[signals.battery_w]')
)


@pytest.mark.parametrize(("place", "text"), toml_blocks(), ids=lambda each: each.split("\n")[0])
def test_every_piece_of_a_home_file_loads(place: str, text: str, tmp_path: Path) -> None:
    home = _merged(tomllib.loads(BASE), tomllib.loads(text))
    parse(tomlkit.dumps(home).encode(), tmp_path / "home.toml")


def _merged(under: dict[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    for key, value in over.items():
        inner = under.get(key)
        under[key] = _merged(inner, value) if isinstance(inner, dict) and isinstance(value, dict) else value
    return under


def _anchors(path: Path) -> set[str]:
    headings = re.findall(r"^#+ (.+)$", path.read_text(), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(REPO)))
def test_every_link_leads_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", path.read_text()):
        file, _, anchor = target.partition("#")
        there = (path.parent / file).resolve() if file else path
        assert there.is_file(), target
        assert there.is_relative_to(REPO)
        assert not anchor or anchor in _anchors(there), target


def test_every_document_can_be_reached_from_the_readme() -> None:
    seen, new = set(), {REPO / "README.md"}
    while new:
        path = new.pop()
        seen.add(path)
        for target in re.findall(r"\]\(([^)#\s]+\.md)", path.read_text()):
            new |= {(path.parent / target).resolve()} - seen
    assert set(DOCUMENTS) <= seen


@pytest.mark.parametrize("path", [*WRITTEN, REPO / "DEVELOPERS.md"], ids=lambda path: str(path.relative_to(REPO)))
def test_every_file_named_is_there(path: Path) -> None:
    named = re.findall(r"(?<![\w/])(?:deploy|tests|daemon|accounting|rules)/[\w./-]*\w", path.read_text())
    made = "tests/.cache"  # by running the tests
    assert sorted({name for name in named if not (REPO / name).exists() and not name.startswith(made)}) == []


@pytest.mark.parametrize("path", WRITTEN, ids=lambda path: str(path.relative_to(REPO)))
def test_every_module_to_be_run_is_there(path: Path) -> None:
    for module in re.findall(r"\bpython -m ((?:daemon|tests)[\w.]+)", path.read_text()):
        file = REPO / Path(*module.split("."))
        assert file.with_suffix(".py").is_file(), module


def test_the_picture_has_what_the_text_beside_it_names() -> None:
    picture = (DOCS / "pictures" / "day.svg").read_text()
    for words in ("stop at 95 %", "go on below 88 %", "sun to the tank", "tank full", "confirmed stop at 14:43"):
        assert words in picture


def test_the_readme_names_the_rules_in_their_order() -> None:
    text = (REPO / "README.md").read_text().partition("## The rules\n")[2].partition("\n## ")[0]
    assert re.findall(r"\*\*([a-z]+)\*\*", text) == [guard.NAME for guard in GUARDS]


def test_the_readme_stays_short() -> None:
    assert len((REPO / "README.md").read_text().splitlines()) <= 160


def test_the_commands_for_every_day_answer_on_a_small_ledger(tmp_path: Path) -> None:
    """Replay makes the ledger; the other commands ask it."""
    home = tmp_path / "home.toml"
    home.write_text(study_house.HOME + "\n[ledger]\npath = 'small.sqlite'\n[api]\nport = 1\n")
    lines = ["time,grid_w,tank_level_pct,diverted_w"]
    for minute in range(2 * 1440):
        at = datetime(2026, 6, 1, tzinfo=UTC) + timedelta(minutes=minute)
        lines.append(f"{at.isoformat()},{_grid_w(at.hour)},{40 + at.hour + at.minute / 60},{_heater_w(at.hour)}")
    readings = tmp_path / "readings.csv"
    readings.write_text("\n".join(lines) + "\n")
    study_house.write(tmp_path / "past.csv", study_house.rows(1.0))

    def run(*arguments: object, code: int = 0) -> Result:
        done = CliRunner().invoke(commands, [str(each) for each in arguments])
        assert done.exit_code == code, (arguments, done.output, done.exception)
        return done

    def answer(*arguments: object) -> Any:
        return json.loads(run(*arguments, "--json").stdout)

    ledger, here = tmp_path / "small.sqlite", ("--home", home)
    replayed = answer("replay", home, readings, "--ledger", ledger)
    assert replayed["value"]["total"]["diverted_kwh"] > 1
    value = answer("value", *here, "--by", "day")
    assert value["total"]["diverted_kwh"] == replayed["value"]["total"]["diverted_kwh"]
    with LedgerWriter.open(ledger, facts(load(home))) as writer:  # a replay books, and notes no decision
        noon_s = datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp()
        noted = DecisionRow(noon_s, "main", Order.SURPLUS, None, "surplus", "taking surplus")
        writer.commit(Batch(noon_s, decisions=(noted,)))
    why = answer("why", *here, "--at", "2026-06-01T14:30")
    assert why["order"] == "surplus"
    assert answer("rule", *here)["rules"]["full"]["stop_at_pct"]["value"] == 95
    run("rule", *here, "full", "stop_at_pct=92")
    assert answer("rule", *here, "full")["rules"]["full"]["stop_at_pct"]["value"] == 92
    assert answer("stock", *here, "--from", "2026-06-01", "--to", "2026-06-03")["schema"] == "brimful.stock/1"
    assert answer("verdict", *here)["schema"] == "brimful.verdict/1"
    assert answer("plan", *here)["schema"] == "brimful.plan/1"
    studied = answer("study", home, tmp_path / "past.csv", "--vary", "rules.full.stop_at_pct=80,90", "--workers", "1")
    assert len(studied["variants"]) == 3
    assert "ok   configuration  home.toml" in run("check", home, "--seconds", "0.1").stdout
    run("verify", *here)
    run("export", tmp_path / "journal.csv", *here)
    assert (tmp_path / "journal.csv").read_text().count("\n") > 10


def _heater_w(hour: int) -> int:
    return 900 if 11 <= hour < 14 else 0


def _grid_w(hour: int) -> int:
    return -100 if _heater_w(hour) else -900 if 10 <= hour < 15 else 250
