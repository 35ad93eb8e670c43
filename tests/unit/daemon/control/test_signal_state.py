"""The board: the latest readings, the mean surplus, power read off counters, a level from temperatures."""

from dataclasses import replace

import pytest

from daemon.control.derived_power import Rate
from daemon.control.signal_state import Board, Wiring
from rules.model.reading import NEVER_LIVE_S, Reading
from rules.model.settings import Heater, Settings, Surplus, Yield
from rules.model.snapshot import Prices, Snapshot
from tests.support.rules_case import reading, settings

WIRING = Wiring(("grid_w", -1.0), True, ("diverted_w",), (None,), None, None, 10.0, 60.0)
COUNTER = replace(WIRING, powers=(None,), counters=("diverted_wh",))
STALE_AFTER_S = {"grid_w": 60.0, "diverted_w": 60.0, "diverted_wh": 120.0, "tank_level_pct": 600.0, "car_w": 60.0}


def rules(over_s: float = 60.0, **changes: object) -> Settings:
    return settings(stale_after_s=STALE_AFTER_S, surplus=Surplus(over_s=over_s), **changes)


def hear(board: Board, seen_s: float, **values: float) -> Snapshot:
    """What is known after these readings, all heard at `seen_s`."""
    for signal, value in values.items():
        told = reading(signal, value, seen_s)
        assert told is not None
        board.note(told)
    board.update()
    return board.snapshot(Prices())


def retained(signal: str, value: float) -> Reading:
    return Reading(signal, value, 0.0, NEVER_LIVE_S)


# The surplus


def test_what_is_diverted_counts_as_surplus() -> None:
    board = Board(rules(), WIRING)
    known = hear(board, 0.0, grid_w=-200.0, diverted_w=1500.0)
    assert known.surplus is not None
    assert known.surplus.value == 200.0
    assert known.surplus_mean_w == 1700.0


@pytest.mark.parametrize(("age_s", "mean_w"), [(59.9, 1700.0), (60.0, 200.0)])
def test_a_stale_meter_of_the_heater_adds_nothing(age_s: float, mean_w: float) -> None:
    board = Board(rules(), WIRING)
    hear(board, 0.0, diverted_w=1500.0)
    assert hear(board, age_s, grid_w=-200.0).surplus_mean_w == mean_w


def test_a_power_below_zero_takes_nothing_away() -> None:
    board = Board(rules(), WIRING)
    assert hear(board, 0.0, grid_w=-200.0, diverted_w=-7.0).surplus_mean_w == 200.0


def test_to_ask_what_is_known_changes_nothing() -> None:
    """Asked after each reading or once, before and after the board is brought up to date: the same is known."""
    asked, left_alone = Board(rules(), COUNTER), Board(rules(), COUNTER)
    for at_s in range(0, 300, 10):
        for board in (asked, left_alone):
            for signal, value in (("grid_w", at_s - 900.0), ("diverted_wh", at_s / 3), ("tank_level_pct", at_s % 70)):
                heard = reading(signal, value, float(at_s))
                assert heard is not None
                board.note(heard)
                if board is asked:
                    assert board.snapshot(Prices()) == board.snapshot(Prices())
            board.update()
        assert asked.snapshot(Prices()) == asked.snapshot(Prices()) == left_alone.snapshot(Prices())


def test_an_older_reading_changes_nothing() -> None:
    board = Board(rules(), WIRING)
    before = hear(board, 100.0, grid_w=-200.0, tank_level_pct=50.0)
    assert hear(board, 90.0, grid_w=-9000.0, tank_level_pct=99.0) == before


def test_a_retained_copy_is_known_but_makes_no_mean_and_yields_to_what_is_live() -> None:
    board = Board(rules(), WIRING)
    board.note(retained("grid_w", -3000.0))
    board.update()
    known = board.snapshot(Prices())
    assert known.surplus is not None
    assert known.surplus.seen_s == NEVER_LIVE_S
    assert known.surplus_mean_w is None
    hear(board, 5.0, grid_w=-100.0)
    board.note(retained("grid_w", -3000.0))
    assert board.latest["grid_w"].value == -100.0


def test_changed_rules_keep_the_mean_unless_its_window_changes() -> None:
    board = Board(rules(), WIRING)
    hear(board, 0.0, grid_w=0.0)
    hear(board, 30.0, grid_w=-600.0)
    board.adopt(rules(yields=Yield("car_w", 100.0)), WIRING)
    assert hear(board, 40.0, grid_w=-600.0).surplus_mean_w == pytest.approx(40 * 600 / 60)
    board.adopt(rules(over_s=30.0), WIRING)
    assert hear(board, 50.0, grid_w=-90.0).surplus_mean_w == 90.0


# A heater's power


