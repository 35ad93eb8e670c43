import json

from accounting.metering.counter_meter import FAR_MS, Share
from accounting.metering.power_meter import PowerMeter


def meter(*readings: tuple[float, float], late_s: float = 120.0, stale_after_s: float = 60.0) -> PowerMeter:
    made = PowerMeter("main", rated_w=3000, interval_s=1800, stale_after_s=stale_after_s, late_s=late_s)
    for at_s, value in readings:
        made.note(at_s, value)
    return made


def test_a_power_is_held_until_the_next_reading() -> None:
    # 3000 W for 30 s, then 0: 25 Wh.
    assert meter((0, 3000), (30, 0)).shares(30_000) == [Share(0, 25, 30_000, 0)]


def test_a_power_is_held_no_longer_than_until_stale() -> None:
    assert meter((0, 3000), (600, 0)).shares(600_000) == [Share(0, 50, 60_000, 0)]


def test_the_newest_power_is_held_until_now_or_until_stale() -> None:
    made = meter((0, 3000))
    assert made.shares(12_000) == [Share(0, 10, 12_000, 0)]
    assert made.shares(FAR_MS) == [Share(0, 50, 60_000, 0)]


def test_what_is_left_of_a_wh_is_carried_to_the_next_interval() -> None:
    # 1 W all the time: 0.5 Wh in each half hour, booked as 0, 1, 0, 1.
    made = meter(*((t, 1) for t in range(0, 7201, 60)))
    assert [share.wh for share in made.shares(7_200_000)] == [0, 1, 0, 1]
    made.drop(1_800_000)
    assert [share.wh for share in made.shares(7_200_000)] == [1, 0, 1]


def test_a_late_power_cuts_the_one_before_it_short() -> None:
    in_order = meter((1790, 3000), (1795, 1200), (1830, 0))
    late = meter((1790, 3000), (1830, 0), (1795, 1200))
    assert late.shares(1_830_000) == in_order.shares(1_830_000)
    assert late.shares(1_830_000) != meter((1790, 3000), (1830, 0)).shares(1_830_000)
    assert meter((1795, 1200), (1830, 0), (1790, 3000)).shares(1_830_000) == in_order.shares(1_830_000)


def test_a_late_power_cuts_one_short_that_is_older_than_late() -> None:
    late = meter((0, 3000), (130, 0), (24, 0))
    assert late.shares(130_000) == meter((0, 3000), (24, 0), (130, 0)).shares(130_000)
    assert late.shares(130_000)[0].wh == 20


def test_duplicates_change_nothing_and_of_one_instant_the_higher_counts() -> None:
    once = meter((0, 1000), (30, 2000), (60, 0))
    again = meter((0, 1000), (30, 2000), (30, 2000), (60, 0), (0, 1000), (30, 1500))
    assert again.shares(60_000) == once.shares(60_000)
    lower_first = meter((0, 1000), (30, 1500), (60, 0), (30, 2000))
    assert lower_first.shares(60_000) == once.shares(60_000)


def test_too_late_is_passed_over_and_counted() -> None:
    made = meter((0, 3000), (200, 0), (79, 3000))
    assert made.counts.too_late == 1
    assert made.shares(200_000) == [Share(0, 50, 60_000, 0)]


def test_a_power_beyond_the_heater_is_not_used_and_its_time_not_measured() -> None:
    made = meter((0, 3000), (30, 3301), (60, 3000), (90, 0))
    assert made.counts.glitches == 1
    assert made.shares(90_000) == [Share(0, 50, 60_000, 0)]


def test_a_negative_power_is_a_sensors_offset() -> None:
    assert meter((0, -5), (60, 0)).shares(60_000) == [Share(0, 0, 60_000, 0)]


def test_the_state_is_json_and_going_on_from_it_changes_nothing() -> None:
    readings = [(0, 1000), (30, 2000), (20, 500), (1790, 7), (1830, 3000), (1795, 11), (3700, 1)]
    whole = meter(*readings)
    for cut in range(len(readings)):
        first = meter(*readings[:cut])
        second = meter()
        second.restore(json.loads(json.dumps(first.state())))
        for at_s, value in readings[cut:]:
            second.note(at_s, value)
        assert second.state() == whole.state()
