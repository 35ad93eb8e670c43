"""The value table as people read it: nothing in it is rounded to look complete, or counted though unknown."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.reports.value import ValueReport, ValueRow
from daemon.cli.value import show_value
from daemon.config.load import load
from daemon.documents.times import instant
from daemon.documents.value_document import value_answer
from rules.model.errors import BrimfulError

EXAMPLE = Path(__file__).parents[4] / "deploy" / "home.example.toml"
START_S = int(datetime(2026, 6, 1, tzinfo=UTC).timestamp())


def shown(tmp_path: Path, capsys: pytest.CaptureFixture[str], row: ValueRow, without: str = "") -> str:
    """The table of one row. without: text taken out of the example's home file."""
    file = tmp_path / "home.toml"
    text = EXAMPLE.read_text()
    assert without in text
    file.write_text(text.replace(without, ""))
    show_value(ValueReport("month", ZoneInfo("UTC"), (row,), row), load(file))
    return capsys.readouterr().out


def month(measured_s: int) -> ValueRow:
    return ValueRow(START_S, START_S + 30 * 86_400, 1000, avoided_mg=2_000_000, measured_s=measured_s, due_s=1_000_000)


@pytest.mark.parametrize(
    ("measured_s", "covered"), [(1_000_000, "100%"), (999_999, " 99.9%"), (290_000, " 29%"), (9_999, " 0.9%")]
)
def test_coverage_is_rounded_down(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], measured_s: int, covered: str
) -> None:
    assert shown(tmp_path, capsys, month(measured_s)).count(covered) == 2


def test_carbon_that_is_not_counted_is_no_figure(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = shown(tmp_path, capsys, month(1_000_000))
    assert "+2.00" in out
    assert "Carbon is not counted" not in out
    out = shown(tmp_path, capsys, month(1_000_000), without='carbon = "gas"\n')
    assert "+2.00" not in out
    assert "–" in out
    assert "Carbon is not counted: no factor is given for gas boiler." in out


def test_shares_are_told_as_the_home_file_has_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "70% night electricity, 30% gas boiler; 90% of the heat" in shown(tmp_path, capsys, month(1_000_000))


def test_an_income_that_no_meter_tells_is_said_beside_the_totals(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "home.toml"
    was = 'bands = [{ name = "all", price = 0.0410 }]'
    assert was in EXAMPLE.read_text()
    file.write_text(EXAMPLE.read_text().replace(was, f"{was}\ndeemed_share = 0.5"))
    row = month(1_000_000)
    report = ValueReport("month", ZoneInfo("UTC"), (row,), row)
    show_value(report, load(file))
    out = capsys.readouterr().out
    (note,) = value_answer(report, load(file))["notes"]
    assert note.startswith("tariffs.sell is paid by an estimate (50 % of the generation deemed exported)")
    assert note in " ".join(out.split())
    assert value_answer(report, load(EXAMPLE))["notes"] == []


@pytest.mark.parametrize("text", ["0001-01-01", "9999-12-31", "1970-12-31T23:59+14:00"])
def test_a_year_no_ledger_can_hold_is_refused(text: str) -> None:
    with pytest.raises(BrimfulError, match="expected a year 1971 to 2200"):
        instant(text, ZoneInfo("Europe/London"))


def test_what_the_sun_did_not_give_is_said_and_fits_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = shown(tmp_path, capsys, month(1_000_000))
    assert "While diverting" not in plain
    assert "marginal" not in plain
    mixed = replace(
        month(1_000_000),
        grid_wh=1_500,
        battery_wh=250,
        bought_micro=480_000,
        marginal_wh=900,
        given_up_marginal_mg=3_000_000,
        avoided_marginal_mg=1_000_000,
        bought_marginal_mg=500_000,
    )
    out = shown(tmp_path, capsys, mixed)
    assert "While diverting 1.500 kWh from the grid and 0.250 kWh from the battery, for 0.48 GBP" in out
    assert "By marginal factors, of 0.900 kWh: avoided 1.00 kg CO2e, given up 3.50, net" in out
    assert "-2.50" in out
