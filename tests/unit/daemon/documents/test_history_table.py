"""The history as a table of texts: what is not touched stays as it was written."""

from pathlib import Path

import pytest

from daemon.documents.history_table import USUAL, read_table, save, with_row, without_row
from rules.model.errors import BrimfulError

TEXT = 'from,to,gas_kwh,note\n2025-01-01,2025-02-01, 300.50,"a, b"\n\n2025-02-01,2025-03-01,280,\n'


def table(folder: Path, text: str = TEXT) -> Path:
    path = folder / "past.csv"
    path.write_text(text)
    return path


def test_a_row_is_changed_and_the_others_stay_as_they_were(tmp_path: Path) -> None:
    path = table(tmp_path)
    found = read_table(path)
    assert found.columns == ("from", "to", "gas_kwh", "note")
    save(with_row(found, 1, {"gas_kwh": "281", "water_l": "3000"}))
    assert path.read_text() == (
        'from,to,gas_kwh,note,water_l\n2025-01-01,2025-02-01,300.50,"a, b",\n2025-02-01,2025-03-01,281,,3000\n'
    )


def test_a_file_that_is_not_there_begins_with_the_usual_columns(tmp_path: Path) -> None:
    path = tmp_path / "history.csv"
    found = read_table(path)
    assert (found.columns, found.rows, found.content) == (USUAL, (), None)
    save(with_row(found, None, {"from": "2025-01-01", "to": "2025-02-01", "gas_kwh": "3"}))
    assert path.read_text().splitlines()[1].startswith("2025-01-01,2025-02-01")
    save(without_row(read_table(path), 0))
    assert read_table(path).rows == ()


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ({"gas_kwh": "12,5"}, "write numbers with a point"),
        ({"to": "2025-05-01"}, "they overlap"),
        ({"note": "x" * 201}, "at most 200"),
        ({"away_days": "40"}, "at most the period's 31 days"),
    ],
)
def test_what_the_verdict_would_refuse_is_refused_and_nothing_is_written(
    tmp_path: Path, cells: dict[str, str], said: str
) -> None:
    path = table(tmp_path)
    with pytest.raises(BrimfulError, match=said):
        save(with_row(read_table(path), 0, cells))
    assert path.read_text() == TEXT


@pytest.mark.parametrize(
    ("text", "said"), [("from,to,gaz\n", "gaz"), ("from,to,gas_kwh\n2025-01-01\n", "longer or shorter")]
)
def test_a_file_that_is_none_is_left_alone(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(BrimfulError, match=said):
        read_table(table(tmp_path, text))
    with pytest.raises(BrimfulError, match="unpack it first"):
        read_table(tmp_path / "past.csv.gz")


def test_somebody_elses_change_is_not_overwritten(tmp_path: Path) -> None:
    path = table(tmp_path)
    found = read_table(path)
    path.write_text(TEXT.replace("280", "290"))
    with pytest.raises(BrimfulError, match="somebody edits it"):
        save(with_row(found, 0, {"gas_kwh": "1"}))
    assert "290" in path.read_text()
    with pytest.raises(BrimfulError, match="expected a row that is there"):
        with_row(found, 7, {})
