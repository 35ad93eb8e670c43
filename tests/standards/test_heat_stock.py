"""The tank's books against published draw profiles, label classes and the mixed tank's closed solution."""

import random
from dataclasses import dataclass, replace
from math import exp

import pytest

from accounting.books.booking import Books
from accounting.valuation.settings import CounterSignal, TankBooks
from daemon.simulation.house.draws import Taps
from rules.tank.cylinder import WH_PER_L_K, Cylinder, step, stored_wh
from rules.tank.standing_loss import LABEL_CLASSES, label_loss_w, ua_w_per_k
from rules.tank.tapping import PROFILE_L, PROFILE_M, Draw
from tests.support.prices import utc, with_tank

MIDNIGHT = utc("2026-05-11T00:00Z")
DAY_S = 86_400


@dataclass
class Day:
    """What the books made of a day, Wh."""

    drawn: int = 0
    lost: int = 0
    received: int = 0
    unexplained: int = 0
    change: int = 0


def booked(books: Books, end_s: int) -> Day:
    books.settle(end_s + 600)
    day = Day()
    for entry in books.tank_entries():
        day.drawn += entry.wh("drawn")
        day.lost += entry.wh("lost")
        day.unexplained += entry.wh("unexplained")
        day.change += entry.wh("tank")
        day.received -= entry.wh("sun")
    assert day.received == day.change + day.drawn + day.lost + day.unexplained
    return day


