"""A replay over more than a year whose home file goes by the home's own past, and the same books asked again later."""

import json
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from accounting.books.restatement import revisions
from accounting.ledger import Ledger
from accounting.valuation.formula import half_even
from accounting.valuation.historical_shares import as_recorded
from accounting.valuation.valuer import Valuer
from daemon.assembly.prepared_home import prepare
from daemon.cli.main import commands
from daemon.config.load import load
from tests.support.homes import SMALL
from tests.support.prices import utc

MONEY = """
[signals.topup_wh]
topic = "hut/topup"
[signals.boiler_wh]
topic = "hut/boiler"
[tank]
volume_l = 200
boiler = { counts = "heat", efficiency = 0.9, price = 0.08 }

[tariffs.sell]
direction = "export"
[[tariffs.sell.periods]]
from = 2020-01-01
bands = [{ name = "all", price = 0.0 }]

[[displaces]]
source = "night electricity"
share = 0.5
price = 0.20
recorded = "grid"
[[displaces]]
source = "gas boiler"
share = 0.5
price = 0.10
recorded = "boiler"

[books]
displaces_from = "past"
attribute = false
"""
START = datetime(2025, 1, 1, tzinfo=UTC)
STEPS = 2 * 24 * 425
BOILER_WH = (900, 800, 600, 400, 200, 0, 0, 0, 300, 500, 700, 900)
"""Each half hour, by month, beside 100 Wh of top-up and 50 Wh diverted."""


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("past")
    (folder / "home.toml").write_text(SMALL.replace("Europe/Lisbon", "UTC") + MONEY)
    rows = ["time,grid_w,tank_level_pct,diverted_wh,topup_wh,boiler_wh"]
    boiler_wh = 0
    for step in range(STEPS + 1):
        at = START + timedelta(minutes=30 * step)
        rows.append(f"{at:%Y-%m-%dT%H:%M:%SZ},500,50,{50 * step},{100 * step},{boiler_wh}")
        boiler_wh += BOILER_WH[at.month - 1]
    (folder / "readings.csv").write_text("\n".join(rows) + "\n")
    paths = [str(folder / name) for name in ("home.toml", "readings.csv")]
    result = CliRunner().invoke(commands, ["replay", *paths, "--ledger", str(folder / "books.sqlite"), "--json"])
    assert result.exit_code == 0, result.output
    return folder, json.loads(result.stdout)


def avoided_micro(of: int | None) -> int:
    """Of 50 Wh, by the shares of the month `of` (None: as stated)."""
    boiler = Fraction(1, 2) if of is None else Fraction(BOILER_WH[of - 1], BOILER_WH[of - 1] + 100)
    value = 50 * 1000 * (boiler * Fraction("0.10") + (1 - boiler) * Fraction("0.20"))
    return half_even(value.numerator, value.denominator)


@pytest.mark.parametrize(
    ("month", "of"),
    [
        ("2025-01", None),
        ("2025-02", None),  # January is not two months before
        ("2025-03", 1),
        ("2025-04", 2),
        ("2025-11", 9),  # of two that are two off, the latest; October may not be settled when November begins
        ("2025-12", 1),
        ("2026-01", 1),
        ("2026-02", 2),
    ],
)
def test_each_month_goes_by_the_month_the_rule_names(
    replayed: tuple[Path, dict[str, Any]], month: str, of: int | None
) -> None:
    first_s = utc(f"{month}-01T00:00Z")
    with Ledger.open_reader(replayed[0] / "books.sqlite") as ledger:
        entries = ledger.entries(first_s, first_s + 28 * 86_400)
    assert len(entries) == 2 * 24 * 28
    assert {entry.avoided_micro for entry in entries} == {avoided_micro(of)}


def test_the_answer_names_the_month_and_the_shares(replayed: tuple[Path, dict[str, Any]]) -> None:
    told = {row["month"]: row for row in replayed[1]["value"]["displaces_by_month"]}
    assert (told["2025-12"]["basis"], told["2025-12"]["of"]) == ("near month", "2025-01")
    assert told["2025-11"]["of"] == "2025-09"
    assert (told["2025-02"]["basis"], told["2025-02"]["of"]) == ("stated", None)
    assert (told["2026-02"]["basis"], told["2026-02"]["of"]) == ("same month", "2025-02")
    assert told["2026-02"]["shares"] == {"night electricity": round(1 / 9, 6), "gas boiler": round(8 / 9, 6)}
    assert replayed[1]["value"]["displaces_from"] == "past"


def test_a_restatement_finds_the_same_shares(replayed: tuple[Path, dict[str, Any]]) -> None:
    settings = prepare(load(replayed[0] / "home.toml")).books
    with Ledger.open_reader(replayed[0] / "books.sqlite") as ledger:
        span = utc("2025-01-01T00:00Z"), utc("2026-04-01T00:00Z")
        assert list(revisions(ledger, Valuer(as_recorded(settings, ledger)), "", *span)) == []
        assert len(list(revisions(ledger, Valuer(settings), "", *span))) > 10_000  # as stated they would all move


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (("2026-01-01", "2026-03-01"), "past: 2026-01 as in 2025-01, 2026-02 as in 2025-02."),
        (("2025-02-01", "2025-04-01"), "past: 2025-02 as stated, 2025-03 as in 2025-01."),
        (
            ("2025-01-01", "2026-03-01"),
            "2 months as in the same one of a former year, 10 as in one near it, 2 as stated",
        ),
    ],
)
def test_value_says_which_months_tell_it(
    replayed: tuple[Path, dict[str, Any]], span: tuple[str, str], said: str
) -> None:
    folder = replayed[0]
    asked = ["value", "--home", str(folder / "home.toml"), "--ledger", str(folder / "books.sqlite")]
    result = CliRunner().invoke(commands, [*asked, "--by", "month", "--from", span[0], "--to", span[1]])
    assert result.exit_code == 0, result.output
    assert said in " ".join(result.output.split())
    assert "Displaces night electricity and gas boiler, month by month; 100 % of the heat" in result.output
