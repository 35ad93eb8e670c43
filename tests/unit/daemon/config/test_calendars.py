"""Calendar files, as public-holiday calendars and people's own come: RFC 5545."""

from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.config.calendars import Event, absences, holidays, parse_calendar, read_calendar
from rules.model.errors import BrimfulError

ZONE = ZoneInfo("Europe/Dublin")


def calendar(*lines: str) -> str:
    return "\r\n".join(("BEGIN:VCALENDAR", "VERSION:2.0", *lines, "END:VCALENDAR", ""))


def event(*lines: str) -> str:
    return calendar("BEGIN:VEVENT", "UID:1@larch.example", *lines, "END:VEVENT")


def read(text: str, zone: ZoneInfo = ZONE) -> tuple[Event, ...]:
    return parse_calendar(text, "days.ics", zone)


def days(text: str) -> list[str]:
    return [day.isoformat() for day in sorted(holidays(read(text)))]


def test_a_day_without_an_end_is_one_day_and_an_end_is_not_included() -> None:
    """RFC 5545, 3.6.1: DTEND is the non-inclusive end; a DATE without one lasts a day."""
    text = calendar(
        "BEGIN:VEVENT", "DTSTART;VALUE=DATE:20261225", "SUMMARY:Christ", " mas\\, the first day", "END:VEVENT",
        "BEGIN:VEVENT", "DTSTART;VALUE=DATE:20260403", "DTEND;VALUE=DATE:20260407", "SUMMARY:Easter", "END:VEVENT",
    )  # fmt: skip
    assert days(text) == ["2026-04-03", "2026-04-04", "2026-04-05", "2026-04-06", "2026-12-25"]
    assert [told.name for told in read(text)] == ["Easter", "Christmas, the first day"]


def test_a_yearly_day_comes_every_year_until_it_ends_or_is_left_out() -> None:
    rule = ("DTSTART;VALUE=DATE:20240501", "RRULE:FREQ=YEARLY;UNTIL=20270501", "EXDATE;VALUE=DATE:20260501")
    assert days(event(*rule)) == ["2024-05-01", "2025-05-01", "2027-05-01"]
    forever = days(event("DTSTART;VALUE=DATE:20240501", "RRULE:FREQ=YEARLY"))
    assert (len(forever), forever[-1]) == (77, "2100-05-01")
    monday = event("DTSTART;VALUE=DATE:20240506", "RRULE:FREQ=YEARLY;BYMONTH=5;BYDAY=1MO;COUNT=3")
    assert days(monday) == ["2024-05-06", "2025-05-05", "2026-05-04"]


def test_a_moved_repeat_is_where_it_was_moved_to_and_a_cancelled_one_is_nowhere() -> None:
    moved = calendar(
        "BEGIN:VEVENT", "UID:a", "DTSTART;VALUE=DATE:20240501", "RRULE:FREQ=YEARLY;COUNT=3", "END:VEVENT",
        "BEGIN:VEVENT", "UID:a", "RECURRENCE-ID;VALUE=DATE:20250501", "DTSTART;VALUE=DATE:20250502", "END:VEVENT",
        "BEGIN:VEVENT", "UID:b", "DTSTART;VALUE=DATE:20250601", "STATUS:CANCELLED", "END:VEVENT",
    )  # fmt: skip
    assert days(moved) == ["2024-05-01", "2025-05-02", "2026-05-01"]


def test_times_are_by_their_zone_by_utc_or_by_the_homes_clock() -> None:
    for start, utc in (
        ("DTSTART:20260801T180000Z", datetime(2026, 8, 1, 18, tzinfo=UTC)),
        ("DTSTART:20260801T180000", datetime(2026, 8, 1, 17, tzinfo=UTC)),
        ('DTSTART;TZID="Europe/Lisbon":20260801T180000', datetime(2026, 8, 1, 17, tzinfo=UTC)),
        ("DTSTART;TZID=Europe/Vienna:20260801T180000", datetime(2026, 8, 1, 16, tzinfo=UTC)),
    ):
        text = event(start, "DURATION:P1DT2H")
        assert absences(read(text), ZONE) == [(utc.timestamp(), utc.timestamp() + 26 * 3600)]
        assert holidays(read(text)) == frozenset()


def test_a_missing_local_time_has_the_offset_before_the_gap() -> None:
    """RFC 5545, 3.3.5: America/New_York 2007-03-11 02:30 is 07:30 UTC, by the offset before the gap, −5 h."""
    (told,) = absences(read(event("DTSTART;TZID=America/New_York:20070311T023000", "DURATION:PT1H")), ZONE)
    assert told[0] == datetime(2007, 3, 11, 7, 30, tzinfo=UTC).timestamp()


