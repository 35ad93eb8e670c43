"""What the daemon says of today is what `value` says of today, to the millionth, where the share used is measured."""

from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from zoneinfo import ZoneInfo

from accounting.ledger import Batch
from accounting.reports.used_share import by_share, shares_by_stock
from accounting.reports.value import value_report
from daemon.recording.unit_of_work import Keeper
from rules.model.reading import Moment
from tests.support.ledgers import HALF_HOUR_S, START_S, entry, new_ledger
from tests.support.prices import TANK, ZONE
from tests.unit.accounting.reports.test_used_share import tank_entries

DUBLIN = ZoneInfo(ZONE)


def test_today_goes_by_the_share_of_the_month(tmp_path: Path) -> None:
    days = 12
    entries = tuple(
        replace(entry(place, 31 + place % 17), used="1", unpriced_wh=0) for place in range(20, days * 48 - 9, 3)
    )
    tank = tuple(one for one in tank_entries() if one.end_s <= START_S + days * 86_400 - 4 * 3600)
    now_s = entries[-1].end_s + 600
    started = replace(entry(0, 13), start_s=entries[-1].start_s + 2 * HALF_HOUR_S, used="1", unpriced_wh=0)
    engine = SimpleNamespace(
        settings=SimpleNamespace(timezone=ZONE, currency="EUR"),
        books=SimpleNamespace(open_entries=lambda at_s: [started]),
    )
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(now_s, entries, (started,), tank))
        keeper = Keeper(ledger)
        plain = keeper.today(engine, Moment(now_s, now_s))  # type: ignore[arg-type]
        keeper.measure_used(TANK)
        told = keeper.today(engine, Moment(now_s, now_s))  # type: ignore[arg-type]
        midnight_s = int(datetime.fromtimestamp(now_s, DUBLIN).replace(hour=0, minute=0, second=0).timestamp())
        report = value_report(ledger, "day", midnight_s)
        shares = shares_by_stock(ledger, TANK, "measured", midnight_s, now_s, DUBLIN, None)
        total = by_share(ledger, report, shares, "measured", Fraction(1))[0].total
    assert 0 < told["avoided"] < plain["avoided"]
    assert (told["avoided"], told["net"]) == (total.avoided_micro / 1e6, total.net_micro / 1e6)
    assert (told["diverted_kwh"], told["given_up"]) == (total.diverted_wh / 1000, total.given_up_micro / 1e6)
