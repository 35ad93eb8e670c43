"""The cylinder's parts one by one: where heat goes, how a draw moves the layers, what is refused."""

import pytest

from rules.tank.cylinder import Cylinder, step, tank_l

FOUR = Cylinder(100.0, 4, 0.0)


def test_an_element_heats_its_layer_and_what_is_above_never_what_is_below() -> None:
    after = step(FOUR, (10.0, 20.0, 30.0, 40.0), 3600.0, heat_w=((1, 1163.0),))
    # 1163 Wh into 25 L is 40 K: 60 °C, which rises and mixes with the two layers above: (60 + 30 + 40) / 3.
    assert after.temps_c == pytest.approx((10.0, 130 / 3, 130 / 3, 130 / 3))


def test_warmth_from_below_rises_no_further_than_to_water_as_warm() -> None:
    after = step(FOUR, (20.0, 22.0, 50.0, 60.0), 3600.0, heat_w=((0, 290.75),))
    assert after.temps_c == pytest.approx((26.0, 26.0, 50.0, 60.0))


def test_a_draw_of_half_a_layer_mixes_each_layer_with_half_of_the_one_below() -> None:
    after = step(FOUR, (20.0, 30.0, 40.0, 50.0), 0.0, draw_l=12.5, cold_c=10.0)
    assert after.temps_c == pytest.approx((15.0, 25.0, 35.0, 45.0))
    assert (after.drawn_c, after.drawn_wh) == pytest.approx((50.0, 1.163 * 12.5 * 40.0))


def test_a_draw_of_one_and_a_half_layers() -> None:
    after = step(FOUR, (20.0, 30.0, 40.0, 50.0), 0.0, draw_l=37.5, cold_c=10.0)
    assert after.temps_c == pytest.approx((10.0, 15.0, 25.0, 35.0))
    assert after.drawn_c == pytest.approx((50.0 + 40.0 / 2) / 1.5)


@pytest.mark.parametrize("draw_l", [100.0, 250.0])
def test_a_draw_of_the_whole_tank_and_more_leaves_cold_water(draw_l: float) -> None:
    after = step(FOUR, (20.0, 30.0, 40.0, 50.0), 0.0, draw_l=draw_l, cold_c=10.0)
    assert after.temps_c == (10.0,) * 4
    assert after.drawn_wh == pytest.approx(1.163 * 25.0 * (10 + 20 + 30 + 40))


def test_without_a_draw_nothing_is_drawn_and_the_outlet_shows_the_top() -> None:
    after = step(FOUR, (20.0, 30.0, 40.0, 50.0), 60.0)
    assert (after.drawn_wh, after.drawn_c, after.lost_wh) == (0.0, 50.0, 0.0)


def test_a_tank_colder_than_the_room_gains() -> None:
    after = step(Cylinder(100.0, 2, 2.0), (10.0, 10.0), 3600.0, ambient_c=20.0)
    assert after.lost_wh < 0
    assert after.temps_c[0] > 10.0


def test_a_tank_colder_than_the_tap_gives_all_the_water() -> None:
    assert tank_l(10.0, 40.0, 40.0, 10.0) == 10.0
    assert tank_l(10.0, 40.0, 30.0, 10.0) == 10.0
    assert tank_l(10.0, 40.0, 70.0, 10.0) == pytest.approx(5.0)


@pytest.mark.parametrize(("volume_l", "nodes", "ua"), [(0.0, 4, 1.0), (100.0, 0, 1.0), (100.0, 4, -0.1)])
def test_no_such_cylinder(volume_l: float, nodes: int, ua: float) -> None:
    with pytest.raises(ValueError, match="impossible cylinder"):
        Cylinder(volume_l, nodes, ua)


@pytest.mark.parametrize(
    ("temps", "dt_s", "draw_l"),
    [((10.0,) * 3, 1.0, 0.0), ((10.0,) * 4, -1.0, 0.0), ((10.0,) * 4, 1.0, -0.1), ((10.0,) * 4, float("nan"), 0.0)],
)
def test_no_such_step(temps: tuple[float, ...], dt_s: float, draw_l: float) -> None:
    with pytest.raises(ValueError, match="4 layers"):
        step(FOUR, temps, dt_s, draw_l=draw_l)
