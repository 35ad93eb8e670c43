"""Passing over what can change nothing (quiet rows kept back, the rules left unasked in a lull) changes nothing that a
replay says: every transaction, every decision and when it was made, the memory, what is known at the end."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accounting.ledger import Batch
from accounting.model.entry import Entry
from daemon.assembly.prepared_home import PreparedHome, prepare
from daemon.config.load import parse
from daemon.inputs.readings_file import ReadingsFile
from daemon.simulation.quiet_rows import QuietRows
from daemon.simulation.replay import Replay
from rules.model.orders import Decision, Order
from rules.model.reading import Moment

START_S = 1_780_000_200
PLAIN = """
[home]
name = "Wren Cottage"
timezone = "Europe/London"
currency = "GBP"
[signals.grid_w]
topic = "wren/meter"
stale_after_s = 70
[signals.tank_level_pct]
topic = "wren/level"
stale_after_s = 100
[signals.diverted_w]
topic = "wren/power"
stale_after_s = 90
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "wren/permit"
orders = { withhold = "0", surplus = "1" }
[tank]
volume_l = 150
label_class = "C"
[rules.surplus]
start_w = 200
over_s = 100
[rules.worth]
enabled = true
[tariffs.buy]
direction = "import"
[[tariffs.buy.periods]]
from = 2026-01-01
bands = [{ name = "all", price = 0.30 }]
[tariffs.sell]
direction = "export"
[[tariffs.sell.periods]]
from = 2026-01-01
bands = [{ name = "peak", from = "22:10", to = "22:35", price = 0.45 }, { name = "other", price = 0.055 }]
[[displaces]]
source = "day electricity"
share = 1
tariff = "buy"
"""
COUNTER = '[signals.diverted_wh]\ntopic = "wren/energy"\nresolution = 1\n'
BATTERY = '[signals.battery_w]\ntopic = "wren/bw"\n[signals.battery_level_pct]\ntopic = "wren/bl"\n'
SURPLUS = PLAIN.replace("[signals.grid_w]", "[signals.surplus_w]")
HOMES = tuple(
    prepare(parse(text.encode(), Path("home.toml")))
    for text in (
        PLAIN,
        PLAIN + COUNTER,
        PLAIN + COUNTER + "[books]\nlate_s = 0\n[rules.rest]\nminimum_on_s = 200\nminimum_off_s = 200\n",
        PLAIN + BATTERY + "[books]\nlate_s = 120\n",
        SURPLUS + COUNTER,
        PLAIN.replace("[signals.diverted_w]", "[signals.pv_w]") + COUNTER,
        PLAIN.replace("over_s = 100", "over_s = 600"),
        PLAIN.replace("over_s = 100", "over_s = 300") + COUNTER,
        PLAIN.replace("volume_l = 150", "volume_l = 30"),
    )
)
COLUMNS = (
    "grid_w",
    "surplus_w",
    "tank_level_pct",
    "diverted_w",
    "diverted_wh",
    "battery_w",
    "battery_level_pct",
    "pv_w",
)
USUAL: dict[str, st.SearchStrategy[float | None]] = {
    "grid_w": st.sampled_from([300.0, 80.0, -150.0, -199.9, -199.9]),
    "surplus_w": st.sampled_from([-300.0, 0.0, 199.9]),
    "tank_level_pct": st.sampled_from([50.0, 50.0, 50.5, 51.0, 47.0, 54.0]),
    "diverted_w": st.just(0.0),
    "diverted_wh": st.just(0.0),
    "battery_w": st.sampled_from([0.0, 500.0, -400.0]),
    "battery_level_pct": st.sampled_from([40.0, 41.0]),
    "pv_w": st.sampled_from([0.0, 900.0]),
}
RARE: dict[str, st.SearchStrategy[float | None]] = {
    "grid_w": st.sampled_from([None, None, -200.0, -2500.0, -201.0]),
    "surplus_w": st.sampled_from([None, 2500.0, 201.0]),
    "tank_level_pct": st.sampled_from([None, None, 88.0, 94.9, 95.0, 100.0, 10.0, 76.0]),
    "diverted_w": st.sampled_from([None, 900.0, -5.0, 29.0]),
    "diverted_wh": st.sampled_from([None, 30.0, 90.0, 90.0, -50.0, 9000.0]),
    "battery_w": st.none(),
    "battery_level_pct": st.sampled_from([None, 100.0]),
    "pv_w": st.none(),
}
ONE_RARE = st.one_of([value.map(lambda one, name=name: {name: one}) for name, value in RARE.items()])
SUNNY: dict[str, st.SearchStrategy[float | None]] = USUAL | {
    "grid_w": st.sampled_from([0.0, -400.0, -2500.0, 29.0, 31.0]),
    "surplus_w": st.sampled_from([0.0, 400.0, 2500.0, -29.0, -31.0]),
    "tank_level_pct": st.sampled_from([50.0, 50.0, 51.0, 52.5, 94.0]),
    "diverted_w": st.sampled_from([0.0, 30.0, 900.0, 2900.0, 2900.0, 3301.0]),
    "diverted_wh": st.sampled_from([0.0, 15.0, 48.0]),
}
SILENT = USUAL | {"grid_w": st.none(), "surplus_w": st.none(), "diverted_w": st.sampled_from([0.0, 900.0])}
ONE_KIND = st.one_of([st.fixed_dictionaries(usual) for usual in (USUAL, SUNNY, SILENT)])
STEP_S = st.sampled_from([60.0] * 6 + [0.0, 0.0004, 1.0, 20.0, 69.0, 70.0, 71.0, 390.0, 1900.0])
STRETCH = st.tuples(st.integers(1, 12), STEP_S, ONE_KIND, st.one_of(st.just({}), st.just({}), ONE_RARE))
"""How many rows, s between them, their usual values, and what stands in the place of one of them in the first row. The
counter goes on by its values."""
Stretch = tuple[int, float, dict[str, float | None], dict[str, float | None]]


class Kept:
    """What is given to a ledger."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []

    def tank_span(self) -> None:
        return None

    def tank_heat(self, from_s: int, to_s: int) -> tuple[int, Mapping[str, int]]:
        return 0, {}

    def commit(self, batch: Batch) -> None:
        self.batches.append(batch)


