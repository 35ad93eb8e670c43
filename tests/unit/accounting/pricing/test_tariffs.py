from dataclasses import replace
from datetime import date, time
from fractions import Fraction

from accounting.pricing.bands import DAY_S, Band, Period
from accounting.pricing.tariffs import HORIZON_DAYS, Piece, Tariff
from tests.support.prices import EXPORT, IMPORT, NIGHT_AND_DAY, ZONE, flat, utc

NIGHT, DAY = Fraction("0.0921"), Fraction("0.3170")
NEW_YEAR = date(2026, 1, 1)


def tariff(*periods: Period, timezone: str = "Europe/London") -> Tariff:
    return Tariff("import", periods, timezone)


def bands(*bands: Band, clock: str = "local", first: date = NEW_YEAR, until: date | None = None) -> Period:
    assert clock in ("local", "utc")
    return Period(first, until, bands, "utc" if clock == "utc" else "local")


LATE = Band("late", Fraction(1), time(23), time(7))
REST = Band("rest", Fraction(2))


def test_bands_hold_from_their_start_to_their_end_and_the_rest_is_the_rest() -> None:
    for clock, price in (("01:59", DAY), ("02:00", NIGHT), ("04:59", NIGHT), ("05:00", DAY)):
        assert IMPORT.price_at(utc(f"2026-02-03T{clock}Z")) == price
    assert IMPORT.band_at(utc("2026-02-03T03:00Z")) == "night"


def test_local_bands_follow_summer_time_and_utc_bands_do_not() -> None:
    assert IMPORT.price_at(utc("2026-07-03T01:00Z")) == NIGHT  # 02:00 on the wall
    assert IMPORT.price_at(utc("2026-07-03T04:00Z")) == DAY
    by_utc = tariff(bands(Band("night", NIGHT, time(2), time(5)), Band("day", DAY), clock="utc"))
    assert by_utc.price_at(utc("2026-07-03T01:00Z")) == DAY
    assert by_utc.price_at(utc("2026-07-03T04:00Z")) == NIGHT


def test_a_band_past_midnight_belongs_to_the_day_it_starts_on() -> None:
    weekend = tariff(bands(Band("late", Fraction(1), time(23), time(7), frozenset({"sat"})), REST))
    saturday = "2026-02-07"
    assert weekend.band_at(utc(f"{saturday}T22:59Z")) == "rest"
    assert weekend.band_at(utc(f"{saturday}T06:00Z")) == "rest"
    assert weekend.band_at(utc(f"{saturday}T23:00Z")) == "late"
    assert weekend.band_at(utc("2026-02-08T06:59Z")) == "late"
    assert weekend.band_at(utc("2026-02-08T07:00Z")) == "rest"
    assert weekend.band_at(utc("2026-02-08T23:30Z")) == "rest"


def test_a_band_to_midnight_ends_there() -> None:
    evening = tariff(bands(Band("evening", Fraction(1), time(18), time(0)), REST))
    assert evening.pieces(utc("2026-02-03T17:00Z"), utc("2026-02-04T19:00Z")) == [
        Piece(utc("2026-02-03T17:00Z"), utc("2026-02-03T18:00Z"), "rest", Fraction(2)),
        Piece(utc("2026-02-03T18:00Z"), utc("2026-02-04T00:00Z"), "evening", Fraction(1)),
        Piece(utc("2026-02-04T00:00Z"), utc("2026-02-04T18:00Z"), "rest", Fraction(2)),
        Piece(utc("2026-02-04T18:00Z"), utc("2026-02-04T19:00Z"), "evening", Fraction(1)),
    ]


def test_the_weekday_of_utc_bands_is_that_of_utc() -> None:
    # Sunday 5 July 2026, 00:30 in London, is still Saturday in UTC.
    by_utc = tariff(
        bands(
            Band("weekend", Fraction(1), days=frozenset({"sat"})),
            Band("week", Fraction(2), days=frozenset({"mon", "tue", "wed", "thu", "fri", "sun"})),
            clock="utc",
        )
    )
    assert by_utc.band_at(utc("2026-07-05T00:30+01:00")) == "weekend"
    assert by_utc.band_at(utc("2026-07-05T01:00+01:00")) == "week"


