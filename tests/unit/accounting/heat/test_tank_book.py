"""The tank's entries, from readings and from the heaters' entries. TANK: 11,630 Wh when full, 116.3 Wh to a percent."""

import json
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from accounting.books.booking import Books
from accounting.heat.tank_book import tolerance_wh
from accounting.model.entry import TankEntry
from accounting.model.journal import is_source, tank_faults
from accounting.valuation.settings import Boiler, CounterSignal, TankBooks
from tests.support.prices import GAS, GAS_FACTOR, TANK, utc, with_tank

NOON = utc("2026-05-10T12:00+01:00")
NIGHT = utc("2026-05-10T04:00+01:00")
LOSSLESS = replace(TANK, ua_w_per_k=0.0)
TOLERANCE_WH = 233


def booked(books: Books, now_s: float) -> list[TankEntry]:
    books.settle(now_s)
    entries = books.tank_entries()
    for entry in entries:
        assert tank_faults(entry) == []
    return entries


def told(entry: TankEntry) -> dict[str, int]:
    return {line.account: line.wh for line in entry.postings}


def levels(books: Books, *told_pct: float, start_s: int = NOON, every_s: int = 1800) -> Books:
    for place, level_pct in enumerate(told_pct):
        books.note("tank_level_pct", start_s + place * every_s, level_pct)
    return books


def heated(books: Books, *wh: float, start_s: int = NOON, every_s: int = 1800) -> Books:
    for place, counter_wh in enumerate(wh):
        books.note("diverted_wh", start_s + place * every_s, counter_wh)
    return books


def test_the_tolerance_is_two_percent_of_a_full_tank() -> None:
    assert tolerance_wh(TANK) == TOLERANCE_WH
    assert TANK.full_wh == pytest.approx(11_630)


def test_heat_from_the_sun_is_received_drawn_and_lost_with_a_pencil() -> None:
    """Half an hour from noon: 900 Wh of sun, the level goes from 50 to 55 %, the tank loses 2 W/K × 16.25 K × 0.5 h.

    opening  50 % of 11,630 = 5,815.0      mean temperature (35 + 37.5) / 2 = 36.25 °C
    closing  55 %           = 6,396.5 → 6,396 (half to even)         lost 16 Wh (16.25)
    drawn    5,815 + 900 − 16 − 6,396 = 303
    """
    books = heated(levels(Books(with_tank()), 50, 55), 1000, 1900)
    (entry,) = booked(books, NOON + 1920)
    assert (entry.start_s, entry.opening_wh, entry.closing_wh, entry.measured_s) == (NOON, 5815, 6396, 1800)
    assert told(entry) == {"sun": -900, "tank": 581, "drawn": 303, "lost": 16}
    (sun,) = [line for line in entry.postings if line.account == "sun"]
    assert (sun.micro, sun.mg) == (-49_500, -229_500)
    assert not entry.metered


def test_readings_near_each_other_measure_and_the_level_between_them_is_a_straight_line() -> None:
    books = heated(Books(with_tank(LOSSLESS)), 1000, 1000, 1000)
    levels(books, 50, 60, 70, 72, 74, start_s=NOON - 450, every_s=900)
    (entry,) = booked(books, NOON + 1920)
    assert entry.measured_s == 1800
    assert (entry.opening_wh, entry.closing_wh) == (round(116.3 * 55), round(116.3 * 71))


def test_the_order_of_readings_changes_nothing() -> None:
    readings = [(NOON + 300 * place, 50.0 + place) for place in range(-1, 9)]
    expected = None
    for order in (readings, readings[::-1], readings[5:] + readings[:5]):
        books = heated(Books(with_tank(LOSSLESS)), 1000, 1000)
        for at_s, level_pct in order:
            books.note("tank_level_pct", at_s, level_pct)
        entries = booked(books, NOON + 1920)
        assert len(entries) == 1
        assert entries == (expected or entries)
        expected = entries


def test_nothing_is_booked_before_the_level_is_known_at_both_ends_and_the_heaters_are_settled() -> None:
    books = levels(Books(with_tank()), 50)
    heated(books, 1000, 1900)
    assert booked(books, NOON + 1920) == []
    levels(books, 55, start_s=NOON + 1800)
    assert len(booked(books, NOON + 1920)) == 1
    levels(books, 55, start_s=NOON + 3600)
    assert booked(books, NOON + 7200) == [], "the counter has not come so far"
    heated(books, 1900, start_s=NOON + 3600)
    assert len(booked(books, NOON + 7200)) == 1


def test_a_level_that_wavers_by_a_step_draws_nothing_and_explains_nothing() -> None:
    books = heated(Books(with_tank(LOSSLESS)), *[1000] * 9)
    levels(books, 50, 51, 50, 51, 50, 51, 50, 51, 50)
    entries = booked(books, NOON + 9 * 1800)
    assert len(entries) == 8
    assert all(set(told(entry)) == {"tank"} for entry in entries)
    assert all(entry.closing_wh == 5815 for entry in entries)