def lines(home: PreparedHome, stretches: list[Stretch]) -> list[str]:
    names = [name for name in COLUMNS if name in home.home.signals]
    made = ["time," + ",".join(names) + "\n"]
    at_s, counter_wh = float(START_S), 1000.0
    for many, step_s, usual, rare in stretches:
        for values in [usual | rare, *[dict(usual) for _ in range(many - 1)]]:
            at_s += step_s
            counted = values["diverted_wh"]
            counter_wh += counted or 0.0
            values["diverted_wh"] = None if counted is None else counter_wh
            cells = ["" if values[name] is None else f"{values[name]}" for name in names]
            made.append(datetime.fromtimestamp(at_s, UTC).isoformat() + "," + ",".join(cells) + "\n")
    return made


def replayed(home: PreparedHome, file: list[str], passing: bool) -> tuple[Any, ...]:
    ledger = Kept()
    run = Replay(home, ReadingsFile("rows.csv", file, home.home.heater_names), ledger)
    run.keeps_back = run.engine.lulls = passing
    decide, decided = run.engine.decide, list[tuple[float, Decision]]()

    def noting(now: Moment) -> Decision:
        decision = decide(now)
        if not decided or decision != decided[-1][1]:
            decided.append((now.utc_s, decision))
        return decision

    engine, settled = run.engine, list[tuple[float, list[Entry]]]()
    settle = engine.books.settle

    def settling(now_s: float) -> list[Entry]:
        settled.append((now_s, settle(now_s)))
        return settled[-1][1]

    engine.decide, engine.books.settle = noting, settling  # type: ignore[method-assign, assignment]
    run.run()
    known = (engine.snapshot, engine.memory, engine.due_s, engine.board.latest)
    return ledger.batches, decided, settled, known, engine.tally, (run.rows, run.from_s, run.to_s, run.quarantined_wh)


@given(st.sampled_from(HOMES), st.lists(STRETCH, min_size=1, max_size=20))
def test_passing_over_changes_nothing(home: PreparedHome, stretches: list[Stretch]) -> None:
    file = lines(home, stretches)
    assert replayed(home, file, passing=True) == replayed(home, file, passing=False)


