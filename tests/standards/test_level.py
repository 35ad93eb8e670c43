"""State of charge by usable height.

Source: the two worked points of the United Kingdom government's home energy model's method (use 40 °C, cold 10 °C, set
60 °C): 60 % of the volume at 60 °C over 40 % at 15 °C is 0.600; the same energy mixed at 42 °C is 0.640, and mixed at
39 °C it is 0: energy alone is not use.
"""

import pytest

from rules.tank.charge import charge_pct, level_pct


@pytest.mark.parametrize(
    ("layers", "share"),
    [
        ([(0.6, 60.0), (0.4, 15.0)], 0.600),
        ([(1.0, 42.0)], 0.640),
        ([(1.0, 39.0)], 0.0),
    ],
)
def test_charge_of_layers(layers: list[tuple[float, float]], share: float) -> None:
    assert charge_pct(layers, cold_c=10.0, hot_c=60.0, useful_c=40.0) == pytest.approx(100 * share, abs=1e-9)


@pytest.mark.parametrize("sensors", [1, 2, 3])
@pytest.mark.parametrize(("temp_c", "share"), [(42.0, 0.640), (39.0, 0.0)])
def test_mixed_tank_by_any_number_of_sensors(sensors: int, temp_c: float, share: float) -> None:
    temps: list[float | None] = [temp_c] * sensors + [None] * (3 - sensors)
    assert level_pct(temps[0], temps[1], temps[2], 10.0, 60.0) == pytest.approx(100 * share, abs=1e-9)


def test_three_sensors_cannot_see_a_sharp_boundary_better_than_their_distance() -> None:
    """60 % at 60 °C over 40 % at 15 °C, seen by sensors at 5/6, 1/2, 1/6: within a sixth of the tank of 0.600."""
    told = level_pct(60.0, 60.0, 15.0, 10.0, 60.0)
    assert told is not None
    assert abs(told - 60.0) < 100 / 6
