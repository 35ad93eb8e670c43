"""The demo's draws against load profile M of Regulation (EU) 814/2013, Annex III, table 1."""

from itertools import pairwise

import pytest

from daemon.simulation.house.draws import PROFILE_M, Taps


def test_profile_m_has_23_draws_of_5_845_kwh() -> None:
    assert len(PROFILE_M) == 23
    assert sum(draw.need_wh for draw in PROFILE_M) == pytest.approx(5845.0, abs=1e-9)


def test_draws_are_in_the_order_of_the_day_and_none_outlasts_the_next() -> None:
    for draw, after in pairwise(PROFILE_M):
        assert draw.at_s + draw.tap_l / draw.flow_l_per_min * 60 < after.at_s


@pytest.mark.parametrize(
    ("at_s", "litres"),
    [
        (7 * 3600, 0.105 / (1.163e-3 * 15)),
        (7 * 3600 + 300, 1.4 / (1.163e-3 * 30)),
        (10 * 3600 + 1800, 0.105 / (1.163e-3 * 30)),
        (12 * 3600 + 2700, 0.315 / (1.163e-3 * 45)),
        (20 * 3600 + 1800, 0.735 / (1.163e-3 * 45)),
    ],
)
def test_volume_is_q_over_1_163e_3_times_the_rise(at_s: int, litres: float) -> None:
    (draw,) = [d for d in PROFILE_M if d.at_s == at_s]
    assert draw.tap_l == pytest.approx(litres, rel=1e-12)


@pytest.mark.parametrize("dt_s", [1.0, 10.0, 60.0])
def test_a_day_from_a_tank_at_60_degrees_takes_100_5_litres_out_of_it(dt_s: float) -> None:
    # 60 °C volume of profile M: 5.845 / (1.163e-3 · 50) = 100.5 L (computed).
    taps = Taps()
    taken = [taps.draw_l(i * dt_s, dt_s, 60.0, 10.0) for i in range(round(86400 / dt_s))]

    assert sum(litres for litres, _ in taken) == pytest.approx(100.5, abs=0.05)
    assert sum(wanted_wh for _, wanted_wh in taken) == pytest.approx(5845.0, abs=1e-6)
