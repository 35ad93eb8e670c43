"""What a full level holds, from heating runs whose tank is known."""

from dataclasses import replace
from fractions import Fraction

import pytest

from accounting.heat.scale_fit import LEAST_RUNS, fit_scale
from accounting.ledger.tape import Row
from accounting.valuation.settings import Boiler, CounterSignal, TankBooks
from rules.tank.cylinder import WH_PER_L_K

FULL_WH = 9000.0
TANK = TankBooks(volume_l=8000.0 / WH_PER_L_K / 50, cold_c=10.0, hot_c=60.0, ua_w_per_k=1.5, ambient_c=20.0)
HUGE = replace(TANK, volume_l=30_000.0 / WH_PER_L_K / 50)


def heated(runs: int, *, draw_every: int = 0, digits: int = 1, name: str = "diverted_wh") -> list[Row]:
    """Runs of an hour and a half at 2.4 kW into a tank that loses nothing; draw_every: of so many runs, one has its
    level fall by 10 % half way."""
    rows: list[Row] = []
    counter_wh = 500.0
    for run in range(runs):
        level = 20.0 + run % 3
        for minute in range(24 * 60):
            if minute < 90:
                counter_wh += 40.0
                level += 40.0 * 100 / FULL_WH
                if draw_every and run % draw_every == 0 and minute == 45:
                    level -= 10.0
            rows.append((60 * (run * 24 * 60 + minute), {name: counter_wh, "tank_level_pct": round(level, digits)}))
    return rows


@pytest.mark.parametrize("name", ["diverted_wh", "diverted_wh_upper", "topup_wh"])
def test_the_rise_for_a_kilowatt_hour_gives_the_heat_of_a_full_level(name: str) -> None:
    scale = fit_scale(heated(6, name=name), TANK, 0.0)
    assert scale is not None
    assert scale.full_wh == pytest.approx(FULL_WH, rel=0.005)
    assert scale.low_wh < FULL_WH < scale.high_wh
    assert scale.runs == 6


def test_draws_and_whole_percents_do_not_move_it() -> None:
    scale = fit_scale(heated(9, draw_every=3, digits=0), TANK, 0.0)
    assert scale is not None
    assert scale.low_wh < FULL_WH < scale.high_wh
    assert scale.high_wh - scale.low_wh < 0.1 * FULL_WH


def test_what_is_lost_meanwhile_is_no_heat_of_the_tank() -> None:
    scale, lossy = fit_scale(heated(6), TANK, 0.0), fit_scale(heated(6), TANK, 240.0)
    assert scale is not None
    assert lossy is not None
    assert lossy.full_wh == pytest.approx(0.9 * scale.full_wh, rel=1e-6)


def test_too_few_runs_or_a_scale_far_from_what_is_stated_tell_nothing() -> None:
    assert fit_scale(heated(LEAST_RUNS - 1), TANK, 0.0) is None
    assert fit_scale(heated(6), HUGE, 0.0) is None
    assert fit_scale([], TANK, 0.0) is None


def test_of_a_boilers_fuel_only_the_heat_goes_into_the_tank() -> None:
    fuel = replace(TANK, boiler=Boiler(CounterSignal("boiler_wh"), heat=Fraction(4, 5)))
    by_heat = fit_scale(heated(6, name="boiler_wh"), TANK, 0.0)
    by_fuel = fit_scale(heated(6, name="boiler_wh"), fuel, 0.0)
    assert by_heat is not None
    assert by_fuel is not None
    assert by_fuel.full_wh == pytest.approx(0.8 * by_heat.full_wh, rel=0.01)
