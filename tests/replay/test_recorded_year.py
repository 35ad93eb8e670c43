"""The recorded year replayed: rules and books over 525,600 rows, compared with golden totals and with sums made apart.

The golden totals in golden/recorded_year.json are what `brimful replay` said of the readings file that
tests/support/recorded_year.py generates (tests/recorded pins its hash). After a change that is meant to move them:

    tests/run --update tests/replay

The home file asks for the plain figures: all energy the sun's, all heat used, as the first version reckoned. What comes
without those two lines stands in golden/recorded_year_usual.json: import while diverting is attributed minute by
minute, and the share used is measured in the heat stock.

and look at the difference before it is committed: each figure that moved needs a reason.
"""

import csv
import gzip
import json
import subprocess
import sys
from bisect import bisect_right
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.support import recorded_year

pytestmark = pytest.mark.recorded
HERE = Path(__file__).parent
REPO = HERE.parents[1]
HOME = HERE / "recorded_home.toml"
GOLDEN = HERE / "golden" / "recorded_year.json"
USUAL = HERE / "golden" / "recorded_year_usual.json"
PLAIN = "used = 1\nattribute = false\n"


def _brimful(*arguments: str) -> dict[str, Any]:
    """What a command answers, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", "from daemon.cli import main; main()", *arguments, "--json"],
        cwd=REPO, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("books") / "poplar.sqlite"


@pytest.fixture(scope="module")
def said(ledger: Path) -> dict[str, Any]:
    answer = _brimful("replay", str(HOME), str(recorded_year.build()), "--by", "month", "--ledger", str(ledger))
    assert answer.pop("ledger") == str(ledger)
    return answer


@pytest.fixture(scope="module")
def counter() -> tuple[list[float], list[int]]:
    """The counter as the file has it, read by other means: UTC seconds and Wh."""
    with gzip.open(recorded_year.build(), "rt", encoding="ascii", newline="") as file:
        rows = [
            (datetime.fromisoformat(row["time"]).timestamp(), int(row["diverted_wh"])) for row in csv.DictReader(file)
        ]
    return [at_s for at_s, _ in rows], [wh for _, wh in rows]


def test_the_golden_totals(said: dict[str, Any], request: pytest.FixtureRequest) -> None:
    if request.config.getoption("--update"):
        GOLDEN.write_text(json.dumps(said, indent=1, ensure_ascii=False) + "\n")
    assert said == json.loads(GOLDEN.read_text())


def test_the_golden_totals_of_the_usual_settings(
    said: dict[str, Any], tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """The same energy; less of it used, and some of it bought."""
    home = tmp_path / "home.toml"
    assert PLAIN in HOME.read_text()
    home.write_text(HOME.read_text().replace(PLAIN, ""))
    value = _brimful("replay", str(home), str(recorded_year.build()), "--by", "month")["value"]
    if request.config.getoption("--update"):
        USUAL.write_text(json.dumps(value, indent=1, ensure_ascii=False) + "\n")
    assert value == json.loads(USUAL.read_text())
    usual, plain = value["total"], said["value"]["total"]
    assert usual["diverted_kwh"] == plain["diverted_kwh"]
    assert (value["used_basis"], said["value"]["used_basis"]) == ("measured", "stated")
    assert usual["avoided"] < plain["avoided"]
    assert usual["given_up"] <= plain["given_up"]
    assert sum(round(row["net"] * 1e6) for row in value["rows"]) == round(usual["net"] * 1e6)


def test_no_watt_hour_is_lost(said: dict[str, Any], counter: tuple[list[float], list[int]]) -> None:
    wh = counter[1][-1] - counter[1][0]
    assert round(said["value"]["total"]["diverted_kwh"] * 1000) == wh
    assert sum(round(row["diverted_kwh"] * 1000) for row in said["value"]["rows"]) == wh
    assert said["quarantined_kwh"] == 0


def test_each_month_has_its_own(said: dict[str, Any], counter: tuple[list[float], list[int]]) -> None:
    """Months in the home's zone, March 23 hours short of one and October with one more. The counter's steps fall into
    half hours by whole Wh, so a month's edge may move one to its neighbour.
    """
    assert len(said["value"]["rows"]) == 12
    for row in said["value"]["rows"]:
        start, end = datetime.fromisoformat(row["start"]), datetime.fromisoformat(row["end"])
        assert abs(round(row["diverted_kwh"] * 1000) - (_counted(counter, end) - _counted(counter, start))) <= 1


def test_money_and_carbon_by_hand(said: dict[str, Any], counter: tuple[list[float], list[int]]) -> None:
    """With the home file's prices a kWh has one value throughout, and the export price changes once, on 1 July.

    Each half hour is rounded to a millionth (a mg): half of one, 17,568 times, is the most that can add up.
    """
    july = datetime.fromisoformat("2008-07-01T00:00:00+02:00")
    before_kwh = _counted(counter, july) / 1000
    whole_kwh = counter[1][-1] / 1000
    total = said["value"]["total"]
    slack = 17_568 * 0.5e-6
    assert total["given_up"] == pytest.approx(before_kwh * 0.0550 + (whole_kwh - before_kwh) * 0.1850, abs=slack)
    assert total["avoided"] == pytest.approx(whole_kwh * (0.6 * 0.0921 + 0.4 * 0.1190 / 0.80), abs=slack)
    assert total["given_up_kg"] == pytest.approx(whole_kwh * 0.255, abs=slack)
    assert total["avoided_kg"] == pytest.approx(whole_kwh * (0.6 * 0.255 + 0.4 * 0.1823 / 0.80), abs=slack)
    for name in ("given_up", "avoided", "net", "given_up_kg", "avoided_kg", "net_kg"):
        assert sum(round(row[name] * 1e6) for row in said["value"]["rows"]) == round(total[name] * 1e6)


def test_every_second_is_decided(said: dict[str, Any]) -> None:
    decisions = said["decisions"]
    span_s = (datetime.fromisoformat(said["to"]) - datetime.fromisoformat(said["from"])).total_seconds()
    assert span_s == (366 * 1440 - 1) * 60
    assert sum(decisions["seconds_by_order"].values()) == span_s
    assert sum(decisions["seconds_by_guard"].values()) == span_s


def test_missing_readings_withhold_and_are_seen(said: dict[str, Any]) -> None:
    """43,837 minutes without a meter reading and the day left out: withheld by `fresh` for nearly as long, since each
    gap begins with up to 90 s in which the last reading still counts, and ends with a reading.
    """
    missing_s = (43_837 + 1440) * 60
    assert said["decisions"]["seconds_by_guard"]["fresh"] == pytest.approx(missing_s, abs=50 * 90)
    assert said["value"]["total"]["coverage"] == pytest.approx(365 / 366, abs=1e-5)


def test_the_rule_that_looks_at_worth_decides_only_while_export_pays_more(said: dict[str, Any]) -> None:
    """A kWh of heat is worth 0.11476; export pays 0.0550 until July and 0.1850 after. Half a year's surplus at most."""
    by_guard = said["decisions"]["seconds_by_guard"]
    assert 0 < by_guard["worth"] < 184 * 86_400
    rows = said["value"]["rows"]
    assert all(row["net"] > 0 for row in rows[:6])
    assert all(row["net"] < 0 for row in rows[6:] if row["diverted_kwh"])


@pytest.mark.parametrize(("by", "rows"), [("year", 1), ("day", 365), ("interval", 365 * 48)])
def test_other_periods_add_up_to_the_same(said: dict[str, Any], ledger: Path, by: str, rows: int) -> None:
    """Asked of the ledger that the replay left. The day without readings and its half hours have rows or not."""
    again = _brimful("value", "--home", str(HOME), "--ledger", str(ledger), "--by", by)
    assert again["total"] == said["value"]["total"]
    assert rows <= len(again["rows"]) <= rows * 366 // 365 + 1
    assert sum(round(row["net"] * 1e6) for row in again["rows"]) == round(again["total"]["net"] * 1e6)


def _counted(counter: tuple[list[float], list[int]], edge: datetime) -> int:
    """The counter's reading at an instant, Wh; before the first, the first."""
    times_s, counts_wh = counter
    return counts_wh[max(bisect_right(times_s, edge.timestamp()) - 1, 0)]
