"""Darwin's fifteen pairs of maize plants, crossed against self-fertilised: Fisher, The Design of Experiments, chapter
III (1935), where both tests are worked out. The figures are from memory; they reproduce Fisher's own counts."""

import pytest

from accounting.verdict.fair_comparison import by_chance, difference

EIGHTHS_OF_AN_INCH = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]


def test_the_randomisation_test_counts_what_fisher_counted() -> None:
    assert sum(EIGHTHS_OF_AN_INCH) == 314
    assert by_chance(EIGHTHS_OF_AN_INCH) == 2 * 863 / 2**15  # 5.267 %


def test_students_range_just_leaves_out_nothing() -> None:
    found = difference(EIGHTHS_OF_AN_INCH, 0.95)
    assert found.per_day.value == pytest.approx(20.933, abs=5e-4)
    assert found.per_day.value / (found.sd / 15**0.5) == pytest.approx(2.148, abs=5e-4)
    assert found.per_day.low > 0  # 2.148 is just beyond the 2.145 of 14 degrees of freedom
    assert found.per_day.low == pytest.approx(0.03, abs=0.01)
