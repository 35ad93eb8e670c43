"""A level from up to three temperatures."""

from itertools import pairwise

import pytest

from rules.tank.charge import charge_pct, level_pct, level_reading
from tests.support.rules_case import reading


def level(top: float | None, mid: float | None, bottom: float | None) -> float | None:
    return level_pct(top, mid, bottom, 10.0, 60.0)


def test_nothing_known() -> None:
    assert level(None, None, None) is None


@pytest.mark.parametrize("which", [(60.0, None, None), (None, 60.0, None), (None, None, 60.0)])
def test_one_sensor_stands_for_the_whole_tank(which: tuple[float | None, ...]) -> None:
    assert level(*which) == pytest.approx(100.0)


def test_linear_between_sensors_and_constant_beyond() -> None:
    # Above 5/6 at 60 °C: 1/6 × 50/50. Between, 60 → 20 °C over 2/3: half of it is at 40 °C or more, 50 °C on average:
    # 1/3 × 40/50. By hand: 16.667 + 26.667 %.
    assert level(60.0, None, 20.0) == pytest.approx(100 * (1 / 6 + 1 / 3 * 0.8))


def test_three_sensors_by_hand() -> None:
    # Above the middle all at 60 °C: 1/2. From 60 to 15 °C over 1/3: (60 − 40)/45 of it, 50 °C on average.
    assert level(60.0, 60.0, 15.0) == pytest.approx(100 * (1 / 2 + 1 / 3 * 20 / 45 * 0.8))


def test_moves_smoothly_while_the_boundary_passes_a_sensor() -> None:
    mids = [15 + step * 0.05 for step in range(901)]
    levels = [level(60.0, mid, 15.0) or 0.0 for mid in mids]
    steps = [after - before for before, after in pairwise(levels)]
    assert min(steps) >= 0
    assert max(steps) < 0.2


def test_an_upside_down_profile_counts_the_same() -> None:
    assert level(20.0, None, 60.0) == pytest.approx(level(60.0, None, 20.0))


def test_hotter_than_full_stops_at_the_highest_level_a_reading_may_have() -> None:
    assert level(60.5, 60.5, 60.5) == pytest.approx(101.0)
    assert level(90.0, 90.0, 90.0) == 110.0


def test_what_is_useful_can_be_said() -> None:
    assert level_pct(48.0, None, None, 10.0, 60.0) == pytest.approx(76.0)
    assert level_pct(48.0, None, None, 10.0, 60.0, useful_c=50.0) == 0.0


def test_layers_in_any_order() -> None:
    assert charge_pct([(0.5, 15.0), (0.5, 60.0)], 10.0, 60.0) == pytest.approx(50.0)


def test_a_derived_reading_is_as_old_as_its_oldest_temperature() -> None:
    made = level_reading(
        reading("tank_top_c", 60.0, 100.0), reading("tank_mid_c", 60.0, 30.0), None, cold_c=10.0, hot_c=60.0
    )
    assert made is not None
    assert (made.signal, made.seen_s) == ("tank_level_pct", 30.0)
    assert made.value == pytest.approx(100.0)
    assert made.at_s == reading("x", 0.0, 30.0).at_s  # type: ignore[union-attr]


def test_a_derived_reading_leaves_out_what_cannot_be() -> None:
    made = level_reading(reading("tank_top_c", 60.0, 5.0), None, reading("tank_bottom_c", -127.0, 1.0), 10.0, 60.0)
    assert made is not None
    assert made.value == pytest.approx(100.0)
    assert made.seen_s == 5.0
    assert level_reading(None, None, reading("tank_bottom_c", -127.0, 1.0), 10.0, 60.0) is None
