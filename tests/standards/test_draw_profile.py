"""Draws against load profiles M and L of Regulation (EU) 814/2013, Annex III, table 1, and needs against SAP 2012."""

from itertools import pairwise

import pytest

from daemon.simulation.house.draws import Taps
from rules.tank.tapping import PROFILE_L, PROFILE_M, household_wh, need_wh, profile_for


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


def test_profile_l_has_24_draws_of_11_655_kwh_and_takes_200_4_litres_at_60_degrees() -> None:
    assert len(PROFILE_L) == 24
    assert sum(draw.need_wh for draw in PROFILE_L) == pytest.approx(11_655.0, abs=1e-9)
    assert sum(draw.need_wh for draw in PROFILE_L) / (1.163 * 50) == pytest.approx(200.4, abs=0.05)
    for draw, after in pairwise(PROFILE_L):
        assert draw.at_s + draw.lasts_s < after.at_s


def test_a_household_needs_what_sap_2012_reckons() -> None:
    # A floor of 90 m2: N 2.6257; January 165.81, July 100.10, the year 1599.2 kWh (computed from its tables 1b to 1d).
    days = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
    months_kwh = [household_wh(2.6257, month) * count / 1000 for month, count in enumerate(days, 1)]
    assert months_kwh[0] == pytest.approx(165.81, abs=0.02)
    assert months_kwh[6] == pytest.approx(100.10, abs=0.02)
    assert sum(months_kwh) == pytest.approx(1599.2, abs=0.2)


@pytest.mark.parametrize("people", [1.0, 2.6, 5.0])
@pytest.mark.parametrize("length_s", [60, 1800])
def test_a_scaled_profile_keeps_its_hours_and_has_the_day_s_heat(people: float, length_s: int) -> None:
    name, profile = profile_for(people)
    slots = need_wh(profile, 4321.0, length_s)
    assert name == ("L" if people > 3 else "M")
    assert sum(slots.values()) == pytest.approx(4321.0)
    assert min(slots) == 7 * 3600 // length_s
    morning_wh = sum(wh for slot, wh in slots.items() if slot * length_s < 12 * 3600)
    share = sum(d.need_wh for d in profile if d.at_s < 12 * 3600) / sum(d.need_wh for d in profile)
    assert morning_wh / 4321.0 == pytest.approx(share)