def test_a_period_ends_at_local_midnight_of_its_last_date() -> None:
    assert EXPORT.price_at(utc("2026-06-30T22:59:59Z")) == Fraction("0.055")
    assert EXPORT.price_at(utc("2026-06-30T23:00Z")) == Fraction("0.185")


def test_an_interval_over_a_change_gets_the_mean_by_time() -> None:
    assert IMPORT.mean_price(utc("2026-02-03T01:50Z"), utc("2026-02-03T02:20Z")) == (10 * DAY + 20 * NIGHT) / 30
    assert IMPORT.mean_price(utc("2026-02-03T03:00Z"), utc("2026-02-03T03:30Z")) == NIGHT


def test_where_nothing_is_in_force_there_is_no_price() -> None:
    gap = tariff(flat("1", until=date(2026, 3, 1)), flat("2", first=date(2026, 4, 1)))
    assert gap.price_at(utc("2025-12-31T23:59Z")) is None
    assert gap.price_at(utc("2026-03-15T12:00Z")) is None
    assert gap.band_at(utc("2026-03-15T12:00Z")) is None
    assert gap.mean_price(utc("2026-02-28T23:45Z"), utc("2026-03-01T00:15Z")) is None


def test_a_night_starts_once_though_midnight_lies_within_it() -> None:
    nights = tariff(bands(LATE, REST))
    assert nights.next_start("late", utc("2026-02-03T12:00Z")) == utc("2026-02-03T23:00Z")
    assert nights.next_start("late", utc("2026-02-03T23:00Z")) == utc("2026-02-04T23:00Z")
    assert nights.next_start("late", utc("2026-02-04T01:00Z")) == utc("2026-02-04T23:00Z")
    assert nights.next_start("rest", utc("2026-02-04T01:00Z")) == utc("2026-02-04T07:00Z")


def test_asked_about_an_earlier_time_after_a_later_one_the_next_start_is_that_of_the_earlier() -> None:
    nights = tariff(bands(LATE, REST))
    assert nights.next_start("late", utc("2026-02-09T12:00Z")) == utc("2026-02-09T23:00Z")
    assert nights.next_start("late", utc("2026-02-03T12:00Z")) == utc("2026-02-03T23:00Z")


def test_a_band_of_a_later_period_is_found_and_one_that_never_starts_is_not() -> None:
    seasons = tariff(flat("1", until=date(2026, 10, 1)), bands(LATE, REST, first=date(2026, 10, 1)))
    assert seasons.next_start("late", utc("2026-02-03T12:00Z")) == utc("2026-10-01T00:00+01:00")
    assert seasons.next_start("cheap", utc("2026-02-03T12:00Z")) is None
    assert tariff(flat("1")).next_start("all", utc("2026-02-03T12:00Z")) is None


def test_the_next_change_is_the_next_band_or_the_end_of_the_search() -> None:
    assert IMPORT.next_change(utc("2026-02-03T02:00Z")) == utc("2026-02-03T05:00Z")
    assert EXPORT.next_change(utc("2026-02-03T02:00Z")) == utc("2026-06-30T23:00Z")
    now_s = utc("2026-08-01T00:00Z")
    assert EXPORT.next_change(now_s) == now_s + HORIZON_DAYS * DAY_S


def test_the_next_change_does_not_depend_on_what_was_asked_before() -> None:
    times = [utc(f"2026-06-{day}T{hour:02}:30Z") for day in (30, 29) for hour in (2, 0, 12, 4, 23)]
    for told in (IMPORT, EXPORT):
        assert [told.next_change(at_s) for at_s in times] == [replace(told).next_change(at_s) for at_s in times]


def test_midnight_may_be_missing() -> None:
    # Clocks in Cairo went from 00:00 to 01:00 on Friday 28 April 2023 (IANA time-zone database, zone Africa/Cairo).
    friday = Band("friday", Fraction(1), days=frozenset({"fri"}))
    other = Band("other", Fraction(2), days=frozenset({"mon", "tue", "wed", "thu", "sat", "sun"}))
    cairo = tariff(bands(friday, other, first=date(2023, 1, 1)), timezone="Africa/Cairo")
    assert cairo.next_start("friday", utc("2023-04-27T12:00Z")) == utc("2023-04-27T22:00Z")
    assert cairo.next_start("other", utc("2023-04-27T23:00Z")) == utc("2023-04-28T21:00Z")


