"""What becomes of the sun that a heater took before the battery: it was missed, or would have been sold after all."""

import json

import pytest

from accounting.books.battery_debt import BATTERY_FULL
from accounting.books.booking import Books
from accounting.model.entry import Entry
from accounting.model.journal import balance
from tests.unit.accounting.books.test_house_battery import NOON, asked

Minute = tuple[float, float, float, float]
"""diverted_w, grid_w, battery_w, battery_level_pct."""
DIVERTING: Minute = (1200, 0, 0, 40)


def played(*stretches: tuple[int, Minute], restarts: bool = False) -> dict[int, list[Entry]]:
    """Stretches of so many half hours of such minutes; the versions of each half hour that were settled."""
    books = Books(asked())
    versions: dict[int, list[Entry]] = {}
    minute, wh = 0, 0.0
    for half_hours, (diverted_w, grid_w, battery_w, level_pct) in stretches:
        for _ in range(30 * half_hours):
            at_s = NOON + 60 * minute
            told = {"diverted_w": diverted_w, "grid_w": grid_w, "battery_w": battery_w, "battery_level_pct": level_pct}
            for signal, value in {"diverted_wh": round(wh), **told}.items():
                books.note(signal, at_s, value)
            for entry in books.settle(at_s):
                balance(entry)
                versions.setdefault((entry.start_s - NOON) // 1800, []).append(entry)
            minute, wh = minute + 1, wh + diverted_w / 60
        if restarts:
            books = Books(asked(), json.loads(json.dumps(books.state())))
    return versions


@pytest.mark.parametrize("restarts", [False, True])
def test_a_battery_that_is_full_by_the_evening_was_forgone_nothing(restarts: bool) -> None:
    """The energy diverted at noon would have been sold in the afternoon, while the battery now fills instead."""
    found = played((2, DIVERTING), (2, (0, 0, 2000, 70)), (2, (0, -1500, 0, 100)), restarts=restarts)
    first, last = found[0]
    assert (first.forgone_wh, last.forgone_wh) == (600, 0)
    assert (first.diverted_wh, last.diverted_wh) == (600, 600)
    assert last.reason == BATTERY_FULL
    assert last.given_up_micro == 600 * 55
    assert found[1][-1].forgone_wh == 0


def test_what_the_house_then_bought_is_final() -> None:
    """The battery ran empty, and is full the next day: what it missed at night is not given back."""
    night = (8, (0, 1000, 0, 2))
    found = played((2, DIVERTING), (2, (0, 0, -900, 20)), night, (4, (0, 0, 2500, 60)), (2, (0, -1500, 0, 100)))
    assert [entry.forgone_wh for entry in found[0]] == [600]
    assert [entry.forgone_wh for entry in found[1]] == [600]


def test_so_much_as_was_not_missed_would_have_been_sold() -> None:
    """Of 1,200 Wh owed 500 / 0.9 were missed; the rest was released when the battery was full, the latest first."""
    found = played((2, DIVERTING), (1, (0, 1000, 0, 2)), (2, (0, 0, 2500, 60)), (2, (0, -1500, 0, 100)))
    missed_wh = 500 / 0.9
    assert found[0][-1].forgone_wh + found[1][-1].forgone_wh == pytest.approx(missed_wh, abs=1)
    assert found[0][-1].forgone_wh == pytest.approx(missed_wh, abs=1)


def test_the_hours_in_which_it_was_missed_price_the_next() -> None:
    """What was bought between 15:00 and 17:00 local."""
    found = played((4, DIVERTING), (2, (0, 0, -900, 20)), (4, (0, 1000, 0, 2)), (3, DIVERTING), (1, (0, 0, 0, 50)))
    assert found[0][0].battery_hours is None, "the evening's, until something is known"
    hours = dict(part.split(":") for part in (found[11][0].battery_hours or "").split())
    assert hours.keys() == {"15", "16"}
    assert sum(map(int, hours.values())) == 100
