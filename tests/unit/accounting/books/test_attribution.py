"""Who gave the energy: minutes of an invented house, and what its books then say."""

import json
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from accounting.books.booking import Books, BooksSettings
from accounting.model.entry import Entry
from accounting.model.journal import balance
from accounting.valuation.settings import BatteryBooks, PowerSignal
from tests.support.prices import COUNTED, POWERED, settings, utc

NOON = utc("2026-05-10T12:00+01:00")
BOTH = replace(COUNTED, power="diverted_w")


def asked(*heaters: object, interval_s: int = 1800) -> BooksSettings:
    return replace(
        settings(*heaters, interval_s=interval_s),  # type: ignore[arg-type]
        grid_power=PowerSignal("grid_w", 60.0),
        battery=BatteryBooks(PowerSignal("battery_w", 60.0)),
    )


def lived(books: Books, minutes: range, start_s: int = NOON, **powers_w: float) -> Books:
    """Minutes of steady powers; the counter counts what diverted_w brings."""
    diverted_w = powers_w.get("diverted_w", 0.0)
    for minute in minutes:
        at_s = start_s + 60 * minute
        books.note("diverted_wh", at_s, diverted_w * (minute - minutes.start) / 60 + 1000)
        for signal, power_w in powers_w.items():
            books.note(signal, at_s, power_w)
    return books


def only(books: Books) -> Entry:
    (entry,) = books.open_entries(NOON + 1700)
    balance(entry)
    return entry


def test_unless_asked_for_everything_is_the_suns() -> None:
    entry = only(lived(Books(settings(BOTH)), range(21), diverted_w=1200, grid_w=2000, battery_w=-500))
    assert (entry.diverted_wh, entry.sun_wh, entry.bought_micro) == (400, 400, 0)


@pytest.mark.parametrize(
    ("grid_w", "battery_w", "gave"),
    [
        (-300, 0, (400, 0, 0)),
        (600, 0, (200, 200, 0)),
        (5000, 0, (0, 400, 0)),
        (-300, -300, (300, 0, 100)),
        (600, -300, (100, 200, 100)),
        (900, -5000, (0, 300, 100)),
        (-300, 900, (400, 0, 0)),
    ],
)
def test_the_grid_gives_what_is_imported_then_the_battery_then_the_sun(
    grid_w: float, battery_w: float, gave: tuple[int, int, int]
) -> None:
    books = lived(Books(asked(BOTH)), range(21), diverted_w=1200, grid_w=grid_w, battery_w=battery_w)
    entry = only(books)
    assert entry.diverted_wh == 400
    assert (entry.sun_wh, entry.grid_wh, entry.battery_wh) == gave
    accounts = {line.account for line in entry.postings if line.account.startswith("grid")}
    assert accounts <= {"grid:day"}


@pytest.mark.parametrize(
    ("grid_w", "battery_w", "limit_w", "curtailed_wh"),
    [
        (-300, 0, 3600, 0),  # 1,500 W could have been sold
        (-3000, 0, 3600, 200),  # of 1,200 W there was room for 600
        (-3600, 0, 3600, 400),
        (-5000, 0, 3600, 400),
        (-300, 0, 0, 400),  # nothing may be sold
        (600, 0, 0, 200),  # half of it was the grid's
        (-3000, -600, 3600, 0),  # half of it was the battery's, and there is room for the sun's
    ],
)
def test_what_a_limit_would_have_held_back_gives_up_no_income(
    grid_w: float, battery_w: float, limit_w: float, curtailed_wh: int
) -> None:
    books = Books(replace(asked(BOTH), export_limit_w=limit_w))
    entry = only(lived(books, range(21), diverted_w=1200, grid_w=grid_w, battery_w=battery_w))
    assert entry.curtailed_wh == curtailed_wh
    assert entry.given_up_micro == (entry.sun_wh - curtailed_wh) * 55  # at 0.055 per kWh
    free = Books(asked(BOTH))
    assert only(lived(free, range(21), diverted_w=1200, grid_w=grid_w, battery_w=battery_w)).curtailed_wh == 0


def test_what_was_held_back_is_known_after_a_restart_and_by_another_limit_it_takes_new_books() -> None:
    by_limit = replace(asked(BOTH), export_limit_w=3600.0)
    books = lived(Books(by_limit), range(21), diverted_w=1200, grid_w=-3000)
    again = Books(by_limit, json.loads(json.dumps(books.state())))
    assert only(again) == only(books)
    with pytest.raises(ValueError, match="the same signals"):
        again.reprice(asked(BOTH))


def test_import_counts_only_in_the_minutes_of_diverting() -> None:
    books = Books(asked(POWERED))
    for minute in range(30):
        books.note("diverted_w", NOON + 60 * minute, 1200 if minute < 10 else 0)
        books.note("grid_w", NOON + 60 * minute, 0 if minute < 5 else 2000)
    entry = only(books)
    assert (entry.diverted_wh, entry.grid_wh) == (200, 100)


def test_import_and_export_do_not_net_out_within_a_minute() -> None:
    books = Books(asked(POWERED))
    for second in range(0, 601, 30):
        books.note("diverted_w", NOON + second, 1200)
        books.note("grid_w", NOON + second, 600 if second % 60 else -600)
    entry = only(books)
    # 1,200 W for the eleven minutes that are told or held, 600 W imported in half of the first ten of them.
    assert (entry.diverted_wh, entry.grid_wh) == (220, 50)


