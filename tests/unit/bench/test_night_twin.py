"""The night game's cases on the tank's twin: the plays, what they cost, and when taps run cold."""

from datetime import UTC, datetime, timedelta

import pytest

from rules.model.memory import Planned
from rules.planning.store import Store
from tests.bench.night_case import Case, Row
from tests.bench.night_twin import FULL_PCT, Plans, TwinHouse, at_level, foreseen, play_all, table

START = datetime(2024, 4, 1, 22, tzinfo=UTC)
"""Midnight in Paris, Monday to Tuesday."""
CHEAP, DEAR, SOLD, COLD = 0.1, 0.3, 0.05, 0.6


def case(days: int, *, surplus_wh: float = 0.0, drawn_wh: float = 2500.0) -> Case:
    """Cheap from midnight to six; sun at noon; a bath in the evening, from a tank of 6 kWh that is half full."""
    rows = []
    for at in range(48 * days):
        start, slot = START + timedelta(minutes=30 * at), at % 48
        day = start.date().toordinal()
        rows.append(
            Row(
                start=start,
                day=day,
                weekday=(1 + at // 48) % 7,
                slot=slot,
                surplus_wh=surplus_wh if slot in (24, 25) else 0.0,
                drawn_wh=drawn_wh if slot == 38 else 0.0,
                import_price=CHEAP if slot < 12 else DEAR,
                export_price=SOLD,
            )
        )
    return Case("evening", Store(6000.0, 3000.0, 0.003, COLD), 3000.0, tuple(rows), len(rows), 0)


def house(days: int, *, boiler: bool = False, surplus_wh: float = 0.0, drawn_wh: float = 2500.0) -> TwinHouse:
    return TwinHouse(case(days, surplus_wh=surplus_wh, drawn_wh=drawn_wh), "Europe/Paris", boiler=boiler)


def test_a_level_is_filled_in_the_cheapest_quarter_and_paid_at_its_price() -> None:
    played = house(2)
    full = played.play(at_level(played, 100))
    assert full.missing_kwh == full.cold_minutes == full.sun_kwh == 0.0
    stored_kwh = full.grid_kwh - 5.0 - full.lost_kwh
    assert full.cost == pytest.approx(CHEAP * (full.grid_kwh - stored_kwh), abs=1e-4)
    assert full.switchings > 0


def test_an_unheated_tank_runs_cold_and_the_missing_heat_is_weighed() -> None:
    played = house(2)
    cold = played.play(at_level(played, 0))
    assert cold.grid_kwh == 0.0
    assert cold.missing_kwh > 1.5
    # A bath of 2500 Wh runs for twelve minutes.
    assert 8 <= cold.cold_minutes <= 24
    stored_kwh = cold.missing_kwh - 5.0 - cold.lost_kwh
    assert cold.cost == pytest.approx(COLD * cold.missing_kwh - CHEAP * stored_kwh, abs=1e-4)


def test_a_boiler_makes_what_is_missing() -> None:
    played = house(2, boiler=True)
    helped = played.play(at_level(played, 0))
    assert helped.cold_minutes == 0.0
    assert helped.missing_kwh == pytest.approx(house(2).play(at_level(house(2), 0)).missing_kwh, abs=1e-6)


def test_the_sun_counts_at_what_it_would_have_earned() -> None:
    played = house(1, surplus_wh=1000.0)
    sunny = played.play(at_level(played, 0))
    assert sunny.sun_kwh == pytest.approx(2.0, abs=0.05)
    stored_kwh = sunny.sun_kwh + sunny.missing_kwh - 2.5 - sunny.lost_kwh
    assert sunny.cost == pytest.approx(SOLD * sunny.sun_kwh + COLD * sunny.missing_kwh - CHEAP * stored_kwh, abs=1e-4)


def test_the_plan_of_a_home_without_a_boiler_fills_at_night() -> None:
    """With no past yet it expects draws after a published profile."""
    played = house(1)
    plans = Plans(played)
    levels: dict[int, float] = {}

    def planning(at_s: int, level_pct: float, drawn_wh: float) -> Planned | None:
        planned = plans(at_s, level_pct, drawn_wh)
        slot = (at_s - played.recording.from_s) // 1800 % 48
        if planned is not None and slot < 12 and planned.runs and planned.runs[0].from_s == at_s:
            levels[slot] = planned.runs[0].level_pct
        return planned

    found = played.play(planning)
    assert levels
    assert max(levels.values()) <= FULL_PCT
    assert found.grid_kwh > 1.5
    assert found.missing_kwh < played.play(at_level(played, 0)).missing_kwh


def test_heating_ends_with_the_whole_tank_warm() -> None:
    """Unless all heat counts alike: then it ends with what the profile wants until the cheap hours come back."""
    highest = []
    for home in (house(1), TwinHouse(case(1), "Europe/Paris", boiler=False, lukewarm_pct=0)):
        plans = Plans(home)
        levels = []

        def planning(
            at_s: int, level_pct: float, drawn_wh: float, plans: Plans = plans, levels: list[float] = levels
        ) -> Planned | None:
            planned = plans(at_s, level_pct, drawn_wh)
            levels.extend(run.level_pct for run in (planned.runs if planned is not None else ()))
            return planned

        home.play(planning)
        highest.append(min(levels))
    assert highest[0] >= 70 > highest[1]


def test_all_plays_stand_side_by_side() -> None:
    found = play_all(house(1), (0, 100))
    assert found.fixed.cost <= found.always_full.cost
    assert found.bound == foreseen(house(1))[0]
    assert found.alike is not None
    assert found.alike.grid_kwh < found.plan.grid_kwh
    text = table(found)
    assert f"fixed, {found.fixed_level_pct} %" in text
    assert "foresight's schedule" in text
