"""What digests cost a ledger of ten years of half hours: bytes, the upgrade of an older one, proving it.

Floor of the upgrade and the proof: reading the file's bytes once. Run as `python tests/bench/bench_digests.py`.
"""

import sqlite3
import tempfile
from pathlib import Path

from measure import REPOSITORY, Row, seconds, show

from accounting.ledger import Ledger, LedgerWriter
from accounting.ledger.connecting import connect, migrate
from accounting.ledger.schema import MIGRATIONS
from accounting.ledger.sealing_upgrade import seal_all
from tests.support.ledgers import HALF_HOUR_S, QUAY

FROM_S = 1_451_606_400  # 2016-01-01 UTC
MANY = 3653 * 48
BEFORE = next(number for number, steps in enumerate(MIGRATIONS) if seal_all in steps)
"""The last schema without digests."""


def fill(path: Path) -> None:
    """Ten years by a program that knew no digests: a heater's entry and the tank's each half hour."""
    db = connect(f"file:{path}?mode=rwc")
    db.execute("PRAGMA synchronous = OFF")
    migrate(db, MIGRATIONS[:BEFORE])
    starts = [FROM_S + place * HALF_HOUR_S for place in range(MANY)]
    meta = {"name": QUAY.name, "interval_minutes": "30", "currency": QUAY.currency, "timezone": QUAY.timezone}
    db.execute("BEGIN")
    db.executemany("INSERT INTO meta VALUES (?, ?)", meta.items())
    db.execute("INSERT INTO heater VALUES ('main', 1, ?, ?)", (starts[0], starts[-1] + HALF_HOUR_S))
    db.executemany(
        "INSERT INTO entry (start_s, heater, version, interval_s, measured_s, diverted_wh, estimated_wh, "
        "given_up_micro, avoided_micro, given_up_mg, avoided_mg, export_price_micro, import_price_micro, "
        "heat_value_micro, reason, booked_at_s, used) VALUES (?1, 'main', 1, 1800, 1800, ?2, 0, ?2 * 55, ?2 * 200, "
        "?2 * 255, ?2 * 182, 55000, 317000, 200000, 'settled', ?1 + 1920.0, '1')",
        ((start_s, start_s // 7 % 1400) for start_s in starts),
    )
    for line, account, sign in ((0, "sun", -1), (1, "tank", 1)):
        db.executemany(
            f"INSERT INTO posting VALUES (?1, 'main', 1, {line}, '{account}', {sign} * ?2, {sign} * ?2 * 55, "
            f"{sign} * ?2 * 255)",
            ((start_s, start_s // 7 % 1400) for start_s in starts),
        )
    db.executemany(
        "INSERT INTO tank_entry VALUES (?1, 1, 1800, 1800, 4000, 0, 'settled', ?1 + 1920.0)", ((s,) for s in starts)
    )
    for line, account, sign in ((0, "sun", -1), (1, "drawn", 1)):
        db.executemany(
            f"INSERT INTO tank_posting VALUES (?1, 1, {line}, '{account}', {sign} * ?2, 0, 0)",
            ((start_s, start_s // 7 % 1400) for start_s in starts),
        )
    db.execute("COMMIT")
    db.execute("VACUUM")
    db.close()


def main() -> None:
    with tempfile.TemporaryDirectory(dir=REPOSITORY / "tests" / ".cache") as made:
        path = Path(made) / "quay.sqlite"
        fill(path)
        before_mb = path.stat().st_size / 1e6
        floor_s = min(seconds(path.read_bytes) for _ in range(3))
        upgrade_s = seconds(lambda: LedgerWriter.open(path, QUAY).close())
        after_mb = path.stat().st_size / 1e6
        db = sqlite3.connect(path)
        db.execute("VACUUM")
        db.close()
        packed_mb = path.stat().st_size / 1e6
        with Ledger.open_reader(path) as ledger:
            prove_s = min(seconds(ledger.proof) for _ in range(2))
            assert ledger.integrity() == []
    show(
        f"Ten years, {2 * MANY:,} rows with their postings: {before_mb:.1f} MB, {after_mb:.1f} MB upgraded, "
        f"{packed_mb:.1f} MB packed ({(packed_mb - before_mb) * 1e6 / 2 / MANY:.1f} bytes a row)",
        [Row("upgraded", upgrade_s, "s", floor_s), Row("all digests and the chain proved", prove_s, "s", floor_s)],
    )


if __name__ == "__main__":
    main()