Row = dict[str, float | None]
NIGHT: Row = dict.fromkeys(COLUMNS, 0.0) | {
    "grid_w": 300.0,
    "surplus_w": -300.0,
    "tank_level_pct": 50.0,
}
SUN: Row = NIGHT | {"grid_w": -300.0, "surplus_w": 300.0, "diverted_w": 2000.0, "diverted_wh": 33.0}
GLEAM: Row = {"grid_w": -2500.0, "surplus_w": 2500.0}


def test_a_gleam_of_sun_that_is_still_in_the_mean_counts() -> None:
    """The mean rises, over rows that alone are too little, as the night before the gleam leaves the window."""
    dim = NIGHT | {"grid_w": -199.9, "surplus_w": 199.9}
    file = lines(HOMES[6], [(10, 60.0, NIGHT, {}), (10, 60.0, dim, GLEAM)])
    said = replayed(HOMES[6], file, passing=True)
    assert said == replayed(HOMES[6], file, passing=False)
    assert [decision.lead.order for _, decision in said[1]] == [Order.WITHHOLD, Order.SURPLUS]


def test_a_second_reading_of_the_same_millisecond_is_settled_at_once() -> None:
    """It adds to an interval that the first has settled."""
    twice = NIGHT | {"diverted_wh": 15.0}
    file = lines(HOMES[1], [(2, 1900.0, NIGHT, {}), (1, 0.0004, twice, {}), (1, 60.0, NIGHT, {})])
    said = replayed(HOMES[1], file, passing=True)
    assert said == replayed(HOMES[1], file, passing=False)
    assert [entry.reason for _, entries in said[2] for entry in entries] == ["settled", "late reading"]


def test_a_counter_in_doubt_and_a_long_night_are_settled_in_time() -> None:
    """A reading is doubted that a later one confirms; three hours pass without anything to decide."""
    file = lines(HOMES[2], [(25, 60.0, NIGHT, {}), (4, 60.0, NIGHT, {"diverted_wh": 9000.0}), (180, 60.0, NIGHT, {})])
    assert replayed(HOMES[2], file, passing=True) == replayed(HOMES[2], file, passing=False)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (NIGHT, SUN | {"grid_w": 0.0}),
        (NIGHT, NIGHT | GLEAM),
        (SUN, SUN | {"grid_w": 2100.0}),
        (SUN, SUN | {"diverted_w": 29.0}),
        (SUN, SUN | {"tank_level_pct": 52.0}),
        (NIGHT | {"grid_w": None}, NIGHT | GLEAM),
    ],
)
def test_what_changes_a_steady_day_counts_from_its_row_on(before: Row, after: Row) -> None:
    """Rows of one kind, then of another, to which a small tank's level does not answer for long."""
    for home in (HOMES[0], HOMES[8]):
        file = lines(home, [(1, 60.0, NIGHT, {}), (13, 60.0, before, {}), (100, 60.0, after, {})])
        said = replayed(home, file, passing=True)
        assert said == replayed(home, file, passing=False)
        assert len(said[1]) > 1


def test_a_level_that_stands_still_while_more_is_taken_than_the_tank_holds_is_doubted_in_its_row() -> None:
    file = lines(HOMES[0], [(1, 60.0, NIGHT, {}), (410, 60.0, SUN, {})])
    said = replayed(HOMES[0], file, passing=True)
    assert said == replayed(HOMES[0], file, passing=False)
    assert said[1][-1][1].lead.guard == "fresh"


@pytest.mark.parametrize("home", [HOMES[1], HOMES[4]])
@pytest.mark.parametrize(
    ("usual", "rows"), [(NIGHT, 600), (SUN, 200), (NIGHT | {"grid_w": None, "surplus_w": None}, 600)]
)
def test_most_rows_that_change_nothing_are_kept_back(
    home: PreparedHome, usual: Row, rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = []
    takes = QuietRows.takes

    def counting(self: QuietRows, at_s: float, values: list[float | None]) -> bool:
        kept.append(takes(self, at_s, values))
        return kept[-1]

    monkeypatch.setattr(QuietRows, "takes", counting)
    file = lines(home, [(1, 60.0, NIGHT, {}), (rows, 60.0, usual, {})])
    replayed(home, file, passing=True)
    assert sum(kept) > 0.85 * rows
