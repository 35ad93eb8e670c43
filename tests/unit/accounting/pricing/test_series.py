from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accounting.pricing.bands import DAY_S
from accounting.pricing.series import (
    Series,
    exact,
    lasting,
    merged,
    parse_series,
    read_rows,
    read_series,
    write_rows,
)
from accounting.pricing.tariffs import HORIZON_DAYS, Piece
from rules.model.errors import BrimfulError
from tests.support.prices import utc

TEXT = """time,price
2026-01-01T00:00Z,0.10
2026-01-01T00:30Z,-0.02
2026-01-01T01:00Z,
2026-01-01T02:00+01:00,0.1
"""
START = utc("2026-01-01T00:00Z")


def test_rows_hold_until_the_next() -> None:
    series = parse_series(TEXT.replace("02:00+01:00", "02:30+01:00").splitlines(), "p.csv")
    assert series.price_at(START) == Fraction("0.1")
    assert series.price_at(START + 1799) == Fraction("0.1")
    assert series.price_at(START + 1800) == Fraction("-0.02")
    assert series.mean_price(START + 900, START + 2700) == Fraction("0.04")
    assert series.next_start("night", START) is None


def test_gaps_the_time_before_and_the_time_after_have_no_price() -> None:
    series = Series([(100, Fraction(1)), (200, None), (300, Fraction(3)), (400, Fraction(4))])
    assert series.price_at(99) is None
    assert series.price_at(250) is None
    assert series.price_at(499) == 4  # the last row holds as long as the one before it
    assert series.price_at(500) is None
    assert series.mean_price(150, 250) is None
    assert series.mean_price(300, 500) == Fraction(7, 2)
    assert series.pieces(50, 250) == [
        Piece(50, 100, None, None),
        Piece(100, 200, None, Fraction(1)),
        Piece(200, 250, None, None),
    ]


def test_a_single_row_holds_for_ever() -> None:
    series = Series([(100, Fraction(1))])
    assert series.mean_price(100, 10**9) == 1
    assert series.next_change(100) == 100 + HORIZON_DAYS * DAY_S


def test_the_next_row_is_the_next_change() -> None:
    series = Series([(100, Fraction(1)), (200, Fraction(2))])
    assert [series.next_change(at) for at in (0, 100, 150, 200)] == [100, 200, 200, 300]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("2026-01-01T00:00,0.1", "p.csv, line 2: expected a time with its offset"),
        ("noon,0.1", "p.csv, line 2: expected a time with its offset"),
        ("2026-01-01T00:00Z,dear", 'p.csv, line 2: expected a number, got "dear"'),
        ("2026-01-01T00:00Z,nan", 'p.csv, line 2: expected a number, got "nan"'),
        ("2026-01-01T00:00Z", "p.csv, line 2: expected time and value, got 1 cells"),
        ("2026-01-01T00:00Z,1\n2026-01-01T00:00Z,2", "p.csv, line 3: expected a later time"),
        ("", "p.csv: expected rows of time and value, got none"),
        ("2026-01-01T00:00Z,1e999999999", 'p.csv, line 2: expected a number, got "1e999999999"'),
        ("2026-01-01T00:00Z,1e-999999999", 'p.csv, line 2: expected a number, got "1e-999999999"'),
        ("2026-01-01T00:00Z,1e5", 'p.csv, line 2: expected a value -10000 to 10000 per kWh, got "1e5"'),
        ("2026-01-01T00:00Z," + "9" * 200_000, "p.csv, line 2: expected CSV text, got a mistake: field larger"),
    ],
)
def test_rows_that_cannot_be_read_are_named(rows: str, said: str) -> None:
    with pytest.raises(BrimfulError, match=said.replace("(", r"\(")):
        parse_series(f"time,price\n{rows}".splitlines(), "p.csv")


def test_a_file_is_read_and_a_missing_one_named(tmp_path: Path) -> None:
    path = tmp_path / "prices.csv"
    path.write_text("\ufefftime,price\n2026-01-01T00:00Z,0.25\n", "utf-8")
    assert read_series(path).price_at(START) == Fraction("0.25")
    with pytest.raises(BrimfulError, match="cannot be read"):
        read_series(tmp_path / "none.csv")
    path.write_bytes(b"time,price\n\xff\xfe")
    with pytest.raises(BrimfulError, match="UTF-8"):
        read_series(path)


ONE, TWO, THREE = Fraction("0.1"), Fraction("-0.2"), Fraction("0.3")


def test_rows_last_for_their_step_and_gaps_are_told() -> None:
    assert lasting([(60, TWO), (0, ONE), (180, THREE), (60, ONE)], 60) == [
        (0, ONE),
        (60, ONE),
        (120, None),
        (180, THREE),
        (240, None),
    ]
    assert lasting([(0, ONE), (30, TWO)], 60) == [(0, ONE), (30, TWO), (90, None)]
    assert lasting([], 60) == []


def test_newer_rows_take_the_place_of_kept_ones() -> None:
    kept = lasting([(0, ONE), (60, ONE), (120, ONE)], 60)
    assert merged(kept, lasting([(60, TWO)], 60)) == [(0, ONE), (60, TWO), (120, ONE), (180, None)]
    assert merged(kept, lasting([(180, TWO)], 60)) == [(0, ONE), (60, ONE), (120, ONE), (180, TWO), (240, None)]
    later = merged(kept, lasting([(600, TWO)], 60))
    assert later == [*kept, (600, TWO), (660, None)]
    assert Series(later).gaps(0, 660)[0][:2] == (180, 600)
    assert merged(kept, []) == kept
    assert merged([], kept) == kept
    assert merged(kept, kept) == kept


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(-9, 9)), max_size=20),
    st.lists(st.tuples(st.integers(0, 40), st.integers(-9, 9)), min_size=1, max_size=20),
)
def test_what_is_merged_tells_the_newer_where_it_tells_and_else_the_older(
    older: list[tuple[int, int]], newer: list[tuple[int, int]]
) -> None:
    kept, told = (lasting([(60 * at, Fraction(v)) for at, v in rows], 60) for rows in (older, newer))
    both = Series(merged(kept, told))
    for at_s in range(0, 60 * 45, 30):
        by = told if told[0][0] <= at_s < told[-1][0] else kept
        assert both.price_at(at_s) == Series(by).price_at(at_s)


def test_a_series_is_written_whole_and_read_back_exactly(tmp_path: Path) -> None:
    path = tmp_path / "kept.csv"
    assert read_rows(path) == []
    rows = lasting([(START, Fraction("0.1234567890123")), (START + 3600, Fraction("-1e-9"))], 1800)
    write_rows(path, rows)
    assert read_rows(path) == rows
    assert [file.name for file in tmp_path.iterdir()] == ["kept.csv"]


@pytest.mark.parametrize("text", ["", "nan", "inf", "1/3", "1e999999999", "1e-999999999", "0." + "1" * 60, "x"])
def test_what_is_no_decimal_is_no_number(text: str) -> None:
    with pytest.raises(ValueError, match="not a number"):
        exact(text)
