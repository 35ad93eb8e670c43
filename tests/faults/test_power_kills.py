"""A heater without a counter, killed: what its power told since the last write is lost. How much that is at most."""

import random
from pathlib import Path

import pytest

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.ledger import Facts, Ledger, LedgerWriter
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.recording.memory_codec import read
from daemon.recording.unit_of_work import MEMORY, METER, Keeper
from daemon.timing.schedule import SteppedSchedule, every
from rules.model.reading import Moment, Reading
from tests.support.rules_case import settings

START_S = 1_780_315_200  # 2026-06-01T12:00:00Z
STEP_S, STALE_S, FLUSH_S = 10, 60, 300
POWER_W = 1800.0
FACTS = Facts("Quay Cottage", 30, "EUR", "Europe/Dublin", ("main",))
WIRING = Wiring(("grid_w", -1.0), True, ("diverted_w",), (None,), None, None, 10.0, 60.0)
RULES = settings(stale_after_s={"grid_w": 60.0, "tank_level_pct": 600.0, "diverted_w": float(STALE_S)})
BOOKS = BooksSettings((HeaterBooks("main", 3000.0, power="diverted_w", stale_after_s=float(STALE_S)),))


class House:
    """The daemon's books and their keeper, on the daemon's own timetable. What only its memory holds dies with it."""

    def __init__(self, path: Path, from_s: int) -> None:
        ledger = LedgerWriter.open(path, FACTS)
        now = Moment(START_S + from_s, from_s)
        self._keeper = Keeper(ledger)
        books = Books(BOOKS, ledger.state(METER))
        memory = read(ledger.state(MEMORY), RULES, now)
        self._engine = Engine(RULES, Board(RULES, WIRING), books, memory)
        self._jobs = SteppedSchedule({"settle": every(60), "flush": every(FLUSH_S)}, now.utc_s)
        self._order = None

    def live_to(self, at_s: int, power_w: float, level_pct: float) -> None:
        now = Moment(START_S + at_s, at_s)
        told = {"grid_w": -500.0, "tank_level_pct": level_pct, "diverted_w": power_w}
        decision = self._engine.hear([Reading(name, w, now.utc_s, now.mono_s) for name, w in told.items()], now)
        if decision.lead.order is not self._order:
            self._order = decision.lead.order
            self._keeper.decided(self._engine.explain(now), now)
        self._keeper.begin(self._engine, now)
        for job in self._jobs.due(now.utc_s):
            if job == "settle":
                self._keeper.settle(self._engine, now)
            elif job == "flush":
                self._keeper.flush(self._engine, now)

    def die(self) -> None:
        self._keeper.close()


def told_wh(path: Path) -> int:
    with Ledger.open_reader(path) as ledger:
        return sum(one.diverted_wh for one in (*ledger.entries(0, 2**40), *ledger.open_entries()))


@pytest.mark.parametrize("level_pct", [50.0, 97.0], ids=["permitted", "withheld"])
def test_a_run_in_progress_loses_no_more_than_since_the_last_write(tmp_path: Path, level_pct: float) -> None:
    """Whether the heater may or not: what it takes is written down."""
    dice = random.Random(1)
    worst_wh = 0.0
    for number in range(8):
        path = tmp_path / f"{number}.sqlite"
        house = House(path, 0)
        died_s = dice.randrange(0, 1800, STEP_S)
        for at_s in range(0, died_s + 1, STEP_S):
            house.live_to(at_s, POWER_W, level_pct)
        house.die()
        lost_wh = POWER_W * died_s / 3600 - told_wh(path)
        worst_wh = max(worst_wh, lost_wh)
        assert -1 <= lost_wh <= POWER_W * FLUSH_S / 3600 + 1
    print(f"\nlost of a power of {POWER_W:.0f} W by a kill: {worst_wh:.0f} Wh at most")
    assert worst_wh > 0, "if nothing is lost any more, deploy/docs/failures.md says too little"


def test_a_run_that_has_ended_is_kept_whole_a_minute_later(tmp_path: Path) -> None:
    for number, off_s in enumerate(range(610, 900, 70)):
        path = tmp_path / f"{number}.sqlite"
        house = House(path, 0)
        for at_s in range(0, off_s + 71, STEP_S):  # full at off_s; the power ends with the order, a reading later
            house.live_to(at_s, POWER_W if at_s <= off_s else 0.0, 50.0 if at_s < off_s else 97.0)
        house.die()
        assert abs(told_wh(path) - POWER_W * (off_s + STEP_S) / 3600) <= 1


def test_the_time_that_was_not_written_is_not_called_measured(tmp_path: Path) -> None:
    path = tmp_path / "quay.sqlite"
    lives = ((0, 590), (630, 2400))  # the last write before the death is that of 300 s
    for from_s, died_s in lives:
        house = House(path, from_s)
        for at_s in range(from_s, died_s + 1, STEP_S):
            house.live_to(at_s, POWER_W, 50.0)
        house.die()
    with Ledger.open_reader(path) as ledger:
        (settled,) = ledger.entries(0, 2**40)
    assert settled.measured_s == 1800 - (630 - 300)
    assert settled.diverted_wh == settled.measured_s * POWER_W // 3600
