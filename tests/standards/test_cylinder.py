"""The cylinder against published figures and closed solutions."""

from math import exp

import pytest
from CoolProp.CoolProp import PropsSI

from rules.tank.cylinder import WH_PER_L_K, Cylinder, Step, step, stored_wh

# Holds the heat of the mixed-tank figures' 200 kg at 4186 J/(kg·K), where the project counts 4186.8.
REFERENCE_L = 200.0 * 4186.0 / 4186.8


def _draw_in_steps(cylinder: Cylinder, temps: tuple[float, ...], litres: float, at_a_time: float) -> list[Step]:
    steps: list[Step] = []
    for _ in range(round(litres / at_a_time)):
        steps.append(step(cylinder, temps, 0.0, draw_l=at_a_time, cold_c=10.0))
        temps = steps[-1].temps_c
    return steps


# IAPWS-IF97 at 101.325 kPa, Wh/(L·K), as CoolProp's implementation gives them.
IF97_WH_PER_L_K = [(10, 1.1651), (20, 1.1604), (30, 1.1561), (40, 1.1517), (50, 1.1471), (60, 1.1424), (70, 1.1375)]


@pytest.mark.parametrize(("temp_c", "expected"), IF97_WH_PER_L_K)
def test_a_litre_holds_what_the_steam_tables_say_within_what_is_claimed(temp_c: float, expected: float) -> None:
    state = ("T", temp_c + 273.15, "P", 101325.0, "IF97::Water")
    per_l_k = PropsSI("C", *state) * PropsSI("D", *state) / 3600.0 / 1000.0

    assert per_l_k == pytest.approx(expected, abs=0.00006)
    assert -0.0021 < WH_PER_L_K / per_l_k - 1 < 0.0226


def test_the_heat_of_water_is_the_calorie_of_the_steam_tables() -> None:
    # 4.1868 kJ/(kg·K), International Table calorie.
    assert pytest.approx(4.1868 / 3.6, rel=1e-12) == WH_PER_L_K


def test_heating_200_kg_by_40_k_takes_9304_wh_and_at_3_kw_3_101_hours() -> None:
    cylinder = Cylinder(200.0, 1, ua_w_per_k=0.0)
    assert stored_wh(cylinder, (50.0,), 10.0) == pytest.approx(9304.0, abs=0.5)

    after = step(cylinder, (20.0,), 3.10133 * 3600, heat_w=((0, 3000.0),))
    assert after.temps_c[0] == pytest.approx(60.0, abs=1e-3)


def test_with_loss_the_same_heating_takes_3_1428_hours() -> None:
    # Closed solution of dT/dt = a + bT (mixed tank, EnergyPlus engineering reference): 200 kg, 2 W/K to 20 °C.
    after = step(Cylinder(REFERENCE_L, 1, 2.0), (20.0,), 3.1428 * 3600, heat_w=((0, 3000.0),), ambient_c=20.0)
    assert after.temps_c[0] == pytest.approx(60.0, abs=1e-3)


@pytest.mark.parametrize("nodes", [1, 4, 10])
@pytest.mark.parametrize("dt_s", [10.0, 3600.0, 86400.0])
def test_standing_loss_follows_the_mixed_tank_of_the_energyplus_reference(nodes: int, dt_s: float) -> None:
    # 200 kg, UA 2 W/K, ambient 20 °C, from 60 °C: 52.540 °C after 24 h, 46.472 after 48 h, 1.7348 kWh lost in 24 h.
    cylinder = Cylinder(REFERENCE_L, nodes, 2.0)
    temps, lost_wh = (60.0,) * nodes, 0.0
    seen = {}
    for i in range(1, round(48 * 3600 / dt_s) + 1):
        temps, _, lost, _ = step(cylinder, temps, dt_s, ambient_c=20.0)
        lost_wh += lost
        seen[i * dt_s] = (temps, lost_wh)

    assert seen[86400.0][0] == pytest.approx((52.540,) * nodes, abs=5e-4)
    assert seen[86400.0][1] == pytest.approx(1734.8, abs=0.05)
    assert seen[172800.0][0] == pytest.approx((46.472,) * nodes, abs=5e-4)


def test_a_single_layer_drawn_slowly_is_the_fully_mixed_tank() -> None:
    # T_c + (T_h - T_c) exp(-V/V0): 200 L 60/10 after 150 L 33.62 °C, reaches 40 °C after 102.17 L (computed).
    cylinder = Cylinder(200.0, 1, 0.0)
    steps = _draw_in_steps(cylinder, (60.0,), 150.0, 0.01)

    assert steps[-1].temps_c[0] == pytest.approx(10 + 50 * exp(-0.75), abs=2e-3)
    assert steps[-1].temps_c[0] == pytest.approx(33.62, abs=5e-3)
    assert sum(1 for s in steps if s.temps_c[0] >= 40.0) * 0.01 == pytest.approx(102.17, abs=0.02)


@pytest.mark.parametrize("nodes", [2, 4, 10, 20])
def test_any_number_of_layers_lies_between_fully_mixed_and_plug_flow(nodes: int) -> None:
    steps = _draw_in_steps(Cylinder(200.0, nodes, 0.0), (60.0,) * nodes, 200.0, 0.5)

    drawn_l = 0.0
    for taken in steps:
        drawn_l += 0.5
        assert 10 + 50 * exp(-drawn_l / 200.0) - 1e-9 <= taken.drawn_c <= 60.0 + 1e-9
    assert steps[round(nodes * 2)].drawn_c > 10 + 50 * exp(-nodes * 2 * 0.5 / 200.0)


def test_v40_of_a_plug_flow_tank() -> None:
    # EN 16147, from memory: V40 = integral of V (T_out - T_c) / 30 while T_out >= 40 °C. 200 L at 60 °C: 333.3 L.
    # Draws of a whole layer move the profile unblurred.
    steps = _draw_in_steps(Cylinder(200.0, 10, 0.0), (60.0,) * 10, 220.0, 20.0)

    assert [s.drawn_c for s in steps] == pytest.approx([60.0] * 10 + [10.0])
    v40_l = sum(20.0 * (s.drawn_c - 10.0) / 30.0 for s in steps if s.drawn_c >= 40.0)
    assert v40_l == pytest.approx(333.3, abs=0.05)


def test_layers_share_the_loss_by_volume() -> None:
    # EN 15316-5: each layer loses UA V_i/V (T_i - T_a), by its own excess over ambient.
    cylinder = Cylinder(200.0, 4, 2.0)
    after = step(cylinder, (20.0, 20.0, 40.0, 60.0), 1.0, ambient_c=20.0)

    assert after.temps_c[:2] == (20.0, 20.0)
    assert 60.0 - after.temps_c[3] == pytest.approx(2 * (40.0 - after.temps_c[2]), rel=1e-6)
    assert after.lost_wh == pytest.approx(2.0 / 4 * (20.0 + 40.0) / 3600.0, rel=1e-5)
