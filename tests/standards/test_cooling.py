"""The standing loss fitted to cooling curves whose loss is known."""

import random
from collections.abc import Iterator
from dataclasses import replace
from math import exp
from zoneinfo import ZoneInfo

import pytest

from accounting.heat.loss_fit import Reading, fit, fit_tape, quiet_runs, student
from accounting.ledger.tape import Row
from accounting.valuation.settings import CounterSignal, TankBooks
from rules.tank.cylinder import WH_PER_L_K
from rules.tank.standing_loss import label_loss_w, ua_w_per_k
from tests.support.prices import TANK, utc

ZONE = ZoneInfo("Europe/Dublin")
MIDNIGHT = utc("2026-06-01T00:00+01:00")
MASS_WH_PER_K = 200.0 * 4186.0 / 3600


def curve(hours: float, ua: float = 2.0, wh_per_k: float = MASS_WH_PER_K, from_c: float = 60.0) -> list[Reading]:
    """The mixed tank's closed solution, a reading each half hour, in a room of 20 °C."""
    return [(s, 20 + (from_c - 20) * exp(-ua * s / 3600 / wh_per_k)) for s in range(0, int(hours * 3600) + 1, 1800)]


def test_the_curve_of_the_reference_gives_its_2_watts_per_kelvin() -> None:
    """EnergyPlus engineering reference, mixed tank: 200 kg, 4186 J/(kg·K), 60 °C: 52.540 after 24 h, then 46.472."""
    assert [dict(curve(48))[s] for s in (86_400, 172_800)] == pytest.approx([52.540, 46.472], abs=5e-4)
    loss = fit([curve(48)], MASS_WH_PER_K, 20.0)
    assert loss is not None
    assert loss.ua_w_per_k == pytest.approx(2.0, rel=1e-9)
    assert loss.standard_error < 1e-9
    assert (loss.runs, loss.hours) == (1, 48.0)
    published = fit([[(0, 60.0), (86_400, 52.540), (172_800, 46.472)]], MASS_WH_PER_K, 20.0)
    assert published is not None
    assert published.ua_w_per_k == pytest.approx(2.0, abs=2e-4)


def test_runs_from_different_temperatures_share_one_slope() -> None:
    runs = [curve(6, from_c=from_c) for from_c in (45.0, 52.0, 60.0)]
    loss = fit(runs, MASS_WH_PER_K, 20.0)
    assert loss is not None
    assert loss.ua_w_per_k == pytest.approx(2.0, rel=1e-9)


@pytest.mark.parametrize("runs", [[], [[(0, 50.0)]], [[(0, 50.0), (3600, 49.5)]], [[(0, 50.0)] * 5]])
def test_too_little_tells_nothing(runs: list[list[Reading]]) -> None:
    assert fit(runs, MASS_WH_PER_K, 20.0) is None


def nights(
    tank: TankBooks, count: int, *, draw_on: tuple[int, ...] = (), heat_on: tuple[int, ...] = ()
) -> Iterator[Row]:
    """Minutes of nights that cool from 50–59 °C, the level told in whole percents. Draws: 4 % at 03:00."""
    capacity = WH_PER_L_K * tank.volume_l
    litres, topup_wh = 0.0, 0.0
    for night in range(count):
        from_c = 50.0 + 0.83 * (7 * night % 11)
        drawn_pct = 0.0
        for minute in range(360):
            at_s = MIDNIGHT + night * 86_400 + minute * 60
            if minute == 180 and night in draw_on:
                drawn_pct, litres = 4.0, litres + 10
            topup_wh += 20 if night in heat_on and minute % 100 == 50 else 0
            temp_c = tank.ambient_c + (from_c - tank.ambient_c) * exp(-tank.ua_w_per_k * minute / 60 / capacity)
            level = round(100 * (temp_c - tank.cold_c) / (tank.hot_c - tank.cold_c) - drawn_pct)
            told = {"tank_level_pct": float(level), "diverted_wh": 7.0, "topup_wh": topup_wh}
            yield at_s, told | ({"water_l": litres} if tank.water is not None else {})