def lived(profile: tuple[Draw, ...], tank: TankBooks, nodes: int, step_l: float = 0.001) -> tuple[Day, float, float]:
    """A day of draws from a layered tank at 60 °C that an element keeps warm; what was drawn and lost in truth, Wh."""
    cylinder = Cylinder(tank.volume_l, nodes, tank.ua_w_per_k)
    temps = (60.0,) * nodes
    books = Books(with_tank(tank))
    taps = Taps(profile)
    drawn_wh = lost_wh = heated_wh = litres = 0.0
    for second in range(0, DAY_S + 1, 30):
        level_pct = 100 * stored_wh(cylinder, temps, 10.0) / tank.full_wh
        for signal, value in (
            ("tank_level_pct", level_pct),
            ("tank_top_c", temps[-1]),
            ("diverted_wh", heated_wh),
            ("water_l", litres // step_l * step_l),
        ):
            books.note(signal, MIDNIGHT + second, value)
        on = second // 3600 in (3, 4, 11, 12, 13, 14)
        power_w = 2800.0 if on and temps[0] < 60.0 else 0.0
        draw_l, _ = taps.draw_l(second, 30, temps[-1], 10.0)
        after = step(cylinder, temps, 30, heat_w=((0, power_w),), draw_l=draw_l, ambient_c=tank.ambient_c)
        temps = after.temps_c
        drawn_wh, lost_wh = drawn_wh + after.drawn_wh, lost_wh + after.lost_wh
        heated_wh, litres = heated_wh + power_w * 30 / 3600, litres + draw_l
    return booked(books, MIDNIGHT + DAY_S), drawn_wh, lost_wh


def test_profile_l_has_24_draws_of_11_655_kwh() -> None:
    assert len(PROFILE_L) == 24
    assert sum(draw.need_wh for draw in PROFILE_L) == pytest.approx(11_655)


@pytest.mark.parametrize(("profile", "litres"), [(PROFILE_M, 100.5), (PROFILE_L, 200.4)], ids=["M", "L"])
def test_a_days_profile_takes_its_volume_out_of_a_tank_at_60_degrees(profile: tuple[Draw, ...], litres: float) -> None:
    """Q / (1.163e-3 · 50), computed: a mixing valve takes what is hotter than wanted as so much less."""
    taps = Taps(profile)
    assert sum(taps.draw_l(second, 30, 60.0, 10.0)[0] for second in range(0, DAY_S, 30)) == pytest.approx(
        litres, abs=0.05
    )


TANK = TankBooks(200.0, 10.0, 60.0, ua_w_per_k(label_loss_w("C", 200.0)), 20.0)


@pytest.mark.parametrize(("profile", "wh"), [(PROFILE_M, 5845), (PROFILE_L, 11_655)], ids=["M", "L"])
@pytest.mark.parametrize("nodes", [1, 20])
def test_a_days_profile_is_drawn_in_the_books_too(profile: tuple[Draw, ...], wh: int, nodes: int) -> None:
    """Inferred from level, inputs and loss. Profile totals: 5.845 and 11.655 kWh; a well-mixed tank and one in layers
    bound any real one (what a mixed tank gives too cold for the profile is not drawn: truth is the twin's)."""
    day, drawn_wh, lost_wh = lived(profile, TANK, nodes)
    assert day.drawn + day.lost == pytest.approx(drawn_wh + lost_wh, abs=3)
    assert day.lost == pytest.approx(lost_wh, rel=0.02), "it goes by the stock at the ends of half hours"
    assert day.drawn == pytest.approx(drawn_wh, rel=0.005)
    assert day.unexplained == 0
    if nodes > 1:
        assert day.drawn == pytest.approx(wh, rel=0.002)


@pytest.mark.parametrize(("profile", "wh"), [(PROFILE_M, 5845), (PROFILE_L, 11_655)], ids=["M", "L"])
def test_a_water_meter_tells_the_same_draw(profile: tuple[Draw, ...], wh: int) -> None:
    """Litres × 1.163 × (temperature at the top − cold): the profile's own formula, V = Q / (1.163e-3 (T − 10))."""
    metered = replace(TANK, water=CounterSignal("water_l", resolution=1.0), temperatures=("tank_top_c",))
    day, drawn_wh, _ = lived(profile, metered, 20)
    assert day.drawn == pytest.approx(wh, rel=0.01)
    assert abs(day.drawn + day.unexplained - drawn_wh) <= 240


@pytest.mark.parametrize("profile", [PROFILE_M, PROFILE_L], ids=["M", "L"])
@pytest.mark.parametrize("step_l", [0.01, 1.0])
def test_a_water_meter_on_a_mixed_tank_goes_by_the_top_before_each_draw(
    profile: tuple[Draw, ...], step_l: float
) -> None:
    """What leaves a mixed tank is as hot as the tank was, not as its mean over the half hour (6.7 % less)."""
    metered = replace(TANK, water=CounterSignal("water_l", resolution=1.0), temperatures=("tank_top_c",))
    day, drawn_wh, _ = lived(profile, metered, 1, step_l)
    assert day.drawn == pytest.approx(drawn_wh, rel=0.012)


@pytest.mark.parametrize("every_s", [60, 300])
@pytest.mark.parametrize("spread_pct", [0.0, 0.5, 1.0, 1.5])
def test_a_level_that_wavers_draws_no_more(spread_pct: float, every_s: int) -> None:
    """A week of profile M: what wavers up and down is neither drawn nor received."""
    dice = random.Random(3)
    cylinder = Cylinder(TANK.volume_l, 10, TANK.ua_w_per_k)
    temps = (60.0,) * 10
    books, taps, days = Books(with_tank(TANK)), Taps(PROFILE_M), 7
    drawn_wh = heated_wh = 0.0
    for second in range(0, days * DAY_S + 1, 60):
        level_pct = 100 * stored_wh(cylinder, temps, 10.0) / TANK.full_wh
        if second % every_s == 0:
            books.note("tank_level_pct", MIDNIGHT + second, level_pct + dice.gauss(0, spread_pct))
        books.note("diverted_wh", MIDNIGHT + second, heated_wh)
        on = second % DAY_S // 3600 in (3, 4, 11, 12, 13, 14)
        power_w = 2800.0 if on and temps[0] < 60.0 else 0.0
        draw_l, _ = taps.draw_l(second % DAY_S, 60, temps[-1], 10.0)
        after = step(cylinder, temps, 60, heat_w=((0, power_w),), draw_l=draw_l, ambient_c=TANK.ambient_c)
        temps = after.temps_c
        drawn_wh += after.drawn_wh
        heated_wh += power_w * 60 / 3600
    day = booked(books, MIDNIGHT + days * DAY_S)
    error = day.drawn / drawn_wh - 1
    print(f"\nσ {spread_pct} %, each {every_s} s: {error:+.1%} drawn, {-day.unexplained} Wh unexplained")
    assert day.drawn == pytest.approx(drawn_wh, rel=0.03)
    assert -day.unexplained <= 0.03 * drawn_wh


def cooled(tank: TankBooks, hours: int, from_c: float = 60.0) -> Day:
    """A tank nobody draws from, its level by the closed solution of the mixed tank."""
    books = Books(with_tank(tank))
    capacity = WH_PER_L_K * tank.volume_l
    for second in range(0, hours * 3600 + 1, 300):
        decay = exp(-tank.ua_w_per_k * second / 3600 / capacity)
        temp_c = tank.ambient_c + (from_c - tank.ambient_c) * decay
        books.note("tank_level_pct", MIDNIGHT + second, 100 * (temp_c - tank.cold_c) / (tank.hot_c - tank.cold_c))
        books.note("diverted_wh", MIDNIGHT + second, 0)
    return booked(books, MIDNIGHT + hours * 3600)


def test_the_loss_of_a_day_is_the_mixed_tanks() -> None:
    """EnergyPlus engineering reference: 200 kg of c = 4186 J/(kg·K), UA 2 W/K to 20 °C, from 60 °C: 1.7348 kWh in 24 h,
    and 52.540 °C after."""
    mass = TankBooks(200.0 * 4186.0 / 4186.8, 10.0, 60.0, 2.0, 20.0)
    day = cooled(mass, 24)
    assert day.lost == pytest.approx(1734.8, abs=1)
    assert -day.change == pytest.approx(200 * 4186 / 3600 * (60 - 52.540), abs=2)
    assert abs(day.drawn) <= 2
    assert day.unexplained == 0


@pytest.mark.parametrize("label_class", LABEL_CLASSES)
def test_a_tank_of_a_label_class_at_65_degrees_loses_the_classs_watts(label_class: str) -> None:
    """Regulation (EU) 812/2013, Annex II, table 2, in the test state of EN 12897: 65 °C in 20 °C."""
    tank = replace(TANK, hot_c=65.0, ua_w_per_k=ua_w_per_k(label_loss_w(label_class, 200.0)))
    books = Books(with_tank(tank))
    for half_hour in range(49):
        for signal, value in (("tank_level_pct", 100.0), ("diverted_wh", 0)):
            books.note(signal, MIDNIGHT + 1800 * half_hour, value)
    day = booked(books, MIDNIGHT + DAY_S)
    assert day.lost == pytest.approx(24 * label_loss_w(label_class, 200.0), abs=1)
