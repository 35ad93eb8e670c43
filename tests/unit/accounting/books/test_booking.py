import json
from dataclasses import replace
from datetime import date, time
from fractions import Fraction

import pytest

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.model.entry import Entry
from accounting.model.journal import balance
from accounting.pricing.bands import Band
from accounting.pricing.carbon import Factor
from accounting.pricing.displaced import Displaced
from accounting.pricing.series import Series
from accounting.pricing.signal_series import HeardSeries
from accounting.pricing.tariffs import Tariff
from rules.model.errors import BrimfulError
from tests.support.prices import (
    COUNTED,
    GAS_HEAT,
    GRID_FACTOR,
    NIGHT_AND_DAY,
    NIGHT_HEAT,
    POWERED,
    flat,
    settings,
    utc,
)

NOON = utc("2026-05-10T12:00+01:00")


def filled(*readings: tuple[float, float], books: Books | None = None, signal: str = "diverted_wh") -> Books:
    books = books or Books(settings())
    for after_s, value in readings:
        books.note(signal, NOON + after_s, value)
    return books


def test_a_complete_interval_is_settled_once_with_its_worth() -> None:
    books = filled((0, 1000), (900, 1200), (1800, 1417), (1860, 1420))
    assert books.settle(NOON + 1919) == []
    (entry,) = books.settle(NOON + 1920)
    assert entry == Entry(
        NOON,
        1800,
        "main",
        diverted_wh=417,
        measured_s=1800,
        given_up_micro=22_935,
        avoided_micro=47_855,
        given_up_mg=106_335,
        avoided_mg=101_811,
        export_price_micro=55_000,
        import_price_micro=317_000,
        heat_value_micro=114_760,
        unpriced_wh=0,
        displaced="3/5 night electricity, 2/5 gas boiler",
        used="1",
        postings=entry.postings,
    )
    balance(entry)
    assert books.settle(NOON + 5000) == []


def test_an_interval_waits_for_the_counters_reading_past_its_end() -> None:
    books = filled((0, 1000), (900, 1200))
    assert books.next_settle_s() == float("inf")
    assert books.settle(NOON + 7200) == []
    filled((1801, 1210), books=books)
    assert books.next_settle_s() == NOON + 1920
    assert [entry.diverted_wh for entry in books.settle(NOON + 7200)] == [1210 - 1000]


def test_a_reading_at_the_very_end_completes_an_interval() -> None:
    books = filled((0, 1000), (900, 1200))
    assert books.next_settle_s() == float("inf")
    filled((1800, 1210), books=books)
    assert books.next_settle_s() == NOON + 1920
    assert [entry.start_s for entry in books.settle(NOON + 1920)] == [NOON]


def test_every_interval_waits_for_late_readings() -> None:
    books = filled(*((t, 1000) for t in range(0, 3601, 300)))
    assert [entry.start_s - NOON for entry in books.settle(NOON + 3601)] == [0]
    assert [entry.start_s - NOON for entry in books.settle(NOON + 3720)] == [1800]


