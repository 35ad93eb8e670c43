"""Recurring absences by the examples of RFC 5545, 3.8.5.3 (RRULE), 3.8.5.2 (RDATE) and 3.8.5.1 (EXDATE).

The rules and dates are the RFC's own (of a section's many a few that differ in kind), given here from memory; times are
9:00 in New York unless said otherwise.
"""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.config.calendars import absences, holidays, parse_calendar

NEW_YORK = ZoneInfo("America/New_York")
HOME = ZoneInfo("Europe/Dublin")


def starts(first: str, *lines: str) -> list[datetime]:
    """When an event of an hour, first at 9:00 on a day in New York, begins; on that place's clock."""
    text = "\r\n".join(
        (
            "BEGIN:VCALENDAR",
            "BEGIN:VEVENT",
            "UID:1",
            f"DTSTART;TZID=America/New_York:{first}T090000",
            "DURATION:PT1H",
            *lines,
            "END:VEVENT",
            "END:VCALENDAR",
        )
    )
    spans = absences(parse_calendar(text, "away.ics", HOME), HOME)
    assert {end - start for start, end in spans} == {3600.0}
    return [datetime.fromtimestamp(start, NEW_YORK) for start, _ in spans]


def days(*months: tuple[int, int, str]) -> list[date]:
    """(year, month, "days")."""
    return [date(year, month, int(day)) for year, month, listed in months for day in listed.split()]


EXAMPLES = [
    ("19970902", "FREQ=DAILY;COUNT=10", days((1997, 9, "2 3 4 5 6 7 8 9 10 11"))),
    (
        "19970901",
        "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
        days(
            (1997, 9, "1 3 5 15 17 19 29"),
            (1997, 10, "1 3 13 15 17 27 29 31"),
            (1997, 11, "10 12 14 24 26 28"),
            (1997, 12, "8 10 12 22"),
        ),
    ),
    (
        "19970905",
        "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
        days((1997, 9, "5"), (1997, 10, "3"), (1997, 11, "7"), (1997, 12, "5"), (1998, 1, "2"), (1998, 2, "6"))
        + days((1998, 3, "6"), (1998, 4, "3"), (1998, 5, "1"), (1998, 6, "5")),
    ),
    ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", days((1997, 8, "5 10 19 24"))),
    ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", days((1997, 8, "5 17 19 31"))),
    (
        "20070115",
        "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5",
        days((2007, 1, "15 30"), (2007, 2, "15"), (2007, 3, "15 30")),
    ),
    (
        "19970904",
        "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3",
        days((1997, 9, "4"), (1997, 10, "7"), (1997, 11, "6")),
    ),
    (
        "19970928",
        "FREQ=MONTHLY;COUNT=5;BYMONTHDAY=-3",
        days((1997, 9, "28"), (1997, 10, "29"), (1997, 11, "28"), (1997, 12, "29"), (1998, 1, "29")),
    ),
]


@pytest.mark.parametrize(("first", "rule", "wanted"), EXAMPLES, ids=[rule for _, rule, _ in EXAMPLES])
def test_the_examples_of_the_standard(first: str, rule: str, wanted: list[date]) -> None:
    told = starts(first, f"RRULE:{rule}")
    assert [at.date() for at in told] == wanted
    assert {(at.hour, at.minute) for at in told} == {(9, 0)}  # summer time ends among them, and 9:00 stays 9:00


def test_daily_until_a_day_leaves_out_what_comes_after_that_instant() -> None:
    told = starts("19970902", "RRULE:FREQ=DAILY;UNTIL=19971224T000000Z")
    assert (len(told), told[-1].date()) == (113, date(1997, 12, 23))


def test_every_friday_the_thirteenth_without_the_first_day() -> None:
    rule = ("EXDATE;TZID=America/New_York:19970902T090000", "RRULE:FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13;COUNT=5")
    wanted = days((1998, 2, "13"), (1998, 3, "13"), (1998, 11, "13"), (1999, 8, "13"), (2000, 10, "13"))
    assert [at.date() for at in starts("19970902", *rule)] == wanted


def test_election_day_every_fourth_year() -> None:
    """The first Tuesday after a Monday in November."""
    rule = "RRULE:FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8;COUNT=3"
    wanted = days((1996, 11, "5"), (2000, 11, "7"), (2004, 11, "2"))
    assert [at.date() for at in starts("19961105", rule)] == wanted


def test_further_dates_and_periods_count_beside_the_rule_and_can_be_left_out() -> None:
    """3.8.5.2: dates as lists, and periods that have an end or a length of their own."""
    assert starts("19970714", "RDATE;TZID=America/New_York:19970714T090000,19970716T090000")[1].day == 16
    text = "\r\n".join(
        (
            "BEGIN:VCALENDAR",
            "BEGIN:VEVENT",
            "DTSTART:19960402T010000Z",
            "DTEND:19960402T020000Z",
            "RDATE;VALUE=PERIOD:19960403T020000Z/19960403T040000Z,19960404T010000Z/PT3H",
            "RDATE:19960405T010000Z",
            "EXDATE:19960405T010000Z",
            "END:VEVENT",
            "BEGIN:VEVENT",
            "DTSTART;VALUE=DATE:19970101",
            "RDATE;VALUE=DATE:19970120,19970217",
            "END:VEVENT",
            "END:VCALENDAR",
        )
    )
    events = parse_calendar(text, "away.ics", HOME)
    spans = [(datetime.fromtimestamp(start, UTC), end - start) for start, end in absences(events, HOME)][:3]
    assert [(at.day, at.hour, length) for at, length in spans] == [(2, 1, 3600.0), (3, 2, 7200.0), (4, 1, 10_800.0)]
    assert holidays(events) == {date(1997, 1, 1), date(1997, 1, 20), date(1997, 2, 17)}