@pytest.mark.parametrize("label_class", ["A", "C", "F"])
def test_a_months_nights_in_whole_percents_tell_a_tanks_class(label_class: str) -> None:
    """Regulation (EU) 812/2013, Annex II, table 2. The answer lies within three standard errors, each below 15 %."""
    tank = replace(TANK, ua_w_per_k=ua_w_per_k(label_loss_w(label_class, 200.0)))
    loss = fit_tape(nights(tank, 30), tank, ZONE)
    assert loss is not None
    assert loss.runs == 30
    assert abs(loss.ua_w_per_k - tank.ua_w_per_k) <= 3 * loss.standard_error
    assert loss.standard_error <= 0.15 * tank.ua_w_per_k
    assert loss.loss_w == pytest.approx(45 * loss.ua_w_per_k)


def wavering(tank: TankBooks, count: int, dice: random.Random, alike: bool) -> list[list[Reading]]:
    """Nights of 6 h, a level in whole percents each half hour. They begin at any temperature, in a room that is not the
    same; or alike, all at one, as a thermostat leaves a tank."""
    capacity = WH_PER_L_K * tank.volume_l
    runs = []
    from_c, room_c = dice.uniform(45, 60), tank.ambient_c
    for night in range(count):
        if not alike:
            from_c, room_c = dice.uniform(45, 60), tank.ambient_c + dice.uniform(-1, 1)
        run = []
        for half_hour in range(13):
            decay = exp(-tank.ua_w_per_k * half_hour / 2 / capacity)
            level = round(100 * (room_c + (from_c - room_c) * decay - tank.cold_c) / (tank.hot_c - tank.cold_c))
            at_s = MIDNIGHT + night * 86_400 + half_hour * 1800
            run.append((at_s, tank.cold_c + level / 100 * (tank.hot_c - tank.cold_c)))
        runs.append(run)
    return runs


@pytest.mark.parametrize("alike", [False, True])
@pytest.mark.parametrize("count", [5, 12, 30])
def test_the_truth_lies_in_the_stated_interval_as_often_as_it_says(count: int, alike: bool) -> None:
    """Of 200 tanks: 190 are expected at 95 %; 181 or fewer have a chance of 1 in 2,000 (binomial)."""
    dice = random.Random(count)
    inside = 0
    for _ in range(200):
        loss = fit(wavering(TANK, count, dice, alike), WH_PER_L_K * TANK.volume_l, TANK.ambient_c)
        assert loss is not None
        assert loss.low_w_per_k is not None
        assert loss.high_w_per_k is not None
        inside += loss.low_w_per_k <= TANK.ua_w_per_k <= loss.high_w_per_k
    print(f"\n{count} runs{', all alike' if alike else ''}: the truth inside in {inside} of 200")
    assert inside >= 182


@pytest.mark.parametrize(("free", "t"), [(1, 12.706), (4, 2.776), (11, 2.228), (29, 2.086), (1000, 2.0)])
def test_students_t_is_the_tables(free: int, t: float) -> None:
    assert student(free) == t


def test_nights_with_a_draw_or_with_heating_do_not_count() -> None:
    disturbed = nights(TANK, 6, draw_on=(1, 2), heat_on=(4,))
    assert len(quiet_runs(disturbed, TANK, ZONE)) == 3


def test_with_a_water_meter_a_draw_cuts_the_night() -> None:
    metered = replace(TANK, water=CounterSignal("water_l"))
    runs = quiet_runs(nights(metered, 3, draw_on=(1,)), metered, ZONE)
    assert len(runs) == 2, "what is left of the second night is shorter than four hours"


def test_by_day_only_a_meter_can_tell_that_nobody_draws() -> None:
    def noon() -> Iterator[Row]:
        return ((at_s + 12 * 3600, told) for at_s, told in nights(TANK, 2))

    assert quiet_runs(noon(), TANK, ZONE) == []
    assert len(quiet_runs(noon(), replace(TANK, water=CounterSignal("water_l")), ZONE)) == 2
