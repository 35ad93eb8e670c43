"""When the whole tank was hot. AS/NZS 3498 clause 7.1(j), secondary copy: 60 °C for 32 minutes within 7 days."""

import pytest
from hypothesis import given
from hypothesis import settings as rounds
from hypothesis import strategies as st

from rules.model.memory import HotRecord
from rules.model.reading import NEVER_LIVE_S, Moment
from rules.model.settings import Hygiene
from rules.tank.hot_throughout import coldest, dated, days_since, due_utc_s, measured
from tests.support.rules_case import START_UTC_S, moment, settings, snapshot

WEEKLY = Hygiene("main")
RULES = settings(hygiene=WEEKLY, temperatures=("tank_top_c", "tank_bottom_c"))
MINUTE_S, DAY_S = 60.0, 86_400.0
NEW = HotRecord(START_UTC_S)
"""The tank's sensors count for ten minutes here."""


def after(*readings: tuple[float, float | None, float | None]) -> HotRecord:
    """The record after (minute, bottom, top) readings."""
    record = NEW
    for minute, bottom_c, top_c in readings:
        at_s = minute * MINUTE_S
        record = measured(record, WEEKLY, snapshot(at_s, bottom=bottom_c, top=top_c), RULES, moment(at_s))
    return record


def hot(*minutes: float) -> list[tuple[float, float | None, float | None]]:
    return [(minute, 60.0, 63.0) for minute in minutes]


def test_the_hold_is_complete_after_its_minutes_and_not_before() -> None:
    assert after(*hot(0, 10, 20, 30, 31.9)).last_hot_utc_s is None
    assert after(*hot(0, 10, 20, 30, 32)).last_hot_utc_s == START_UTC_S + 32 * MINUTE_S
    assert after(*hot(0, 10, 20, 30, 38)).last_hot_utc_s == START_UTC_S + 38 * MINUTE_S, "and goes on while it lasts"


def test_the_coldest_sensor_counts_and_breaks_the_hold() -> None:
    assert after(*hot(0, 10), (15, 59.9, 63.0), *hot(20, 30, 40, 50)).last_hot_utc_s is None
    assert after(*hot(0, 10), (15, 61.0, 59.0), *hot(20, 30, 40, 50)).last_hot_utc_s is None
    assert after(*hot(0, 10), (15, 59.9, 63.0), *hot(20, 30, 40, 50, 52)).last_hot_utc_s is not None


@pytest.mark.parametrize("unknown", [(None, 63.0), (61.0, None), (float("nan"), 63.0), (200.0, 63.0)])
def test_what_is_not_measured_proves_nothing(unknown: tuple[float | None, float | None]) -> None:
    assert after(*hot(0, 10), (15, *unknown), *hot(20, 30, 40, 50)).last_hot_utc_s is None


def test_the_hold_counts_from_the_reading_that_completes_the_proof() -> None:
    """The top read hot nine minutes before the bottom did: meanwhile nothing showed the bottom hot."""
    record = NEW
    for minute, top_minute in ((9, 0), (9.5, 9.5), (18, 18), (27, 27), (36, 36), (40.9, 40.9), (41, 41)):
        at_s = minute * MINUTE_S
        known = snapshot(at_s, bottom=60.0, top=63.0, seen={"tank_top_c": top_minute * MINUTE_S})
        record = measured(record, WEEKLY, known, RULES, moment(at_s))
        assert record.hot_since_s == 9 * MINUTE_S
        assert (record.last_hot_utc_s is not None) is (minute == 41), minute


def test_a_gap_in_the_readings_proves_nothing() -> None:
    assert after(*hot(0, 33)).last_hot_utc_s is None
    assert after(*hot(0, 10, 20.1, 30, 40)).last_hot_utc_s is None, "ten minutes are allowed"


def test_time_that_passes_without_a_reading_does_not_complete_it() -> None:
    record = after(*hot(0, 10, 20, 29))
    seen = {"tank_bottom_c": 29 * MINUTE_S, "tank_top_c": 29 * MINUTE_S}
    at_s = 33 * MINUTE_S
    assert measured(record, WEEKLY, snapshot(at_s, bottom=60.0, top=63.0, seen=seen), RULES, moment(at_s)) is record


