"""The twin against published figures, closed solutions and bounds, and its grid convergence."""

from itertools import pairwise
from math import exp

import pytest

from rules.tank.cylinder import Cylinder
from rules.tank.gauge import Gauge
from rules.tank.twin import Source, Twin

# Holds the heat of the mixed-tank figures' 200 kg at 4186 J/(kg·K), where the project counts 4186.8.
REFERENCE_L = 200.0 * 4186.0 / 4186.8


def test_heating_200_kg_by_40_k_at_3_kw_with_loss_takes_3_1428_hours() -> None:
    # Closed solution of dT/dt = a + bT (mixed tank, EnergyPlus engineering reference): 2 W/K to 20 °C.
    twin = Twin(Cylinder(REFERENCE_L, 10, 2.0), (20.0,) * 10, [Source(0, 0, 60.0)])
    hours = 0.0
    while (power_w := twin.limited_w(0, 3000.0, 60.0)) == 3000.0:
        twin.advance(60.0, [power_w])
        hours += 1 / 60
    assert hours == pytest.approx(3.1428, abs=1 / 60)
    assert twin.temps_c[-1] == pytest.approx(60.0, abs=0.3)


def test_standing_loss_in_one_wait_is_that_of_the_mixed_tank() -> None:
    # EnergyPlus engineering reference's mixed tank: from 60 °C 52.540 °C after 24 h, 1.7348 kWh lost.
    twin = Twin(Cylinder(REFERENCE_L, 10, 2.0), (60.0,) * 10)
    for _ in range(24):
        twin.wait(3600.0)
    assert twin.temps_c == pytest.approx((52.540,) * 10, abs=5e-4)
    assert twin.lost_wh == pytest.approx(1734.8, abs=0.05)


@pytest.mark.parametrize("nodes", [4, 10, 40])
def test_a_draw_lies_between_mixed_tank_and_plug_flow(nodes: int) -> None:
    # T_c + (T_h - T_c) exp(-V/V0) below, T_h until the tank's volume has gone above.
    twin = Twin(Cylinder(200.0, nodes, 0.0), (60.0,) * nodes)
    tank_l = 0.0
    while tank_l < 190.0:
        before_c = twin.temps_c[-1]
        assert 10 + 50 * exp(-tank_l / 200.0) - 1e-9 <= before_c <= 60.0 + 1e-9
        served = twin.advance(0.0, need_wh=50.0)
        assert served is not None
        tank_l += served.tank_l


def test_v40_of_a_tank_of_many_layers_nears_that_of_plug_flow() -> None:
    # EN 16147, from memory: V40 = integral of V (T_out - T_c) / 30 while T_out >= 40 °C; plug flow, 200 L at 60 °C:
    # 333.3 L. Mixing keeps any real tank below it; the more layers, the nearer.
    found = []
    for nodes in (5, 10, 20, 40, 80):
        twin, v40_l = Twin(Cylinder(200.0, nodes, 0.0), (60.0,) * nodes), 0.0
        while twin.temps_c[-1] >= 40.0:
            served = twin.advance(0.0, need_wh=1.163 * 5 * 30)
            assert served is not None
            v40_l += served.tank_wh / (1.163 * 30)
        found.append(v40_l)
    assert found == sorted(found)
    assert found[-1] < 333.4
    assert found[-1] == pytest.approx(333.3, rel=0.06)


@pytest.mark.parametrize(
    ("layers", "share"),
    [((15.0,) * 4 + (60.0,) * 6, 0.600), ((42.0,) * 10, 0.640), ((39.0,) * 10, 0.0)],
)
def test_state_of_charge_by_usable_height(layers: tuple[float, ...], share: float) -> None:
    # The worked points of the United Kingdom government's home energy model (use 40 °C, cold 10 °C, set 60 °C).
    assert Gauge("usable").level_pct(layers) == pytest.approx(100 * share, abs=1e-9)


def test_the_same_energy_mixed_is_the_same_energy_but_not_the_same_use() -> None:
    # 60 % at 60 °C and 40 % at 15 °C hold the energy of the whole at 42 °C, by both: (0.6 · 50 + 0.4 · 5) / 50 = 0.64.
    stratified = (15.0,) * 4 + (60.0,) * 6
    assert Gauge("energy").level_pct(stratified) == pytest.approx(64.0)
    assert Gauge("energy").level_pct((42.0,) * 10) == pytest.approx(64.0)
    assert Gauge("hot").level_pct(stratified) == pytest.approx(60.0)


def _a_day(nodes: int) -> tuple[float, float]:
    """Sun heat taken and heat short at the taps, Wh, of ten days: sun that fills the tank, a draw that empties it."""
    twin = Twin(Cylinder(120.0, nodes, 1.3), (60.0,) * nodes, [Source(0, 0, 60.0)])
    short_wh = 0.0
    for _ in range(10):
        for minute in range(1440):
            sun_w = 2000.0 if 11 * 60 <= minute < 15 * 60 else 0.0
            need_wh = 200.0 if 7 * 60 <= minute < 7 * 60 + 12 or 19 * 60 <= minute < 19 * 60 + 35 else 0.0
            if not sun_w and not need_wh:
                twin.wait(60.0)
                continue
            power_w = twin.limited_w(0, sun_w, 60.0)
            served = twin.advance(60.0, [power_w], need_wh)
            short_wh += served.short_wh if served is not None else 0.0
    return twin.taken_wh, short_wh


def test_the_grid_converges() -> None:
    """Twice the layers change less and less. (Ritchie et al.: more than about 4 layers gain little in a study.)"""
    taken, short = zip(*(_a_day(nodes) for nodes in (5, 10, 20, 40, 80)), strict=True)
    for found in (taken, short):
        steps = [abs(later - earlier) for earlier, later in pairwise(found)]
        assert steps[0] > steps[1] > steps[-1]
    assert taken[1] == pytest.approx(taken[-1], rel=0.001)
    assert short[1] == pytest.approx(short[-1], rel=0.02)
