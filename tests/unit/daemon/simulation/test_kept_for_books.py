"""Rows kept for the books until something may be settled."""

from accounting.books.booking import Books
from accounting.valuation.settings import HeaterBooks
from daemon.simulation.kept_for_books import KeptForBooks, can_wait
from tests.support.prices import COUNTED, settings, utc

NOON_S = float(utc("2026-05-10T12:00+01:00"))
SIGNALS = ("grid_w", "diverted_wh")


def kept_until(books: Books, rows: list[tuple[float, float | None]]) -> list[float]:
    """When rows of a counter were handed over, s after noon."""
    kept = KeptForBooks(books, SIGNALS)
    return [at_s for at_s, wh in rows if kept.hands_over(NOON_S + at_s, (300.0, wh))]


def test_rows_wait_until_their_interval_can_be_settled() -> None:
    books = Books(settings(COUNTED))
    handed = kept_until(books, [(60.0 * minute, 1000.0 + minute) for minute in range(33)])
    assert handed == [0.0, 1920.0]
    (entry,) = books.settle(NOON_S + 1920.0)
    assert (entry.diverted_wh, entry.measured_s) == (30, 1800)


def test_a_row_without_a_reading_brings_none() -> None:
    books = Books(settings(COUNTED))
    kept_until(books, [(0.0, 1000.0), (60.0, None), (1920.0, 1032.0)])
    (entry,) = books.settle(NOON_S + 1920.0)
    assert entry.diverted_wh == 30


def test_nothing_waits_while_a_counter_is_in_doubt() -> None:
    handed = kept_until(Books(settings(COUNTED)), [(0.0, 1000.0), (60.0, 900.0), (1920.0, 901.0), (1980.0, 902.0)])
    assert handed == [0.0, 1920.0, 1980.0]


def test_what_is_left_is_handed_over_when_asked_for() -> None:
    books = Books(settings(COUNTED))
    kept = KeptForBooks(books, SIGNALS)
    assert [kept.hands_over(NOON_S + second, (300.0, 1000.0)) for second in (0, 60)] == [True, False]
    assert books.newest_s == NOON_S
    kept.hand_over()
    assert books.newest_s == NOON_S + 60


def test_temperatures_of_the_tank_do_not_wait() -> None:
    """They count as they are beside one another, so they must come one row after the other."""
    books = Books(settings(HeaterBooks("main", 2800, counter="diverted_wh")))
    assert can_wait(books, [*SIGNALS, "tank_top_c"])
    books.signals |= {"tank_top_c"}
    assert not can_wait(books, [*SIGNALS, "tank_top_c"])
    assert can_wait(books, SIGNALS)
