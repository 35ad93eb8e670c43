"""What a tape's counters gave the tank: a boiler's by its efficiency, no step that nothing can have given."""

from fractions import Fraction

import pytest

from accounting.heat.metered_heat import MeteredHeat
from accounting.valuation.settings import Boiler, CounterSignal, TankBooks

TANK = TankBooks(180, 10, 60, 1.5, 20, boiler=Boiler(CounterSignal("boiler_wh"), heat=Fraction(9, 10)))


@pytest.mark.parametrize(
    ("name", "counted", "heat_wh"),
    [
        ("diverted_wh", 40.0, 40.0),
        ("diverted_wh_upper", 240.0, 240.0),
        ("diverted_wh", 5000.0, None),  # not recorded for hours
        ("topup_wh", -300.0, None),
        ("boiler_wh", 500.0, 450.0),  # 30 kW of fuel
        ("boiler_wh", 5000.0, None),
        ("grid_w", 40.0, None),
    ],
)
def test_what_a_minute_gave(name: str, counted: float, heat_wh: float | None) -> None:
    heat = MeteredHeat(TANK)
    assert list(heat.gains({name: 1000.0})) == []
    assert list(heat.gains({name: 1000.0 + counted})) == ([] if heat_wh is None else [(name, heat_wh)])
    assert list(heat.gains({"tank_level_pct": 50.0})) == []
