"""The plan and the rules that heat on a purpose of their own: the plan says so, and plans no heat twice."""

from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from accounting.ledger import Batch, Ledger, LedgerWriter
from daemon.assembly.endpoints import facts
from daemon.planning.document import plan_document
from daemon.planning.making import NightPlan, make
from daemon.recording.memory_codec import written
from daemon.recording.unit_of_work import MEMORY
from rules.model.memory import HotRecord, Memory
from rules.model.reading import Moment
from rules.model.snapshot import HeatingTimes, Stretch
from tests.support.planned_past import HOME, ZONE, lived

BOTTOM = '[signals.tank_bottom_c]\ntopic = "hut/bottom"\n\n[heaters.main]'
HYGIENE = HOME.replace("[heaters.main]", BOTTOM) + "\n[rules.hygiene]\n"
NOBODY = {"nights": 0, "mean_regret": None}


def planned(
    folder: Path, hot_days_ago: float | None, home: str = HYGIENE, begun_h: tuple[float, float] | None = None
) -> tuple[NightPlan, dict[str, Any]]:
    """The plan of an evening before a bath, in a home whose whole tank was last hot so long ago (None: no record).

    begun_h: the hours from now between which it heats for hygiene already.
    """
    made = lived(folder, 12, hours=21, level_pct=5.0, home=home)
    path = made.home.path_of(made.home.ledger.path)
    with Ledger.open_reader(path) as ledger:
        now_s = ledger.known_until_s() or 0.0
    if hot_days_ago is not None:
        record = HotRecord(now_s - 30 * 86_400, now_s - hot_days_ago * 86_400)
        begun = HeatingTimes(begun_h and Stretch(*(now_s + edge_h * 3600 for edge_h in begun_h)))
        state = written(Memory(hygiene=record, begun=begun), made.rules, Moment(now_s, now_s))
        with LedgerWriter.open(path, facts(made.home)) as ledger:
            ledger.commit(Batch(now_s, state={MEMORY: state}))
    with Ledger.open_reader(path) as ledger:
        night = make(made, ledger, now_s)
    return night, plan_document(night, made.home, NOBODY)


def test_a_heating_for_hygiene_within_the_day_is_said_and_its_heat_is_not_planned_too(tmp_path: Path) -> None:
    (tmp_path / "due").mkdir()
    (tmp_path / "done").mkdir()
    _, due = planned(tmp_path / "due", 6.2)
    _, done = planned(tmp_path / "done", 1.0)
    assert done["heatings"] == []
    assert done["given_wh"] == 0
    assert done["heat_wh"] > 1500  # the bath of the morning
    (heating,) = due["heatings"]
    assert heating["rule"] == "hygiene"
    start, end = (datetime.fromisoformat(heating[key]).astimezone(ZONE) for key in ("from", "to"))
    assert start.hour < 6  # at the night's price
    assert due["given_wh"] > 5000
    assert due["heat_wh"] == 0  # what the bath takes is there, for hygiene
    assert due["expected_cost"] < done["expected_cost"]
    assert f"besides {due['given_wh'] / 1000:.1f} kWh that other rules buy" in due["reasons"][1]
    assert "No other grid heat is worth its price." in due["reasons"]
    assert "besides" not in " ".join(done["reasons"])
    (said,) = (note for note in due["unknown"] if "hygiene rule heats the whole tank to 60 °C" in note)
    assert f"from {start:%H:%M} tomorrow to {end:%H:%M} tomorrow" in said
    assert "is in no figure of the plan" in said


def test_a_heating_that_has_begun_is_where_it_is_and_not_where_the_price_is_lowest(tmp_path: Path) -> None:
    night, _ = planned(tmp_path, 6.2, begun_h=(-0.5, 5.0))
    (heating,) = night.heatings
    assert heating.stretch == (night.from_s - 1800, night.from_s + 18_000)


def test_what_is_needed_before_it_is_planned_all_the_same(tmp_path: Path) -> None:
    """Due at eleven tomorrow evening: the bath at seven cannot wait for it, and the dishes can."""
    dear_morning = HYGIENE.replace('to = "06:00", price = 0.10', 'to = "06:00", price = 0.29')
    evening = dear_morning.replace(
        '{ name = "day", price = 0.30 }',
        '{ name = "late", from = "15:00", to = "19:00", price = 0.05 }, { name = "day", price = 0.30 }',
    )
    _, document = planned(tmp_path, 6.0, evening)
    (heating,) = document["heatings"]
    assert datetime.fromisoformat(heating["from"]).astimezone(ZONE).hour >= 9
    assert document["runs"]
    assert all(run["to"] <= heating["from"] for run in document["runs"])


@pytest.mark.parametrize("home", [HYGIENE + "heat = false\n", HYGIENE.replace("[home]", '[home]\nmode = "watch"')])
def test_where_nothing_heats_for_it_the_plan_counts_on_nothing(tmp_path: Path, home: str) -> None:
    _, document = planned(tmp_path, 6.2, home)
    assert document["heatings"] == []
    assert document["heat_wh"] > 1500


def test_before_anything_was_noted_it_is_not_counted_on(tmp_path: Path) -> None:
    assert planned(tmp_path, None)[1]["heatings"] == []
