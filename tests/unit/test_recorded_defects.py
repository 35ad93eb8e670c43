"""The masks of the recorded data's defects, on rows small enough to see."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from tests.support.recorded_defects import copied_runs, frozen_runs, interval_start, utc_of_local
from tests.support.recorded_sources import YEAR_MINUTES, heater_wh, minute_of, pv_power_w, stamp_of
from tests.support.recorded_year import Tank, diverted_power_w

PARIS = ZoneInfo("Europe/Paris")


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        ("", []),
        ("abcdefghij", []),
        ("abcdeaxxxx", []),  # one equal row is chance
        ("abcdeabxxx", [range(5, 7)]),
        ("abcdeabxde", [range(5, 7), range(8, 10)]),  # a run at the very end
        ("abcdeabcdeabcde", [range(5, 15)]),
        ("abcde" + "xbyde", [range(8, 10)]),
    ],
)
def test_rows_copied_from_a_period_before_are_found_from_two_on(rows: str, found: list[range]) -> None:
    assert list(copied_runs(rows, lag=5)) == found


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        ("a" * 20, []),  # 19 rows equal the one before
        ("a" * 21, [range(1, 21)]),
        ("b" + "a" * 21 + "b", [range(2, 22)]),
        ("ab" * 30, []),
    ],
)
def test_a_frozen_meter_is_found_from_twenty_rows_on(rows: str, found: list[range]) -> None:
    assert list(frozen_runs(rows)) == found


@pytest.mark.parametrize(
    ("local", "utc"),
    [
        ("2008-01-01 00:00", "2007-12-31 23:00"),
        ("2008-03-30 01:59", "2008-03-30 00:59"),
        ("2008-03-30 02:00", None),  # left out by the clock change
        ("2008-03-30 02:59", None),
        ("2008-03-30 03:00", "2008-03-30 01:00"),
        ("2008-10-26 01:59", "2008-10-25 23:59"),
        ("2008-10-26 02:00", "2008-10-26 00:00"),  # repeated: the first
        ("2008-10-26 02:59", "2008-10-26 00:59"),
        ("2008-10-26 03:00", "2008-10-26 02:00"),
    ],
)
def test_local_time_becomes_utc(local: str, utc: str | None) -> None:
    """EU clocks change at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC)."""
    expected = None if utc is None else datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert utc_of_local(datetime.fromisoformat(local), PARIS) == expected


def test_a_stamp_ends_its_minute() -> None:
    assert interval_start("2008-03-30 02:00:00") == datetime(2008, 3, 30, 1, 59)


@pytest.mark.parametrize(
    ("submeter_wh", "heater"), [(0, 0), (1, 0), (12, 0), (14, 0), (15, 15), (24, 24), (25, 13), (31, 19)]
)
def test_the_cooling_is_taken_off_the_heaters_meter(submeter_wh: float, heater: float) -> None:
    assert heater_wh(submeter_wh) == heater


def test_the_year_leaves_out_the_leap_day_and_no_other_minute() -> None:
    leap_day = datetime(2008, 2, 29, tzinfo=PARIS).date()
    stamps = [stamp_of(minute) for minute in (0, 59 * 1440 - 1, 59 * 1440, YEAR_MINUTES - 1)]
    assert [str(stamp.astimezone(PARIS))[:16] for stamp in stamps] == [
        "2008-01-01 00:01", "2008-02-29 00:00", "2008-03-01 00:01", "2009-01-01 00:00",
    ]  # fmt: skip
    assert minute_of(datetime.combine(leap_day, datetime.min.time(), PARIS)) is None
    assert minute_of(datetime(2008, 3, 1, tzinfo=PARIS)) == 59 * 1440


def test_pv_follows_the_formula() -> None:
    """1000 W/m², 25 °C, 1 m/s: the cell is 1000/31.84 K warmer; worked by hand."""
    assert pv_power_w(1000.0, 298.15, 1.0) == pytest.approx(4000 * (1 - 0.0037 * 31.40704) * 0.8256, abs=0.01)
    assert pv_power_w(-4.0, 280.0, 1.0) == 0.0


@pytest.mark.parametrize(("surplus_w", "taken_w"), [(-500, 0), (99, 0), (100, 100), (2799, 2799), (4000, 2800)])
def test_the_diverter_takes_what_it_can(surplus_w: float, taken_w: float) -> None:
    assert diverted_power_w(surplus_w) == taken_w


def test_the_tank_stops_when_hot_and_is_helped_when_cold() -> None:
    tank = Tank(heat_wh=10_467.0)
    assert not tank.accepts()
    tank.heat_wh = 0.98 * tank.full_wh
    assert not tank.accepts()
    tank.heat_wh = 0.96 * tank.full_wh
    assert tank.accepts()
    cold = Tank(heat_wh=2000.0)
    minutes = 0
    while cold.level_pct < 35.0:
        cold.pass_minute(0.0, 0.0)
        minutes += 1
    assert minutes == 9  # (3663 − 2000) Wh at 12 kW less the loss of about 20 W
    assert cold.heat_wh == pytest.approx(2000 + 9 * 200, abs=9 * 60 / 60)
