"""What the ledger tells of a half hour: intervals of any length, and draws only where the level was measured."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from accounting.ledger import Ledger
from accounting.model.entry import Entry, Posting, TankEntry
from daemon.planning.history import _booked_prices, _drawn, _taken, read_history
from tests.support.planned_past import HOME, lived


class Books:
    """A ledger that has these tank entries."""

    def __init__(self, *entries: TankEntry) -> None:
        self._entries = entries

    def tank_entries(self, from_s: float, to_s: float) -> Iterator[TankEntry]:
        return iter(self._entries)


def tank(start_s: int, interval_s: int, drawn_wh: int, stock_wh: int, measured_s: int) -> TankEntry:
    return TankEntry(start_s, interval_s, measured_s, stock_wh, postings=(Posting("drawn", drawn_wh),))


def test_a_draw_counts_only_where_the_level_was_measured() -> None:
    books = Books(tank(0, 1800, 700, 5000, 1800), tank(1800, 1800, 900, 4000, 0), tank(3600, 1800, 0, 3900, 1800))
    drawn, stock_wh, stocked_s = _drawn(books, 0, 5400)  # type: ignore[arg-type]
    assert drawn == {0: 700.0, 3600: 0.0}
    assert (stock_wh, stocked_s) == (3900.0, 5400)


def test_the_stock_is_the_latest_measured_one() -> None:
    books = Books(tank(0, 1800, 0, 5000, 1800), tank(1800, 1800, 0, 100, 0))
    assert _drawn(books, 0, 3600)[1:] == (5000.0, 1800)  # type: ignore[arg-type]
    assert _drawn(Books(), 0, 3600) == ({}, None, 0)  # type: ignore[arg-type]


@pytest.mark.parametrize(("interval_s", "starts"), [(900, (0, 900)), (1800, (0,)), (3600, (0,))])
def test_intervals_of_any_length_become_half_hours(interval_s: int, starts: tuple[int, ...]) -> None:
    entries = [Entry(start_s, interval_s, "main", diverted_wh=600, grid_wh=100) for start_s in starts]
    expected = {900: {0: 1000.0}, 1800: {0: 500.0}, 3600: {0: 250.0, 1800: 250.0}}
    assert _taken(entries, "sun_wh") == expected[interval_s]
    drawn, _, _ = _drawn(Books(*(tank(at, interval_s, 400, 0, interval_s) for at in starts)), 0, 3600)  # type: ignore[arg-type]
    assert sum(drawn.values()) == 400 * len(starts)
    assert set(drawn) == set(expected[interval_s])


def test_the_prices_that_the_books_noted() -> None:
    priced = Entry(0, 3600, "main", import_price_micro=310_000, export_price_micro=None)
    assert _booked_prices([priced]) == ({0: 0.31, 1800: 0.31}, {})


@pytest.mark.parametrize("zone", ["Asia/Kathmandu", "Pacific/Chatham", "Asia/Kolkata"])
def test_a_past_is_known_wherever_the_clocks_stand(tmp_path: Path, zone: str) -> None:
    """Those of Nepal and of the Chatham Islands are a quarter hour off UTC's half hours."""
    home = HOME.replace("Europe/Lisbon", zone)
    assert zone in home
    made = lived(tmp_path, 4, home=home, start=datetime(2026, 6, 1, tzinfo=UTC))
    with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
        found = read_history(ledger, made, ledger.known_until_s() or 0.0)
    assert found.usable_days == 3
    assert sum(each.drawn_wh is not None for each in found.half_hours) == 4 * 48
