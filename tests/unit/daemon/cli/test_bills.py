"""brimful bills over recorded minutes, as people give it."""

import csv
import io
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from accounting.ledger import Batch, LedgerWriter
from accounting.ledger.tape import Row, pack
from daemon.assembly.endpoints import facts
from daemon.cli.main import main
from daemon.config.load import load
from tests.support.homes import SMALL

START_S = int(datetime(2026, 3, 14, tzinfo=UTC).timestamp())
DAYS = 4


def watts(at_s: int) -> int:
    """The grid's power in the half hour before: bought by night, sold by day, different each time."""
    place = (at_s - 1) // 1800
    return (1 if place % 48 < 24 else -1) * (600 + place * 7919 % 50 * 20)


def half_hours(sign: int) -> list[tuple[int, int]]:
    starts = range(START_S, START_S + DAYS * 86_400, 1800)
    return [(at_s, max(0, sign * watts(at_s + 1800)) // 2) for at_s in starts]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "home.toml").write_text(SMALL)
    home = load(tmp_path / "home.toml")
    rows: list[Row] = [
        (at_s, {"grid_w": float(watts(at_s + 60))}) for at_s in range(START_S, START_S + DAYS * 86_400 + 60, 60)
    ]
    with LedgerWriter.open(home.path_of(home.ledger.path), facts(home)) as ledger:
        for day in range(0, len(rows), 1440):
            ledger.commit(Batch(float(START_S + DAYS * 86_400), tape=pack(rows[day : day + 1440])))
    return tmp_path


@pytest.fixture
def says(folder: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    def say(*arguments: object, code: int = 0) -> str:
        ended = 0
        try:
            main(["bills", *(str(one) for one in arguments), "--home", str(folder / "home.toml")])
        except SystemExit as exit:
            ended = int(exit.code or 0)
        said = capsys.readouterr()
        assert ended == code, said
        assert "Traceback" not in said.err
        assert {"--csv", "--json"} & {*arguments} or all(len(line) <= 80 for line in said.out.splitlines())
        return said.err if code else said.out

    return say


def smart(folder: Path, sign: int, later_s: int = 0, times: float = 1) -> Path:
    lines = [
        f"{datetime.fromtimestamp(at_s + later_s, UTC):%Y-%m-%dT%H:%MZ},{wh * times / 1000:g}"
        for at_s, wh in half_hours(sign)
    ]
    (folder / "smart.csv").write_text("\n".join(["time,kWh", *lines]) + "\n")
    return folder / "smart.csv"


@pytest.mark.parametrize(("meter", "sign"), [("import", 1), ("export", -1)])
def test_the_recorded_minutes_give_the_suppliers_figures(
    folder: Path, says: Callable[..., str], meter: str, sign: int
) -> None:
    before = (folder / "brimful.sqlite").read_bytes()
    told = json.loads(says(smart(folder, sign), "--meter", meter, "--json"))
    (row,) = told["rows"]
    expected = sum(wh for _, wh in half_hours(sign)) / 1000
    assert (told["schema"], told["meter"], told["suggestions"]) == ("brimful.bills/1", meter, [])
    assert (row["supplier_kwh"], row["own_kwh"], row["difference_kwh"]) == (expected, expected, 0.0)
    assert row["coverage"] == 1.0
    assert (folder / "brimful.sqlite").read_bytes() == before


def test_what_may_be_behind_it_is_said(folder: Path, says: Callable[..., str]) -> None:
    said = " ".join(says(smart(folder, 1, later_s=3600, times=10)).split())
    assert "Perhaps (scale): the supplier's figures are 10 times the logger's" in said
    assert "Perhaps (clock): the figures fit if the supplier's times run 60 min late" in said
    assert "Nothing is changed by this." in said


def test_bills_with_amounts_as_csv(folder: Path, says: Callable[..., str]) -> None:
    (folder / "bills.csv").write_text("from,to,kWh,amount\n2026-03-14,2026-03-16,100,9.5\n2026-03-16,2026-03-18,20,\n")
    rows = list(csv.DictReader(io.StringIO(says(folder / "bills.csv", "--csv"))))
    own = sum(wh for at_s, wh in half_hours(1) if at_s < START_S + 2 * 86_400) / 1000
    assert [(row["supplier_kwh"], row["amount"]) for row in rows] == [("100.000", "9.5"), ("20.000", "")]
    assert float(rows[0]["own_kwh"]) == own
    assert float(rows[0]["difference_kwh"]) == pytest.approx(100 - own)
    assert "a round figure" in " ".join(says(folder / "bills.csv").split())


PRICED = """
[tariffs.buy]
direction = "import"
[[tariffs.buy.periods]]
from = 2026-01-01
bands = [{ name = "all", price = 0.25 }]
standing_per_day = 0.5
"""


def test_a_bill_is_held_against_the_tariff_and_its_days_are_counted(folder: Path, says: Callable[..., str]) -> None:
    (folder / "home.toml").write_text(SMALL + PRICED)
    bills = folder / "bills.csv"
    # Each `to` is the last day: 40 kWh × 0.25 and two days' standing charge are 11.00.
    bills.write_text("from,to,kWh,amount\n2026-03-14,2026-03-15,40,11.00\n2026-03-16,2026-03-17,20,9.00\n")
    told = json.loads(says(bills, "--json"))
    assert {one["kind"] for one in told["suggestions"]} >= {"last-day"}
    assert [row["expected_amount"] for row in told["rows"]] == [10.5, 5.5]
    told = json.loads(says(bills, "--last-day", "--json"))
    assert [row["expected_amount"] for row in told["rows"]] == [11.0, 6.0]
    (found,) = [one for one in told["suggestions"] if one["kind"] == "amount"]
    assert "the bill from 2026-03-16 is 9.00 EUR, by the tariff 6.00" in found["sentence"]


def test_what_cannot_be_compared_is_refused(folder: Path, says: Callable[..., str]) -> None:
    assert "cannot be read" in says(folder / "none.csv", code=2)
    (folder / "old.csv").write_text("time,kWh\n2020-01-01T00:00Z,1\n")
    assert "expected recorded minutes from 2020-01-01 on, got none" in says(folder / "old.csv", code=2)
    assert "expected a zone like" in says(folder / "old.csv", "--timezone", "Atlantis", code=2)
    (folder / "home.toml").write_text(SMALL.replace("grid_w", "surplus_w"))
    assert "expected a signal import_wh or grid_w" in says(folder / "old.csv", code=2)
