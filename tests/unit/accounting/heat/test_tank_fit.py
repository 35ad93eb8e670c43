"""A tank fitted to the recorded minutes of a house whose tank is known: its figures lie in the ranges stated."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from accounting.heat.tank_fit import HOURS, Figure, TankFit, fit_tank
from accounting.valuation.settings import CounterSignal, TankBooks
from daemon.simulation.house.simulated import DEMO
from rules.model.signals import TEMPERATURES
from rules.tank.cylinder import WH_PER_L_K
from tests.support.demo_tape import Recorded, record

ZONE = ZoneInfo("Europe/Dublin")
TRUE = DEMO.tank
STATED = TankBooks(
    volume_l=150.0,  # as wrong as a plate can be
    cold_c=TRUE.cold_c,
    hot_c=TRUE.hot_c,
    ua_w_per_k=2.5,
    ambient_c=TRUE.ambient_c,
    temperatures=TEMPERATURES,
    topup=CounterSignal("topup_wh"),
)


def holds(figure: Figure | None, truth: float, widest: float) -> bool:
    """Whether the truth lies in the stated range, and the range is narrow enough to be of use (share of the truth)."""
    assert figure is not None
    assert figure.low < figure.value < figure.high
    assert figure.high - figure.low < widest * truth
    return figure.low <= truth <= figure.high


def found(fit: TankFit, house: Recorded) -> dict[str, bool]:
    return {
        "full": holds(fit.full_kwh, WH_PER_L_K * TRUE.volume_l * (TRUE.hot_c - TRUE.cold_c) / 1000, 0.05),
        "volume": holds(fit.volume_l, TRUE.volume_l, 0.06),
        "loss": holds(fit.ua_w_per_k, TRUE.ua_w_per_k, 0.08),
        "drawn": holds(fit.drawn_kwh, house.drawn_kwh, 0.25),
    }


@pytest.mark.parametrize("seed", [5, 8])
def test_the_demos_tank_is_found_in_two_weeks(seed: int) -> None:
    house = record(seed, 14)
    fit = fit_tank(house.rows, STATED, ZONE)
    assert found(fit, house) == {"full": True, "volume": True, "loss": True, "drawn": True}
    assert holds(fit.hot_c, TRUE.hot_c, 0.05)
    assert fit.by_hour is not None
    assert (len(fit.by_hour), round(sum(fit.by_hour), 9)) == (HOURS, 1.0)
    assert fit.days == 14
    # The profile draws most at seven in the morning and at half past nine in the evening, nothing at night.
    assert sorted(range(HOURS), key=lambda hour: fit.by_hour[hour])[-2:] == [7, 21]
    assert sum(fit.by_hour[:6]) < 0.06
    # Without its temperatures the scale is still found.
    by_level = fit_tank(house.rows, replace(STATED, temperatures=()), ZONE)
    assert by_level.full_kwh == fit.full_kwh
    assert by_level.hot_c is None


@pytest.mark.long
def test_in_nine_of_ten_houses_each_figure_lies_in_its_range() -> None:
    hits: dict[str, int] = {}
    for seed in range(1, 11):
        house = record(seed, 21)
        for what, hit in found(fit_tank(house.rows, STATED, ZONE), house).items():
            hits[what] = hits.get(what, 0) + hit
    assert min(hits.values()) >= 9, hits


def test_too_little_shows_nothing() -> None:
    assert fit_tank([], STATED, ZONE) == TankFit(None, None, None, None, None, None, None, 0)
    rows = [(60 * minute, {"tank_level_pct": 50.0, "diverted_wh": 0.0}) for minute in range(600)]
    fit = fit_tank(rows, replace(STATED, temperatures=()), ZONE)
    assert (fit.full_kwh, fit.volume_l, fit.drawn_kwh, fit.by_hour_wh) == (None, None, None, None)


def test_heat_that_nothing_metered_gave_leaves_the_draws_unseen() -> None:
    """An unmetered boiler makes each morning's heat: what the taps drew cannot be told from it."""
    tank = replace(STATED, temperatures=(), ua_w_per_k=0.01)
    rows = [
        (60 * minute, {"tank_level_pct": 60.0 if 6 <= minute // 60 % 24 < 20 else 30.0, "diverted_wh": 0.0})
        for minute in range(10 * 1440)
    ]
    fit = fit_tank(rows, tank, ZONE)
    assert (fit.days, fit.drawn_kwh, fit.by_hour) == (10, None, None)
