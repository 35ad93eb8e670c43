"""What left the house, half hour by half hour, by the tape's minutes."""

import pytest

from daemon.planning.surplus import exported_wh

HALF = 1800


def test_what_is_exported_counts_and_what_is_bought_does_not() -> None:
    rows = [(minute * 60, -1000.0 if minute <= 30 else 400.0) for minute in range(1, 61)]
    source, found = exported_wh({"grid_w": rows}, {"grid_w": 60.0})
    assert source == "grid_w"
    assert found == {0: pytest.approx(500.0), HALF: 0.0}


def test_a_reading_holds_until_it_is_stale_and_a_gap_is_not_known() -> None:
    rows = [(60, -1000.0), (HALF + 60, -1000.0), (2 * HALF, 0.0)]
    _, found = exported_wh({"grid_w": rows}, {"grid_w": 1200.0})
    assert found[0] == pytest.approx(500.0)  # known for 20 minutes, taken to be so for all of it
    _, found = exported_wh({"grid_w": rows}, {"grid_w": 600.0})
    assert 0 not in found


def test_a_surplus_of_its_own_is_better_than_the_meter_and_the_counter_last() -> None:
    minutes = [(minute * 60, 600.0) for minute in range(1, 31)]
    counter = [(0, 100.0), (HALF, 400.0), (2 * HALF, 400.0), (4 * HALF, 900.0), (4 * HALF + 60, 10.0)]
    both = {"surplus_w": minutes, "grid_w": [(60, -1.0), (120, -1.0)], "export_wh": counter}
    assert exported_wh(both, {}) == ("surplus_w", {0: pytest.approx(300.0)})
    name, found = exported_wh({"export_wh": counter}, {"export_wh": 60.0})
    assert name == "export_wh"
    assert found == {0: pytest.approx(300.0), HALF: 0.0}  # an hour's step and a fall tell nothing


def test_nothing_is_known_without_a_signal() -> None:
    assert exported_wh({"grid_w": [(60, -1.0)]}, {}) == ("", {})
