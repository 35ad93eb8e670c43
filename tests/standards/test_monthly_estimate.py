"""The monthly method of SAP 10.2, appendices M and G4: values computed from its formulas (read in secondary copies)."""

import pytest

from accounting.reports.monthly_estimate import Month, diverted, used_share


@pytest.mark.parametrize(
    ("sun_kwh", "house_kwh", "share"),
    [(100, 200, 0.48636), (50, 200, 0.60301), (200, 200, 0.35801), (400, 200, 0.23136)],
)
def test_the_share_the_house_uses_itself(sun_kwh: float, house_kwh: float, share: float) -> None:
    assert used_share(sun_kwh, house_kwh) == pytest.approx(share, abs=5e-6)


def test_what_is_diverted_and_what_is_left_to_export() -> None:
    found = diverted(Month(400, 200, 1000))
    assert found.surplus_kwh == pytest.approx(307.456, abs=5e-4)
    assert found.saved_kwh == pytest.approx(221.368, abs=5e-4)
    assert found.surplus_kwh - found.diverted_kwh == pytest.approx(61.491, abs=5e-4)


def test_never_more_than_the_hot_water_nor_than_the_house_uses() -> None:
    assert diverted(Month(400, 200, 90)).saved_kwh == 90
    assert diverted(Month(0, 200, 90)) == (0, 0, 0)
    assert used_share(400, 0) == 0
    assert used_share(4000, 20) <= 20 / 4000


def test_a_battery_raises_the_share_up_to_15_kwh() -> None:
    shares = [used_share(400, 200, size) for size in (0, 5, 10)]
    assert shares == sorted(shares)
    assert used_share(400, 200, 15) == used_share(400, 200, 30)
