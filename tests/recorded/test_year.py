"""The readings file of the recorded year: complete, balanced, and the same every time."""

import csv
import gzip
import hashlib
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest

from tests.support import recorded_year

pytestmark = pytest.mark.recorded


@pytest.fixture(scope="module")
def path() -> Path:
    return recorded_year.build()


@pytest.fixture(scope="module")
def table(path: Path) -> dict[str, list[str]]:
    """The file's columns."""
    with gzip.open(path, "rt", encoding="ascii", newline="") as file:
        rows = csv.reader(file)
        header = next(rows)
        return dict(zip(header, map(list, zip(*rows, strict=True)), strict=True))


def test_every_minute_of_the_year_has_its_row(table: dict[str, list[str]]) -> None:
    assert tuple(table) == recorded_year.COLUMNS
    assert len(table["time"]) == 525_600
    times = [datetime.fromisoformat(time).timestamp() for time in table["time"][::1440]]
    assert {later - earlier for earlier, later in pairwise(times)} == {86_400.0, 2 * 86_400.0}  # over 29 February


def test_cells_are_empty_just_where_the_data_are_missing(table: dict[str, list[str]]) -> None:
    empty = {name: cells.count("") for name, cells in table.items() if "" in cells}
    assert empty == {"grid_w": 43_837, "pv_w": 43_253, "house_w": 586}
    for grid, sun, house, diverted in zip(
        table["grid_w"], table["pv_w"], table["house_w"], table["diverted_w"], strict=True
    ):
        assert (grid == "") == (sun == "" or house == "")
        if grid:
            assert abs(int(grid) - (int(house) + int(diverted) - int(sun))) <= 2  # each is rounded
        else:
            assert diverted == "0"


def test_the_counter_counts_what_was_diverted(table: dict[str, list[str]]) -> None:
    counter = [int(cell) for cell in table["diverted_wh"]]
    assert all(later >= earlier for earlier, later in pairwise(counter))
    assert counter[-1] == pytest.approx(sum(map(int, table["diverted_w"])) / 60, abs=525_600 * 0.5 / 60)


def test_the_year_goes_through_full_and_empty(table: dict[str, list[str]]) -> None:
    """It would prove little about the stop-at-full rule if the tank were never full, or hardly ever not."""
    levels = [float(cell) for cell in table["tank_level_pct"]]
    assert 0 <= min(levels) < 25
    assert 99 < max(levels) < 101
    assert 0.05 < sum(level >= 95 for level in levels) / len(levels) < 0.3


def test_the_file_is_the_same_every_time(path: Path) -> None:
    """The golden totals of tests/replay are totals of just this file: where this fails after a change that was meant,
    put the new hash here and update them.
    """
    with gzip.open(path) as file:
        assert (
            hashlib.file_digest(file, "sha256").hexdigest()
            == "b087aa98d193691dfda7fa7f22d0be2837f399bb4def229f9874f9462c986f0e"
        )  # type: ignore[arg-type]