def test_a_clock_behind_the_readings_loses_no_interval() -> None:
    books = filled(*((t, 1000 + t // 60) for t in range(0, 5401, 60)))
    assert [entry.start_s - NOON for entry in books.settle(NOON + 1920)] == [0]
    assert [entry.diverted_wh for entry in books.settle(NOON + 9000)] == [30, 30]


def test_a_power_waits_for_time_alone() -> None:
    books = filled((0, 2400), (30, 0), books=Books(settings(POWERED)), signal="diverted_w")
    assert books.next_settle_s() == NOON + 1920
    (entry,) = books.settle(NOON + 1920)
    assert (entry.diverted_wh, entry.measured_s) == (20, 90)
    assert books.next_settle_s() == float("inf")


def test_a_power_held_over_the_end_of_an_interval_reaches_the_next() -> None:
    books = filled((1770, 2400), books=Books(settings(POWERED)), signal="diverted_w")
    assert [(e.start_s, e.diverted_wh, e.measured_s) for e in books.settle(NOON + 1920)] == [(NOON, 20, 30)]
    assert books.next_settle_s() == NOON + 3720
    assert [(e.start_s, e.diverted_wh, e.measured_s) for e in books.settle(NOON + 3720)] == [(NOON + 1800, 20, 30)]


def test_no_energy_but_measured_time_is_an_entry_and_time_before_the_first_reading_is_not() -> None:
    books = filled(*((t, 500) for t in range(900, 5401, 300)))
    entries = books.settle(NOON + 9000)
    assert [(e.start_s - NOON, e.diverted_wh, e.measured_s) for e in entries] == [
        (0, 0, 900),
        (1800, 0, 1800),
        (3600, 0, 1800),
    ]
    assert entries[0].postings == ()


def test_a_gap_is_entries_with_estimated_energy_and_no_measured_time() -> None:
    books = filled((0, 0), (7200, 1000), (7260, 1001))
    assert [(e.diverted_wh, e.estimated_wh, e.measured_s) for e in books.settle(NOON + 9000)] == [(250, 250, 0)] * 4


def test_a_gap_without_energy_is_no_entry() -> None:
    books = filled((0, 500), (7200, 500), (7260, 500))
    assert books.settle(NOON + 9000) == []
    assert [e.start_s for e in books.open_entries(NOON + 9000)] == [NOON + 7200]


def test_the_interval_in_progress_is_open_and_no_longer_when_settled() -> None:
    books = filled((0, 1000), (900, 1100))
    (entry,) = books.open_entries(NOON + 950)
    assert (entry.diverted_wh, entry.measured_s, entry.reason, entry.given_up_micro) == (100, 900, "open", 5500)
    filled((1800, 1200), (2000, 1210), books=books)
    assert [e.start_s for e in books.settle(NOON + 2000)] == [NOON]
    assert [(e.start_s, e.diverted_wh) for e in books.open_entries(NOON + 2000)] == [(NOON + 1800, 10)]


def test_a_late_reading_gives_a_new_version_of_a_settled_interval() -> None:
    # The feed lags: by the clock the interval is long past, by its own times a reading may still be put in place.
    books = filled((1700, 1000), (1820, 1030))
    (first,) = books.settle(NOON + 4000)
    assert first.diverted_wh == 25
    filled((1790, 1010), books=books)
    assert books.next_settle_s() == float("-inf")
    (second,) = books.settle(NOON + 4000)
    assert (second.start_s, second.diverted_wh, second.reason) == (NOON, 17, "late reading")  # 10, and 20 × 10/30
    assert books.settle(NOON + 4000) == []
    assert [e.diverted_wh for e in books.open_entries(NOON + 4000)] == [13]


def test_a_late_power_gives_a_new_version_too() -> None:
    books = filled((1700, 2400), (1790, 2400), books=Books(settings(POWERED)), signal="diverted_w")
    (first,) = books.settle(NOON + 2000)
    filled((1795, 0), books=books, signal="diverted_w")
    (second,) = books.settle(NOON + 2000)
    assert (first.diverted_wh, second.diverted_wh, second.reason) == (46, 43, "late reading")


def test_quarantined_energy_is_told_once_and_is_in_no_interval() -> None:
    books = filled((0, 1000), (60, 9000), (120, 9010))
    assert [(item.heater, item.wh) for item in books.quarantined()] == [("main", 8000)]
    assert books.quarantined() == []
    assert [e.diverted_wh for e in books.open_entries(NOON + 130)] == [10]


def test_counts_tell_what_was_odd() -> None:
    books = filled((0, 1000), (60, 0), (120, 1010), (-600, 5))
    counts = books.counts()["main"]
    assert (counts.glitches, counts.resets, counts.too_late) == (1, 0, 1)


def test_other_signals_are_passed_over() -> None:
    books = filled((0, 1000), (60, 2000), signal="grid_w")
    assert books.open_entries(NOON + 100) == []


def test_heaters_are_kept_apart_and_come_in_order_of_time() -> None:
    upper = HeaterBooks("upper", 2000, counter="diverted_wh_upper")
    lower = HeaterBooks("lower", 3000, power="diverted_w_lower")
    books = Books(settings(upper, lower))
    for second in range(0, 3900, 30):
        books.note("diverted_wh_upper", NOON + second, second / 3)
        books.note("diverted_w_lower", NOON + second, 1200)
    entries = books.settle(NOON + 3900)
    assert [(e.start_s - NOON, e.heater, e.diverted_wh) for e in entries] == [
        (0, "upper", 600),
        (0, "lower", 600),
        (1800, "upper", 600),
        (1800, "lower", 600),
    ]


def test_going_on_from_the_state_gives_the_same_entries() -> None:
    readings = [(60.0 * i, 1000.0 + 7 * i) for i in range(70)]
    whole = Books(settings(COUNTED))
    parts = Books(settings(COUNTED))
    got: list[Entry] = []
    expected: list[Entry] = []
    for after_s, value in readings:
        filled((after_s, value), books=whole)
        filled((after_s, value), books=parts)
        expected += whole.settle(NOON + after_s)
        parts = Books(settings(COUNTED), json.loads(json.dumps(parts.state())))
        got += parts.settle(NOON + after_s)
    assert len(expected) == 2
    assert got == expected
    assert parts.open_entries(NOON + 5000) == whole.open_entries(NOON + 5000)


def test_of_a_power_a_restart_leaves_out_what_nobody_heard() -> None:
    """3 kW for 5 s, killed, and 0 W when it is heard again 50 s later: nobody knows when it ended."""
    books = Books(settings(POWERED))
    filled((0.0, 2700.0), books=books, signal="diverted_w")
    books.settle(NOON)  # the first reading ever is written down at once; what follows dies with the process
    books = Books(settings(POWERED), json.loads(json.dumps(books.state())))
    filled((50.0, 0.0), (60.0, 0.0), books=books, signal="diverted_w")
    (entry,) = books.open_entries(NOON + 60)
    assert (entry.diverted_wh, entry.measured_s) == (0, 10)


def test_of_a_power_what_was_known_at_the_last_write_is_kept() -> None:
    books = Books(settings(POWERED))
    filled((0.0, 2700.0), books=books, signal="diverted_w")
    books.settle(NOON + 40)
    books = Books(settings(POWERED), json.loads(json.dumps(books.state())))
    (entry,) = books.open_entries(NOON + 45)
    assert (entry.diverted_wh, entry.measured_s, entry.estimated_wh) == (30, 40, 0)
    filled((50.0, 0.0), (60.0, 0.0), books=books, signal="diverted_w")
    (entry,) = books.open_entries(NOON + 60)
    assert (entry.diverted_wh, entry.measured_s, entry.estimated_wh) == (30, 50, 0)


def test_a_heater_metered_another_way_keeps_what_is_not_settled() -> None:
    books = filled((0, 1000), (900, 1200), (1800, 1417), (1860, 1420))
    books.settle(NOON + 1920)
    by_power = Books(settings(POWERED), books.state())
    assert [(e.start_s - NOON, e.diverted_wh) for e in by_power.open_entries(NOON + 1920)] == [(1800, 3)]
    assert [e.diverted_wh for e in by_power.settle(NOON + 3720)] == [3]
    back = filled((0, 2400), (30, 0), books=Books(settings(POWERED)), signal="diverted_w")
    again = Books(settings(COUNTED), back.state())
    assert [(e.start_s - NOON, e.diverted_wh, e.measured_s) for e in again.open_entries(NOON)] == [(0, 20, 90)]


def test_other_prices_take_effect_and_other_meters_are_refused() -> None:
    books = filled((0, 1000), (900, 1100))
    books.reprice(replace(settings(), export=Tariff("export", (flat("0.10"),), "Europe/Dublin"), used=Fraction("0.5")))
    (entry,) = books.open_entries(NOON + 900)
    assert (entry.given_up_micro, entry.avoided_micro) == (10_000, 5738)
    books.reprice(
        replace(settings(), displaces=(replace(NIGHT_HEAT, share=Fraction(1)), replace(GAS_HEAT, share=Fraction(0))))
    )
    (entry,) = books.open_entries(NOON + 900)
    assert entry.avoided_micro == 9210
    with pytest.raises(ValueError, match="same heaters"):
        books.reprice(settings(POWERED))


def test_what_nothing_tells_is_none_and_the_reason_says_so() -> None:
    ended = Tariff("export", (flat("0.05", until=date(2026, 5, 1)),), "Europe/Dublin")
    silent = Factor("grid", Series([(0, Fraction(1)), (1, None)]), "average", "x", 2026)
    books = filled((0, 0), (60, 30), books=Books(replace(settings(), export=ended, grid=silent)))
    (entry,) = books.open_entries(NOON + 60)
    assert (entry.export_price_micro, entry.given_up_micro, entry.avoided_mg) == (None, 0, 0)
    assert entry.reason == "open; unknown: export price, carbon"
    gas = replace(GAS_HEAT, share=Fraction(1), tariff=ended)
    books.reprice(replace(settings(), displaces=(gas,)))
    (entry,) = books.open_entries(NOON + 60)
    assert (entry.heat_value_micro, entry.avoided_micro, entry.reason) == (None, 0, "open; unknown: displaced price")


def test_without_prices_the_energy_is_kept_all_the_same() -> None:
    books = filled((0, 0), (60, 30), books=Books(BooksSettings((COUNTED,))))
    (entry,) = books.open_entries(NOON + 60)
    assert (entry.diverted_wh, entry.export_price_micro, entry.heat_value_micro, entry.reason) == (
        30,
        None,
        None,
        "open",
    )


def test_prices_for_the_rules_hold_until_the_next_change() -> None:
    books = Books(settings())
    prices = books.prices_at(NOON + 7.5)
    assert prices.export_price == 0.055
    assert prices.import_price == 0.317
    assert prices.heat_value == 0.11476
    assert prices.export_kg == 0.255
    assert prices.heat_kg == 0.24415
    assert prices.until_s == utc("2026-05-11T02:00+01:00")
    assert books.prices_at(prices.until_s).import_price == 0.0921
    nothing = Books(BooksSettings((COUNTED,))).prices_at(NOON)
    assert (nothing.export_price, nothing.heat_value, nothing.until_s) == (None, None, float("inf"))


def test_the_rules_see_the_price_that_the_books_will_use() -> None:
    # 02:00 in Kathmandu is 20:15 UTC, within the interval from 20:00; from 13 May on the night costs more.
    dearer = replace(NIGHT_AND_DAY, first=date(2026, 5, 13), bands=(Band("night", Fraction(1), time(2), time(5)),))
    tariff = Tariff("import", (replace(NIGHT_AND_DAY, until=date(2026, 5, 13)), dearer), "Asia/Kathmandu")
    source = replace(NIGHT_HEAT, share=Fraction(1), tariff=tariff)
    books = Books(replace(settings(), displaces=(source,)))
    start_s = utc("2026-05-11T20:00Z")
    books.note("diverted_wh", start_s, 0)
    books.note("diverted_wh", start_s + 1500, 1000)
    (entry,) = books.open_entries(start_s + 1500)
    assert entry.heat_value_micro == 92_100
    assert books.prices_at(start_s + 1500).heat_value == 0.0921
    assert books.prices_at(start_s + 1800).heat_value == 1.0
    assert books.prices_at(start_s).until_s <= start_s + 1800


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"interval_s": 600}, "interval_s: expected one of 900, 1800, 3600 s, got 600"),
        ({"used": Fraction("1.2")}, "used: expected 0–1, got 1.2"),
        ({"exportable": Fraction(-1)}, "exportable: expected 0–1"),
        ({"displaces": (GAS_HEAT,)}, "displaces: expected shares that add up to 1, accumulated 0.4"),
        ({"heaters": (HeaterBooks("main", 2800),)}, "heaters.main: expected a counter or a power"),
        ({"grid": replace(GRID_FACTOR, basis="marginal")}, "carbon: expected factors of one basis, got grid average"),
    ],
)
def test_what_no_books_can_be_kept_by_is_refused(changes: dict[str, object], said: str) -> None:
    with pytest.raises(BrimfulError, match=said):
        replace(settings(), **changes)  # type: ignore[arg-type]


