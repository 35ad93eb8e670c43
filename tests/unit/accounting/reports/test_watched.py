"""What was recorded while the rules only watched, judged by what they would have ordered."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accounting.ledger.records import DecisionRow, EventRow
from accounting.ledger.tape import Row
from accounting.reports.watched import Meters, Span, Watched, watched, watched_spans
from rules.model.orders import Order

COUNTED = Meters("diverted_wh", None, ("grid_w", -1.0), 3000.0)
POWERED = Meters(None, "diverted_w", ("surplus_w", 1.0), 3000.0)


def _decided(at_s: float, order: Order, guard: str = "surplus") -> DecisionRow:
    return DecisionRow(at_s, "main", order, None, guard, "said")


def _mode(at_s: float, mode: str) -> EventRow:
    return EventRow(at_s, "mode", "note", "said", {"mode": mode})


def _judged(decided: list[DecisionRow], rows: list[Row], spans: list[Span], meters: Meters) -> Watched:
    return watched({"main": decided}, rows, spans, {"main": meters})["main"]


def test_spans_begin_and_end_with_the_mode_and_are_cut() -> None:
    events = [
        _mode(100, "watch"),
        EventRow(150, "clock", "note", "said"),
        _mode(160, "watch"),
        _mode(200, "control"),
        _mode(250, "control"),
        _mode(300, "watch"),
    ]
    assert watched_spans(events, 0, 400) == [(100, 200), (300, 400)]
    assert watched_spans(events, 120, 310) == [(120, 200), (300, 310)]
    assert watched_spans(events, 200, 300) == []
    assert watched_spans([_mode(50, "control")], 0, 400) == []


def test_what_a_counter_shows_is_judged_by_the_order_that_stood() -> None:
    rows = [
        (0, {"diverted_wh": 100.0, "grid_w": -1000.0}),
        (60, {"diverted_wh": 110.0, "grid_w": -600.0}),
        (120, {"diverted_wh": 130.0, "grid_w": -2950.0}),
        (180, {"diverted_wh": 130.0, "grid_w": 500.0}),
        (240, {"diverted_wh": 145.0, "grid_w": -10.0}),
    ]
    decided = [_decided(-50, Order.SURPLUS), _decided(125, Order.WITHHOLD, "full")]
    found = _judged(decided, rows, [(0, 240)], COUNTED)
    assert (found.permitted.seconds, found.permitted.taken_wh) == (120, 30)
    # 600 W left for a minute, and 2,950 W, of which the heater at 1,200 W had room for 1,800 W.
    assert found.permitted.left_wh == pytest.approx(600 / 60 + 1800 / 60)
    assert (found.withheld.seconds, found.withheld.taken_wh) == (120, 15)
    assert set(found.by_guard) == {"full"}
    assert found.by_guard["full"].taken_wh == 15
    assert found.unknown_s == 0


def test_a_power_counts_until_the_next_and_gaps_and_unwatched_time_do_not() -> None:
    rows = [
        (0, {"diverted_w": 600.0, "surplus_w": 100.0}),
        (60, {"diverted_w": 0.0, "surplus_w": 100.0}),
        (2000, {"diverted_w": 900.0, "surplus_w": 100.0}),
        (2060, {"diverted_w": 900.0, "surplus_w": 100.0}),
        (2120, {"diverted_w": 900.0, "surplus_w": 100.0}),
    ]
    found = _judged([_decided(0, Order.SURPLUS)], rows, [(0, 2060)], POWERED)
    assert found.permitted.taken_wh == pytest.approx(10 + 15)
    assert found.unknown_s == 2060 - 120


def test_before_the_first_decision_and_without_a_meter_nothing_is_judged() -> None:
    rows = [(0, {"diverted_w": 600.0, "surplus_w": 1.0}), (60, {"diverted_w": 600.0})]
    assert _judged([_decided(45, Order.SURPLUS)], rows, [(0, 60)], POWERED).permitted.seconds == 0
    assert _judged([_decided(0, Order.SURPLUS)], rows, [(0, 60)], Meters(None, None, ("grid_w", 1), 1)) == Watched(60)


@given(
    steps=st.lists(st.tuples(st.integers(1, 2000), st.integers(-50, 400), st.integers(-4000, 4000)), max_size=30),
    changes=st.lists(st.tuples(st.integers(0, 20_000), st.sampled_from([*Order])), max_size=8),
)
def test_no_time_and_no_energy_is_judged_twice(
    steps: list[tuple[int, int, int]], changes: list[tuple[int, Order]]
) -> None:
    at_s, counter, rows = 0, 10_000.0, []
    for seconds, wh, grid_w in steps:
        at_s, counter = at_s + seconds, counter + wh
        rows.append((at_s, {"diverted_wh": counter, "grid_w": float(grid_w)}))
    decided = [_decided(second, order, "full") for second, order in sorted(changes, key=lambda one: one[0])]
    found = _judged(decided, rows, [(0, at_s + 1)], COUNTED)
    rising = sum(max(0, wh) for _, wh, _ in steps[1:])
    assert found.permitted.taken_wh + found.withheld.taken_wh <= rising + 1e-6
    assert found.permitted.seconds + found.withheld.seconds <= found.watched_s
    assert found.withheld.taken_wh == pytest.approx(sum(under.taken_wh for under in found.by_guard.values()))
    assert found.permitted.left_wh + found.withheld.left_wh >= 0
