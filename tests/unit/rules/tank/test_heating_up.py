"""How long heating takes, against a hand-worked figure: 150 L by 50 K is 8.72 kWh, at 3 kW 2 h 54 min 27 s."""

from math import inf

import pytest

from rules.tank.cylinder import Cylinder, step
from rules.tank.heating_up import MARGIN, heat_up_s


def test_a_tank_by_hand() -> None:
    assert heat_up_s(150.0, 10.0, 60.0, 3000.0) == pytest.approx(MARGIN * (2 * 3600 + 54 * 60 + 27), abs=1.0)


def test_it_is_long_enough_for_the_model_of_the_tank() -> None:
    """Its loss is taken at the full tank's figure all the while, which is more than it loses."""
    ua = 1.5
    seconds = heat_up_s(150.0, 10.0, 60.0, 2000.0, ua * 40.0) / MARGIN
    tank = Cylinder(150.0, 1, ua)
    (temp_c,) = step(tank, [10.0], seconds, heat_w=[(0, 2000.0)], ambient_c=20.0).temps_c
    assert 60.0 < temp_c < 62.0


def test_a_warm_tank_and_one_that_is_never_warm() -> None:
    assert heat_up_s(150.0, 60.0, 60.0, 3000.0) == 0.0
    assert heat_up_s(150.0, 10.0, 60.0, 50.0, 60.0) == inf
