"""When the whole tank was hot. AS/NZS 3498 clause 7.1(j), secondary copy: 60 °C for 32 minutes within 7 days."""

import pytest

from rules.model.errors import BrimfulError
from rules.planning.hygiene import HeatRecord, Hygiene, days_since, due_at_s, noted, overdue

WEEKLY = Hygiene()
MINUTE, DAY = 60.0, 86_400.0


def after(*readings: tuple[float, tuple[float | None, ...]]) -> HeatRecord:
    """The record after (minute, temperatures) readings."""
    record = HeatRecord()
    for minute, temps_c in readings:
        record = noted(record, WEEKLY, minute * MINUTE, temps_c)
    return record


def test_the_hold_is_complete_after_its_minutes_and_not_before() -> None:
    hot = (61.0, 63.0)
    assert after((0, hot), (15, hot), (30, hot)).last_hot_s is None
    assert after((0, hot), (15, hot), (30, hot), (32, hot)).last_hot_s == 32 * MINUTE


def test_the_coldest_sensor_counts_and_breaks_the_hold() -> None:
    hot, cold_below = (61.0, 63.0), (59.9, 63.0)
    assert after((0, hot), (15, cold_below), (20, hot), (32, hot)).last_hot_s is None


@pytest.mark.parametrize("unknown", [(None, 63.0), (), (float("nan"), 63.0)])
def test_what_is_not_measured_proves_nothing(unknown: tuple[float | None, ...]) -> None:
    hot = (61.0, 63.0)
    assert after((0, hot), (15, unknown), (20, hot), (33, hot)).last_hot_s is None


def test_a_gap_in_the_readings_proves_nothing() -> None:
    hot = (61.0, 63.0)
    assert after((0, hot), (33, hot)).last_hot_s is None


def test_an_older_reading_is_passed_over() -> None:
    hot = (61.0, 63.0)
    assert after((0, hot), (15, hot), (10, (20.0, 20.0)), (30, hot), (32, hot)).last_hot_s == 32 * MINUTE


def test_days_since_due_and_overdue() -> None:
    record = HeatRecord(last_hot_s=2 * DAY)
    assert days_since(record, 5 * DAY) == 3.0
    assert due_at_s(record, WEEKLY) == 9 * DAY
    assert not overdue(record, WEEKLY, 9 * DAY)
    assert overdue(record, WEEKLY, 9 * DAY + 1)


def test_a_tank_never_known_hot_is_overdue_at_once() -> None:
    assert days_since(HeatRecord(), 0.0) is None
    assert due_at_s(HeatRecord(), WEEKLY) is None
    assert overdue(HeatRecord(), WEEKLY, 0.0)


@pytest.mark.parametrize("wrong", [{"at_c": 50.0}, {"at_c": 90.0}, {"hold_s": 0.0}, {"every_s": float("inf")}])
def test_a_programme_that_cannot_be_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(BrimfulError, match=next(iter(wrong))):
        Hygiene(**wrong)
