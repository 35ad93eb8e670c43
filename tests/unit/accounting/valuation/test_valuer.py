from dataclasses import replace
from fractions import Fraction

import pytest

from accounting.model.entry import Posting
from accounting.model.journal import balance
from accounting.pricing.tariffs import Tariff
from accounting.valuation.settings import BooksSettings
from accounting.valuation.valuer import Energy, Valuer, energy_of
from tests.support.prices import GRID_FACTOR, flat, settings, utc

NIGHT = utc("2026-05-10T04:30+01:00")
"""Half an hour before the night band ends."""

HOURLY = settings(interval_s=3600)


def energy(*taken: tuple[str, int], wh: int = 1000, curtailed_wh: int = 0) -> Energy:
    return Energy(NIGHT - 1800, "main", wh, 0, 3600, taken, curtailed_wh)


def test_what_the_grid_and_the_battery_gave_is_priced_as_such_with_a_pencil() -> None:
    """1,000 Wh from 04:00 to 05:00 local on 10 May 2026, by an invented house's prices (EUR/kWh).

    sun        600 Wh   given up 0.600 × 0.0550 = 0.033000      carbon 0.600 × 0.255 = 0.153000 kg
    grid:night 300 Wh   bought   0.300 × 0.0921 = 0.027630             0.300 × 0.255 = 0.076500
    battery    100 Wh   bought   0.100 × 0.3170 = 0.031700             0.100 × 0.255 = 0.025500
               (the battery would have given it in the evening, when the import price is the day's)
    avoided  1,000 Wh                    × 0.11476 = 0.114760 (as in test_value: all of it is heat)
    net        0.114760 − 0.033000 − 0.059330 = 0.022430
    """
    entry = Valuer(HOURLY).entry(energy(("grid:night", 300), ("battery", 100)), "settled")
    assert (entry.given_up_micro, entry.bought_micro, entry.avoided_micro) == (33_000, 59_330, 114_760)
    assert (entry.given_up_mg, entry.bought_mg) == (153_000, 102_000)
    assert entry.net_micro == 22_430
    assert (entry.sun_wh, entry.grid_wh, entry.battery_wh) == (600, 300, 100)
    assert entry.postings == (
        Posting("sun", -600, -33_000, -153_000),
        Posting("grid:night", -300, -27_630, -76_500),
        Posting("battery", -100, -31_700, -25_500),
        Posting("tank", 1000, 92_330, 255_000),
    )
    balance(entry)


def test_a_band_is_priced_by_its_own_hours_only() -> None:
    across = replace(energy(("grid:night", 300), ("grid:day", 200)), start_s=NIGHT)
    entry = Valuer(HOURLY).entry(across, "settled")
    assert entry.bought_micro == 27_630 + 63_400


def test_a_stated_price_of_the_battery_counts() -> None:
    stated = replace(HOURLY, battery_price=Fraction("0.2"))
    assert Valuer(stated).entry(energy(("battery", 100)), "settled").bought_micro == 20_000


def test_what_could_not_have_been_sold_gives_nothing_up() -> None:
    entry = Valuer(HOURLY).entry(energy(curtailed_wh=400), "settled")
    assert (entry.given_up_micro, entry.avoided_micro, entry.curtailed_wh) == (33_000, 114_760, 400)
    balance(entry)


def test_without_an_import_price_the_entry_says_so() -> None:
    entry = Valuer(replace(HOURLY, imports=None)).entry(energy(("grid", 300)), "settled")
    assert (entry.bought_micro, entry.grid_wh, entry.unpriced_wh) == (0, 300, 300)
    assert entry.avoided_micro == 700 * 114.76, "heat of energy without a price counts for as little as its cost"
    assert entry.reason == "settled; unknown: price of grid"


def test_what_the_battery_forgoes_with_a_pencil() -> None:
    """1,000 Wh of sun from 04:00 to 05:00 local on 10 May 2026, of which 400 would have charged the battery.

    sold      600 Wh   0.600 × 0.0550                                            = 0.033000   0.600 × 0.255 = 0.153 kg
    forgone   400 Wh   it gives nine tenths, half at 03:00, half at 20:00 local:
                       0.400 × 0.9 × (0.0921 + 0.3170) / 2 = 0.360 × 0.20455    = 0.073638   0.360 × 0.255 = 0.0918 kg
    given up                                                                       0.106638                  0.2448 kg
    """
    told = replace(energy(), forgone_wh=400, hours="3:50 20:50")
    entry = Valuer(with_zone(HOURLY)).entry(told, "settled")
    assert (entry.forgone_wh, entry.forgone_micro, entry.forgone_mg) == (400, 73_638, 91_800)
    assert (entry.given_up_micro, entry.given_up_mg, entry.avoided_micro) == (106_638, 244_800, 114_760)
    assert entry.postings[:2] == (
        Posting("sun", -600, -33_000, -153_000),
        Posting("battery_forgone", -400, -73_638, -91_800),
    )
    balance(entry)
    assert Valuer(with_zone(HOURLY)).revalue(entry, "settled") == entry


def test_until_its_hours_are_known_the_battery_is_priced_by_the_evening_never_below_the_import() -> None:
    """At noon as at night: the night's cheap hours are no price for what the evening would have bought."""
    for start_s in (NIGHT - 1800, NIGHT + 8 * 3600):
        told = Energy(start_s, "main", 100, 0, 3600, (("battery", 100),))
        assert Valuer(with_zone(HOURLY)).entry(told, "settled").bought_micro == 31_700


def test_a_battery_without_any_import_price_is_unpriced() -> None:
    told = replace(energy(), forgone_wh=400)
    entry = Valuer(replace(HOURLY, imports=None)).entry(told, "settled")
    assert (entry.unpriced_wh, entry.forgone_micro, entry.given_up_micro) == (400, 0, 33_000)
    assert entry.avoided_micro == 600 * 114.76
    stated = Valuer(replace(HOURLY, imports=None, battery_price=Fraction("0.25"))).entry(told, "settled")
    assert (stated.unpriced_wh, stated.forgone_micro) == (0, 90_000)


def test_an_entry_keeps_what_its_heat_displaced() -> None:
    assert Valuer(HOURLY).entry(energy(), "settled").displaced == "3/5 night electricity, 2/5 gas boiler"


def with_zone(books: BooksSettings) -> BooksSettings:
    return replace(books, timezone="Europe/Dublin")


def test_carbon_of_what_was_bought_counts_only_where_both_sides_are_told() -> None:
    nothing_displaced = BooksSettings(HOURLY.heaters, 3600, grid=GRID_FACTOR)
    assert Valuer(nothing_displaced).entry(energy(("battery", 500)), "settled").bought_mg == 0


@pytest.mark.parametrize("taken", [(), (("grid:night", 300),), (("grid:night", 1), ("grid:day", 2), ("battery", 997))])
def test_valuing_an_entry_anew_by_the_same_prices_changes_nothing(taken: tuple[tuple[str, int], ...]) -> None:
    valuer = Valuer(replace(HOURLY, used=Fraction(9, 10)))
    entry = valuer.entry(energy(*taken, curtailed_wh=3 if not taken else 0), "settled")
    assert valuer.revalue(entry, "settled") == entry
    assert entry.used == "9/10"
    other = Valuer(replace(HOURLY, export=Tariff("export", (flat("0.10"),), "Europe/Dublin")))
    assert energy_of(other.revalue(entry, "prices changed")) == energy_of(entry)