def test_heat_nothing_explains_is_shown_once_it_exceeds_the_tolerance() -> None:
    books = heated(levels(Books(with_tank(LOSSLESS)), 50, 52, 53), 1000, 1000, 1000)
    first, second = booked(books, NOON + 3720)
    assert told(first) == {"tank": 0}
    assert told(second) == {"tank": 349, "unexplained": -349}
    assert second.closing_wh == round(116.3 * 53)


def test_a_warm_room_warms_a_cold_tank() -> None:
    books = heated(levels(Books(with_tank()), 0, 10 / 116.3), 1000, 1000)
    (entry,) = booked(books, NOON + 1920)
    assert told(entry) == {"tank": 10, "lost": -10}


def test_rounding_is_carried_so_that_a_days_loss_is_the_days() -> None:
    """50 % of a full tank for a day: 2 W/K × 15 K × 24 h = 720 Wh. Every 15 min it is 7.5 Wh."""
    books = heated(Books(with_tank(interval_s=900)), *[1000] * 97, every_s=900)
    levels(books, *[50] * 97, every_s=900)
    entries = booked(books, NOON + 98 * 900)
    assert len(entries) == 96
    assert sum(told(entry)["lost"] for entry in entries) == 720


def test_a_late_reading_of_the_heater_revises_the_tanks_entry() -> None:
    books = levels(Books(with_tank(LOSSLESS)), 50, 50, 50)
    for at_s, wh in ((1700, 1000), (1820, 1030)):
        books.note("diverted_wh", NOON + at_s, wh)
    (first,) = booked(books, NOON + 4000)
    assert told(first) == {"sun": -25, "tank": 0, "drawn": 25}
    books.note("diverted_wh", NOON + 1790, 1010)
    (second,) = booked(books, NOON + 4000)
    assert (told(second), second.reason) == ({"sun": -17, "tank": 0, "drawn": 17}, "late reading")


def topped_up() -> TankBooks:
    boiler = Boiler(CounterSignal("boiler_wh"), Fraction("0.8"), Fraction(1), GAS, None, GAS_FACTOR)
    return replace(LOSSLESS, topup=CounterSignal("topup_wh"), boiler=boiler, water=CounterSignal("water_l"))


def test_top_up_and_boiler_are_sources_with_their_cost() -> None:
    """From 04:00 local: 2,000 Wh of top-up at night, 1,000 Wh of gas in a boiler that gives 0.8 of it as heat.

    grid:night 2.0 × 0.0921 = 0.184200    2.0 × 0.255 = 0.510000 kg
    boiler     1.0 × 0.1190 = 0.119000    1.0 × 0.1823 = 0.182300 kg     800 Wh of heat
    """
    books = heated(levels(Books(with_tank(topped_up())), 10, 30, start_s=NIGHT), 1000, 1000, start_s=NIGHT)
    for signal, wh in (("topup_wh", 2000), ("boiler_wh", 1000)):
        for place, share in enumerate((0, 1)):
            books.note(signal, NIGHT + 1800 * place, 500 + wh * share)
    (entry,) = booked(books, NIGHT + 1920)
    night, boiler = (line for line in entry.postings if is_source(line.account))
    assert (night.account, night.wh, night.micro, night.mg) == ("grid:night", -2000, -184_200, -510_000)
    assert (boiler.account, boiler.wh, boiler.micro, boiler.mg) == ("boiler", -800, -119_000, -182_300)
    assert told(entry)["drawn"] == 2800 - 2326


def test_the_water_meter_tells_the_draw_at_the_temperature_of_the_top() -> None:
    """20 L at 55 °C: 20 × 1.163 × 45 = 1,046.7 Wh. What then is missing sits on unexplained."""
    tank = replace(topped_up(), temperatures=("tank_top_c",))
    books = heated(levels(Books(with_tank(tank)), 50, 40, 36), 1000, 1000, 1000)
    for at_s, litres, top_c in ((0, 100, 54), (900, 110, 56), (1800, 120, 50), (3600, 120, 50)):
        books.note("water_l", NOON + at_s, litres)
        books.note("tank_top_c", NOON + at_s, top_c)
    first, second = booked(books, NOON + 3720)
    assert first.metered
    assert told(first) == {"drawn": 1047, "tank": -1047}, "the level says 1,163: within the tolerance"
    assert told(second) == {"tank": 4187 - (5815 - 1047), "unexplained": 581}
    assert second.closing_wh == 4187


def test_a_counter_that_falls_silent_is_waited_for_and_after_a_week_no_longer() -> None:
    books = Books(with_tank(topped_up()))
    books.note("topup_wh", NOON, 500)
    levels(heated(books, 1000, 1000), 50, 50)
    assert booked(books, NOON + 86_400) == []
    days = 8 * 48
    levels(heated(books, *[1000] * days, start_s=NOON + 1800), *[50] * days, start_s=NOON + 1800)
    assert len(booked(books, NOON + days * 1800)) == 48


