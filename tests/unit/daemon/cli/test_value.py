"""The value table as people read it: nothing in it is rounded to look complete, or counted though unknown."""

from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger.totals import Assumed
from accounting.reports.used_share import Used
from accounting.reports.value import ValueReport, ValueRow
from daemon.cli.value import show_value, shown_money
from daemon.config.load import load
from daemon.documents.times import instant
from daemon.documents.value_document import value_answer
from daemon.documents.value_notes import shares_text
from daemon.documents.valuing import Valued
from rules.model.errors import BrimfulError

EXAMPLE = Path(__file__).parents[4] / "deploy" / "home.example.toml"
BOOKED = Assumed("9/10", "7/10 night electricity, 3/10 gas boiler", 1000, 0, 0, 0)
START_S = int(datetime(2026, 6, 1, tzinfo=UTC).timestamp())


def shown(tmp_path: Path, capsys: pytest.CaptureFixture[str], row: ValueRow, without: str = "") -> str:
    """The table of one row. without: text taken out of the example's home file."""
    file = tmp_path / "home.toml"
    text = EXAMPLE.read_text()
    assert without in text
    file.write_text(text.replace(without, ""))
    show_value(valued(row), load(file))
    return capsys.readouterr().out


def valued(row: ValueRow, *assumed: Assumed) -> Valued:
    return Valued(ValueReport("month", ZoneInfo("UTC"), (row,), row), Used(Fraction(9, 10)), assumed=assumed)


def month(measured_s: int) -> ValueRow:
    return ValueRow(
        start_s=START_S,
        end_s=START_S + 30 * 86_400,
        diverted_wh=1000,
        avoided_mg=2_000_000,
        measured_s=measured_s,
        due_s=1_000_000,
    )


@pytest.mark.parametrize(
    ("measured_s", "covered"), [(1_000_000, "100 %"), (999_999, " 99.9 %"), (290_000, " 29 %"), (9_999, " 0.9 %")]
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


def said(tmp_path: Path, capsys: pytest.CaptureFixture[str], *assumed: Assumed) -> str:
    show_value(valued(month(1_000_000), *assumed), load(EXAMPLE))
    return " ".join(capsys.readouterr().out.split())


def test_the_heading_says_what_the_entries_hold_and_several_where_they_differ(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever the home file says by now: it may have been changed since."""
    assert "Displaces 40% gas boiler, 60% night electricity; 80% of the heat counted as used." in said(
        tmp_path, capsys, Assumed("4/5", "2/5 gas boiler, 3/5 night electricity", 700, 0, 0, 0)
    )
    both = said(
        tmp_path,
        capsys,
        Assumed("4/5", "1 gas boiler", 700, 0, 0, 0),
        Assumed("1", "1 gas boiler", 200, 0, 0, 0),
        Assumed("1", "1 night electricity", 100, 0, 0, 0),
    )
    assert "Displaces 100% gas boiler (0.900 kWh); 100% night electricity (0.100 kWh);" in both
    assert "of the heat counted as used, as booked: 80% (0.700 kWh); 100% (0.300 kWh)." in both
    old = said(tmp_path, capsys, Assumed("9/10", None, 1000, 0, 0, 0))
    assert "(by today's home file: it was not kept when this was booked)" in old


def test_seasonal_shares_are_told_with_their_seasons(tmp_path: Path) -> None:
    file = tmp_path / "home.toml"
    start = EXAMPLE.read_text().index("[[displaces]]")
    end = EXAMPLE.read_text().index("[books]")
    shares = [("gas boiler", "0.55", [10, 11, 12, 1, 2, 3]), ("night electricity", "0.45", [10, 11, 12, 1, 2, 3])]
    shares += [("gas boiler", "0.45", [4, 5, 6, 7, 8, 9]), ("night electricity", "0.55", [4, 5, 6, 7, 8, 9])]
    tables = "".join(
        f'[[displaces]]\nsource = "{source}"\nshare = {share}\nprice = 0.1\nonly = {{ months = {months} }}\n'
        for source, share, months in shares
    )
    file.write_text(EXAMPLE.read_text()[:start] + tables + EXAMPLE.read_text()[end:])
    assert shares_text(load(file).displaces) == (
        "Oct to Mar: 55% gas boiler, 45% night electricity; Apr to Sep: 45% gas boiler, 55% night electricity"
    )


def test_an_income_that_no_meter_tells_is_said_beside_the_totals(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "home.toml"
    was = 'bands = [{ name = "all", price = 0.0583 }]'
    assert was in EXAMPLE.read_text()
    file.write_text(EXAMPLE.read_text().replace(was, f"{was}\ndeemed_share = 0.5"))
    row = month(1_000_000)
    show_value(valued(row), load(file))
    out = capsys.readouterr().out
    (note,) = [note for note in value_answer(valued(row, BOOKED), load(file))["notes"] if "estimate" in note]
    assert note.startswith("tariffs.sell is paid by an estimate (50 % of the generation deemed exported)")
    assert note in " ".join(out.split())
    assert value_answer(valued(row, BOOKED), load(EXAMPLE))["notes"] == []


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
    assert max(map(len, out.splitlines())) <= 80
    out = " ".join(out.split())
    assert "While diverting 1.500 kWh from the grid and 0.250 kWh from the battery, for 0.48 GBP" in out
    assert "By marginal factors, of 0.900 kWh: avoided 1.00 kg CO2e, given up 3.50, net" in out
    assert "-2.50" in out


@pytest.mark.parametrize("given_up", [0, 4_999, 36_000, 1_234_567, -8_000])
@pytest.mark.parametrize("avoided", [0, 5_001, 63_500, 64_400, 2_718_281])
def test_the_money_of_a_row_adds_up_as_it_is_shown(given_up: int, avoided: int) -> None:
    row = replace(month(1), given_up_micro=given_up, avoided_micro=avoided)
    shown_given_up, shown_avoided, net = map(Fraction, shown_money(row, 2))
    assert shown_avoided - shown_given_up == net
    assert abs(shown_given_up - Fraction(given_up, 10**6)) <= Fraction(1, 100)
    assert abs(net - Fraction(row.net_micro, 10**6)) <= Fraction(1, 200)


def test_income_given_up_that_is_none_is_not_shown_below_zero() -> None:
    row = replace(month(1), avoided_micro=14_000, bought_micro=6_000)
    assert shown_money(row, 2) == ("0.00", "0.01", "+0.01")


def test_brackets_in_a_name_are_text_and_large_figures_are_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "home.toml"
    text = EXAMPLE.read_text()
    name = next(line for line in text.splitlines() if line.startswith("name = "))
    file.write_text(text.replace(name, 'name = "Hut [/x] [bold]"', 1))
    much = replace(month(1_000_000), diverted_wh=123_456_789_012_345, avoided_micro=98_765_432_109_876_543)
    show_value(valued(much), load(file))
    out = capsys.readouterr().out
    assert out.startswith("Hut [/x] [bold]: what")
    assert out.count("123456789012.345") == 2
    assert "…" not in out
    assert out.count("98765432109.88") >= 2
