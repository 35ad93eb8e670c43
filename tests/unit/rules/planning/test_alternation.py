"""The order of a fair comparison: pairs, chance, and the same for the same seed."""

from datetime import date, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from rules.planning.alternation import blocks

FIRST = date(2026, 6, 1)


@given(st.integers(3, 60), st.integers(2, 14), st.integers(0, 2**31))
def test_each_pair_has_one_of_both_and_no_day_is_left_out(pairs: int, days: int, seed: int) -> None:
    found = blocks(FIRST, pairs, days, seed)
    assert [block.pair for block in found] == [1 + place // 2 for place in range(2 * pairs)]
    assert all(first.on != second.on for first, second in zip(found[::2], found[1::2], strict=True))
    assert found[0].first == FIRST
    assert all(later.first == earlier.until for earlier, later in pairwise(found))
    assert {block.until - block.first for block in found} == {timedelta(days=days)}


def test_an_order_never_changes() -> None:
    assert "".join("1" if block.on else "0" for block in blocks(FIRST, 8, 4, 1)[::2]) == "11001000"
    assert blocks(FIRST, 8, 4, 1) == blocks(FIRST, 8, 4, 1)
    assert blocks(FIRST, 8, 4, 1) != blocks(FIRST, 8, 4, 2)


def test_either_comes_first_about_as_often() -> None:
    begins_on = [block.on for seed in range(40) for block in blocks(FIRST, 50, 4, seed)[::2]]
    assert 0.46 < sum(begins_on) / len(begins_on) < 0.54  # 2000 tosses: within four standard deviations
