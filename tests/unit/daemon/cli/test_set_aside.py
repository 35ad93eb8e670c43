"""A counter's difference is what is booked and what is set aside, in whichever form the statement is asked for."""

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from daemon.cli.main import commands

HOME = """
[home]
name = "Quay Cottage"
timezone = "Europe/Dublin"
currency = "EUR"
[signals.grid_w]
topic = "quay/grid"
[signals.tank_level_pct]
topic = "quay/level"
[signals.diverted_wh]
topic = "quay/wh"
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "quay/gate"
orders = { withhold = "0", surplus = "1" }
"""


def replayed(folder: Path, values: list[int], *arguments: str) -> str:
    """The counter's readings every 10 s, replayed, and the answer to `value`."""
    (folder / "home.toml").write_text(HOME)
    rows = ["time,grid_w,tank_level_pct,diverted_wh"]
    for number, value in enumerate(values):
        hours, seconds = divmod(number * 10, 3600)
        rows.append(f"2026-06-01T{hours:02}:{seconds // 60:02}:{seconds % 60:02}Z,-500,50,{value}")
    (folder / "readings.csv").write_text("\n".join(rows) + "\n")
    ledger = str(folder / "quay.sqlite")
    run = CliRunner()
    done = run.invoke(commands, ["replay", str(folder / "home.toml"), str(folder / "readings.csv"), "--ledger", ledger])
    assert done.exit_code == 0, done.output
    asked = run.invoke(commands, ["value", "--home", str(folder / "home.toml"), "--ledger", ledger, *arguments])
    assert asked.exit_code == 0, asked.output
    return asked.stdout


def test_a_counter_in_steps_of_a_kwh_shows_all_of_its_energy(tmp_path: Path) -> None:
    """3 kW from 5,000 Wh on, told in whole kWh, with the default resolution."""
    values = [5000 + number * 10 * 3000 // 3_600_000 * 1000 for number in range(1300)]
    total = json.loads(replayed(tmp_path, values, "--json"))["total"]
    assert (total["diverted_kwh"], total["set_aside_kwh"]) == (10.0, 0.0)


def test_the_difference_of_the_counter_is_booked_and_set_aside(tmp_path: Path) -> None:
    values = [1203 + number + (8000 if number > 100 else 0) for number in range(400)]
    answer = json.loads(replayed(tmp_path, values, "--json"))
    total = answer["total"]
    assert round(1000 * (total["diverted_kwh"] + total["set_aside_kwh"])) == values[-1] - values[0]
    assert total["set_aside_kwh"] == 8.001
    assert answer["set_aside_by_heater"] == {"main": 8.001}
    assert total["coverage_energy"] == pytest.approx(0.398 / 8.399, abs=1e-4), "what was set aside is not covered"
    (tmp_path / "again").mkdir()
    (row,) = csv.DictReader(io.StringIO(replayed(tmp_path / "again", values, "--csv")))
    assert row["set_aside_kwh"] == "8.001"
    (tmp_path / "text").mkdir()
    said = " ".join(replayed(tmp_path / "text", values).split())
    assert "The counters show 8.399 kWh: 0.398 booked and 8.001 set aside" in said
