"""Restating ten years of half hours, against reading and writing the same rows bare.

    python tests/bench/bench_restate.py [--years N]

Every interval has energy and gets another price, so that each of them is written anew. The floor does what the database
must do for it and nothing else: it reads the rows with their postings, and writes the very rows that the restatement
wrote, digests and all, with those that mark the old ones as replaced and queue the new ones, in a transaction a day, as
safely. It works nothing out: no digest, no price.
"""

import argparse
import shutil
import sqlite3
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from accounting.books.restatement import Restating
from accounting.ledger import Batch, Ledger, LedgerWriter
from accounting.pricing.tariffs import Tariff
from accounting.reports.value import value_report
from accounting.valuation.valuer import Energy, Valuer
from tests.support.ledgers import HALF_HOUR_S, QUAY, new_ledger
from tests.support.prices import ZONE, flat, settings

FROM_S = 1_767_225_600  # 2026-01-01 UTC, from when the invented prices hold
DAY_S = 86_400
AIM = 3.0
OLD = settings()
NEW = replace(OLD, export=Tariff("export", (flat("0.0650"),), ZONE))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=float, default=10.0)
    days = round(parser.parse_args().years * 365.25)
    with tempfile.TemporaryDirectory() as folder:
        path = filled(Path(folder), days)
        bare = path.with_name("bare.sqlite")
        shutil.copy(path, bare)
        unchanged_s, _ = restated(path, Valuer(OLD), days)
        took_s, longest_s = restated(path, Valuer(NEW), days)
        floor_s = floor(bare, path, days)
        with Ledger.open_reader(path) as ledger:
            assert ledger.restatements()[-1].intervals == days * 48
            began = time.perf_counter()
            then = value_report(ledger, "month", as_of_s=FROM_S + days * DAY_S)
            as_of_s = time.perf_counter() - began
            assert then.total.given_up_micro != value_report(ledger, "month").total.given_up_micro
    rows = days * 48
    print(f"{rows:,} half hours")
    print(f"floor: read and written bare      {floor_s:7.2f} s  {floor_s / rows * 1e6:6.1f} µs each")
    print(f"restated                          {took_s:7.2f} s  {took_s / rows * 1e6:6.1f} µs each")
    print(f"ratio                             {took_s / floor_s:7.2f}    (aim: {AIM})")
    print(f"longest step, a day               {longest_s * 1e3:7.1f} ms")
    print(f"restated with unchanged prices    {unchanged_s:7.2f} s")
    print(f"by month as of before             {as_of_s * 1e3:7.0f} ms")


def filled(folder: Path, days: int) -> Path:
    valuer = Valuer(OLD)
    with new_ledger(folder) as ledger:
        for day in range(days):
            start_s = FROM_S + day * DAY_S
            entries = tuple(
                valuer.entry(
                    Energy(start_s + place * HALF_HOUR_S, "main", 1 + (day + place) % 1400, 0, 1800), "settled"
                )
                for place in range(48)
            )
            ledger.commit(Batch(start_s + DAY_S, entries))
        return ledger.path


def restated(path: Path, valuer: Valuer, days: int) -> tuple[float, float]:
    """Seconds it took, and its longest step."""
    end_s = FROM_S + days * DAY_S
    longest_s = 0.0
    with LedgerWriter.open(path, QUAY) as ledger:
        began = last = time.perf_counter()
        work = Restating(ledger, valuer, "a word", FROM_S, end_s)
        while not work.step(end_s + 10.0):
            now = time.perf_counter()
            longest_s = max(longest_s, now - last)
            last = now
        return time.perf_counter() - began, longest_s


def floor(path: Path, made: Path, days: int) -> float:
    """Seconds to bring a ledger to what another one holds after its restatement."""
    done = sqlite3.connect(made)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA foreign_keys = ON")
    db.executemany("INSERT INTO restatement VALUES (?, ?, ?, ?, ?, ?, ?)", done.execute("SELECT * FROM restatement"))
    span = "start_s >= ? AND start_s < ?"
    written = {"entry": "version = 2", "posting": "version = 2", "superseded": "version = 1", "outbox": "version = 2"}
    took_s = 0.0
    for day in range(days):
        cut = (FROM_S + day * DAY_S, FROM_S + (day + 1) * DAY_S)
        rows = {
            table: done.execute(f"SELECT * FROM {table} WHERE {span} AND {which}", cut).fetchall()
            for table, which in written.items()
        }
        began = time.perf_counter()
        db.execute(f"SELECT * FROM entry WHERE {span}", cut).fetchall()
        db.execute(f"SELECT * FROM posting WHERE {span}", cut).fetchall()
        db.execute("BEGIN IMMEDIATE")
        for table, new in rows.items():
            verb = "INSERT OR REPLACE" if table == "outbox" else "INSERT"
            db.executemany(f"{verb} INTO {table} VALUES ({', '.join('?' * len(new[0]))})", new)
        db.execute("COMMIT")
        took_s += time.perf_counter() - began
    db.close()
    done.close()
    return took_s


if __name__ == "__main__":
    main()
