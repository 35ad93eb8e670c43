"""The share of used heat by the month, as the heat stock measures it."""

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger import Batch, LedgerWriter
from accounting.model.entry import Posting, TankEntry
from accounting.model.periods import month_start_s
from accounting.reports.heat_stock import stock_report
from accounting.reports.used_share import MonthSoFar, shares_by_stock
from accounting.valuation.historical_shares import month_of
from tests.support.ledgers import START_S, new_ledger
from tests.support.prices import TANK, ZONE

DUBLIN = ZoneInfo(ZONE)
JUNE = month_of(START_S, DUBLIN)
DAYS = 75


def tank_entries() -> Iterator[TankEntry]:
    """Sun at noon, a timer at night, draws morning and evening, more sun as the summer goes on; from 1 June 2026."""
    stock_wh = 6000
    for place in range(DAYS * 48):
        day, half_hour = divmod(place, 48)
        sun_wh = 250 + day if 20 <= half_hour < 30 else 0
        night_wh = 150 if half_hour < 8 else 0
        wanted_wh = 900 if half_hour in (14, 40, 41) else 0
        lost_wh = stock_wh // 200
        drawn_wh = min(wanted_wh, stock_wh + sun_wh + night_wh - lost_wh)
        change_wh = sun_wh + night_wh - drawn_wh - lost_wh
        stock_wh += change_wh
        lines = (
            ("sun", -sun_wh),
            ("grid:night", -night_wh),
            ("tank", change_wh),
            ("drawn", drawn_wh),
            ("lost", lost_wh),
        )
        postings = tuple(Posting(account, wh) for account, wh in lines if wh)
        yield TankEntry(START_S + 1800 * place, 1800, 1800, stock_wh, postings=postings)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    entries = tuple(tank_entries())
    with new_ledger(tmp_path) as made:
        made.commit(Batch(entries[-1].end_s, tank=entries))
        yield made


def test_each_month_has_the_share_that_the_stock_tells_of_it_alone(ledger: LedgerWriter) -> None:
    end_s = START_S + DAYS * 86_400
    all_of_them = shares_by_stock(ledger, TANK, "measured", START_S, end_s, DUBLIN, None)
    assert sorted(all_of_them) == [JUNE, JUNE + 1, JUNE + 2]
    assert len(set(all_of_them.values())) == 3
    for month, share in all_of_them.items():
        start_s, until_s = month_start_s(month, DUBLIN), month_start_s(month + 1, DUBLIN)
        assert shares_by_stock(ledger, TANK, "measured", start_s + 9, start_s + 10, DUBLIN, None) == {month: share}
        assert share == stock_report(ledger, TANK, None, start_s, until_s).total.used


def test_the_month_in_progress_is_told_the_same_by_who_keeps_what_was_before_it(ledger: LedgerWriter) -> None:
    end_s = START_S + DAYS * 86_400
    whole = shares_by_stock(ledger, TANK, "measured", START_S, end_s, DUBLIN, None)
    keeping = MonthSoFar(TANK)
    for month in (JUNE, JUNE + 2, JUNE + 1, JUNE + 2, JUNE + 2):
        assert keeping.share(ledger, month, DUBLIN) == whole[month]
    assert keeping.share(ledger, JUNE + 3, DUBLIN) is None


def test_as_it_stood_then(ledger: LedgerWriter) -> None:
    """By the entries that were booked by then: all of these were booked at the end."""
    end_s = START_S + DAYS * 86_400
    assert shares_by_stock(ledger, TANK, "measured", START_S, end_s, DUBLIN, end_s - 1.0) == {}
    assert shares_by_stock(ledger, TANK, "measured", START_S, end_s, DUBLIN, end_s) != {}