def test_each_band_of_the_import_tariff_has_its_account() -> None:
    start_s = utc("2026-05-10T04:00Z") - 3600 - 1800  # 03:30 local to 04:30, and on: night ends at 05:00
    books = lived(Books(asked(BOTH, interval_s=3600)), range(180), start_s, diverted_w=600, grid_w=600, battery_w=0)
    entries = [*books.settle(start_s + 180 * 60), *books.open_entries(start_s + 180 * 60)]
    told = {}
    for entry in entries:
        balance(entry)
        for line in entry.postings:
            told[line.account] = told.get(line.account, 0) - line.wh
    assert told["grid:night"] == 900
    assert told["grid:day"] == 890
    bought = sum(entry.bought_micro for entry in entries)
    assert bought == 900 * Fraction("0.0921") * 1000 + 890 * Fraction("0.3170") * 1000


def test_a_counter_alone_is_taken_to_run_evenly_between_its_steps() -> None:
    books = Books(asked(COUNTED))
    books.note("diverted_wh", NOON, 1000)
    for minute in range(20):
        books.note("grid_w", NOON + 60 * minute, 600 if minute < 10 else -100)
    books.note("diverted_wh", NOON + 1200, 1400)
    entry = only(books)
    assert (entry.diverted_wh, entry.grid_wh) == (400, 100)


def test_two_heaters_share_what_is_imported() -> None:
    upper = replace(BOTH, name="upper", counter=None, power="diverted_w_upper")
    lower = replace(BOTH, name="lower", counter=None, power="diverted_w_lower")
    books = Books(asked(upper, lower))
    for minute in range(21):
        for signal, power_w in (("diverted_w_upper", 600), ("diverted_w_lower", 1800), ("grid_w", 1200)):
            books.note(signal, NOON + 60 * minute, power_w)
    entries = books.open_entries(NOON + 1200)
    assert {(e.heater, e.diverted_wh, e.grid_wh) for e in entries} == {("upper", 200, 100), ("lower", 600, 300)}


def test_energy_of_minutes_nobody_tells_is_the_suns() -> None:
    books = Books(asked(BOTH))
    lived(books, range(11), diverted_w=1200, grid_w=5000, battery_w=0)
    books.note("diverted_wh", NOON + 1500, 1000 + 200 + 180)
    entry = only(books)
    assert entry.diverted_wh == 380
    assert 200 <= entry.grid_wh <= 220, "the ten minutes, and the one for which the last powers are held"


def test_going_on_from_the_state_gives_the_same_entries() -> None:
    whole, parts = Books(asked(BOTH)), Books(asked(BOTH))
    got: list[Entry] = []
    expected: list[Entry] = []
    for minute in range(70):
        readings = {"diverted_w": 1200, "grid_w": 400 + 7 * minute, "battery_w": -minute, "diverted_wh": 20 * minute}
        for books, entries in ((whole, expected), (parts, got)):
            for signal, told in readings.items():
                books.note(signal, NOON + 60 * minute, told)
            entries += books.settle(NOON + 60 * minute)
        parts = Books(asked(BOTH), json.loads(json.dumps(parts.state())))
    assert len(expected) == 2
    assert all(entry.grid_wh and entry.battery_wh for entry in expected)
    assert got == expected
    later_s = NOON + 70 * 60
    assert parts.open_entries(later_s) == whole.open_entries(later_s)
    assert len(json.dumps(parts.state())) < 8000, "minutes that are settled are forgotten"


def test_a_restart_with_attribution_switched_on_goes_on() -> None:
    books = lived(Books(settings(BOTH)), range(10), diverted_w=1200, grid_w=2000)
    after = Books(asked(BOTH), json.loads(json.dumps(books.state())))
    assert only(after).grid_wh == 0
    lived(after, range(9, 21), diverted_w=1200, grid_w=2000)
    with pytest.raises(ValueError, match="same signals"):
        after.reprice(settings(BOTH))


@examples(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(st.integers(0, 2800), st.integers(-4000, 4000), st.integers(-3000, 3000)), min_size=1, max_size=40
    )
)
def test_the_parts_add_up_to_the_counter_and_every_entry_balances(minutes: list[tuple[int, int, int]]) -> None:
    books = Books(asked(BOTH))
    wh = 0.0
    for minute, (diverted_w, grid_w, battery_w) in enumerate(minutes):
        for signal, told in (("diverted_wh", wh), ("diverted_w", diverted_w), ("grid_w", grid_w)):
            books.note(signal, NOON + 60 * minute, told)
        books.note("battery_w", NOON + 60 * minute, battery_w)
        wh += diverted_w / 60
    end_s = NOON + 60 * len(minutes)
    books.note("diverted_wh", end_s, wh)
    entries = [*books.settle(end_s + 600), *books.open_entries(end_s + 600)]
    assert sum(entry.diverted_wh for entry in entries) == round(wh)
    for entry in entries:
        balance(entry)
        assert entry.net_micro == entry.avoided_micro - entry.given_up_micro - entry.bought_micro