def test_one_sensor_that_is_heard_does_not_speak_for_one_that_is_not() -> None:
    record = NEW
    for minute in range(0, 40, 5):
        seen = {"tank_bottom_c": 0.0}
        at_s = minute * MINUTE_S
        known = snapshot(at_s, bottom=60.0, top=63.0, seen=seen)
        record = measured(record, WEEKLY, known, RULES, moment(at_s))
    assert (record.hot_since_s, record.last_hot_utc_s) == (None, None)


def test_a_value_that_was_not_heard_live_is_none() -> None:
    known = snapshot(60.0, bottom=60.0, top=63.0, seen={"tank_bottom_c": NEVER_LIVE_S})
    assert coldest(known, RULES, moment(60.0)) is None


def test_without_a_sensor_at_the_bottom_nothing_is_measured() -> None:
    rules = settings(hygiene=WEEKLY, temperatures=("tank_top_c", "tank_mid_c"))
    assert coldest(snapshot(0.0, top=70.0, mid=70.0), rules, moment(0.0)) is None


def test_the_wall_clock_set_in_the_middle_changes_no_hold() -> None:
    record = NEW
    for minute in range(0, 36, 4):
        at_s = minute * MINUTE_S
        now = Moment(START_UTC_S + at_s + (7200.0 if minute >= 12 else 0.0), at_s)
        record = measured(record, WEEKLY, snapshot(at_s, bottom=60.0, top=63.0), RULES, now)
        assert (record.last_hot_utc_s is not None) is (minute >= 32)


def test_days_since_and_due() -> None:
    record = HotRecord(START_UTC_S, last_hot_utc_s=START_UTC_S + 2 * DAY_S)
    assert days_since(record, moment(5 * DAY_S)) == 3.0
    assert due_utc_s(record, WEEKLY) == START_UTC_S + 9 * DAY_S
    assert days_since(NEW, moment(5 * DAY_S)) is None
    assert due_utc_s(NEW, WEEKLY) == START_UTC_S + DAY_S, "not known ever to have been: within a day"


def test_what_a_clock_ahead_dated_is_not_believed_once_it_is_set_back() -> None:
    ahead = HotRecord(START_UTC_S, START_UTC_S + 9 * DAY_S, tried_utc_s=START_UTC_S + 9 * DAY_S, bottom_c=50.0)
    record = dated(ahead, moment(DAY_S))
    assert (record.last_hot_utc_s, record.tried_utc_s) == (None, None)
    assert due_utc_s(record, WEEKLY) == START_UTC_S + 2 * DAY_S
    assert dated(HotRecord(START_UTC_S + 9 * DAY_S), moment(0.0)).began_utc_s == START_UTC_S
    kept = HotRecord(START_UTC_S, START_UTC_S + 30.0)
    assert dated(kept, moment(0.0)) is kept, "a few seconds are a clock that is kept right"


@rounds(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([1.0, 5.0, 9.0, 10.0, 11.0]), st.sampled_from([59.0, 60.0, 60.0, 60.0, 60.0, 61.0, None])
        ),
        min_size=1,
        max_size=24,
    )
)
def test_it_counts_only_what_readings_show_without_a_break(script: list[tuple[float, float | None]]) -> None:
    """Written apart: the last run of hot readings, none further from the next than ten minutes, lasts 32 minutes."""
    record, minute, run, complete = NEW, 0.0, [], None
    for after_m, bottom_c in script:
        minute += after_m
        at_s = minute * MINUTE_S
        record = measured(record, WEEKLY, snapshot(at_s, bottom=bottom_c, top=63.0), RULES, moment(at_s))
        if bottom_c is None or bottom_c < 60.0:
            run = []
        elif run and minute - run[-1] > 10.0:
            run = [minute]
        else:
            run.append(minute)
        if run and run[-1] - run[0] >= 32.0:
            complete = minute
    expected = None if complete is None else START_UTC_S + complete * MINUTE_S
    assert record.last_hot_utc_s == expected
