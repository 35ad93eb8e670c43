"""Tariffs and books on the days the clocks change: 01:00 UTC on the last Sundays of March and October.

Source of the rule: Directive 2000/84/EC, which Great Britain follows;
instants by the IANA time-zone database (zoneinfo).
"""

from datetime import date, datetime, time, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from accounting.books.booking import Books
from accounting.pricing.bands import Band, Period
from accounting.pricing.tariffs import Tariff
from tests.support.prices import COUNTED, settings, utc, with_tank

LONDON = ZoneInfo("Europe/London")
SPRING, AUTUMN = date(2025, 3, 30), date(2025, 10, 26)
NIGHT, DAY = Fraction("0.07"), Fraction("0.29")


def tariff(start: time, end: time, clock: str = "local", timezone: str = "Europe/London") -> Tariff:
    bands = (Band("night", NIGHT, start, end), Band("day", DAY))
    return Tariff("import", (Period(date(2025, 1, 1), None, bands, "utc" if clock == "utc" else "local"),), timezone)


def midnight(day: date) -> int:
    return int(datetime.combine(day, time(), LONDON).timestamp())


def local_day(day: date) -> range:
    return range(midnight(day), midnight(day + timedelta(days=1)), 1800)


def night_s(made: Tariff, day: date) -> int:
    return sum(
        piece.end_s - piece.start_s
        for piece in made.pieces(local_day(day).start, local_day(day).stop)
        if piece.name == "night"
    )


# Half-hour periods of a settlement day in Great Britain: 46 and 50 on the days of clock change (IANA tz, C).
@pytest.mark.parametrize(("day", "count"), [(SPRING, 46), (AUTUMN, 50), (date(2025, 6, 1), 48)])
def test_a_local_day_has_its_half_hours_each_priced_and_booked(day: date, count: int) -> None:
    made = tariff(time(0, 30), time(7, 30))
    half_hours = local_day(day)
    assert len(half_hours) == count
    assert all(made.mean_price(start_s, start_s + 1800) in (NIGHT, DAY) for start_s in half_hours)
    books = Books(settings(COUNTED))
    for at_s in range(half_hours.start, half_hours.stop + 1, 300):
        books.note("diverted_wh", at_s, (at_s - half_hours.start) // 30)
    entries = books.settle(half_hours.stop + 3600)
    assert [entry.start_s for entry in entries] == list(half_hours)
    assert {entry.diverted_wh for entry in entries} == {60}


@pytest.mark.parametrize(("day", "count"), [(SPRING, 46), (AUTUMN, 50)])
def test_the_tank_has_an_entry_for_each_half_hour_too_and_loses_by_each(day: date, count: int) -> None:
    """Half hours as above. At 60 °C in 20 °C with 2 W/K: 40 Wh each (EN 12897's UA, W/K times the difference)."""
    half_hours = local_day(day)
    books = Books(with_tank())
    for at_s in range(half_hours.start, half_hours.stop + 1, 300):
        books.note("tank_level_pct", at_s, 100.0)
        books.note("diverted_wh", at_s, (at_s - half_hours.start) * 80 // 3600)
    books.settle(half_hours.stop + 3600)
    entries = books.tank_entries()
    assert [entry.start_s for entry in entries] == list(half_hours)
    assert len(entries) == count
    assert sum(entry.wh("lost") for entry in entries) == 40 * count


def test_the_repeated_hour_is_told_apart_by_fold_and_priced_alike() -> None:
    made = tariff(time(1, 30), time(5))
    for minute, price in ((29, DAY), (30, NIGHT)):
        first, second = (
            int(datetime(2025, 10, 26, 1, minute, tzinfo=LONDON, fold=fold).timestamp()) for fold in (0, 1)
        )
        assert second - first == 3600
        assert (made.price_at(first), made.price_at(second)) == (price, price)


@pytest.mark.parametrize(
    ("start", "end", "spring_h", "usual_h", "autumn_h"),
    [
        (time(0, 30), time(7, 30), 6, 7, 8),  # across the change
        (time(2), time(5), 3, 3, 3),  # after it
        (time(1, 30), time(5), 3, 3.5, 4),  # starts in the hour that is missing or repeated
        (time(23), time(7), 7, 8, 9),  # past midnight: the day's own two parts
        (time(1), time(2), 0, 1, 2),  # that hour itself
    ],
)
def test_a_night_band_has_the_hours_the_wall_clock_shows(
    start: time, end: time, spring_h: float, usual_h: float, autumn_h: float
) -> None:
    made = tariff(start, end)
    hours = [night_s(made, day) / 3600 for day in (SPRING, date(2025, 6, 1), AUTUMN)]
    assert hours == [spring_h, usual_h, autumn_h]


@pytest.mark.parametrize("day", [SPRING, date(2025, 6, 1), AUTUMN])
def test_a_night_band_by_utc_has_its_hours_on_every_day(day: date) -> None:
    assert night_s(tariff(time(0, 30), time(7, 30), "utc"), day) == 7 * 3600


def test_the_missing_hour_lets_a_band_in_it_start_when_it_has_been_skipped() -> None:
    made = tariff(time(1, 30), time(5))
    assert made.next_start("night", midnight(SPRING)) == utc("2025-03-30T01:00Z")  # the wall goes from 00:59 to 02:00
    wholly = tariff(time(1), time(2))
    assert wholly.next_start("night", midnight(SPRING)) == utc("2025-03-31T01:00+01:00")


def test_a_band_cut_by_the_repeated_hour_starts_twice() -> None:
    made = tariff(time(1, 30), time(5))
    first = made.next_start("night", midnight(AUTUMN))
    assert first == utc("2025-10-26T01:30+01:00")
    assert made.next_start("night", first) == utc("2025-10-26T01:30+00:00")


def test_clocks_elsewhere_change_at_other_times_and_by_other_steps() -> None:
    # New York 2007-03-11, 02:00 to 03:00 at 07:00 UTC (RFC 5545's example day); Lord Howe moves by half an hour.
    eastern = Tariff(
        "import",
        (Period(date(2007, 1, 1), None, (Band("night", NIGHT, time(2, 30), time(5)), Band("day", DAY))),),
        "America/New_York",
    )
    assert eastern.next_start("night", utc("2007-03-11T00:00-05:00")) == utc("2007-03-11T07:00Z")
    howe = tariff(time(1, 30), time(5), timezone="Australia/Lord_Howe")
    pieces = howe.pieces(utc("2025-04-06T00:00+11:00"), utc("2025-04-06T12:00+10:30"))
    assert sum(p.end_s - p.start_s for p in pieces if p.name == "night") == 4 * 3600
