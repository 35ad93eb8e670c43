"""Readings that wait until a minute is asked for give the same minutes as readings metered at once."""

from hypothesis import given
from hypothesis import strategies as st

from accounting.metering.counter_meter import CounterMeter
from accounting.metering.on_demand import MOST_WAITING, OnDemand
from accounting.metering.power_meter import PowerMeter

LATE_S = 300.0
STEPS_S = st.sampled_from([0.0, 0.001, 1.0, 30.0, 60.0, 60.0, 60.0, 400.0, -1.0, -60.0, -299.0, -700.0])
POWERS_W = st.sampled_from([0.0, 0.0, 500.0, 2000.0, -300.0, 9000.0])
MESSAGES = st.lists(
    st.tuples(STEPS_S, POWERS_W, st.sampled_from(["", "", "", "drop all", "drop old", "ask", "back", "keep"])),
    max_size=60,
)


def power() -> PowerMeter:
    return PowerMeter("main", rated_w=3000.0, interval_s=60, stale_after_s=90.0, late_s=LATE_S)


@given(MESSAGES, st.sampled_from([1, -1]))
def test_waiting_changes_no_minute(messages: list[tuple[float, float, str]], sign: int) -> None:
    at_once, waiting = power(), OnDemand(power(), sign)
    at_s = newest_s = 1_000_000.0
    dropped_ms = 0
    for later_s, value_w, then in messages:
        at_s += later_s
        newest_s = max(newest_s, at_s)
        at_once.note(at_s, sign * value_w)
        waiting.note(at_s, value_w)
        if then.startswith("drop"):
            before_s = newest_s if then == "drop all" else newest_s - LATE_S
            dropped_ms = max(dropped_ms, int(before_s) // 60 * 60_000)
            at_once.drop(dropped_ms)
            waiting.drop(dropped_ms)
        elif then == "back":
            at_s, newest_s = at_s - 3600.0, newest_s - 3600.0
            at_once.drop(dropped_ms)  # what a late reading has put there since
            at_once.set_back(3_600_000)
            waiting.set_back(3_600_000)
            dropped_ms = 0
        elif then == "keep":
            state = waiting.state()
            waiting = OnDemand(power(), sign)
            waiting.restore(state)
            waiting.drop(dropped_ms)  # as the next settling does: a state does not hold what was dropped
        elif then == "ask":
            same(at_once, waiting, at_s, dropped_ms)
    same(at_once, waiting, at_s, dropped_ms)


def same(at_once: PowerMeter, waiting: OnDemand, at_s: float, from_ms: int) -> None:
    """From from_ms on, which was not dropped; a minute without any energy may be left out or 0."""
    one, other = (
        {
            start_ms: energy
            for start_ms, energy in meter.energy_mwms(round(at_s * 1000)).items()
            if start_ms >= from_ms and energy
        }
        for meter in (at_once, waiting)
    )
    assert one == other


def test_what_was_let_go_unasked_was_not_looked_at() -> None:
    waiting = OnDemand(power())
    for minute in range(60):
        waiting.note(60.0 * minute, 1000.0)
    waiting.drop(3_000_000)
    assert len(waiting._waiting) == 11
    assert waiting.energy_mwms(3_600_000) == dict.fromkeys(range(3000000, 3600000, 60000), 60000 * 1000000)


def test_of_one_instant_s_powers_all_are_looked_at() -> None:
    at_once, waiting = power(), OnDemand(power())
    for at_s, value_w in ((1_000_000.0, 500.0), (1_000_000.0, 9000.0), (1_000_030.0, 0.0)):
        at_once.note(at_s, value_w)
        waiting.note(at_s, value_w)
    for meter in (at_once, waiting):
        meter.drop(1_000_020_000)
    same(at_once, waiting, 1_000_060.0, 1_000_020_000)


def test_a_counter_is_looked_at_whole() -> None:
    counter = CounterMeter("main", rated_w=3000.0, interval_s=60, gap_s=900.0, late_s=LATE_S, resolution_wh=1.0)
    waiting = OnDemand(counter)
    for minute in range(60):
        waiting.note(60.0 * minute, 10.0 * minute)
    waiting.drop(3_000_000)
    assert len(waiting._waiting) == 60
    assert waiting.energy_mwms(3_600_000)[3_540_000 - 60_000] == 10 * 3_600_000_000


def test_of_many_minutes_only_those_are_looked_at_that_are_asked_for() -> None:
    counter = CounterMeter("main", rated_w=3000.0, interval_s=60, gap_s=900.0, late_s=LATE_S, resolution_wh=1.0)
    asked = range(60_000, 180_000, 60_000)
    for meter, values in ((counter, [0.0, 10.0, 30.0, 60.0]), (power(), [600.0, 1200.0, 1800.0, 0.0])):
        waiting = OnDemand(meter)
        waiting.note_all([0.0, 60.0, 120.0, 180.0], values)
        found = waiting.energy_mwms(180_000, asked)
        assert found == {60_000: 20 * 3_600_000_000, 120_000: 30 * 3_600_000_000}
        assert waiting.energy_mwms(180_000).items() >= {0: 10 * 3_600_000_000, **found}.items()


def test_no_more_than_a_bound_waits() -> None:
    waiting = OnDemand(power())
    for second in range(MOST_WAITING):
        waiting.note(float(second), 1000.0)
    assert not waiting._waiting
