from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from accounting.valuation.battery_hours import EVENING, hours_text, price_by_hours
from tests.support.prices import IMPORT, ZONE, utc

DUBLIN = ZoneInfo(ZONE)
NIGHT, DAY = Fraction("0.0921"), Fraction("0.3170")


def test_energy_by_hour_becomes_weights_that_add_up_to_a_hundred() -> None:
    assert hours_text({20: 2, 18: 1}) == "18:33 20:67"
    assert hours_text({3: 1, 5: 10_000}) == "5:100", "what rounds to nothing is left out"
    assert hours_text({}) is None
    assert hours_text({4: 0}) is None


@pytest.mark.parametrize(
    ("hours", "price"), [("3:100", NIGHT), ("20:100", DAY), ("3:25 20:75", NIGHT / 4 + DAY * 3 / 4), (EVENING, DAY)]
)
@pytest.mark.parametrize("after", ["2026-05-10T13:00Z", "2026-05-10T02:30Z", "2026-03-28T23:30Z", "2026-10-25T00:30Z"])
def test_each_hour_has_the_price_of_its_next_coming(hours: str, price: Fraction, after: str) -> None:
    """Also over the nights on which the clocks change."""
    assert price_by_hours(IMPORT, hours, utc(after), DUBLIN) == price


def test_an_hour_without_a_price_leaves_none() -> None:
    assert price_by_hours(IMPORT, "20:100", utc("2025-12-30T12:00Z"), DUBLIN) is None
