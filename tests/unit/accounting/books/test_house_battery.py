"""What the house battery could have taken, minute by minute, and what the books of a heater ahead of it then say."""

import json
from dataclasses import replace
from fractions import Fraction

import pytest

from accounting.books.booking import Books, BooksSettings
from accounting.model.entry import Entry
from accounting.model.journal import balance
from accounting.valuation.settings import BatteryBooks, PowerSignal
from tests.support.prices import COUNTED, settings, utc

NOON = utc("2026-05-10T12:00+01:00")
BOTH = replace(COUNTED, power="diverted_w")
BATTERY = BatteryBooks(PowerSignal("battery_w", 60.0), PowerSignal("battery_level_pct", 60.0))


def asked(battery: BatteryBooks = BATTERY, **more: object) -> BooksSettings:
    told = replace(settings(BOTH), grid_power=PowerSignal("grid_w", 60.0), battery=battery, timezone="Europe/Dublin")
    return replace(told, **more)  # type: ignore[arg-type]


def lived(books: Books, minutes: range, **told: float) -> Books:
    """Minutes of steady readings, 1,200 W diverted in each; the counter counts it."""
    for minute in minutes:
        at_s = NOON + 60 * minute
        readings = {"diverted_w": 1200.0, "grid_w": 0.0, **told}
        for signal, value in readings.items():
            books.note(signal, at_s, value)
        books.note("diverted_wh", at_s, 20 * minute + 1000)
    return books


def only(books: Books) -> Entry:
    (entry,) = books.open_entries(NOON + 1700)
    balance(entry)
    return entry


def forgone_wh(battery: BatteryBooks = BATTERY, **told: float) -> int:
    """Of 400 Wh."""
    return only(lived(Books(asked(battery)), range(21), **told)).forgone_wh


@pytest.mark.parametrize(
    ("level_pct", "battery_w", "grid_w", "wh"),
    [
        (40, 0, 0, 400),  # it would all have gone into the battery
        (40, 900, 0, 400),
        (98, 0, 0, 0),  # full: all of it would have been sold
        (100, 0, -700, 0),
        (40, 900, -700, 0),  # more leaves the house: the battery takes no more
        (40, 0, -700, 0),  # it is held back
        (40, 0, -60, 400),  # a battery that lags
        (40, -600, 0, 200),  # half of it was the battery's own
        (40, 0, 600, 200),  # half of it was the grid's
    ],
)
def test_what_the_battery_could_have_taken_more(level_pct: float, battery_w: float, grid_w: float, wh: int) -> None:
    assert forgone_wh(battery_level_pct=level_pct, battery_w=battery_w, grid_w=grid_w) == wh


def test_its_charging_power_bounds_it_as_stated_or_as_it_was_seen() -> None:
    stated = replace(BATTERY, maximum_charge_w=1500.0)
    assert forgone_wh(stated, battery_level_pct=40, battery_w=900) == 200
    assert forgone_wh(stated, battery_level_pct=40, battery_w=900, grid_w=-700) == 200, "what leaves says no more"
    books = Books(asked())
    lived(books, range(31), battery_level_pct=40, battery_w=1100, grid_w=-2000)  # so much is the most it takes
    lived(books, range(31, 66), battery_level_pct=45, battery_w=500)
    books.settle(NOON + 3900)
    (entry,) = books.open_entries(NOON + 3900)
    assert entry.forgone_wh == pytest.approx(entry.diverted_wh / 2, abs=2), "600 W of 1,200 W"


def test_what_was_taken_while_it_was_not_heard_is_told() -> None:
    books = lived(Books(asked()), range(11), battery_level_pct=40, battery_w=0)
    entry = only(lived(books, range(11, 21)))
    assert (entry.diverted_wh, entry.forgone_wh + entry.unheard_wh) == (400, 400)
    assert 180 <= entry.unheard_wh <= 200
    without = Books(asked(replace(BATTERY, level=None)))
    assert only(lived(without, range(21), battery_w=0)).unheard_wh == 400


def test_a_level_that_is_told_on_change_only_holds_while_its_power_is_heard() -> None:
    books = Books(asked())
    books.note("battery_level_pct", NOON - 7200, 40)
    assert only(lived(books, range(21), battery_w=0)).forgone_wh == 400


def test_a_house_without_a_battery_keeps_its_figures() -> None:
    plain = only(lived(Books(asked(None)), range(21)))  # type: ignore[arg-type]
    assert (plain.forgone_wh, plain.unheard_wh, plain.battery_hours) == (0, 0, None)
    assert plain.given_up_micro == 400 * 55


def test_a_limit_on_export_holds_back_only_what_the_battery_leaves() -> None:
    limited = asked(replace(BATTERY, maximum_charge_w=600.0), export_limit_w=0.0)
    entry = only(lived(Books(limited), range(21), battery_level_pct=40, battery_w=0))
    assert (entry.forgone_wh, entry.curtailed_wh) == (200, 200)
    assert entry.given_up_micro == entry.forgone_micro


def test_what_is_known_of_it_outlives_a_restart() -> None:
    books = lived(Books(asked()), range(21), battery_level_pct=40, battery_w=0)
    again = Books(asked(), json.loads(json.dumps(books.state())))
    assert only(again) == only(books)
    cheaper = replace(BATTERY, efficiency=Fraction(1, 2))
    again.reprice(asked(cheaper))
    assert only(again).forgone_micro < only(books).forgone_micro
    with pytest.raises(ValueError, match="same signals"):
        again.reprice(asked(replace(BATTERY, level=None)))
