"""What the sun's part of an interval lost, where the grid's part has a price and where it has none."""

from dataclasses import replace
from pathlib import Path

import pytest

from accounting.ledger import Batch
from accounting.model.entry import Entry, Posting
from tests.support.ledgers import START_S, entry, new_ledger

PARTS = (Posting("sun", -600, -180_000), Posting("grid", -100), Posting("tank", 700, 180_000))
PRICED = replace(
    entry(0, 700),
    grid_wh=100,
    given_up_micro=180_000,
    avoided_micro=56_000,
    export_price_micro=300_000,
    heat_value_micro=80_000,
    unpriced_wh=0,
    postings=PARTS,
)
UNPRICED_GRID = replace(PRICED, avoided_micro=48_000, unpriced_wh=100)
"""What is avoided is counted for the sun's 600 Wh alone."""
FORGONE = (
    Posting("sun", -500, -150_000),
    Posting("battery_forgone", -100),
    Posting("grid", -100),
    Posting("tank", 700, 150_000),
)
UNPRICED_FORGONE = replace(
    PRICED, forgone_wh=100, given_up_micro=150_000, avoided_micro=40_000, unpriced_wh=200, postings=FORGONE
)


@pytest.mark.parametrize(
    ("booked", "lost_micro"),
    [(PRICED, 180_000 - 48_000), (UNPRICED_GRID, 180_000 - 48_000), (UNPRICED_FORGONE, 150_000 - 40_000)],
)
def test_the_sun_lost_what_it_gave_up_less_what_it_avoided(tmp_path: Path, booked: Entry, lost_micro: int) -> None:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S + 1800, (booked,)))
        found = ledger.losing(0, 1e11)
    assert (found.wh, found.lost_micro, found.last_s) == (600, lost_micro, START_S)
    assert found.lost_mg == booked.given_up_mg - booked.avoided_mg * 600 // 700, "carbon counts for all of it"
