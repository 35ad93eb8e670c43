"""How a past plan did: money is money, cold water is none, and an hour without a known price is not cheap."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from accounting.ledger import Batch, EventRow, Ledger, LedgerWriter
from daemon.assembly.endpoints import facts
from daemon.planning.scoring import MADE, OUTCOME, outcomes_due, past_of
from daemon.planning.statement import past_sentence
from tests.support.planned_past import HOME, START, lived

EVENING = START + timedelta(days=3, hours=21)
SCORED_S = (EVENING + timedelta(hours=27)).timestamp()
BOILER = """
[tariffs.gas]
direction = "fuel"
[[tariffs.gas.periods]]
from = 2020-01-01
bands = [{ name = "all", price = 0.08 }]
[[displaces]]
source = "gas boiler"
share = 1
tariff = "gas"
efficiency = 0.8
"""


def scored(folder: Path, home: str = HOME, *, priced: bool = True) -> tuple[EventRow, dict[str, Any]]:
    """The outcome of a plan for a cold tank that heats nothing; and the past it makes."""
    made = lived(folder, 5, hours=2, home=home, priced=priced)
    document = {
        "made_at": stamp(EVENING),
        "from": stamp(EVENING),
        "to": stamp(EVENING + timedelta(days=1)),
        "level_pct": 0.0,
        "drawn_wh": 3000,
        "runs": [],
    }
    write(made, EventRow(EVENING.timestamp(), MADE, "note", "A plan", document))
    path = made.home.path_of(made.home.ledger.path)
    with Ledger.open_reader(path) as ledger:
        (outcome,) = outcomes_due(made, ledger, SCORED_S)
    write(made, outcome)
    with Ledger.open_reader(path) as ledger:
        return outcome, past_of(ledger, SCORED_S + 60)


def stamp(at: datetime) -> str:
    return at.isoformat()


def write(made: Any, event: EventRow) -> None:
    ledger = LedgerWriter.open(made.home.path_of(made.home.ledger.path), facts(made.home))
    try:
        ledger.commit(Batch(event.at_s, events=(event,)))
    finally:
        ledger.close()


def test_without_a_boiler_cold_water_is_missing_heat_and_no_money(tmp_path: Path) -> None:
    outcome, past = scored(tmp_path)
    # The bath at seven is cold: 2 kWh, at three times the dearest price 1.80. Nothing was bought, so nothing was paid.
    assert outcome.figures["short_wh"] == pytest.approx(2000, abs=100)
    assert outcome.figures["cost"] <= 0.05 * 3.6
    assert "2.0 kWh more of hot water missing, which is in neither cost" in outcome.sentence
    assert past["mean_short_wh"] == outcome.figures["short_wh"]
    said = past_sentence({"past": past, "currency": "EUR"})
    assert "2.0 kWh more of hot water missing, which is in no cost" in said


def test_with_a_boiler_what_it_makes_is_in_the_cost(tmp_path: Path) -> None:
    outcome, past = scored(tmp_path, HOME + BOILER)
    assert outcome.figures["short_wh"] is None
    assert past["mean_short_wh"] is None
    assert "missing" not in outcome.sentence


def test_outcomes_that_counted_cold_water_as_money_are_left_out(tmp_path: Path) -> None:
    made = lived(tmp_path, 1)
    older = {"made_at": stamp(START), "cost": 1.9, "least_cost": 0.1, "drawn_wh": 1, "expected_drawn_wh": 1}
    write(made, EventRow(START.timestamp(), OUTCOME, "note", "It cost", older))
    with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
        assert past_of(ledger, START.timestamp() + 60)["nights"] == 0


@pytest.mark.parametrize(("missing", "hour"), [("buy", 4), ("sell", 12)])
def test_an_hour_without_a_known_price_is_as_dear_as_the_day_s_dearest(tmp_path: Path, missing: str, hour: int) -> None:
    known, unknown = (gap_at(tmp_path / name, name, hour) for name in ("nothing", missing))
    assert "2 half hours have no known price, and the day's dearest stands for it" in unknown.sentence
    assert "no known price" not in known.sentence
    # All other hours have one price, so that the hour without one is as dear as they are.
    assert unknown.figures["least_cost"] == known.figures["least_cost"]
    assert unknown.figures["cost"] == known.figures["cost"]


def gap_at(folder: Path, missing: str, hour: int) -> EventRow:
    """The outcome where for an hour of the plan's day nothing says the price of `missing`."""
    folder.mkdir()
    begun = EVENING + timedelta(hours=hour + 3)
    series = []
    for name, direction, price in (("buy", "import", 0.3), ("sell", "export", 0.05)):
        rows = {START: price, begun: "" if name == missing else price}
        rows |= {begun + timedelta(hours=1): price, EVENING + timedelta(days=9): price}
        lines = [f"{stamp(at)},{each}" for at, each in rows.items()]
        (folder / f"{name}.csv").write_text("\n".join(["time,price", *lines]) + "\n")
        series.append(f'[tariffs.{name}]\ndirection = "{direction}"\nseries = "{name}.csv"\n')
    bands = HOME[HOME.index("[tariffs.buy]") :]
    return scored(folder, HOME.replace(bands, "".join(series)), priced=False)[0]