def test_many_days_are_worked_out_and_memory_stays_flat() -> None:
    made = Tariff("import", (NIGHT_AND_DAY,), ZONE)
    start_s = utc("2026-01-01T00:00Z")
    for day in range(3000):
        assert made.price_at(start_s + day * DAY_S + 12 * 3600) == DAY
    assert len(made._days) <= 1000


def test_a_band_with_months_holds_in_its_season_alone() -> None:
    winter = frozenset({11, 12, 1, 2, 3})
    seasons = tariff(bands(Band("winter", Fraction(3), months=winter), Band("summer", Fraction(1))))
    assert seasons.band_at(utc("2026-03-31T22:59Z")) == "winter"
    assert seasons.band_at(utc("2026-03-31T23:00Z")) == "summer", "April has begun in London"
    assert seasons.band_at(utc("2026-11-01T00:00Z")) == "winter"
    assert seasons.next_start("winter", utc("2026-05-01T12:00Z")) == utc("2026-11-01T00:00Z")
    assert seasons.next_change(utc("2026-05-01T12:00Z")) == utc("2026-11-01T00:00Z")


def test_a_night_that_starts_in_its_month_ends_in_the_next() -> None:
    nights = tariff(bands(Band("late", Fraction(1), time(23), time(7), months=frozenset({1})), REST))
    assert nights.band_at(utc("2026-02-01T06:59Z")) == "late"
    assert nights.band_at(utc("2026-02-01T23:30Z")) == "rest"
    assert nights.band_at(utc("2026-01-01T06:59Z")) == "rest", "it started in December"


def test_on_a_public_holiday_the_weekday_does_not_count() -> None:
    weekdays = frozenset({"mon", "tue", "wed", "thu", "fri"})
    week = Period(
        NEW_YEAR,
        None,
        (
            Band("peak", Fraction(3), time(16), time(19), weekdays),
            Band("feast", Fraction(1), time(22), time(2), frozenset({"holiday"})),
            REST,
        ),
    )
    easter_monday = date(2026, 4, 6)
    made = Tariff("import", (week,), "Europe/London", frozenset({easter_monday}))
    assert made.band_at(utc("2026-04-06T17:00+01:00")) == "rest"
    assert made.band_at(utc("2026-04-07T17:00+01:00")) == "peak"
    assert made.band_at(utc("2026-04-07T01:59+01:00")) == "feast", "it belongs to the holiday it started on"
    assert made.band_at(utc("2026-04-07T22:30+01:00")) == "rest"
    assert replace(made, holidays=frozenset()).band_at(utc("2026-04-06T17:00+01:00")) == "peak"


def test_deemed_export_pays_nothing_for_a_kwh_more_or_less() -> None:
    deemed = replace(flat("0.055", until=date(2026, 7, 1)), deemed_share=Fraction(1, 2))
    made = tariff(deemed, flat("0.185", first=date(2026, 7, 1)))
    assert made.price_at(utc("2026-06-30T12:00Z")) == 0
    assert made.price_at(utc("2026-07-01T12:00Z")) == Fraction("0.185")


def test_standing_charges_are_counted_by_local_days_and_periods() -> None:
    made = tariff(
        replace(flat("1", until=date(2026, 4, 1)), standing_per_day=Fraction("0.53")),
        replace(flat("1", first=date(2026, 4, 1)), standing_per_day=Fraction("0.61")),
    )
    assert made.standing(date(2026, 3, 1), date(2026, 5, 1)) == 31 * Fraction("0.53") + 30 * Fraction("0.61")
    assert made.standing(date(2025, 12, 30), date(2026, 1, 2)) == Fraction("0.53"), "none before the first period"
    assert made.standing(date(2026, 4, 1), date(2026, 4, 1)) == 0


def test_the_period_in_force_tells_its_supplier() -> None:
    made = tariff(
        replace(flat("1", until=date(2026, 4, 1)), supplier="Alder Light"),
        replace(flat("1", first=date(2026, 4, 1)), supplier="Birch Light"),
    )
    for at, supplier in (("2026-03-31T22:59Z", "Alder Light"), ("2026-03-31T23:00Z", "Birch Light")):
        period = made.period_at(utc(at))
        assert period is not None
        assert period.supplier == supplier
    assert made.period_at(utc("2025-06-01T00:00Z")) is None