def test_temperatures_count_with_all_their_heat() -> None:
    """Top 60, mid 35, bottom 10 °C: a mean of 35, half of a full tank; to the level only water of 40 °C counts."""
    names = ("tank_top_c", "tank_mid_c", "tank_bottom_c")
    books = heated(Books(with_tank(replace(LOSSLESS, temperatures=names))), 1000, 1000)
    levels(books, 99, 99)
    for place in range(2):
        for name, temp_c in zip(names, (60, 35, 10), strict=True):
            books.note(name, NOON + 1800 * place, temp_c)
    (entry,) = booked(books, NOON + 1920)
    assert entry.closing_wh == 5815


def lived(books: Books, hours: list[tuple[int, int, int]], restart: bool = False) -> list[TankEntry]:
    """(Wh diverted, Wh topped up, level in %) at each hour's end; the books taken down and up each hour, or not."""
    entries: list[TankEntry] = []
    wh, topup_wh = 1000, 0
    settings = books._settings
    for place, (more_wh, more_topup_wh, level_pct) in enumerate([(0, 0, 50), *hours]):
        wh, topup_wh = wh + more_wh, topup_wh + more_topup_wh
        at_s = NOON + 3600 * place
        books.note("diverted_wh", at_s, wh)
        books.note("topup_wh", at_s, topup_wh)
        books.note("tank_level_pct", at_s, level_pct)
        entries += booked(books, at_s + 120)
        if restart:
            books = Books(settings, json.loads(json.dumps(books.state())))
    return entries


def test_a_clock_set_back_neither_loses_nor_doubts_what_the_top_up_counter_shows() -> None:
    """Three hours of 1,500 W, an hour set back after the second: the first half hour after that time has it all."""
    books = Books(with_tank(replace(TANK, topup=CounterSignal("topup_wh"))))
    entries: list[TankEntry] = []
    at_s, topup_wh = NOON, 0
    for step in range(36):
        books.note("diverted_wh", at_s, 1000)
        books.note("topup_wh", at_s, topup_wh)
        books.note("tank_level_pct", at_s, 50)
        entries += booked(books, at_s)
        at_s, topup_wh = at_s + 300, topup_wh + 125
        if step == 24:
            at_s -= 3600
            books.set_back(3600, [])
    at_s += 7200
    for name, value in (("diverted_wh", 1000), ("topup_wh", topup_wh), ("tank_level_pct", 50)):
        books.note(name, at_s, value)
    entries += booked(books, at_s + 120)
    assert books.quarantined() == []
    assert len({entry.start_s for entry in entries}) == len(entries)
    assert -sum(line.wh for entry in entries for line in entry.postings if is_source(line.account)) == topup_wh


HOURS = st.lists(st.tuples(st.integers(0, 2800), st.integers(0, 3000), st.integers(0, 105)), min_size=1, max_size=12)


@examples(deadline=None, max_examples=30)
@given(HOURS)
def test_entries_chain_balance_and_stay_by_the_level(hours: list[tuple[int, int, int]]) -> None:
    tank = replace(TANK, topup=CounterSignal("topup_wh"))
    entries = lived(Books(with_tank(tank)), hours)
    assert len(entries) == 2 * len(hours)
    for before, after in pairwise(entries):
        assert after.opening_wh == before.closing_wh
    for entry in entries:
        lines = told(entry)
        assert entry.closing_wh >= -TOLERANCE_WH, "never negative beyond the tolerance"
        assert "unexplained" not in lines or lines["unexplained"] < 0
    for hour, (_, _, level_pct) in enumerate(hours):
        assert abs(entries[2 * hour + 1].closing_wh - 116.3 * level_pct) <= TOLERANCE_WH + 1
    received = sum(-line.wh for entry in entries for line in entry.postings if is_source(line.account))
    assert received == sum(wh + topup_wh for wh, topup_wh, _ in hours)


@examples(deadline=None, max_examples=30)
@given(HOURS)
def test_a_restart_changes_no_entry(hours: list[tuple[int, int, int]]) -> None:
    tank = replace(TANK, topup=CounterSignal("topup_wh"))
    assert lived(Books(with_tank(tank)), hours, restart=True) == lived(Books(with_tank(tank)), hours)


def test_the_state_stays_small() -> None:
    books = Books(with_tank(topped_up()))
    for minute in range(3 * 1440):
        at_s = NOON + 60 * minute
        books.note("tank_level_pct", at_s, 50 + minute % 7)
        books.note("diverted_wh", at_s, minute)
        books.note("topup_wh", at_s, minute)
        if minute % 30 == 3:
            booked(books, at_s)
    assert len(json.dumps(books.state()["#tank"])) < 3000
