"""replay, from the command line, on files small enough to check with a pencil."""

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from daemon.cli.main import commands
from rules.errors import BrimfulError

HOME = """
[home]
name = "Rook House"
timezone = "Europe/London"
currency = "GBP"
[signals.grid_w]
topic = "rook/meter"
[signals.tank_level_pct]
topic = "rook/level"
[signals.diverted_wh]
topic = "rook/energy"
gap_s = 3600
resolution = 1
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "rook/permit"
orders = { withhold = "0", surplus = "1" }
[tariffs.buy]
direction = "import"
[[tariffs.buy.periods]]
from = 2026-01-01
bands = [{ name = "night", from = "02:00", to = "05:00", price = 0.08 }, { name = "day", price = 0.30 }]
[tariffs.sell]
direction = "export"
[[tariffs.sell.periods]]
from = 2026-01-01
bands = [{ name = "all", price = 0.055 }]
[carbon.grid]
kg_per_kwh = 0.25
basis = "average"
source = "invented"
year = 2026
[[displaces]]
source = "night electricity"
share = 1
tariff = "buy"
when = "next night"
carbon = "grid"
"""
ROW = {
    "start", "end", "diverted_kwh", "given_up", "avoided", "net", "avoided_kg", "given_up_kg", "net_kg", "coverage",
    "estimated_kwh", "open_kwh",
}  # fmt: skip


@pytest.fixture
def home(tmp_path: Path) -> Path:
    path = tmp_path / "home.toml"
    path.write_text(HOME)
    return path


def readings(home: Path, *rows: str) -> Path:
    path = home.parent / "readings.csv"
    path.write_text("time,grid_w,tank_level_pct,diverted_wh\n" + "\n".join(rows) + "\n")
    return path


def run(home: Path, file: Path, *options: str) -> Result:
    return CliRunner().invoke(commands, ["replay", str(home), str(file), *options])


def told(home: Path, *rows: str, by: str = "interval") -> dict[str, Any]:
    done = run(home, readings(home, *rows), "--by", by, "--json")
    assert done.exit_code == 0, done.exception
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def test_an_hour_by_pencil(home: Path) -> None:
    # 1.2 kWh over an hour: 0.6 in each half. Given up 0.6 × 0.055, avoided 0.6 × 0.08, carbon 0.6 × 0.25 both ways.
    answer = told(
        home,
        "2026-06-01T12:00:00Z,-1500,50,1000",
        "2026-06-01T12:30:00Z,-1500,60,1600",
        "2026-06-01T13:00:00Z,-1500,96,2200",
        "2026-06-01T13:30:00Z,-1500,87,2200",
    )
    first, second, third = answer["value"]["rows"]
    assert set(first) == ROW == set(answer["value"]["total"])
    for row in (first, second):
        assert row["diverted_kwh"] == 0.6
        assert (row["given_up"], row["avoided"], row["net"]) == (0.033, 0.048, 0.015)
        assert (row["given_up_kg"], row["avoided_kg"], row["net_kg"]) == (0.15, 0.15, 0.0)
        assert row["coverage"] == 1.0
    assert third["diverted_kwh"] == 0.0
    assert first["start"] == "2026-06-01T13:00:00+01:00"
    total = answer["value"]["total"]
    assert (total["diverted_kwh"], total["net"], total["estimated_kwh"]) == (1.2, 0.03, 0.0)
    assert answer["decisions"]["seconds_by_order"] == {"surplus": 3600.0, "withhold": 1800.0}
    assert answer["decisions"]["seconds_by_guard"] == {"full": 1800.0, "surplus": 3600.0}
    assert answer["decisions"]["changes"] == 2


def test_energy_without_a_price_is_told(home: Path) -> None:
    # The tariffs begin with 2026, in London: the half hour before has none.
    rows = ("2025-12-31T23:30:00Z,-1500,50,1000", "2026-01-01T00:30:00Z,-1500,50,1500")
    value = told(home, *rows)["value"]
    assert [(row["diverted_kwh"], row["given_up"]) for row in value["rows"]] == [(0.25, 0.0), (0.25, 0.01375)]
    assert value["unpriced_kwh"] == 0.25
    shown = " ".join(run(home, readings(home, *rows)).stdout.split())
    assert "0.250 kWh without a known price, counted as nothing there" in shown


def test_duplicates_disorder_and_glitches_change_no_total(home: Path) -> None:
    plain = [f"2026-06-01T12:{minute:02}:00Z,-1500,50,{1000 + 20 * minute}" for minute in range(31)]
    tidy = told(home, *plain)["value"]
    untidy = [*plain[:5], plain[4], plain[6], plain[5], *plain[7:]]
    untidy.insert(12, "2026-06-01T12:11:30Z,-1500,50,3")
    assert told(home, *untidy)["value"] == tidy
    assert tidy["total"]["diverted_kwh"] == 0.6