def test_a_third_and_two_thirds_are_all() -> None:
    thirds = (Displaced("a", Fraction(1, 3), price=Fraction(1)), Displaced("b", Fraction(2, 3), price=Fraction(1)))
    assert BooksSettings((COUNTED,), displaces=thirds).displaces == thirds


def test_memory_stays_flat_over_a_month() -> None:
    books = Books(settings(COUNTED, replace(POWERED, name="other")))
    sizes = []
    for minute in range(30 * 1440):
        books.note("diverted_wh", NOON + 60 * minute, minute)
        books.note("diverted_w", NOON + 60 * minute, minute % 2000)
        if NOON + 60 * minute >= books.next_settle_s():
            books.settle(NOON + 60 * minute)
            sizes.append(len(json.dumps(books.state())))
    assert len(sizes) > 1400
    assert max(sizes) < sizes[1] + 100


def heard_books() -> tuple[Books, BooksSettings]:
    kept_by = replace(settings(), export=HeardSeries("export_price", 3600))
    assert isinstance(kept_by.export, HeardSeries)
    kept_by = replace(kept_by, heard=(kept_by.export,))
    return Books(kept_by), kept_by


def test_a_price_that_is_heard_prices_the_time_it_is_heard() -> None:
    books, _ = heard_books()
    books.note("export_price", NOON, 0.1)
    filled((0, 1000), (900, 1500), books=books)
    assert books.prices_at(NOON + 900).export_price == 0.1
    books.note("export_price", NOON + 900, -0.3)
    filled((1800, 2000), (3600, 2500), (5400, 3000), books=books)
    assert books.prices_at(NOON + 900).export_price == -0.3
    priced, half, unpriced = books.settle(NOON + 9000)
    assert (priced.given_up_micro, priced.export_price_micro) == (-100_000, -100_000)
    assert (half.given_up_micro, half.export_price_micro) == (-150_000, -300_000)
    assert (unpriced.given_up_micro, unpriced.reason) == (0, "settled; unknown: export price")


def test_what_was_heard_survives_a_restart_a_change_of_prices_and_goes_back_with_the_clock() -> None:
    books, kept_by = heard_books()
    books.note("export_price", NOON, 0.1)
    _, fresh = heard_books()
    again = Books(fresh, json.loads(json.dumps(books.state())))
    assert again.prices_at(NOON + 60).export_price == 0.1
    other = replace(kept_by, export=HeardSeries("export_price", 3600), used=Fraction(1, 2))
    assert isinstance(other.export, HeardSeries)
    again.reprice(replace(other, heard=(other.export,)))
    assert again.prices_at(NOON + 60).export_price == 0.1
    again.note("export_price", NOON + 60, 0.2)
    assert again.prices_at(NOON + 60).export_price == 0.2
    again.reprice(settings())
    assert again.price_signals == frozenset()
    assert "export_price" not in again.signals
