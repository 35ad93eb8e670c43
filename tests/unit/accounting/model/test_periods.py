"""Where local periods begin, in zones that do odd things at midnight (dates from the tz database, by zoneinfo)."""

from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from accounting.model.periods import BY, By, bounds


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def hours(by: By, first: str, last: str, zone: str) -> list[float]:
    return [(b - a) / 3600 for a, b in pairwise(bounds(by, at(first), at(last), ZoneInfo(zone), 1800))]


def test_london_days_at_the_clock_changes() -> None:
    """EU clocks change at 01:00 UTC on the last Sundays of March and October: 46 and 50 half hours in 2025."""
    assert hours("day", "2025-03-29T00:00", "2025-03-31T23:00", "Europe/London") == [24, 23, 24]
    assert hours("day", "2025-10-24T23:00", "2025-10-28T00:00", "Europe/London") == [24, 25, 24]


def test_a_day_whose_midnight_is_missing_begins_when_the_clocks_jump() -> None:
    """Sao Paulo 2018-11-04: 00:00 became 01:00."""
    assert hours("day", "2018-11-03T03:00", "2018-11-06T02:00", "America/Sao_Paulo") == [24, 23, 24]


def test_a_day_whose_midnight_comes_twice_begins_at_the_first() -> None:
    """Havana 2025-11-02: 01:00 became 00:00."""
    assert hours("day", "2025-11-01T04:00", "2025-11-04T05:00", "America/Havana") == [24, 25, 24]


def test_a_day_that_a_zone_left_out_has_no_row() -> None:
    """Apia skipped 2011-12-30."""
    assert hours("day", "2011-12-29T10:00", "2012-01-01T10:00", "Pacific/Apia") == [24, 24, 24]


def test_periods_inside_a_year() -> None:
    year = ("2026-01-01T00:00", "2027-01-01T00:00", "UTC")
    assert len(hours("month", *year)) == 12
    assert [count / 24 for count in hours("month", *year)][:4] == [31, 28, 31, 30]
    assert hours("year", *year) == [365 * 24]
    assert hours("week", "2026-01-01T00:00", "2026-01-14T00:00", "UTC") == [4 * 24, 7 * 24, 2 * 24]


def test_a_span_inside_one_period_is_one_row() -> None:
    assert hours("month", "2026-03-05T06:00", "2026-03-05T07:00", "Europe/Dublin") == [1]


def test_intervals_are_cut_by_utc_and_clipped() -> None:
    start_s = at("2026-01-01T00:10")
    assert bounds("interval", start_s, start_s + 3600, ZoneInfo("Asia/Kolkata"), 1800) == [
        start_s,
        at("2026-01-01T00:30"),
        at("2026-01-01T01:00"),
        start_s + 3600,
    ]


@pytest.mark.parametrize("by", BY)
def test_an_empty_span_has_no_rows(by: By) -> None:
    assert bounds(by, 1800, 1800, ZoneInfo("UTC"), 1800) == []
    assert bounds(by, 1800, 0, ZoneInfo("UTC"), 1800) == []