def power_w(board: Board, seen_s: float, wh: float) -> float | None:
    known = hear(board, seen_s, diverted_wh=wh).measured[0]
    return None if known is None else known.value


def test_a_counter_tells_power_over_a_minute() -> None:
    board = Board(rules(), COUNTER)
    assert power_w(board, 0.0, 1000.0) is None
    assert power_w(board, 30.0, 1010.0) == pytest.approx(10 * 3600 / 30)
    assert power_w(board, 60.0, 1010.0) == pytest.approx(10 * 3600 / 60)
    # From now on the mark is the newest one that is a minute old.
    assert power_w(board, 90.0, 1030.0) == pytest.approx(20 * 3600 / 60)
    assert power_w(board, 150.0, 1030.0) == 0.0


def test_a_told_power_goes_before_the_counter() -> None:
    both = replace(WIRING, counters=("diverted_wh",))
    board = Board(rules(), both)
    hear(board, 0.0, diverted_wh=1000.0)
    known = hear(board, 60.0, diverted_wh=1020.0).measured[0]
    assert known is not None
    assert known.signal == "diverted_wh"
    known = hear(board, 61.0, diverted_w=55.0).measured[0]
    assert known is not None
    assert known.value == 55.0


def test_a_counter_that_restarts_tells_no_power_until_its_next_reading() -> None:
    rate = Rate(3000.0)
    values = [(0.0, 5000.0), (60.0, 5020.0), (70.0, 3.0), (100.0, 18.0)]
    told = [rate.note(Reading("diverted_wh", wh, at_s, at_s)) for at_s, wh in values]
    assert [None if each is None else each.value for each in told] == [None, 1200.0, None, 1800.0]


@pytest.mark.parametrize("glitch_wh", [0.0, 9e6])
def test_a_glitch_of_the_counter_is_no_power(glitch_wh: float) -> None:
    """A modulated heater is told watts by what it seems to take: a false megawatt would be bought from the grid."""
    board = Board(rules(), COUNTER)
    power_w(board, 0.0, 500_000.0)
    assert power_w(board, 60.0, 500_020.0) == 1200.0
    assert power_w(board, 70.0, glitch_wh) == 1200.0
    assert power_w(board, 80.0, 500_026.0) == 1200.0
    assert power_w(board, 110.0, 500_036.0) == 1200.0


def test_a_coarse_counters_burst_is_no_more_than_the_heater_takes() -> None:
    board = Board(rules(), COUNTER)
    power_w(board, 0.0, 1000.0)
    assert power_w(board, 10.0, 1090.0) == pytest.approx(1.1 * 3000)


def test_a_retained_count_is_no_start_to_measure_from() -> None:
    board = Board(rules(), COUNTER)
    board.note(retained("diverted_wh", 1000.0))
    assert power_w(board, 10.0, 1010.0) is None
    assert power_w(board, 40.0, 1020.0) == 1200.0


def test_heaters_that_share_a_meter_are_counted_once() -> None:
    """With a meter for both, the heaters' own powers, as far as told, are part of its figure."""
    two = (Heater("main", "gate", 3000.0), Heater("lower", "gate", 3000.0))
    shared = replace(WIRING, powers=("diverted_w_main", None), counters=(None, None), house_power="diverted_w")
    board = Board(rules(heaters=two), shared)
    known = hear(board, 0.0, grid_w=-100.0, diverted_w=2000.0, diverted_w_main=1200.0)
    assert known.surplus_mean_w == 2100.0
    assert [told and told.value for told in known.measured] == [1200.0, None]


def test_heaters_that_share_a_counter_are_measured_by_it() -> None:
    two = (Heater("main", "gate", 3000.0), Heater("lower", "gate", 3000.0))
    shared = replace(WIRING, powers=(None, None), counters=(None, None), house_counter="diverted_wh")
    board = Board(rules(heaters=two), shared)
    hear(board, 0.0, diverted_wh=0.0)
    # 5 kW are more than one of them takes, and no more than both.
    assert hear(board, 36.0, diverted_wh=50.0, grid_w=-10.0).surplus_mean_w == 5010.0


def test_heaters_with_meters_of_their_own_are_added_up() -> None:
    two = (Heater("main", "gate", 3000.0), Heater("lower", "gate", 3000.0))
    own = replace(WIRING, powers=("diverted_w_main", "diverted_w_lower"), counters=(None, None))
    board = Board(rules(heaters=two), own)
    known = hear(board, 0.0, grid_w=-1.0, diverted_w_main=10.0, diverted_w_lower=100.0)
    assert known.surplus_mean_w == 111.0


# The level, and another load


