"""Tariffs against a slow reading of the clock on the wall, and rounding against exact fractions."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from accounting.pricing.bands import DAYS, MONTHS, WEEKDAYS, Band, Period
from accounting.pricing.tariffs import Tariff
from accounting.valuation.formula import Rates, half_even
from tests.support.prices import value

FIRST = date(2024, 1, 1)
ZONES = ("Europe/London", "Europe/Dublin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC")
# Clock changes are where it can go wrong: half of the instants are drawn within two days of one.
CHANGES = (
    "2025-03-30T01:00+00:00", "2025-10-26T01:00+00:00", "2025-03-09T07:00+00:00", "2025-11-02T06:00+00:00",
    "2025-04-05T15:00+00:00", "2025-10-04T15:30+00:00",
)  # fmt: skip
CHANGE_S = [int(datetime.fromisoformat(at).timestamp()) for at in CHANGES]

clocks = st.integers(0, 1439).map(lambda minute: time(minute // 60, minute % 60))
prices = st.integers(-500, 5000).map(lambda tenths: Fraction(tenths, 10_000))
days = st.one_of(st.just(frozenset(DAYS)), st.frozensets(st.sampled_from(DAYS), min_size=1))
months = st.one_of(st.just(frozenset(MONTHS)), st.frozensets(st.sampled_from(MONTHS), min_size=1))
minutes = st.one_of(
    st.integers(1_735_689_600 // 60, 1_767_225_600 // 60),
    st.builds(lambda at, off: at // 60 + off, st.sampled_from(CHANGE_S), st.integers(-2880, 2880)),
).map(lambda minute: minute * 60)


@st.composite
def tariffs(draw: st.DrawFn) -> Tariff:
    """One timed band, or two that may overlap (the earlier listed holds), and the rest of the day."""
    timed = [
        Band(name, draw(prices), draw(clocks), draw(clocks), draw(days), draw(months))
        for name in draw(st.sampled_from(("a", "ab")))
    ]
    clock = draw(st.sampled_from(("local", "utc")))
    period = Period(FIRST, None, (*timed, Band("rest", draw(prices))), "utc" if clock == "utc" else "local")
    near = st.sampled_from(CHANGE_S).flatmap(lambda at: st.integers(-3, 3).map(lambda day: at + day * 86_400))
    holidays = draw(st.frozensets(near.map(lambda at: datetime.fromtimestamp(at, UTC).date()), max_size=6))
    return Tariff("import", (period,), draw(st.sampled_from(ZONES)), holidays)


def by_the_wall(tariff: Tariff, utc_s: int) -> Band:
    """The band in force, found by looking at the clock and at yesterday's and today's bands."""
    period = tariff.periods[0]
    zone = UTC if period.clock == "utc" else ZoneInfo(tariff.timezone)
    wall = datetime.fromtimestamp(utc_s, zone).replace(tzinfo=None)
    for band in period.bands[:-1]:
        assert band.start is not None
        assert band.end is not None
        for started in (wall.date(), wall.date() - timedelta(days=1)):
            start = datetime.combine(started, band.start)
            end = datetime.combine(started + timedelta(days=band.end <= band.start), band.end)
            kind = "holiday" if started in tariff.holidays else WEEKDAYS[started.weekday()]
            if start <= wall < end and kind in band.days and started.month in band.months:
                return band
    return period.bands[-1]


@given(tariffs(), st.lists(minutes, min_size=1, max_size=20))
def test_the_price_is_what_the_wall_clock_says(tariff: Tariff, instants: list[int]) -> None:
    for utc_s in instants:
        band = by_the_wall(tariff, utc_s)
        assert (tariff.band_at(utc_s), tariff.price_at(utc_s)) == (band.name, band.price)


@given(tariffs(), minutes, st.sampled_from((15, 30, 60, 300)))
def test_the_mean_price_is_the_mean_of_its_minutes(tariff: Tariff, start_s: int, length: int) -> None:
    each = [by_the_wall(tariff, start_s + 60 * minute).price for minute in range(length)]
    assert tariff.mean_price(start_s, start_s + 60 * length) == sum(each) / length


@given(tariffs(), minutes, st.integers(1, 200_000))
def test_pieces_fill_the_time_and_change_at_every_cut(tariff: Tariff, start_s: int, span_s: int) -> None:
    pieces = tariff.pieces(start_s, start_s + span_s)
    assert pieces[0].start_s == start_s
    assert pieces[-1].end_s == start_s + span_s
    for one, other in pairwise(pieces):
        assert one.end_s == other.start_s
        assert (one.name, one.price) != (other.name, other.price)


@given(tariffs(), minutes)
def test_the_next_start_and_change_are_the_first_minute_that_differs(tariff: Tariff, after_s: int) -> None:
    walked = [by_the_wall(tariff, after_s + 60 * minute).name for minute in range(2 * 1440)]
    now = by_the_wall(tariff, after_s)
    starts = [m for m in range(1, len(walked)) if walked[m] == "a" and walked[m - 1] != "a"]
    found = tariff.next_start("a", after_s)
    if starts:
        assert found == after_s + 60 * starts[0]
    else:
        assert found is None or found >= after_s + 60 * len(walked)
    changes = [m for m in range(1, len(walked)) if walked[m] != now.name]
    if changes:
        assert tariff.next_change(after_s) == after_s + 60 * changes[0]
    else:
        assert tariff.next_change(after_s) >= after_s + 60 * len(walked)


@given(tariffs(), st.integers(0, 800), st.lists(minutes, min_size=1, max_size=10))
def test_splitting_a_period_at_any_day_changes_no_price(tariff: Tariff, after: int, instants: list[int]) -> None:
    (period,) = tariff.periods
    day = FIRST + timedelta(days=after)
    halves = (replace(period, until=day), replace(period, first=day))
    split = replace(tariff, periods=halves)
    for utc_s in instants:
        assert split.price_at(utc_s) == tariff.price_at(utc_s)
        assert split.mean_price(utc_s, utc_s + 86_400) == tariff.mean_price(utc_s, utc_s + 86_400)
        assert split.next_start("a", utc_s) == tariff.next_start("a", utc_s)
        assert split.next_change(utc_s) == tariff.next_change(utc_s)


@given(tariffs(), st.integers(0, 800), minutes, st.lists(st.integers(0, 2000), min_size=1, max_size=50))
def test_a_change_of_supplier_at_the_same_prices_changes_no_total(
    tariff: Tariff, after: int, start_s: int, energies: list[int]
) -> None:
    (period,) = tariff.periods
    day = FIRST + timedelta(days=after)
    split = replace(
        tariff,
        periods=(
            replace(period, until=day, supplier="Alder Light"),
            replace(period, first=day, supplier="Birch Light"),
        ),
    )

    def total(by: Tariff) -> int:
        starts = range(start_s - start_s % 1800, start_s + 1800 * len(energies), 1800)
        return sum(
            value(wh, Rates(export_price=by.mean_price(at_s, at_s + 1800))).given_up_micro
            for at_s, wh in zip(starts, energies, strict=False)
        )

    assert total(split) == total(tariff)
    until = FIRST + timedelta(days=1000)
    assert split.standing(FIRST, until) == tariff.standing(FIRST, until)


@given(st.integers(-(10**15), 10**15), st.integers(1, 10**9))
def test_rounding_is_half_to_even(numerator: int, denominator: int) -> None:
    assert half_even(numerator, denominator) == round(Fraction(numerator, denominator))


rates = st.one_of(st.none(), st.fractions(-1, 1, max_denominator=10**6))
shares = st.fractions(0, 1, max_denominator=1000)


@given(st.integers(0, 10**7), st.builds(Rates, rates, rates, rates, rates, rates), shares, shares)
def test_value_is_the_formula_rounded_once(wh: int, told: Rates, used: Fraction, exportable: Fraction) -> None:
    worth = value(wh, told, used, exportable)
    kwh = Fraction(wh, 1000)
    priced = told.export_price is not None and told.heat_price is not None
    assert worth.given_up_micro == (round(kwh * exportable * (told.export_price or 0) * 10**6) if priced else 0)
    assert worth.avoided_micro == (round(kwh * used * (told.heat_price or 0) * 10**6) if priced else 0)
    assert worth.unpriced_wh == (0 if priced else wh)
    both = told.export_kg is not None and told.heat_kg is not None
    assert worth.given_up_mg == (round(kwh * exportable * (told.export_kg or 0) * 10**6) if both else 0)
    assert worth.avoided_mg == (round(kwh * used * (told.heat_kg or 0) * 10**6) if both else 0)
