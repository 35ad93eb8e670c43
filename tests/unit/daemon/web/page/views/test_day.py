"""The day as a picture: which reason stands where, what is marked, and that table and picture say the same."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accounting.ledger.records import DecisionRow
from daemon.web.page.views.day import SLOT_S, UNKNOWN, DayRecord, brought_up_to, lane, stretches, unknown_times
from daemon.web.page.views.day_picture import HEIGHT, day_picture
from daemon.web.page.views.stops import Stop
from rules.guards import GUARDS
from rules.model.orders import Order

ZONE = "Europe/Dublin"
FROM_S = 1_781_046_000  # 2026-06-10, midnight in Dublin
TO_S = FROM_S + 86_400


def row(hour: float, order: Order, guard: str) -> DecisionRow:
    return DecisionRow(FROM_S + hour * 3600, "main", order, None, guard, "as it was")


def record(*rows: DecisionRow, until_h: float = 24, gap: tuple[float, float] = (0, 0)) -> DayRecord:
    until_s = FROM_S + until_h * 3600
    seen = [s for s in range(FROM_S, int(until_s) + 1, 60) if not gap[0] * 3600 < s - FROM_S < gap[1] * 3600]
    return DayRecord(
        from_s=FROM_S,
        to_s=TO_S,
        until_s=until_s,
        seen_s=[float(s) for s in seen],
        levels=[(float(s), 40 + 50 * (s - FROM_S) / 86_400) for s in seen],
        surplus=[(float(s), 1500.0) for s in seen],
        decisions={"main": rows},
        stops=[Stop("main", FROM_S + 13 * 3600, FROM_S + 13 * 3600 + 70, "tank 95 %", "Its meter showed 0 W")],
        stop_pct=95,
        resume_pct=88,
    )


DAY = (
    row(-2, Order.WITHHOLD, "surplus"),
    row(8, Order.WITHHOLD, "battery"),
    row(10, Order.SURPLUS, "surplus"),
    row(13, Order.WITHHOLD, "full"),
    row(16, Order.WITHHOLD, "worth"),
)


def test_the_lane_names_what_decided_and_where() -> None:
    shown = lane(stretches(record(*DAY), "main"), FROM_S, TO_S)
    assert [((one.from_s - FROM_S) / 3600, one.reason, one.on) for one in shown] == [
        (0, "too little sun", False),
        (8, "battery first", False),
        (10, "sun to the tank", True),
        (13, "tank full", False),
        (16, "selling pays more", False),
    ]


def test_every_rule_has_words_for_the_lane() -> None:
    for guard in GUARDS:
        (shown,) = lane(stretches(record(row(-1, Order.WITHHOLD, guard.NAME)), "main"), FROM_S, TO_S)
        assert shown.reason != guard.NAME or " " not in shown.reason
        assert len(shown.reason) <= 22


def test_before_the_first_decision_and_in_a_gap_nothing_is_claimed() -> None:
    told = record(row(2, Order.SURPLUS, "surplus"), gap=(5, 6))
    assert unknown_times(told) == [(FROM_S + 5 * 3600, FROM_S + 6 * 3600)]
    shown = lane(stretches(told, "main"), FROM_S, TO_S)
    assert [((one.from_s - FROM_S) / 3600, one.reason) for one in shown] == [
        (0, UNKNOWN),
        (2, "sun to the tank"),
        (5, UNKNOWN),
        (6, "sun to the tank"),
    ]
    picture = day_picture(told, ZONE, ("main",))
    assert [block.link for block in picture.lanes[0][1] if not block.link] == ["", ""]
    assert "M" in picture.level[1:], "the line breaks where nothing is known"


@given(st.lists(st.tuples(st.floats(0, 86_399), st.sampled_from(["full", "battery", "surplus"])), max_size=60))
def test_a_lane_always_covers_the_whole_time_once(told: list[tuple[float, str]]) -> None:
    rows = [DecisionRow(FROM_S + at, "main", Order.WITHHOLD, None, guard, "x") for at, guard in sorted(told)]
    exact = stretches(record(*rows), "main")
    shown = lane(exact, FROM_S, TO_S)
    assert shown[0].from_s == FROM_S
    assert shown[-1].to_s == TO_S
    assert all(before.to_s == after.from_s for before, after in pairwise(shown))
    assert all(before.reason != after.reason for before, after in pairwise(shown))
    assert all(one.to_s - one.from_s >= SLOT_S for one in shown)
    assert sum(one.to_s - one.from_s for one in exact) == pytest.approx(86_400)


def test_the_picture_marks_stop_limits_permission_and_now() -> None:
    picture = day_picture(record(*DAY, until_h=18), ZONE, ("main",), FROM_S + 12 * 3600)
    assert [ring.x for ring in picture.rings] == ["54.17%"]
    assert (picture.stop, picture.stop_y) == ("95 %", HEIGHT * 0.05)
    assert (picture.resume, picture.resume_y) == ("88 %", HEIGHT * 0.12)
    assert picture.permitted == "M416.7 0H541.7V200H416.7Z"
    assert (picture.now, picture.at) == ("75.00%", "50.00%")
    assert [(mark.x, mark.words) for mark in picture.hours] == [
        ("0%", "0:00"),
        ("25.00%", "6:00"),
        ("50.00%", "12:00"),
        ("75.00%", "18:00"),
        ("100%", "24:00"),
    ]
    assert picture.said.startswith("Tank between 40 % and 77.5 %")
    assert "heater permitted 10:00 to 13:00" in picture.said
    assert "confirmed stop at 13:00" in picture.said
    assert picture.scale == "2 kW"


def test_the_table_has_what_the_picture_has_and_leads_to_the_same_reasons() -> None:
    picture = day_picture(record(*DAY), ZONE, ("main",))
    ((_, blocks),) = picture.lanes
    assert [one.link for one in picture.rows] == [block.link for block in blocks]
    assert [(one.from_, one.to, one.reason) for one in picture.rows][2] == ("10:00", "13:00", "sun to the tank")
    assert picture.rows[2].link == f"at={FROM_S + 10 * 3600 + 1}"
    assert picture.rows[2].surplus == "1,500 W"
    assert picture.rows[2].tank == "60.8 % to 67 %"


def test_a_day_of_25_hours_keeps_its_own_clock() -> None:
    autumn = 1_792_882_800  # 2026-10-25, midnight in Dublin, summer time; the clocks go back at two
    told = replace(
        record(), from_s=autumn, to_s=autumn + 25 * 3600, until_s=autumn + 25 * 3600.0, seen_s=[], levels=[], surplus=[]
    )
    picture = day_picture(told, ZONE, ("main",))
    assert [mark.x for mark in picture.hours] == ["0%", "28.00%", "52.00%", "76.00%", "100%"]
    assert picture.said == "No level of the tank is on record for this day."


def test_the_level_of_this_moment_ends_the_line() -> None:
    told = brought_up_to(record(*DAY, until_h=12), FROM_S + 12.1 * 3600, 94.0)
    assert told.levels[-1] == (FROM_S + 12.1 * 3600, 94.0)
    assert told.until_s == FROM_S + 12.1 * 3600
    assert brought_up_to(record(*DAY), TO_S + 60.0, 94.0).levels[-1][0] == TO_S
