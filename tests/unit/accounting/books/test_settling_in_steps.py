"""A long time that is told at once is settled in steps, each of bounded work, and comes out the same."""

import json

from accounting.books.booking import Books
from tests.support.prices import utc, with_tank

START_S = utc("2026-01-10T12:00Z")
DAYS = 60
STEP = 200


def heard() -> Books:
    books = Books(with_tank())
    end_s = START_S + DAYS * 86_400
    for at_s, level, wh in ((START_S, 50.0, 1000), (end_s, 60.0, 400_000), (end_s + 60, 60.0, 400_010)):
        books.note("tank_level_pct", at_s, level)
        books.note("diverted_wh", at_s, wh)
    return books


NOW_S = START_S + DAYS * 86_400 + 600


def test_steps_are_small_and_add_up_to_what_one_would_have_given() -> None:
    whole = heard()
    entries, tank = whole.settle(NOW_S), whole.tank_entries()
    assert len(entries) == len(tank) == DAYS * 48
    stepped, steps = heard(), 0
    got, got_tank = [], []
    while stepped.next_settle_s() <= NOW_S:
        more = stepped.settle(NOW_S, STEP)
        of_tank = stepped.tank_entries()
        assert len(more) <= STEP
        assert len(of_tank) <= STEP
        assert len(stepped.open_entries(NOW_S, STEP)) <= STEP
        got, got_tank, steps = [*got, *more], [*got_tank, *of_tank], steps + 1
        if steps % 3 == 0:  # a restart between two steps loses nothing
            stepped = Books(with_tank(), json.loads(json.dumps(stepped.state())))
        assert steps < 100
    assert got == entries
    assert got_tank == tank
    assert steps >= DAYS * 48 / STEP


def test_the_tank_waits_for_its_heaters() -> None:
    books = heard()
    settled = books.settle(NOW_S, STEP)
    tank = books.tank_entries()
    assert {entry.start_s for entry in tank} <= {entry.start_s for entry in settled}
    assert all(entry.wh("sun") < 0 for entry in tank)