def test_a_level_comes_from_the_temperatures_only_where_none_is_told() -> None:
    derived = replace(WIRING, level=False)
    values = {"tank_top_c": 60.0, "tank_mid_c": 60.0, "tank_bottom_c": 60.0}
    level = hear(Board(rules(), derived), 0.0, **values).level
    assert level is not None
    assert (level.signal, level.value) == ("tank_level_pct", 100.0)
    assert hear(Board(rules(), WIRING), 0.0, **values).level is None


def test_a_derived_level_is_as_old_as_its_oldest_temperature() -> None:
    board = Board(rules(), replace(WIRING, level=False))
    hear(board, 0.0, tank_bottom_c=30.0)
    level = hear(board, 500.0, tank_top_c=60.0).level
    assert level is not None
    assert level.seen_s == 0.0


def test_the_board_remembers_until_when_another_load_drew() -> None:
    board = Board(rules(yields=Yield("car_w", 500.0)), WIRING)
    assert hear(board, 0.0, car_w=500.0).yield_above_seen_s == NEVER_LIVE_S
    assert hear(board, 10.0, car_w=501.0).yield_above_seen_s == 10.0
    known = hear(board, 20.0, car_w=0.0)
    assert known.yield_above_seen_s == 20.0, "until that reading it drew, as far as is known"
    assert known.yielding is not None
    assert known.yielding.value == 0.0
    assert hear(board, 15.0, car_w=9000.0).yield_above_seen_s == 20.0
    assert hear(board, 30.0, car_w=0.0).yield_above_seen_s == 20.0


def test_a_load_that_was_silent_for_long_did_not_draw_until_it_is_heard_again() -> None:
    board = Board(rules(yields=Yield("car_w", 500.0)), WIRING)
    hear(board, 10.0, car_w=501.0)
    assert hear(board, 10.0 + STALE_AFTER_S["car_w"], car_w=0.0).yield_above_seen_s == 10.0


def test_a_changed_rule_is_judged_by_its_own_load_and_limit() -> None:
    board = Board(rules(yields=Yield("car_w", 500.0, 300.0)), WIRING)
    hear(board, 10.0, car_w=900.0, pv_w=400.0)
    board.adopt(rules(yields=Yield("car_w", 500.0, 60.0)), WIRING)
    assert board.snapshot(Prices()).yield_above_seen_s == 10.0, "its time alone has changed"
    board.adopt(rules(yields=Yield("pv_w", 500.0, 300.0)), WIRING)
    assert board.snapshot(Prices()).yield_above_seen_s == NEVER_LIVE_S
    board.adopt(rules(yields=Yield("pv_w", 300.0, 300.0)), WIRING)
    assert board.snapshot(Prices()).yield_above_seen_s == 10.0


def test_the_signals_that_matter_are_named() -> None:
    assert COUNTER.used >= {"grid_w", "diverted_wh", "tank_level_pct", "tank_mid_c", "battery_w"}
    assert "pv_w" not in COUNTER.used


def steady_w(readings: list[tuple[float, float]], rated_w: float = 3000.0) -> list[float | None]:
    """What a counter's readings, (second, Wh), tell steadily, W."""
    rate = Rate(rated_w)
    told: list[float | None] = []
    for at_s, wh in readings:
        rate.note(Reading("diverted_wh", wh, at_s, at_s))
        told.append(None if rate.steady is None else rate.steady.value)
    return told


def test_between_the_steps_of_a_coarse_counter_the_power_is_held() -> None:
    # 200 W on a counter of 10 Wh: a step every 180 s, read every 20 s.
    told = steady_w([(20.0 * count, 10.0 * (20 * count // 180)) for count in range(60)])
    assert told[18:] == [200.0] * 42


def test_once_the_next_step_is_overdue_a_coarse_counter_tells_less_and_less() -> None:
    steps = [(20.0 * count, 10.0 * min(20 * count // 180, 4)) for count in range(120)]  # the last step: at 720 s
    told = dict(zip((at_s for at_s, _ in steps), steady_w(steps), strict=True))
    assert told[900.0] == 200.0
    assert told[1080.0] == 100.0
    assert told[1440.0] == 50.0


def test_a_counter_that_steps_at_every_reading_is_not_held() -> None:
    # Read every five minutes: one reading without a step is five minutes without power.
    assert steady_w([(0, 0), (300, 50), (600, 100), (900, 150), (1200, 150)])[1:] == [600.0, 600.0, 600.0, 0.0]


def test_two_runs_of_a_heater_are_not_taken_for_one() -> None:
    # The same two steps, twenty minutes apart and two hours apart: the first pair tells 30 W, the second nothing.
    for apart_s, told_w in ((1200.0, 30.0), (7200.0, 0.0)):
        told = steady_w([(0, 0), (20, 10), (40, 10), (apart_s, 10), (apart_s + 20, 20), (apart_s + 100, 20)])
        assert told[-1] == told_w
