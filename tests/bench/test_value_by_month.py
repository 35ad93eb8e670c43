"""Ten years of half hours by month, against the bare sum of the same columns over the same table."""

import sqlite3
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from accounting.ledger import Batch, Ledger
from accounting.reports.value import value_report
from tests.support.ledgers import HALF_HOUR_S, entry, new_ledger

YEARS_S = 3653 * 86400
FROM_S = 1_451_606_400  # 2016-01-01 UTC
COLUMNS = ("diverted_wh", "estimated_wh", "measured_s", "given_up_micro", "avoided_micro", "given_up_mg", "avoided_mg")
AIM = 2.0
ROUNDS = 9


def fastest_ms(work: Callable[[], object]) -> float:
    best = float("inf")
    for _ in range(ROUNDS):
        began = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - began)
    return best * 1000


def test_ten_years_by_month(tmp_path: Path) -> None:
    starts = range(FROM_S, FROM_S + YEARS_S, HALF_HOUR_S)
    with new_ledger(tmp_path) as writer:
        began = time.perf_counter()
        for first in range(0, len(starts), 2000):
            entries = tuple(
                replace(entry(0, start_s // 7 % 1400), start_s=start_s) for start_s in starts[first : first + 2000]
            )
            writer.commit(Batch(entries[-1].end_s, entries))
        filling_s = time.perf_counter() - began
    path = tmp_path / "quay.sqlite"
    db = sqlite3.connect(path)
    with Ledger.open_reader(path) as ledger:
        report = value_report(ledger, "month")
        bare_ms = fastest_ms(
            lambda: db.execute(f"SELECT {', '.join(f'sum({name})' for name in COLUMNS)} FROM entry").fetchall()
        )
        three_ms = fastest_ms(
            lambda: db.execute("SELECT sum(diverted_wh), sum(given_up_micro), sum(avoided_micro) FROM entry").fetchall()
        )
        by_month_ms = fastest_ms(lambda: value_report(ledger, "month"))
        by_day_ms = fastest_ms(lambda: value_report(ledger, "day"))
    ((total_wh,),) = db.execute("SELECT sum(diverted_wh) FROM entry").fetchall()
    db.close()

    assert len(report.rows) == 120
    assert report.total.diverted_wh == sum(row.diverted_wh for row in report.rows) == total_wh
    ratio = by_month_ms / bare_ms
    print(
        f"\n{len(starts):,} half hours, {path.stat().st_size / 1e6:.0f} MB, "
        f"booked at {filling_s / len(starts) * 1e6:.1f} µs each"
        f"\nbare sum of {len(COLUMNS)} columns {bare_ms:.1f} ms (of 3: {three_ms:.1f} ms)"
        f"\nvalue by month {by_month_ms:.1f} ms: {ratio:.2f} times the bare sum (aim: {AIM}); by day {by_day_ms:.1f} ms"
    )
    assert ratio <= AIM
