"""The running house's plan: asked for each half hour, kept, followed only where the home says so."""

from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from accounting.ledger import Batch, EventRow, Ledger, LedgerWriter
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import PreparedHome, prepare
from daemon.config.load import load
from daemon.planning.nightly import Answer, Nightly, answered, worth_keeping
from daemon.planning.scoring import MADE, OUTCOME, past_of
from rules.model.memory import Memory
from rules.model.reading import Moment
from tests.support.planned_past import HOME, START, ZONE, lived

EVENING_S = (START + timedelta(days=12, hours=21)).timestamp()
FOLLOW, ADVISE = '[plan]\nmode = "follow"\n', '[plan]\nmode = "advise"\n'


@dataclass
class House:
    """What of engine and keeper the plan touches."""

    memory: Memory = field(default_factory=Memory)
    kept: list[EventRow] = field(default_factory=list)

    def events(self, rows: tuple[EventRow, ...]) -> None:
        self.kept += rows


def run(made: PreparedHome, at_s: float = EVENING_S + 400, house: House | None = None) -> tuple[House, Nightly]:
    house = house or House()
    nightly = Nightly(lambda: made.home, lambda: None, beside=False)
    nightly.look(house, Moment(at_s, at_s))  # type: ignore[arg-type]
    nightly.done(house, house, Moment(at_s, at_s))  # type: ignore[arg-type]
    return house, nightly


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> PreparedHome:
    return lived(tmp_path_factory.mktemp("followed"), 12, hours=21, level_pct=5.0, home=HOME + FOLLOW)


def test_follow_hands_the_runs_to_the_heater_and_keeps_the_plan(followed: PreparedHome) -> None:
    house, nightly = run(followed)
    planned = house.memory.planned
    assert planned is not None
    assert planned.heater == "main"
    assert planned.runs[0].from_s > EVENING_S
    assert [run.level_pct for run in planned.runs] == [70.0]
    assert [row.name for row in house.kept] == [MADE]
    assert house.kept[0].sentence.startswith("Heat ")
    assert nightly.document is not None
    assert nightly.document["mode"] == "follow"
    assert nightly.said is not None
    assert nightly.said["runs"] == nightly.document["runs"]
    assert nightly.said["heatings"] == []
    assert nightly.said["given_wh"] == 0
    assert len(str(dict(house.kept[0].figures))) < 1200


def test_advise_says_it_and_orders_nothing(followed: PreparedHome, tmp_path: Path) -> None:
    made = lived(tmp_path, 12, hours=21, level_pct=5.0, home=HOME + ADVISE)
    house, nightly = run(made, house=House(Memory(planned=run(followed)[0].memory.planned)))
    assert house.memory.planned is None
    assert nightly.document is not None
    assert nightly.document["runs"]
    assert len(house.kept) == 1


def test_an_answer_that_comes_after_follow_was_switched_off_orders_nothing(followed: PreparedHome) -> None:
    homes = [followed.home]
    house = House()
    nightly = Nightly(lambda: homes[-1], lambda: None, beside=False)
    nightly.look(house, Moment(EVENING_S + 400, EVENING_S + 400))  # type: ignore[arg-type]
    homes.append(followed.home.model_copy(update={"plan": followed.home.plan.model_copy(update={"mode": "advise"})}))
    nightly.done(house, house, Moment(EVENING_S + 402, EVENING_S + 402))  # type: ignore[arg-type]
    assert house.memory.planned is None
    assert nightly.document is not None


def test_off_does_nothing_at_all(tmp_path: Path) -> None:
    memory = Memory()
    house, nightly = run(lived(tmp_path, 1), house=House(memory))
    assert house.memory is memory
    assert house.kept == []
    assert nightly.document is None
    assert nightly.said is None


def test_one_question_for_a_half_hour(followed: PreparedHome) -> None:
    house, nightly = run(followed)
    first = nightly.document
    for at_s in (EVENING_S + 900, EVENING_S + 1800 + 200):  # the next half hour is not in the books yet
        assert run_again(nightly, house, at_s) is first
    assert run_again(nightly, house, EVENING_S + 1800 + 400) is not first


