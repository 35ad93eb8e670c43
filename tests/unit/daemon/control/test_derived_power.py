"""The mean over a window, on its own; a heater's power is tested with the board that holds it."""

import pytest

from daemon.control.derived_power import Mean


def test_each_reading_stands_for_the_time_since_the_one_before() -> None:
    mean = Mean(60.0, 60.0)
    mean.note(0.0, 0.0)
    # In the window that ends at 60: 10 s of 600 W, 50 s of 1200 W.
    assert mean.note(10.0, 600.0) == pytest.approx((50 * 0 + 10 * 600) / 60)
    assert mean.note(60.0, 1200.0) == pytest.approx((10 * 600 + 50 * 1200) / 60)
    # At 90 the window begins at 30, within the time for which 1200 W stand.
    assert mean.note(90.0, 0.0) == pytest.approx(30 * 1200 / 60)


def test_a_second_reading_of_one_instant_has_no_time_to_stand_for() -> None:
    mean = Mean(60.0, 30.0)
    mean.note(0.0, 1000.0)
    once = mean.note(20.0, 500.0)
    assert mean.note(20.0, 500.0) == once
    assert mean.note(20.0, 9000.0) == once


def test_a_window_without_length_is_the_latest_reading() -> None:
    mean = Mean(0.0, 60.0)
    assert [mean.note(at_s, power_w) for at_s, power_w in ((0.0, 5.0), (1.0, 700.0), (1.0, 3.0))] == [5.0, 700.0, 3.0]


def test_a_reading_stands_no_longer_than_it_counts() -> None:
    """After a silence nobody knows what was: the first reading speaks for its own `stale_after_s`, no more."""
    mean = Mean(300.0, 20.0)
    mean.note(0.0, 100.0)
    mean.note(10.0, 100.0)
    # Known in the window that ends at 200: 30 s of 100 W before the silence, 20 s of 600 W after it.
    assert mean.note(200.0, 600.0) == pytest.approx((30 * 100 + 20 * 600) / 50)
    assert mean.note(1000.0, 40.0) == 40.0


def test_a_silence_as_long_as_the_window_leaves_the_latest_alone() -> None:
    mean = Mean(60.0, 600.0)
    mean.note(0.0, 5000.0)
    assert mean.note(60.0, 1.0) == 1.0
