"""The history file is read strictly: whatever is refused, row and column are named."""

import gzip
from pathlib import Path

import pytest

from accounting.verdict.history import NUMBERS, _unit, parse_history, read_history
from rules.model.errors import BrimfulError

GOOD = """\
from,to,electricity_kwh,gas_m3,gas_kwh_per_m3,water_l,away_days,inlet_c,estimated,note
2025-02-01,2025-03-01,41.5,12,11.2,3900,,8.5,,
2025-01-01,2025-02-01,44,,,4100,3,7.1,1,a guessed read
"""


def read(text: str) -> object:
    return parse_history(text.splitlines(), "past.csv")


def test_rows_come_in_order_of_time_and_an_empty_cell_is_not_known() -> None:
    january, february = parse_history(GOOD.splitlines(), "past.csv").periods
    assert (january.first.isoformat(), january.days, january.line) == ("2025-01-01", 31, 3)
    assert (january.gas_kwh, january.away_days, january.estimated) == (None, 3.0, True)
    assert january.note == "a guessed read"
    assert february.gas_kwh == pytest.approx(12 * 11.2)
    assert (february.away_days, february.inlet_c, february.estimated) == (None, 8.5, False)
    assert february.name == "2025-02-01 to 2025-02-28"


@pytest.mark.parametrize("name", ["past.csv", "past.csv.gz"])
def test_a_byte_order_mark_and_gzip_are_read(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    content = b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()
    path.write_bytes(gzip.compress(content) if name.endswith("gz") else content)
    assert len(read_history(path).periods) == 2


@pytest.mark.parametrize(
    ("was", "becomes", "where", "says"),
    [
        ("44,,", "-44,,", "line 3, column electricity_kwh", "expected 0 to 1e+07 kWh, got -44"),
        ("44,,", "4x4,,", "line 3, column electricity_kwh", "expected a number, got '4x4'"),
        ("44,,", "nan,,", "line 3, column electricity_kwh", "expected a number"),
        ("44,,", "1e999,,", "line 3, column electricity_kwh", "expected a number"),
        ("2025-02-01,2025-03-01", "2025-01-31,2025-03-01", "line 2, column from", "overlap"),
        ("2025-02-01,2025-03-01", "2025-02-01,2025-02-01", "line 2, column to", "expected a day after 2025-02-01"),
        ("2025-02-01,2025-03-01", "01/02/2025,2025-03-01", "line 2, column from", "expected a date like"),
        ("2025-02-01,2025-03-01", "1025-02-01,2025-03-01", "line 2, column from", "expected a year"),
        (",3,7.1", ",32,7.1", "line 3, column away_days", "at most the period's 31 days"),
        (",7.1,1", ",45,1", "line 3, column inlet_c", "°F where °C"),
        (",7.1,1", ",7.1,yes", "line 3, column estimated", "expected 1, 0 or nothing"),
        (",12,11.2,", ",12,,", "line 2, column gas_kwh_per_m3", "beside gas_m3"),
        (",12,11.2,", ",12,39.5,", "line 2, column gas_kwh_per_m3", "expected 5 to 15 kWh/m³, got 39.5"),
        ("water_l", "water", "line 1, column 'water'", "did you mean water_l?"),
        ("inlet_c", "away_days", "line 1, column away_days", "got it twice"),
        ("from,to", "start,end", "line 1", "begins from,to"),
        ("a guessed read", "a, b", "line 3", "expected 10 cells as in the heading, got 11"),
    ],
)
def test_a_refusal_names_row_and_column(was: str, becomes: str, where: str, says: str) -> None:
    assert was in GOOD
    with pytest.raises(BrimfulError) as refused:
        read(GOOD.replace(was, becomes, 1))
    assert f"past.csv {where}:" in f"{refused.value}"
    assert says in str(refused.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "got an empty file"),
        ("from,to,gas_kwh\n", "got none below the heading"),
        ("from,to,water_l\n2025-01-01,2025-02-01,3\n", "electricity_kwh, gas_kwh or gas_m3"),
        ('from,to,gas_kwh\n2025-01-01,"2025', "expected"),
    ],
)
def test_a_file_without_what_it_needs(text: str, says: str) -> None:
    with pytest.raises(BrimfulError, match=says):
        read(text)


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    path = tmp_path / "past.csv"
    path.write_bytes(b"from,to,gas_kwh\n\xff\xfe\x00")
    with pytest.raises(BrimfulError, match=r"past\.csv line \d, .*|expected CSV text"):
        read_history(path)
    path.with_suffix(".csv.gz").write_bytes(b"no gzip")
    with pytest.raises(BrimfulError, match="expected CSV text"):
        read_history(path.with_suffix(".csv.gz"))
    with pytest.raises(BrimfulError, match="expected a readable file"):
        read_history(tmp_path / "none.csv")


def test_every_column_of_numbers_has_a_unit() -> None:
    assert [_unit(column) for column in NUMBERS] == [
        *("kWh", "kWh", "m³", "kWh/m³", "kWh", "kWh", "kWh"),
        *("L", "days", "°C", "°C"),
    ]
