import pytest

from accounting.model.apportion import intervals, spread


def test_parts_follow_the_weights_and_the_largest_remainder_gets_what_is_left() -> None:
    # 10 over 1:1:4 is 1.67, 1.67, 6.67: rounded down 1, 1, 6; two left over go to the earliest of the equal remainders.
    assert spread(10, [1, 1, 4]) == [2, 2, 6]
    # 10 over 3:7:1 is 2.73, 6.36, 0.91: the last lost most, then the first.
    assert spread(10, [3, 7, 1]) == [3, 6, 1]


def test_equal_remainders_go_to_the_earlier_interval() -> None:
    assert spread(1, [5, 5]) == [1, 0]
    assert spread(3, [1, 1]) == [2, 1]


def test_no_amount_is_no_parts_and_no_weight_gets_nothing() -> None:
    assert spread(0, [3, 4]) == [0, 0]
    assert spread(7, [0, 2]) == [0, 7]


def test_nothing_to_share_over_is_refused() -> None:
    with pytest.raises(ValueError, match="more than 0"):
        spread(1, [0])


def test_intervals_cut_at_multiples_and_keep_all_the_time() -> None:
    assert intervals(900_000, 3_600_001, 1_800_000) == [(0, 900_000), (1_800_000, 1_800_000), (3_600_000, 1)]
    assert intervals(1_800_000, 3_600_000, 1_800_000) == [(1_800_000, 1_800_000)]
    assert intervals(5, 5, 1_800_000) == []