def run_again(nightly: Nightly, house: House, at_s: float) -> dict[str, Any] | None:
    nightly.look(house, Moment(at_s, at_s))  # type: ignore[arg-type]
    nightly.done(house, house, Moment(at_s, at_s))  # type: ignore[arg-type]
    return nightly.document


def test_a_ledger_that_cannot_be_read_is_a_fault_and_the_standing_plan_holds(
    followed: PreparedHome, tmp_path: Path
) -> None:
    (tmp_path / "home.toml").write_text(HOME + FOLLOW)
    standing = run(followed)[0].memory
    house, nightly = run(prepare(load(tmp_path / "home.toml")), house=House(standing))
    assert "brimful.sqlite" in nightly.fault
    assert house.memory is standing


def document(made_at: str, *runs: tuple[str, str, int, float], begun: str = "") -> dict[str, Any]:
    return {
        "made_at": made_at,
        "from": begun or made_at,
        "runs": [{"from": a, "to": b, "wh": wh, "target_level_pct": pct} for a, b, wh, pct in runs],
    }


NIGHT = ("2026-06-14T00:00:00Z", "2026-06-14T02:00:00Z", 3000, 50.0)


def test_which_plans_are_kept() -> None:
    evening = document("2026-06-13T20:05:00Z", NIGHT)
    assert worth_keeping(None, evening, ZONE)
    assert worth_keeping(document("2026-06-13T15:05:00Z", NIGHT), evening, ZONE)  # the first of the evening
    assert not worth_keeping(evening, document("2026-06-13T20:35:00Z", NIGHT), ZONE)
    more = (*NIGHT[:2], 3900, 50.0)
    assert worth_keeping(evening, document("2026-06-13T20:35:00Z", more), ZONE)
    assert worth_keeping(evening, document("2026-06-13T20:35:00Z"), ZONE)
    # In the middle of a run less is left of it, which is no other plan.
    begun = ("2026-06-14T01:00:00Z", NIGHT[1], 1400, 50.0)
    assert not worth_keeping(evening, document("2026-06-14T01:05:00Z", begun, begun="2026-06-14T01:00:00Z"), ZONE)


def test_a_night_is_scored_once_its_day_is_in_the_books(tmp_path: Path) -> None:
    made = lived(tmp_path, 14, hours=4, level_pct=5.0, home=HOME + ADVISE + "lukewarm_pct = 0\n")
    path = made.home.path_of(made.home.ledger.path)
    first = answered(made.home, EVENING_S + 400)
    assert [row.name for row in first.rows] == [MADE]
    write(made, first)
    too_soon = answered(made.home, EVENING_S + 86_400)
    assert OUTCOME not in [row.name for row in too_soon.rows]
    later = answered(made.home, EVENING_S + 86_400 + 3 * 3600)
    (outcome,) = [row for row in later.rows if row.name == OUTCOME]
    assert outcome.figures["drawn_wh"] == 3000
    assert outcome.figures["surplus_wh"] == 7200
    more = outcome.figures["cost"] - outcome.figures["least_cost"]
    assert more < 0.05
    assert more >= 0 or outcome.figures["short_wh"] > 0, "only water left cold can save money"
    assert outcome.figures["short_wh"] < 100
    write(made, later)
    with Ledger.open_reader(path) as ledger:
        past = past_of(ledger, EVENING_S + 2 * 86_400)
    assert past["nights"] == 1
    assert past["mean_draw_error_wh"] < 700
    assert past["mean_regret"] == pytest.approx(outcome.figures["cost"] - outcome.figures["least_cost"], abs=2e-4)
    again = answered(made.home, EVENING_S + 86_400 + 4 * 3600)
    assert OUTCOME not in [row.name for row in again.rows]


def write(made: PreparedHome, answer: Answer) -> None:
    ledger = LedgerWriter.open(made.home.path_of(made.home.ledger.path), facts(made.home))
    try:
        ledger.commit(Batch(answer.rows[0].at_s, events=answer.rows))
    finally:
        ledger.close()
