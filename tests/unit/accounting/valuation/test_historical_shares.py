"""What the home would have used, from its own past: which month tells it, and what it tells."""

from dataclasses import replace
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from accounting.valuation.historical_shares import (
    LEAST_WH,
    THINNEST,
    Month,
    MonthHeat,
    Past,
    PastShares,
    as_recorded,
    by_past,
    month_of,
    month_text,
    read_past,
)
from accounting.valuation.valuer import Valuer
from tests.support.prices import GAS_HEAT, NIGHT_HEAT, ZONE, settings, utc

BOILER, GRID = replace(GAS_HEAT, recorded="boiler"), replace(NIGHT_HEAT, recorded="grid", band=None)
STATED = (GRID.share, BOILER.share)
BOOKS = replace(settings(), displaces=(GRID, BOILER), past_timezone=ZONE)


def month(text: str) -> Month:
    year, number = text.split("-")
    return int(year) * 12 + int(number) - 1


def heat(measured: str = "1", /, **wh: int) -> MonthHeat:
    return MonthHeat(Fraction(measured), {name.replace("_", ":"): told for name, told in wh.items()})


def past(**told: MonthHeat) -> Past:
    """By names such as m2025_06."""
    return {month(name[1:].replace("_", "-")): recorded for name, recorded in told.items()}


def told(known: Past, asked: str) -> tuple[str, str | None, tuple[Fraction, ...]]:
    found = PastShares(BOOKS.displaces, known, ZONE).of(month(asked))
    return found.basis, None if found.of is None else month_text(found.of), found.shares


QUARTER = (Fraction(1, 4), Fraction(3, 4))
HALF = (Fraction(1, 2), Fraction(1, 2))
JUNE = heat(grid=10_000, boiler=30_000)
EVEN = heat(grid=7_000, boiler=7_000)


def test_the_same_month_of_the_last_year_tells_it() -> None:
    known = past(m2023_06=EVEN, m2024_06=JUNE, m2025_05=EVEN, m2024_07=EVEN)
    assert told(known, "2025-06") == ("same month", "2024-06", QUARTER)
    assert told(known, "2024-06") == ("same month", "2023-06", HALF)


def test_what_one_year_alone_tells_no_later_month_takes_from_it() -> None:
    known = past(m2024_06=JUNE)
    assert [told(known, f"{year}-06")[1] for year in (2025, 2026, 2031)] == ["2024-06"] * 3


@pytest.mark.parametrize(
    ("known", "of"),
    [
        (past(m2024_07=JUNE, m2024_04=EVEN), "2024-07"),  # a month off before two
        (past(m2024_05=JUNE, m2024_07=JUNE), "2024-07"),  # of two as near, the latest
        (past(m2025_04=JUNE), "2025-04"),  # two months before, the newest that counts
        (past(m2024_08=JUNE), "2024-08"),
    ],
)
def test_else_the_month_nearest_to_it_in_the_calendar(known: Past, of: str) -> None:
    assert told(known, "2025-06") == ("near month", of, QUARTER)


def test_december_and_january_are_neighbours() -> None:
    assert told(past(m2024_12=JUNE), "2026-01") == ("near month", "2024-12", QUARTER)


@pytest.mark.parametrize(
    "known", [{}, past(m2024_03=JUNE), past(m2024_09=JUNE), past(m2025_05=JUNE), past(m2025_06=JUNE)]
)
def test_else_what_is_stated(known: Past) -> None:
    """No past, three months off, or so new that some of it may not be settled when the month begins."""
    assert told(known, "2025-06") == ("stated", None, STATED)


@pytest.mark.parametrize(
    ("thin", "fit"),
    [
        (heat(str(THINNEST - Fraction(1, 1000)), grid=10_000, boiler=30_000), False),
        (heat(str(THINNEST), grid=10_000, boiler=30_000), True),
        (heat(grid=LEAST_WH - 1), False),
        (heat(grid=LEAST_WH), True),
        (heat(sun=90_000, battery=5_000, grid=LEAST_WH - 1), False),  # what was diverted is not what it would have used
    ],
)
def test_a_month_of_which_too_little_is_known_is_passed_over_and_named(thin: MonthHeat, fit: bool) -> None:
    known = past(m2024_06=thin, m2024_05=EVEN)
    found = PastShares(BOOKS.displaces, known, ZONE).of(month("2025-06"))
    assert found.of == month("2024-06" if fit else "2024-05")
    assert found.thin == (None if fit else month("2024-06"))
    alone = PastShares(BOOKS.displaces, past(m2024_06=thin), ZONE).of(month("2025-06"))
    assert (alone.basis, alone.thin) == (("same month", None) if fit else ("stated", month("2024-06")))


