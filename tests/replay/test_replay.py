"""replay, from the command line, on files small enough to check with a pencil."""

import csv
import gzip
import json
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from daemon.cli.main import commands
from rules.model.errors import BrimfulError

REPO = Path(__file__).parents[2]
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
    "estimated_kwh", "open_kwh", "set_aside_kwh", "unpriced_kwh", "coverage_energy",
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
    assert "0.250 kWh had a known price on one side at most: no money is counted for it" in shown


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


def test_the_json_has_the_keys_others_rely_on(home: Path) -> None:
    answer = told(home, "2026-06-01T12:00:00Z,-1500,50,1000", "2026-06-01T12:30:00Z,-1500,60,1600", by="day")
    assert answer["schema"] == "brimful.replay/1"
    assert set(answer["decisions"]) == {"changes", "seconds_by_order", "seconds_by_guard"}
    value = answer["value"]
    assert {"schema", "currency", "by", "timezone", "used", "displaces", "rows", "total"} <= set(value)
    assert (value["currency"], value["by"], value["timezone"], value["used"]) == ("GBP", "day", "Europe/London", 1.0)
    assert [source["source"] for source in value["displaces"]] == ["night electricity"]
    assert set(value["rows"][0]) == set(value["total"]) == ROW
    assert (answer["from"], answer["to"], answer["rows"]) == ("2026-06-01T12:00:00Z", "2026-06-01T12:30:00Z", 2)


def test_the_same_readings_give_the_same_answer_to_the_letter(home: Path) -> None:
    file = readings(home, *(f"2026-06-01T12:{minute:02}:00Z,-900,{40 + minute},{35 * minute}" for minute in range(60)))
    packed = home.parent / "readings.csv.gz"
    packed.write_bytes(gzip.compress(file.read_bytes()))
    once, again, unpacked = (run(home, each, "--json").stdout for each in (file, file, packed))
    assert once == again == unpacked
    assert json.loads(once)["value"]["total"]["diverted_kwh"] == 35 * 59 / 1000


def test_the_interval_in_progress_is_counted_and_marked(home: Path) -> None:
    answer = told(home, "2026-06-01T12:00:00Z,,,1000", "2026-06-01T12:45:00Z,,,1900")
    first, second = answer["value"]["rows"]
    assert (first["diverted_kwh"], first["open_kwh"]) == (0.6, 0.0)
    assert (second["diverted_kwh"], second["open_kwh"]) == (0.3, 0.3)
    assert answer["value"]["total"]["open_kwh"] == 0.3


def test_a_reading_that_comes_late_is_put_in_its_interval(home: Path) -> None:
    """The row of 12:30 after the one of 12:32: without it, 20 of the 40 Wh between would count for each half hour."""
    rows = [
        "2026-06-01T12:00:00Z,,,1000",
        "2026-06-01T12:28:00Z,,,1100",
        "2026-06-01T12:32:00Z,,,1140",
        "2026-06-01T12:30:00Z,,,1138",
        "2026-06-01T13:30:00Z,,,1140",
    ]
    first, second, _ = told(home, *rows)["value"]["rows"]
    assert (first["diverted_kwh"], second["diverted_kwh"]) == (0.138, 0.002)


def test_columns_and_steps_the_home_does_not_expect_are_said(home: Path) -> None:
    path = home.parent / "wide.csv"
    path.write_text("time,grid_w,pv_w\n" + "".join(f"2026-06-01T12:{m:02}:00Z,-5,7\n" for m in range(0, 60, 5)))
    done = run(home, path, "--json")
    assert json.loads(done.stdout)["ignored"] == ["pv_w"]
    assert json.loads(done.stdout)["stale_after_s_raised"] == {"grid_w": 450.0}
    assert "not in the home file, ignored: pv_w" in done.stderr
    assert "grid_w: recorded too coarsely for its stale_after_s; stale after 450 s here" in done.stderr


def test_a_replay_that_ends_half_way_leaves_no_ledger(home: Path) -> None:
    ledger = home.parent / "kept.sqlite"
    before = {path.name for path in home.parent.iterdir()}
    bad = readings(home, *["2026-06-01T12:00:00Z,-1500,50,0"] * 400, "noon,1,2,3")
    assert run(home, bad, "--ledger", str(ledger)).exit_code == 1
    assert {path.name for path in home.parent.iterdir()} == {*before, "readings.csv"}
    good = readings(home, "2026-06-01T12:00:00Z,-1500,50,0", "2026-06-01T13:00:00Z,-1500,60,900")
    assert run(home, good, "--ledger", str(ledger)).exit_code == 0
    assert {path.name for path in home.parent.iterdir()} == {*before, "readings.csv", "kept.sqlite"}


