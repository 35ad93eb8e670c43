"""What care of a ten-year ledger costs: the check at each start, a backup with its proof, `brimful verify`.

Floor: reading the file's bytes once. Run as `python tests/bench/bench_ledger_care.py`.
"""

import tempfile
from dataclasses import replace
from pathlib import Path

from measure import REPOSITORY, Row, seconds, show

from accounting.ledger import Batch, DecisionRow, Ledger, LedgerWriter
from accounting.ledger.backup import back_up
from accounting.ledger.tape import pack
from rules.model.orders import Finding, Order, Verdict
from tests.support.ledgers import HALF_HOUR_S, QUAY, entry, new_ledger

FROM_S = 1_451_606_400  # 2016-01-01 UTC
DAYS, KEPT_DAYS, DECISIONS_A_DAY = 3653, 400, 40
FOUND = tuple(
    Finding(name, Verdict.ALLOW, f"{name}: a sentence with its figures, 541 W on average over 60 s", "changes at 95 %")
    for name in ("limit", "fresh", "full", "override", "battery", "worth", "surplus", "rest")
)


def fill(folder: Path) -> Path:
    """Ten years of half hours, and as many days of decisions and of tape as are kept."""
    with new_ledger(folder) as ledger:
        ledger._db.execute("PRAGMA synchronous = OFF")  # only to be sooner done with filling it
        for day in range(DAYS):
            start_s = FROM_S + day * 86_400
            starts = range(start_s, start_s + 86_400, HALF_HOUR_S)
            entries = tuple(replace(entry(0, at_s // 7 % 1400), start_s=at_s) for at_s in starts)
            kept = day >= DAYS - KEPT_DAYS
            decisions = tuple(
                DecisionRow(start_s + 900.0 * number, "main", Order.SURPLUS, None, "surplus", "541 W", "", FOUND)
                for number in range(DECISIONS_A_DAY * kept)
            )
            ledger.commit(Batch(start_s + 86_400.0, entries, decisions=decisions))
            for at_s in starts if kept else ():
                rows = [
                    (at_s + 60 * minute, {f"signal_{n}": (at_s // 60 * n + minute * 37) % 3000 / 2 for n in range(6)})
                    for minute in range(30)
                ]
                ledger.commit(Batch(at_s + 1800.0, tape=pack(rows)))
        return ledger.path


def main() -> None:
    with tempfile.TemporaryDirectory(dir=REPOSITORY / "tests" / ".cache") as made:
        folder = Path(made)
        path = fill(folder)
        size_mb = path.stat().st_size / 1e6
        floor_s = min(seconds(path.read_bytes) for _ in range(3))
        start_s = min(seconds(lambda: LedgerWriter.open(path, QUAY).close()) for _ in range(3))
        with Ledger.open_reader(path) as ledger:
            checks = ledger.verify().checks
            assert all(check.ok for check in checks), checks
            verify_s = min(seconds(ledger.verify) for _ in range(2))
        to = (folder / f"backup{number}.sqlite" for number in range(2))
        backup_s = min(seconds(lambda: back_up(path, next(to), 0.0)) for _ in range(2))
    show(
        f"A ledger of ten years, {size_mb:.0f} MB",
        [
            Row("opened by the daemon", start_s, "s", floor_s),
            Row("backed up and proved", backup_s, "s", floor_s),
            Row("verified", verify_s, "s", floor_s),
        ],
    )


if __name__ == "__main__":
    main()
