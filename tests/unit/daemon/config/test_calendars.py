"""Calendar files, as public-holiday calendars and people's own come: RFC 5545."""

import sys
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


def series(*changes: str) -> str:
    """Every Friday evening from 2026-10-09 on, four times, over the change to winter time on 2026-10-25."""
    return calendar(
        "BEGIN:VEVENT", "UID:a", "SUMMARY:out", "DTSTART;TZID=Europe/Dublin:20261009T180000", "DURATION:PT2H",
        "RRULE:FREQ=WEEKLY;COUNT=4", "END:VEVENT", *changes,
    )  # fmt: skip


def spoken(text: str) -> list[str]:
    return [f"{seen.name} {seen.start:%m-%dT%H:%M} {seen.end - seen.start}" for seen in read(text)]


def test_a_change_of_this_and_all_future_repeats_moves_those_after_it_too() -> None:
    """RFC 5545, 3.8.4.4: "all subsequent instances are also rescheduled by the same time difference"."""
    change = (
        "BEGIN:VEVENT", "UID:a", "SUMMARY:choir", "RECURRENCE-ID;RANGE=THISANDFUTURE:20261016T170000Z",
        "DTSTART;TZID=Europe/Dublin:20261017T190000", "DURATION:PT3H", "END:VEVENT",
    )  # fmt: skip
    first, moved = "out 10-09T18:00 2:00:00", "choir 10-17T19:00 3:00:00"
    assert spoken(series(*change)) == [first, moved, "choir 10-24T19:00 3:00:00", "choir 10-31T19:00 3:00:00"]
    single = (
        "BEGIN:VEVENT", "UID:a", "SUMMARY:late", "RECURRENCE-ID;TZID=Europe/Dublin:20261023T180000",
        "DTSTART;TZID=Europe/Dublin:20261023T220000", "END:VEVENT",
    )  # fmt: skip
    own = "late 10-23T22:00 0:00:00"
    assert spoken(series(*change, *single)) == [first, moved, own, "choir 10-31T19:00 3:00:00"]
    again = (
        "BEGIN:VEVENT", "UID:a", "SUMMARY:band", "RECURRENCE-ID;RANGE=THISANDFUTURE:20261023T170000Z",
        "DTSTART;TZID=Europe/Dublin:20261023T170000", "DURATION:PT1H", "END:VEVENT",
    )  # fmt: skip
    assert spoken(series(*again, *change)) == [first, moved, "band 10-23T17:00 1:00:00", "band 10-30T17:00 1:00:00"]


def test_this_and_all_future_repeats_may_be_cancelled_and_whole_days_moved() -> None:
    ended = ("BEGIN:VEVENT", "UID:a", "RECURRENCE-ID;TZID=Europe/Dublin;RANGE=THISANDFUTURE:20261016T180000")
    start = "DTSTART;TZID=Europe/Dublin:20261016T180000"
    assert spoken(series(*ended, start, "STATUS:CANCELLED", "END:VEVENT")) == ["out 10-09T18:00 2:00:00"]
    whole = calendar(
        "BEGIN:VEVENT", "UID:a", "DTSTART;VALUE=DATE:20240501", "RRULE:FREQ=YEARLY;COUNT=3", "END:VEVENT",
        "BEGIN:VEVENT", "UID:a", "RECURRENCE-ID;VALUE=DATE;RANGE=THISANDFUTURE:20250501",
        "DTSTART;VALUE=DATE:20250503", "END:VEVENT",
    )  # fmt: skip
    assert days(whole) == ["2024-05-01", "2025-05-03", "2026-05-03"]
    with pytest.raises(BrimfulError, match="all as dates or all as times"):
        read(whole.replace("DTSTART;VALUE=DATE:20250503", "DTSTART:20250503T080000"))


def test_a_rule_that_never_comes_true_is_said_at_once() -> None:
    """Counted in calls of Python code, not in seconds: the whole search to the year 9999 took some 400,000."""
    rule = event("DTSTART;VALUE=DATE:20260801", "RRULE:FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30")
    calls = 0

    def count(*_: object) -> None:
        nonlocal calls
        calls += 1

    sys.setprofile(count)
    try:
        with pytest.raises(BrimfulError, match="expected an RRULE that comes true some day"):
            read(rule)
    finally:
        sys.setprofile(None)
    assert calls < 100_000, calls
    over = event("DTSTART;VALUE=DATE:20260801", "RRULE:FREQ=DAILY;UNTIL=20260731")  # as an app cuts off a whole series
    assert read(over) == ()
    assert len(days(event("DTSTART;VALUE=DATE:20240229", "RRULE:FREQ=YEARLY"))) == 19  # 2100 has no 29 February
    assert len(days(event("DTSTART;VALUE=DATE:20980501", "RRULE:FREQ=YEARLY;UNTIL=99990101"))) == 3


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


EACH_MINUTE = ",".join(map(str, range(60)))
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
        (event("DTSTART:20260801T180000Z", f"RRULE:FREQ=DAILY;BYMINUTE={EACH_MINUTE}"), "at most 50000 repeats, got"),
        (event("DTSTART:20260801T180000Z", "RRULE:FREQ=SECONDLY"), "expected an RRULE that repeats by the day or less"),
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
