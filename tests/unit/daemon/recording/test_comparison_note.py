"""The order of a fair comparison is written once, and again only when it changes."""

from datetime import date
from pathlib import Path

from accounting.books.booking import Books
from accounting.ledger import Facts, Ledger, LedgerWriter
from accounting.reports.written_comparison import WRITTEN, written_of
from daemon.assembly.prepared_home import prepare
from daemon.config.build import comparison_blocks
from daemon.control.engine import Engine
from daemon.control.signal_state import Board
from daemon.recording.comparison_note import write_comparison
from daemon.recording.unit_of_work import Keeper
from rules.model.memory import Memory
from rules.model.reading import Moment
from tests.support.homes import SMALL, home

NOW = Moment(1_781_006_400.0, 0.0)
COMPARED = SMALL + "[rules.alternate]\nfrom = 2026-07-01\n"


def test_the_order_is_written_once_and_again_when_it_changes(tmp_path: Path) -> None:
    path = tmp_path / "hut.sqlite"
    first = home(COMPARED)
    made = prepare(first)
    engine = Engine(made.rules, Board(made.rules, made.wiring), Books(made.books), Memory())
    with LedgerWriter.open(path, Facts("Wren Hut", 30, "EUR", "Europe/Lisbon", ("main",))) as ledger:
        keeper = Keeper(ledger)
        write_comparison(keeper, home(SMALL), NOW)
        write_comparison(keeper, first, NOW)
        write_comparison(keeper, first, NOW)  # not written yet, but waiting
        keeper.commit(engine, NOW)
        write_comparison(keeper, first, NOW)
        keeper.commit(engine, NOW)
        write_comparison(keeper, home(COMPARED + "seed = 2\n"), NOW)
        keeper.commit(engine, NOW)
    with Ledger.open_reader(path) as ledger:
        written = written_of(ledger.events(0.0, 1e11, WRITTEN))
    assert [order.blocks == comparison_blocks(first) for order in written] == [True, False]
    assert written[0].blocks[0].first == date(2026, 7, 1)