def test_a_reset_a_gap_and_an_impossible_step_are_each_told(home: Path) -> None:
    reset = told(
        home,
        *(f"2026-06-01T12:{minute:02}:00Z,,,{1000 + 10 * minute}" for minute in range(10)),
        *(f"2026-06-01T12:{minute:02}:00Z,,,{10 * (minute - 9)}" for minute in range(10, 20)),
    )
    assert reset["value"]["total"]["diverted_kwh"] == 0.19
    gap = told(home, "2026-06-01T12:00:00Z,,,1000", "2026-06-01T16:00:00Z,,,3000", "2026-06-01T16:30:00Z,,,3000")
    assert gap["value"]["total"]["estimated_kwh"] == gap["value"]["total"]["diverted_kwh"] == 2.0
    assert gap["value"]["total"]["coverage"] < 0.2
    step = told(
        home,
        "2026-06-01T12:00:00Z,,,1000",
        "2026-06-01T12:01:00Z,,,91000",
        "2026-06-01T12:02:00Z,,,91010",
        "2026-06-01T12:03:00Z,,,91020",
    )
    assert step["quarantined_kwh"] == 90.0
    assert step["value"]["total"]["diverted_kwh"] == 0.02


@pytest.mark.parametrize(("day", "halves"), [("2026-03-29", 46), ("2026-10-25", 50), ("2026-06-01", 48)])
def test_days_of_23_24_and_25_hours_add_up(home: Path, day: str, halves: int) -> None:
    # Clock changes of the European Union and the United Kingdom: 01:00 UTC on the last Sundays of March and October.
    noon_before = datetime.fromisoformat(f"{day}T00:00Z") - timedelta(hours=12)
    rows = [f"{(noon_before + timedelta(minutes=10 * count)).isoformat()},,,{7 * count}" for count in range(6 * 50)]
    by_day = told(home, *rows, by="day")["value"]
    row = next(row for row in by_day["rows"] if row["start"].startswith(f"{day}T00:00"))
    inside = [each for each in told(home, *rows)["value"]["rows"] if each["start"].startswith(day)]
    assert row["diverted_kwh"] == pytest.approx(sum(each["diverted_kwh"] for each in inside), abs=1e-9)
    assert len(inside) == halves
    for by in ("interval", "day", "week", "month", "year"):
        assert told(home, *rows, by=by)["value"]["total"] == by_day["total"]


def test_a_ledger_is_kept_read_again_and_never_overwritten(home: Path) -> None:
    file = readings(home, "2026-06-01T12:00:00Z,-1500,50,0", "2026-06-01T13:00:00Z,-1500,60,900")
    ledger = home.parent / "kept.sqlite"
    first = run(home, file, "--ledger", str(ledger), "--by", "day", "--json")
    assert first.exit_code == 0
    assert isinstance(run(home, file, "--ledger", str(ledger)).exception, BrimfulError)
    asked = CliRunner().invoke(
        commands, ["value", "--home", str(home), "--ledger", str(ledger), "--by", "day", "--json"]
    )
    assert json.loads(asked.stdout) == json.loads(first.stdout)["value"]
    table = CliRunner().invoke(commands, ["value", "--home", str(home), "--ledger", str(ledger), "--csv"])
    assert table.stdout.splitlines()[0].startswith("start,end,diverted_kwh,given_up,avoided,net,")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("2026-06-01 12:00,1,2,3", "expected a time with Z or an offset"),
        ("noon,1,2,3", "expected a time like"),
        ("0001-01-01T00:00:00+14:00,1,2,3", "expected a year 1971 to 2200"),
        ("9999-12-31T23:59:59-14:00,1,2,3", "expected a year 1971 to 2200"),
        ("2026-06-01T12:00:00Z,1,2", "expected 4 cells, got 3"),
    ],
)
def test_a_bad_row_is_named(home: Path, row: str, words: str) -> None:
    done = run(home, readings(home, "2026-06-01T11:00:00Z,1,2,3", row))
    assert isinstance(done.exception, BrimfulError)
    assert words in str(done.exception)
    assert "readings.csv line 3" in str(done.exception)


def test_cells_that_are_no_readings_are_counted(home: Path) -> None:
    answer = told(home, "2026-06-01T12:00:00Z,unavailable,nan,0", "2026-06-01T12:01:00Z,-9,400,1")
    assert answer["refused"] == {"grid_w": 1, "tank_level_pct": 2}
