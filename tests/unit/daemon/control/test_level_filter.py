"""Levels that jump, and what the heaters took while the level stood still, as the board finds them out."""

import pytest

from daemon.control.level_filter import LevelHistory
from daemon.control.signal_state import Board, Wiring
from rules.model.reading import NEVER_LIVE_S, Reading
from rules.model.settings import Tank
from rules.model.snapshot import Jump, Prices, Snapshot
from tests.support.rules_case import settings

WIRING = Wiring(("surplus_w", 1.0), True, ("diverted_w",), (None,), None, None, 10.0, 60.0)
RULES = settings(tank=Tank(200.0, 9304.0, 50.0))


def told(*readings: tuple[float, float]) -> tuple[list[float], LevelHistory]:
    """What counts after each of these (second, level) readings."""
    history = LevelHistory(RULES)
    return [history.measured(Reading("tank_level_pct", value, at_s, at_s)).value for at_s, value in readings], history


def test_a_level_that_moves_as_water_can_is_taken_as_it_is() -> None:
    counts, history = told((0, 50), (10, 51), (20, 74), (30, 49), (40, 49.5))
    assert counts == [50, 51, 74, 49, 49.5]
    assert history.jumps == ()


def test_a_glitch_down_cannot_start_heating_and_is_taken_back() -> None:
    counts, history = told((0, 96), (10, 0), (20, 96), (30, 95.5))
    assert counts == [96, 96, 96, 95.5]
    assert history.jumps == (Jump(10, 96, 0, 10),)


def test_a_glitch_up_counts_at_once_and_is_taken_back() -> None:
    counts, history = told((0, 50), (10, 100), (20, 50))
    assert counts == [50, 100, 50]
    assert len(history.jumps) == 1


def test_a_second_reading_makes_a_jump_true() -> None:
    counts, history = told((0, 96), (10, 30), (20, 31), (30, 32))
    assert counts == [96, 96, 31, 32]
    assert len(history.jumps) == 1


def test_the_same_instant_again_is_no_second_reading() -> None:
    counts, history = told((0, 96), (10, 30), (10, 31), (20, 31))
    assert counts == [96, 96, 96, 31]
    assert len(history.jumps) == 1


def test_a_level_that_jumps_about_is_never_believed_low() -> None:
    counts, history = told((0, 96), (10, 0), (20, 50), (30, 5), (40, 60), (50, 96))
    assert counts == [96, 96, 96, 96, 96, 96]
    assert [jump.at_s for jump in history.jumps] == [20, 30, 40]


def test_after_a_silence_the_time_gone_by_counts() -> None:
    counts, history = told((0, 96), (300, 0))
    assert counts == [96, 0]
    assert history.jumps == ()
    counts, history = told((0, 96), (200, 0))
    assert counts == [96, 96]
    assert history.jumps == (Jump(200, 96, 0, 200),)


def test_a_retained_level_is_no_first_reading() -> None:
    history = LevelHistory(RULES)
    retained = Reading("tank_level_pct", 96.0, 0.0, NEVER_LIVE_S)
    assert history.measured(retained) is retained
    first = Reading("tank_level_pct", 10.0, 5.0, 5.0)
    assert history.measured(first) is first
    assert history.jumps == ()


class House:
    def __init__(self, wiring: Wiring = WIRING) -> None:
        self.board = Board(RULES, wiring)

    def hears(self, at_s: float, seen_s: float | None = None, **values: float) -> Snapshot:
        for name, value in values.items():
            self.board.note(Reading(name, value, at_s, at_s if seen_s is None else seen_s))
        self.board.update()
        return self.board.snapshot(Prices())


def test_what_the_heater_takes_while_the_level_stands_still() -> None:
    house = House()
    house.hears(0, tank_level_pct=50, diverted_w=1200, surplus_w=100)
    for at_s in range(10, 610, 10):
        known = house.hears(at_s, tank_level_pct=50, diverted_w=1200, surplus_w=100)
    assert known.level_taken_wh == pytest.approx(200)
    assert known.level_since_s == 0
    known = house.hears(610, tank_level_pct=50.1, diverted_w=1200, surplus_w=100)
    assert (known.level_taken_wh, known.level_since_s) == (0, 610)
    known = house.hears(1610, diverted_w=1200, surplus_w=100)
    assert known.level_taken_wh == pytest.approx(1200 * 20 / 3600)  # over a silence, no longer than the limit
    known = house.hears(1620, NEVER_LIVE_S, tank_level_pct=70)
    assert known.level_since_s == 610


def test_a_level_from_temperatures_stands_still_too() -> None:
    house = House(Wiring(("surplus_w", 1.0), False, ("diverted_w",), (None,), None, None, 10.0, 60.0))
    house.hears(0, tank_top_c=50, diverted_w=1200, surplus_w=100)
    known = house.hears(10, tank_top_c=50, diverted_w=1200, surplus_w=100)
    assert known.level_since_s == 0
    assert known.level_taken_wh > 0
    assert house.hears(20, tank_top_c=50.1, surplus_w=100).level_taken_wh == 0


def test_a_level_from_two_publishers_swings_to_and_fro_and_a_tank_does_not() -> None:
    _, history = told(*((float(at_s), (80.0, 97.0)[at_s % 2]) for at_s in range(10)))
    assert len(history.swings) == 6
    assert {(swing.from_pct, swing.to_pct) for swing in history.swings} == {(80.0, 97.0), (97.0, 80.0)}
    _, drawn = told((0, 90), (60, 80), (120, 70), (180, 60), (240, 61), (300, 62))
    assert len(drawn.swings) == 1
