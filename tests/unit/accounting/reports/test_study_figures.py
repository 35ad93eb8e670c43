"""The studied bill and the paired range."""

from datetime import date
from fractions import Fraction
from random import Random

import pytest

from accounting.pricing.bands import Band, Period
from accounting.pricing.carbon import Factor
from accounting.pricing.tariffs import Tariff
from accounting.reports.study_figures import MWS_PER_WH, Bill, Burner, Stretch, paired_range
from tests.support.prices import utc

KWH = 1000 * MWS_PER_WH


def _flat(direction: str, price: str) -> Tariff:
    return Tariff(direction, (Period(date.min, None, (Band("all", Fraction(price)),)),), "UTC")  # type: ignore[arg-type]


def test_a_bill_is_import_less_export_with_the_boiler_and_its_carbon() -> None:
    grid = Factor("grid", Fraction("0.25"), "average", "invented", 2025)
    burner = Burner(lambda start_s, end_s: Fraction("0.1"), lambda start_s, end_s: Fraction("0.2"))
    bill = Bill(_flat("import", "0.30"), _flat("export", "0.05"), grid, burner)
    at_s = utc("2025-05-01T12:00Z")
    bill.add(1, at_s, at_s + 1800, Fraction("0.30"), Stretch(2 * KWH, 3 * KWH, KWH))
    assert bill.micro == [0, 600_000 - 150_000 + 100_000]
    assert bill.mg == [0, -250_000 + 200_000]
    assert bill.unpriced == {}


def test_what_has_no_price_is_counted_as_unpriced() -> None:
    bill = Bill(_flat("import", "0.30"), None, None, None)
    bill.add(0, 0, 1800, None, Stretch(2 * KWH, 0, 0))
    assert (bill.micro, bill.unpriced) == ([0], {"import price": 2 * KWH})


def test_without_a_price_for_more_than_a_hundredth_there_is_no_figure() -> None:
    bill = Bill(_flat("import", "0.30"), None, None, None)
    bill.add(0, 0, 1800, Fraction("0.30"), Stretch(100 * KWH, 0, 0))
    bill.add(0, 1800, 3600, None, Stretch(KWH, 0, 0))
    assert bill.cost(101 * KWH) == (30_000_000,)
    assert bill.cost(99 * KWH) is None
    assert bill.carbon(101 * KWH) is None
    assert Bill(None, None, None, None).cost(KWH) is None


def test_each_product_is_rounded_once_half_to_even() -> None:
    bill = Bill(_flat("import", "0.30"), None, None, None)
    half_a_millionth = KWH // 1_000_000 // 2
    for mws in (half_a_millionth, 3 * half_a_millionth):
        bill.add(0, 0, 1800, Fraction(1), Stretch(mws, 0, 0))
    assert bill.micro == [0 + 2]


def test_the_range_holds_the_difference_and_is_the_same_every_time() -> None:
    chance = Random(1)
    first = [chance.randrange(1000, 3000) for _ in range(52)]
    other = [cost + 100 + chance.randrange(-80, 80) for cost in first]
    found = paired_range(first, other)
    assert found is not None
    low, high = found
    assert low < sum(other) - sum(first) < high
    assert low > 0
    assert paired_range(first, other) == (low, high)


def test_the_range_s_width_is_that_of_the_normal_approximation() -> None:
    """52 independent blocks: 90 % within 1.645 standard errors of the sum, to the bootstrap's own noise."""
    chance = Random(2)
    differences = [chance.gauss(50, 30) for _ in range(52)]
    found = paired_range([0] * 52, [round(1000 * each) for each in differences])
    assert found is not None
    mean = sum(differences) / 52
    deviation = (sum((each - mean) ** 2 for each in differences) / 52) ** 0.5
    assert (found[1] - found[0]) / 1000 == pytest.approx(2 * 1.645 * deviation * 52**0.5, rel=0.1)


def test_no_range_of_a_few_blocks_and_none_wide_of_equal_ones() -> None:
    assert paired_range([1] * 7, [2] * 7) is None
    assert paired_range([5] * 9, [5] * 9) == (0.0, 0.0)
    assert paired_range([5] * 9, [7] * 9) == (18.0, 18.0)
    with pytest.raises(ValueError, match="as many blocks"):
        paired_range([1], [1, 2])
