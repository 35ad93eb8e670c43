"""A store that cannot be is refused by name."""

import pytest

from rules.model.errors import BrimfulError
from rules.planning.store import Store


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"capacity_wh": -1.0}, "capacity_wh: expected at least 0"),
        ({"power_w": float("nan")}, "power_w: expected at least 0"),
        ({"loss_per_half_hour": 1.0}, "loss_per_half_hour: expected from 0 to below 1"),
        ({"missing_price": -0.1}, "missing_price: expected at least 0"),
        ({"reserve_wh": 9000.0}, "reserve_wh: expected at most the capacity"),
        ({"lukewarm_wh": 9000.0}, "lukewarm_wh: expected at most the capacity"),
        ({"warm_wh": 9000.0}, "warm_wh: expected at most the capacity"),
    ],
)
def test_is_refused(changed: dict[str, float], said: str) -> None:
    values = {"capacity_wh": 8000.0, "power_w": 3000.0, "loss_per_half_hour": 0.01, "missing_price": 0.5, **changed}
    with pytest.raises(BrimfulError, match=said):
        Store(**values)
