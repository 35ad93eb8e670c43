"""A tank that reports changes only counts after a restart, as old as it is; and only if it is what was heard live."""

from pathlib import Path

import pytest

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.ledger import Batch, Facts, LedgerWriter
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.inputs.decode import Source
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.listener import Listener
from daemon.recording.last_heard import LAST_HEARD, written
from daemon.recording.recovery import last_heard_live
from daemon.recording.unit_of_work import Keeper
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Heard, Linked
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from tests.support.rules_case import settings

START_S = 1_780_315_200.0
FACTS = Facts("Wren Hut", 30, "EUR", "Europe/Dublin", ("main",))
WIRING = Wiring(("grid_w", -1.0), True, (None,), ("diverted_wh",), None, None, 10.0, 60.0)
RULES = settings(stale_after_s={"grid_w": 60.0, "tank_level_pct": 6 * 3600.0, "diverted_wh": 600.0})
BOOKS = BooksSettings((HeaterBooks("main", 3000.0, counter="diverted_wh"),))
SOURCES = (Source("tank_level_pct", "tank"), Source("grid_w", "grid"))


def order_after(folder: Path, away_s: float, retained: str) -> Order:
    """A house that heard a level of 50 % live, was away, and finds a retained copy beside a live surplus."""
    ledger = LedgerWriter.open(folder / "house.sqlite", FACTS)
    engine = Engine(RULES, Board(RULES, WIRING), Books(BOOKS), Memory())
    now = Moment(START_S, 0.0)
    engine.hear([Reading("tank_level_pct", 50.0, now.utc_s, 0.0), Reading("grid_w", -900.0, now.utc_s, 0.0)], now)
    keeper = Keeper(ledger)
    keeper.commit(engine, now)
    keeper.close()
    ledger = LedgerWriter.open(folder / "house.sqlite", FACTS)
    heard: list[Heard | Linked] = []
    clock = SteppedClock(START_S + away_s)
    listener = Listener(BrokerAddress("127.0.0.1", 1), SOURCES, heard.append, clock, last_heard=last_heard_live(ledger))
    ledger.close()
    again = Engine(RULES, Board(RULES, WIRING), Books(BOOKS), Memory())
    listener.hear("tank", retained.encode(), True)
    for second in range(0, 300, 10):
        clock.move_to(START_S + away_s + second)
        listener.hear("grid", b"-900", False)
        for event in heard:
            assert isinstance(event, Heard)
            again.hear(event.readings, clock.now())
        heard.clear()
    assert again.decision is not None
    return again.decision.lead.order


@pytest.mark.parametrize(
    ("away_s", "retained", "order"),
    [
        (3600, "50", Order.SURPLUS),
        (3600, "50.0", Order.SURPLUS),
        (3600, "51", Order.WITHHOLD),  # it has moved, nobody knows when
        (7 * 3600, "50", Order.WITHHOLD),  # longer than its stale_after_s
    ],
)
def test_the_copy_counts_within_its_limit_and_with_its_value_only(
    tmp_path: Path, away_s: float, retained: str, order: Order
) -> None:
    assert order_after(tmp_path, away_s, retained) is order


def test_only_the_tanks_signals_that_were_heard_live_are_remembered() -> None:
    latest = {
        "tank_level_pct": Reading("tank_level_pct", 50.0, START_S, 0.0),
        "tank_top_c": Reading("tank_top_c", 50.0, START_S, NEVER_LIVE_S),
        "grid_w": Reading("grid_w", 1.0, START_S, 0.0),
    }
    assert written(latest) == {"tank_level_pct": [50.0, START_S]}


@pytest.mark.parametrize(
    "state", [5, {"tank_level_pct": 5}, {"tank_level_pct": ["x", 1]}, [], None, {"tank_top_c": [1]}]
)
def test_a_memory_that_cannot_be_read_is_none(tmp_path: Path, state: object) -> None:
    with LedgerWriter.open(tmp_path / "house.sqlite", FACTS) as ledger:
        ledger.commit(Batch(START_S, state={LAST_HEARD: state}))
        assert last_heard_live(ledger) == {}