def test_a_weekly_time_stays_on_its_wall_clock_over_a_clock_change() -> None:
    text = event(
        "DTSTART;TZID=Europe/Dublin:20261023T180000",
        "DTEND;TZID=Europe/Dublin:20261023T200000",
        "RRULE:FREQ=WEEKLY;UNTIL=20261030T180000Z",
    )
    starts = [datetime.fromtimestamp(start, UTC).isoformat() for start, _ in absences(read(text), ZONE)]
    assert starts == ["2026-10-23T17:00:00+00:00", "2026-10-30T18:00:00+00:00"]


def test_whole_days_away_are_local_ones() -> None:
    (told,) = absences(read(event("DTSTART;VALUE=DATE:20260801", "DTEND;VALUE=DATE:20260803")), ZONE)
    assert told == (datetime(2026, 7, 31, 23, tzinfo=UTC).timestamp(), datetime(2026, 8, 2, 23, tzinfo=UTC).timestamp())


def test_what_is_inside_an_event_or_beside_it_is_none_of_its_own() -> None:
    text = calendar(
        "BEGIN:VTIMEZONE", "TZID:Europe/Dublin", "BEGIN:STANDARD", "DTSTART:19710101T020000", "END:STANDARD",
        "END:VTIMEZONE", "BEGIN:VEVENT", "DTSTART;VALUE=DATE:20261225", "X-NOTE;X-A=\"b:c;d\":e", "BEGIN:VALARM",
        "TRIGGER:-PT1H", "DURATION:PT5M", "END:VALARM", "END:VEVENT", "BEGIN:VTODO", "DTSTART:20260101T000000",
        "END:VTODO",
    )  # fmt: skip
    assert days(text) == ["2026-12-25"]


CUT_OFF = event("DTSTART;VALUE=DATE:20261225").removesuffix("END:VCALENDAR\r\n")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("date,name\n", "days.ics: expected an iCalendar file, which begins with BEGIN:VCALENDAR"),
        (CUT_OFF, "days.ics: expected END:VCALENDAR, got the end of the file"),
        (event("DTSTART;VALUE=DATE:20261332"), 'days.ics, line 3, DTSTART: expected a date such as 20261225'),
        (event("SUMMARY:none"), "days.ics, line 3: expected an event with DTSTART, got none"),
        (event("DTSTART;TZID=Home:20260801T180000"), 'expected a time zone by its IANA name, got "Home"'),
        (event("DTSTART:20260801T180000Z", "DTEND:20260801T170000Z"), "expected an event that ends after it starts"),
        (event("DTSTART:20260801T180000Z", "DTEND;VALUE=DATE:20260802"), "both as dates or both as times"),
        (event("DTSTART:20260801T180000Z", "DURATION:1 day"), 'expected a DURATION such as P1D or PT8H, got "1 day"'),
        (event("DTSTART:20260801T180000Z", "RRULE:FREQ=NEVER"), "expected an RRULE as RFC 5545 has it"),
        (event("DTSTART:20260801T180000Z", "RRULE:FREQ=SECONDLY"), "expected at most 50000 repeats, got more"),
        (event("DTSTART;VALUE=DATE:99991231"), "days.ics, line 3: expected an event that ends before the year 9999"),
        (event("DTSTART:99991231T000000", "DURATION:P99999D"), "expected an event that ends before the year 9999"),
        (event("DTSTART:20260801T180000", "RRULE:FREQ=DAILY;UNTIL=20261399T235959Z"), "expected an RRULE as RFC 5545"),
        (event("DTSTART:20260801T180000", "RRULE:DTSTART:20260101T000000"), "expected an RRULE as RFC 5545 has it"),
        (calendar("no colon"), 'days.ics, line 3: expected NAME:VALUE, got "no colon"'),
        (calendar("END:VEVENT"), "days.ics, line 3: expected an END that fits its BEGIN"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_named_by_its_line(text: str, said: str) -> None:
    with pytest.raises(BrimfulError) as refused:
        read(text)
    assert said in str(refused.value)


@pytest.mark.parametrize("rule", ["COUNT=3;FREQ=DAILY", "FREQ=DAILY;COUNT=3", "FREQ=DAILY;UNTIL=20260803"])
def test_a_rule_ends_by_its_count_or_its_last_day(rule: str) -> None:
    assert len(read(event("DTSTART;VALUE=DATE:20260801", f"RRULE:{rule}"))) == 3


def test_a_file_is_read_and_one_that_cannot_be_is_named(tmp_path: Path) -> None:
    path = tmp_path / "days.ics"
    path.write_text("\ufeff" + event("DTSTART;VALUE=DATE:20261225"), "utf-8")
    assert holidays(read_calendar(path, ZONE)) == {date(2026, 12, 25)}
    path.write_bytes(b"BEGIN:VCALENDAR\n\xff")
    with pytest.raises(BrimfulError, match="UTF-8"):
        read_calendar(path, ZONE)
    with pytest.raises(BrimfulError, match="cannot be read"):
        read_calendar(tmp_path / "none.ics", ZONE)
