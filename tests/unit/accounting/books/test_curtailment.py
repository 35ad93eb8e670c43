import pytest
from hypothesis import given
from hypothesis import strategies as st

from accounting.books.curtailment import curtailed


@pytest.mark.parametrize(
    ("export_w", "diverted_w", "limit_w", "expected_w"),
    [(0, 2000, 3600, 0), (3000, 2000, 3600, 1400), (3600, 2000, 3600, 2000), (100, 2000, 0, 2000), (5000, 0, 3600, 0)],
)
def test_what_the_limit_leaves_no_room_for_could_not_have_been_sold(
    export_w: int, diverted_w: int, limit_w: int, expected_w: int
) -> None:
    assert curtailed(export_w, diverted_w, limit_w) == expected_w


@given(st.integers(-9000, 9000), st.integers(0, 6000), st.integers(0, 9000))
def test_what_could_have_been_sold_keeps_to_the_limit(export_w: int, diverted_w: int, limit_w: int) -> None:
    held_back = curtailed(export_w, diverted_w, limit_w)
    assert 0 <= held_back <= diverted_w
    sold_instead = export_w + diverted_w - held_back
    assert sold_instead <= max(limit_w, export_w)
    if held_back and held_back < diverted_w:
        assert sold_instead == limit_w