def test_a_source_without_a_record_keeps_its_share_and_the_others_divide_the_rest() -> None:
    wood = replace(GAS_HEAT, source="wood", share=Fraction("0.2"))
    grid, boiler = replace(GRID, share=Fraction("0.4")), replace(BOILER, share=Fraction("0.4"))
    found = PastShares((wood, grid, boiler), past(m2024_06=JUNE), ZONE).of(month("2025-06"))
    assert found.shares == (Fraction(1, 5), Fraction(1, 5), Fraction(3, 5))


def test_grid_stands_for_every_band_and_a_band_for_itself() -> None:
    known = past(m2024_06=heat(grid=1_000, grid_night=5_000, grid_day=2_000, boiler=8_000))
    assert told(known, "2025-06")[2] == HALF
    night, day = replace(GRID, recorded="grid:night"), replace(GRID, source="day", recorded="grid:day")
    found = PastShares((night, day), known, ZONE).of(month("2025-06"))
    assert found.shares == (Fraction(5, 7), Fraction(2, 7))


def test_the_books_are_valued_by_it_month_by_month() -> None:
    # Gas heat costs 0.119 / 0.8 = 0.14875, the grid's by day 0.3170; stated 0.4 and 0.6.
    valuer = Valuer(by_past(BOOKS, past(m2024_06=JUNE, m2024_07=EVEN)))
    june, july = utc("2026-06-30T12:00Z"), utc("2026-07-01T12:00Z")
    gas, grid = Fraction("0.14875"), Fraction("0.3170")
    assert valuer.rates((june, june + 1800), (june, june + 1800)).heat_price == (3 * gas + grid) / 4
    assert valuer.rates((july, july + 1800), (july, july + 1800)).heat_price == (gas + grid) / 2
    turn = utc("2026-07-01T00:00+01:00")
    both = valuer.rates((turn - 600, turn + 1200), (turn - 600, turn + 1200))
    # At midnight the shares change and the price does not: a third of the time by June's, two thirds by July's.
    shares = (Fraction(1, 3) * Fraction(3, 4) + Fraction(2, 3) * Fraction(1, 2), Fraction(7, 12))
    assert both.heat_price == shares[0] * gas + (1 - shares[0]) * grid
    assert shares[0] == shares[1]


def test_shares_hold_until_the_month_ends_by_the_clock_on_the_wall() -> None:
    grid = by_past(BOOKS, past(m2024_06=JUNE)).displaces[0]
    assert grid.shares is not None
    assert grid.shares.next_change(utc("2026-06-30T22:59Z")) == utc("2026-07-01T00:00+01:00")
    assert month_of(utc("2026-06-30T22:59Z"), ZoneInfo(ZONE)) == month("2026-06")
    assert month_of(utc("2026-06-30T23:00Z"), ZoneInfo(ZONE)) == month("2026-07")


def test_a_month_that_begins_twice_began_the_first_time() -> None:
    # In St John's the clocks went back from 00:01 on 1 November 2009 to 23:01 on 31 October (IANA time-zone database).
    zone = ZoneInfo("America/St_Johns")
    first = utc("2009-11-01T00:00-02:30")
    told = [month_text(month_of(first + offset_s, zone)) for offset_s in (-1, 0, 60, 3659, 3660)]
    assert told == ["2009-10", *["2009-11"] * 4]


def test_without_being_asked_nothing_goes_by_the_past() -> None:
    plain = replace(BOOKS, past_timezone=None)
    assert by_past(plain, past(m2024_06=JUNE)) is plain


class Record:
    """A ledger's answers, and what was asked."""

    def __init__(self, first: str, last: str) -> None:
        self.span = utc(first), utc(last)
        self.asked: list[tuple[int, int]] = []

    def tank_span(self) -> tuple[int, int] | None:
        return self.span

    def tank_heat(self, from_s: int, to_s: int) -> tuple[int, dict[str, int]]:
        self.asked.append((from_s, to_s))
        return (to_s - max(from_s, self.span[0])) // 2, {"grid": 6_000}


def test_only_months_that_are_wholly_booked_are_read_and_each_once() -> None:
    record = Record("2026-03-16T00:00Z", "2026-05-31T22:30Z")
    found = read_past(BOOKS, record)
    assert [month_text(told) for told in found] == ["2026-03", "2026-04"]
    assert found[month("2026-04")] == heat("1/2", grid=6_000)
    assert found[month("2026-03")].measured < Fraction(1, 3)
    assert record.asked[1] == (utc("2026-04-01T00:00+01:00"), utc("2026-05-01T00:00+01:00"))
    record.span, record.asked = (record.span[0], utc("2026-05-31T23:00Z")), []
    assert [*read_past(BOOKS, record, found)] == [month("2026-03"), month("2026-04"), month("2026-05")]
    assert len(record.asked) == 1
    assert read_past(replace(BOOKS, past_timezone=None), record) == {}
    assert as_recorded(BOOKS, record).displaces[0].shares is not None
