"""The twin's parts one by one: thermostat, coil, taps, pump, refusals."""

import pytest

from rules.tank.cylinder import Cylinder
from rules.tank.gauge import Gauge
from rules.tank.twin import Source, Twin, layer_at

TEN = Cylinder(100.0, 10, 0.0)


def test_a_thermostat_lets_through_what_is_left_then_nothing_until_its_layer_has_cooled() -> None:
    twin = Twin(TEN, (59.0,) * 10, [Source(0, 0, 60.0, hysteresis_k=5.0)])
    room_wh = 116.3
    first_w = twin.limited_w(0, 3000.0, 3600.0)
    assert first_w == pytest.approx(room_wh)
    twin.advance(3600.0, [first_w])
    assert twin.temps_c == pytest.approx((60.0,) * 10)
    assert twin.limited_w(0, 3000.0, 60.0) == 0.0
    twin.advance(0.0, need_wh=1.163 * 5 * 50)  # half a layer of cold: 35 °C at the bottom
    assert twin.temps_c[0] < 55.0
    assert twin.limited_w(0, 3000.0, 60.0) == 3000.0


def test_an_upper_element_heats_only_what_lies_above_it() -> None:
    twin = Twin(TEN, (20.0,) * 10, [Source(6, 6, 60.0)])
    while power_w := twin.limited_w(0, 3000.0, 60.0):
        twin.advance(60.0, [power_w])
    assert twin.temps_c == pytest.approx((20.0,) * 6 + (60.0,) * 4)
    assert twin.taken_wh == pytest.approx(1.163 * 40 * 40)


def test_a_coil_heats_its_layers_alike() -> None:
    twin = Twin(TEN, (20.0,) * 10, [Source(5, 9)])
    twin.advance(3600.0, [1.163 * 50 * 10])
    assert twin.temps_c == pytest.approx((20.0,) * 5 + (30.0,) * 5)


def test_hot_water_is_mixed_with_cold_at_the_tap() -> None:
    twin = Twin(TEN, (60.0,) * 10)
    served = twin.advance(0.0, need_wh=1.163 * 10 * 30, tap_c=40.0)
    assert served is not None
    assert (served.tank_l, served.short_wh) == pytest.approx((6.0, 0.0))
    assert twin.drawn_wh == pytest.approx(1.163 * 10 * 30)


def test_water_that_is_too_cool_comes_as_it_is_and_its_heat_falls_short() -> None:
    twin = Twin(TEN, (25.0,) * 10)
    served = twin.advance(0.0, need_wh=1.163 * 10 * 30, tap_c=40.0)
    assert served is not None
    assert (served.tank_l, served.tank_wh, served.short_wh) == pytest.approx((10.0, 1.163 * 150, 1.163 * 150))


def test_a_draw_that_empties_the_tank_falls_short_of_the_rest() -> None:
    twin = Twin(TEN, (60.0,) * 10)
    served = twin.advance(0.0, need_wh=10_000.0, tap_c=40.0)
    assert served is not None
    assert served.tank_wh == pytest.approx(1.163 * 100 * 50)
    assert served.short_wh == pytest.approx(10_000.0 - 1.163 * 100 * 50)
    assert twin.temps_c == pytest.approx((10.0,) * 10)


@pytest.mark.parametrize("cold_c", [40.0, 41.0])
def test_taps_take_nothing_where_the_cold_water_is_as_warm_as_they_want_it(cold_c: float) -> None:
    twin = Twin(TEN, (60.0,) * 10, cold_c=cold_c)
    assert twin.advance(0.0, need_wh=500.0, tap_c=40.0) == (0.0, 0.0, 0.0)
    assert twin.temps_c == (60.0,) * 10


@pytest.mark.parametrize("source", [Source(-1, 0), Source(3, 2), Source(0, 10), Source(0, 0, 60.0, -1.0)])
def test_no_such_source(source: Source) -> None:
    with pytest.raises(ValueError, match="10 layers"):
        Twin(TEN, (20.0,) * 10, [source])


def test_heights_and_layers() -> None:
    assert [layer_at(TEN, height) for height in (0.0, 0.05, 0.5, 1.0)] == [0, 0, 5, 9]


def test_a_probe_sees_its_layer_alone_and_a_stepped_gauge_its_nearest_step() -> None:
    temps = (10.0,) * 5 + (60.0,) * 5
    assert Gauge("probe", probe_height=0.9).level_pct(temps) == 100.0
    assert Gauge("probe", probe_height=0.1).level_pct(temps) == 0.0
    assert Gauge("energy", steps=4).level_pct((10.0,) * 4 + (60.0,) * 6) == 50.0
