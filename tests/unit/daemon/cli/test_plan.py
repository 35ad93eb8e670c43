"""`brimful plan`: the contract's keys, 80 columns, read-only; and a plan that is off changes no bit of the books."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from accounting.ledger.dumping import dumped
from daemon.cli.main import commands
from tests.support.planned_past import HOME, lived

KEYS = {
    "schema",
    "home",
    "currency",
    "timezone",
    "made_at",
    "from",
    "to",
    "heat_wh",
    "target_level_pct",
    "runs",
    "expected_cost",
    "confidence",
    "cold_risk",
    "days_of_history",
    "forecast",
    "reasons",
    "past",
}
"""The contract's."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan")
    lived(folder, 6, hours=21, level_pct=5.0)
    return folder


def ask(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(commands, ["plan", "--home", str(folder / "home.toml"), *arguments])


def test_the_answer_for_programs(folder: Path) -> None:
    before = (folder / "brimful.sqlite").read_bytes()
    document = json.loads(ask(folder, "--json").output)
    assert set(document) >= KEYS
    assert document["schema"] == "brimful.plan/1"
    assert document["past"] == {"nights": 0, "mean_regret": None, "mean_short_wh": None, "mean_draw_error_wh": None}
    assert document["days_of_history"] == 6
    assert document["made_at"] == "2026-06-07T20:00:00Z"  # where the ledger ends
    assert document["to"] == "2026-06-08T20:00:00Z"
    (run,) = document["runs"]
    assert set(run) == {"from", "to", "wh", "target_level_pct"}
    assert run["wh"] == document["heat_wh"]
    assert [choice["level_pct"] for choice in document["choices"]] == [None, 0.0, 38.0, 57.0, 76.0, 95.0]
    assert len(document["half_hours"]) == 48
    assert (folder / "brimful.sqlite").read_bytes() == before


def test_the_answer_for_people(folder: Path) -> None:
    said = ask(folder).output
    assert all(len(line) <= 80 for line in said.splitlines())
    assert "Wren Hut: tonight's plan, as of Sunday 07 June 2026 21:00" in said
    plain = " ".join(said.split())
    assert "Heat " in plain
    for words in ("as planned", "nothing", "to 95 %", "taps run cold", "thermostat", "qualified installer", "Why"):
        assert words in plain, words
    assert "Against no heat from the grid at all, the plan costs" in plain
    assert "instead of 100 of 100 such days" in plain
    assert "Cold water costs nothing here" in plain
    assert "In no figure: standing charges, carbon, what other rules or timers heat" in plain


def test_another_ledger_and_another_time(folder: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "books.sqlite"
    elsewhere.write_bytes((folder / "brimful.sqlite").read_bytes())
    document = json.loads(ask(folder, "--ledger", str(elsewhere), "--at", "2026-06-05T18:00", "--json").output)
    assert document["made_at"] == "2026-06-05T17:00:00Z"
    assert document["days_of_history"] == 4


def test_a_ledger_without_anything_is_refused(tmp_path: Path) -> None:
    (tmp_path / "home.toml").write_text(HOME)
    result = ask(tmp_path)
    assert result.exit_code != 0


def test_off_and_advise_change_no_bit_of_the_books(tmp_path: Path) -> None:
    rows = ["time,grid_w,tank_level_pct,diverted_wh"]
    rows += [
        f"2026-06-0{day}T{hour:02}:{minute:02}:00Z,{-900 if 9 <= hour < 15 else 300},{40 + hour},"
        f"{day * 9000 + hour * 300}"
        for day in (1, 2)
        for hour in range(24)
        for minute in (0, 30)
    ]
    (tmp_path / "readings.csv").write_text("\n".join(rows) + "\n")
    books = []
    for place, more in enumerate(("", '[plan]\nmode = "off"\n', '[plan]\nmode = "advise"\nreserve_pct = 20\n')):
        (tmp_path / "home.toml").write_text(HOME + more)
        ledger = tmp_path / f"{place}.sqlite"
        arguments = ["replay", str(tmp_path / "home.toml"), str(tmp_path / "readings.csv"), "--ledger", str(ledger)]
        result = CliRunner().invoke(commands, arguments)
        assert result.exit_code == 0, result.output
        books.append((result.output.replace(ledger.name, "it"), list(dumped(ledger))))
    assert books[0] == books[1] == books[2]
    assert len(books[0][1]) > 90
