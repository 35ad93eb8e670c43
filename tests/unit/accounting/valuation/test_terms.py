"""Terms that were worked out for one interval hold for others only as long as all of them are the same."""

from dataclasses import replace
from datetime import date, time
from fractions import Fraction

import pytest

from accounting.pricing.bands import Band, Period
from accounting.pricing.carbon import Factor
from accounting.pricing.displaced import Displaced
from accounting.pricing.series import Series
from accounting.pricing.signal_series import HeardSeries
from accounting.pricing.tariffs import Tariff
from accounting.valuation.settings import BooksSettings
from accounting.valuation.valuer import Energy, Valuer
from tests.support.prices import GAS_HEAT, NIGHT_HEAT, ZONE, flat, settings, utc

FROM_S = utc("2026-03-28T00:00Z")  # the clocks go forward a day later
STEPS = 4 * 48


def every(step_s: int, seed: int) -> Series:
    """A value for each step, and none for some."""
    count = STEPS * 1800 // step_s + 3
    rows = range(count)
    return Series([(FROM_S + n * step_s, Fraction(n * seed % 997, 7919) if n % 11 else None) for n in rows])


def share(part: Fraction) -> Tariff:
    """What is left by night of a share that is whole from 06:00 to 09:20."""
    bands = (Band("boiler on", 1 - part, time(6), time(9, 20)), Band("rest", part))
    return Tariff("fuel", (Period(date(2026, 1, 1), None, bands),), ZONE)


PLAIN = settings()
MARGINAL = Factor("marginal", every(1800, 31), "marginal", "invented", 2026)
CONSTANT = replace(MARGINAL, kg_per_kwh=Fraction("0.3"))


def gas(marginal: Factor) -> Displaced:
    return replace(GAS_HEAT, share=Fraction(1), carbon_marginal=marginal)


BOOKS = {
    "bands": PLAIN,
    "export by the half hour": replace(PLAIN, export=every(1800, 17)),
    "import by the quarter": replace(PLAIN, imports=every(900, 23)),
    "carbon alone": replace(PLAIN, grid=Factor("grid", every(1800, 29), "average", "invented", 2026)),
    "marginal carbon of the grid": replace(PLAIN, grid_marginal=MARGINAL, displaces=(gas(CONSTANT),)),
    "marginal carbon of the heat": replace(PLAIN, grid_marginal=CONSTANT, displaces=(gas(MARGINAL),)),
    "shares by the hour": replace(
        PLAIN,
        displaces=(
            replace(NIGHT_HEAT, shares=share(Fraction(1, 3))),
            replace(GAS_HEAT, shares=share(Fraction(2, 3))),
        ),
    ),
}


@pytest.mark.parametrize("name", BOOKS)
def test_one_valuer_for_all_intervals_gives_what_one_for_each_gives(name: str) -> None:
    books = BOOKS[name]
    kept = Valuer(books)
    places = [*range(STEPS), *range(0, STEPS, 7), *reversed(range(STEPS))]
    for place in places:
        taken = (("grid:night", 120), ("grid", 30))
        energy = Energy(FROM_S + place * 1800, "main", 700, 0, 1800, taken)
        assert kept.entry(energy, "settled") == Valuer(books).entry(energy, "settled")


def test_a_heard_price_that_comes_late_changes_an_interval_that_was_valued() -> None:
    heard = HeardSeries("price", 3600.0)
    books: BooksSettings = replace(PLAIN, export=heard, heard=(heard,))
    valuer = Valuer(books)
    energy = Energy(FROM_S, "main", 1000, 0, 1800)
    heard.note(FROM_S - 60, 0.10)
    assert valuer.entry(energy, "settled").given_up_micro == 100_000
    heard.note(FROM_S - 30, 0.20)
    assert valuer.entry(energy, "settled").given_up_micro == 200_000


def test_terms_end_with_the_price() -> None:
    july = utc("2026-07-01T00:00+01:00")
    books = replace(PLAIN, export=Tariff("export", (flat("0.05", until=date(2026, 7, 1)),), ZONE))
    valuer = Valuer(books)
    made = [valuer.entry(Energy(at_s, "main", 1000, 0, 1800), "settled") for at_s in (july - 1800, july)]
    assert [entry.export_price_micro for entry in made] == [50_000, None]