# From the shell


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["replay", "HOME", "FOLDER/none.csv"], "none.csv: expected a readable file"),
        (["replay", "HOME", "FOLDER/empty.csv"], "empty.csv: expected at least one row, got none"),
        (["replay", "HOME", "FOLDER/day.csv", "--ledger", "FOLDER/no/such/books.sqlite"], "expected a folder to write"),
        (["replay", "HOME", "FOLDER/day.csv", "--ledger", "HOME"], "expected a name that is free"),
        (["replay", "HOME", "FOLDER/day.csv", "--by", "hour"], "'hour' is not one of"),
        (["replay", "FOLDER/none.toml", "FOLDER/day.csv"], "none.toml"),
        (["value", "--home", "HOME", "--ledger", "FOLDER/none.sqlite"], "there is no such file"),
        (["value", "--home", "HOME", "--from", "June"], "expected a date like"),
        (["value", "--home", "HOME", "--from", "2026-06-02", "--to", "2026-06-01"], "--to: expected a time after"),
    ],
)
def test_what_is_wrong_ends_with_2_and_a_sentence(home: Path, arguments: list[str], words: str) -> None:
    (home.parent / "empty.csv").write_text("time,grid_w\n")
    (home.parent / "day.csv").write_text("time,grid_w\n2026-06-01T12:00:00Z,5\n2026-06-01T12:01:00Z,5\n")
    named = [part.replace("HOME", str(home)).replace("FOLDER", str(home.parent)) for part in arguments]
    done = subprocess.run(
        [sys.executable, "-c", "from daemon.cli import main; main()", *named],
        cwd=REPO, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_a_span_of_the_books_is_asked_for(home: Path) -> None:
    """Three days of 24 kWh each; a date is the day's first local instant, an hour before UTC's in June."""
    rows = [
        f"{(datetime.fromisoformat('2026-06-01T00:00+01:00') + timedelta(hours=hours)).isoformat()},,,{1000 * hours}"
        for hours in range(24 * 3 + 1)
    ]
    ledger = home.parent / "kept.sqlite"
    assert run(home, readings(home, *rows), "--ledger", str(ledger)).exit_code == 0

    def asked(*options: str) -> Any:
        done = CliRunner().invoke(commands, ["value", "--home", str(home), "--ledger", str(ledger), *options])
        assert done.exit_code == 0, done.exception
        return done.stdout

    day = json.loads(asked("--from", "2026-06-02", "--to", "2026-06-03", "--json"))
    assert [row["start"] for row in day["rows"]] == ["2026-06-02T00:00:00+01:00"]
    assert day["total"]["diverted_kwh"] == 24.0
    hours = json.loads(asked("--from", "2026-06-02T10:00Z", "--to", "2026-06-02T11:30Z", "--by", "interval", "--json"))
    assert [row["diverted_kwh"] for row in hours["rows"]] == [0.5, 0.5, 0.5]
    table = list(csv.DictReader(asked("--csv").splitlines()))
    assert [row["diverted_kwh"] for row in table] == ["24.000"] * 3
    whole = json.loads(asked("--json"))
    assert [row["start"] for row in table] == [row["start"] for row in whole["rows"]]
    for name in ("given_up", "avoided", "net", "net_kg"):
        assert [float(row[name]) for row in table] == [row[name] for row in whole["rows"]]
    week = json.loads(asked("--by", "week", "--json"))
    assert [row["start"] for row in week["rows"]] == ["2026-06-01T00:00:00+01:00"]
    assert week["total"] == whole["total"]


def test_prices_that_were_heard_are_replayed(home: Path) -> None:
    # 1.2 kWh over an hour at 0.10 and, from the second half hour on, at 0.20; the tariff of the home file is not asked.
    text = home.read_text()
    sell = text[text.index("[[tariffs.sell.periods]]") : text.index("[carbon.grid]")]
    home.write_text(
        text.replace(sell, 'signal = "export_price"\n').replace(
            "[heaters.main]", '[signals.export_price]\ntopic = "rook/price"\n[heaters.main]'
        )
    )
    file = home.parent / "readings.csv"
    file.write_text(
        "time,grid_w,tank_level_pct,diverted_wh,export_price\n"
        "2026-06-01T12:00:00Z,-1500,50,1000,0.1\n"
        "2026-06-01T12:30:00Z,-1500,60,1600,0.2\n"
        "2026-06-01T13:00:00Z,-1500,96,2200,\n"
        "2026-06-01T13:30:00Z,-1500,87,2200,\n"
    )
    done = run(home, file, "--by", "interval", "--json")
    assert done.exit_code == 0, done.exception
    first, second, _ = json.loads(done.stdout)["value"]["rows"]
    assert (first["given_up"], second["given_up"]) == (0.06, 0.12)


def test_the_recording_tells_when_the_whole_tank_was_hot(home: Path) -> None:
    bottom = '[signals.tank_bottom_c]\ntopic = "rook/bottom"\n[rules.hygiene]\nheat = false\n'
    home.write_text(HOME.replace("[heaters.main]", bottom + "[heaters.main]", 1))
    file = home.parent / "readings.csv"
    hot = [61 if 10 <= minute < 50 else 55 for minute in range(0, 120, 10)]
    lines = [f"2026-06-01T{12 + i // 6}:{i % 6}0:00Z,100,50,1000,{hot[i]}" for i in range(12)]
    file.write_text("time,grid_w,tank_level_pct,diverted_wh,tank_bottom_c\n" + "\n".join(lines) + "\n")
    done = run(home, file, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)["hygiene"]
    assert (told["last_hot"], told["days_since"]) == (None, None), "30 minutes are no 32"
    file.write_text(file.read_text().replace("12:50:00Z,100,50,1000,55", "12:50:00Z,100,50,1000,60"))
    told = json.loads(run(home, file, "--json").stdout)["hygiene"]
    assert told["last_hot"] == "2026-06-01T12:50:00Z"
    assert "At the end: the whole tank was last hot 0.0 days ago" in run(home, file).stdout
