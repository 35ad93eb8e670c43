"""Who gave the energy, marginal carbon, the tank's entries; and files of the first schema that get the columns."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from accounting.ledger import Batch, LedgerWriter
from accounting.ledger.opening import connect, migrate
from accounting.ledger.schema import MIGRATIONS
from accounting.model.entry import Entry, Posting, TankEntry
from accounting.model.journal import postings
from accounting.reports.value import value_report
from tests.support.ledgers import HALF_HOUR_S, QUAY, START_S, entry, new_ledger

EVER = 1e11


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    with new_ledger(tmp_path) as ledger:
        yield ledger


def mixed(place: int = 0) -> Entry:
    """700 Wh: 500 of the sun, 120 of the grid by night, 80 of the battery."""
    taken = (Posting("grid:night", 120, 11_052, 30_600), Posting("battery", 80, 4_400, 20_400))
    return replace(
        entry(place),
        given_up_micro=27_500,
        given_up_mg=127_500,
        grid_wh=120,
        battery_wh=80,
        curtailed_wh=10,
        bought_micro=15_452,
        bought_mg=51_000,
        given_up_marginal_mg=200_000,
        avoided_marginal_mg=130_000,
        bought_marginal_mg=80_000,
        used="9/10",
        postings=postings(700, 27_500, 127_500, taken),
    )


def tank(place: int = 0, drawn: int = 300) -> TankEntry:
    lines = (
        Posting("sun", -500, -27_500, -127_500),
        Posting("grid:night", -200, -15_452, -51_000),
        Posting("tank", 700 - drawn - 20, 42_952, 178_500),
        Posting("drawn", drawn),
        Posting("lost", 20),
    )
    return TankEntry(START_S + place * HALF_HOUR_S, HALF_HOUR_S, 1800, 5000 - drawn, True, postings=lines)


def test_who_gave_the_energy_and_what_it_cost_come_back(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (mixed(), entry(1)), (mixed(2),)))
    assert ledger.entries(START_S, EVER) == [mixed(), entry(1)]
    assert ledger.open_entries() == [replace(mixed(2), postings=())]
    assert mixed().sun_wh == 500
    assert mixed().net_micro == 140_000 - 27_500 - 15_452


def test_other_costs_of_the_same_energy_are_a_new_version(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (mixed(),)))
    dearer = replace(mixed(), bought_micro=15_453)
    ledger.commit(Batch(START_S, (mixed(),)))
    assert ledger.outbox_peek(9)[0].key.version == 1
    ledger.commit(Batch(START_S, (dearer,)))
    assert ledger.outbox_peek(9)[0].key.version == 2


def test_what_was_bought_and_marginal_carbon_are_totalled_and_not_mixed(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (mixed(), entry(1), mixed(2)), (mixed(3),)))
    for revised in (replace(mixed(2), bought_micro=10_000, bought_marginal_mg=1), replace(entry(1), grid_wh=0)):
        ledger.commit(Batch(START_S, (revised,)))
    total = value_report(ledger, "day").total
    assert (total.diverted_wh, total.grid_wh, total.battery_wh) == (2800, 360, 240)
    assert (total.bought_micro, total.bought_mg) == (15_452 * 2 + 10_000, 153_000)
    assert total.net_micro == 560_000 - 27_500 * 3 - 38_500 - 40_904
    assert total.net_mg == 4 * 127_400 - 3 * 127_500 - 700 * 255 - 153_000
    assert total.marginal_wh == 2100
    assert (total.given_up_marginal_mg, total.bought_marginal_mg) == (600_000, 160_001)
    assert total.net_marginal_mg == 390_000 - 600_000 - 160_001


def test_an_interval_revised_within_a_batch_has_both_versions(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, tank=(tank(0), tank(0), tank(1), tank(0, 400), tank(0, 400))))
    versions = ledger._db.execute("SELECT version FROM tank_entry WHERE start_s = ? ORDER BY 1", (tank(0).start_s,))
    assert versions.fetchall() == [(1,), (2,)]


def test_the_tanks_entries_come_back_and_the_newest_version_counts(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, tank=(tank(0), tank(1))))
    ledger.commit(Batch(START_S, tank=(tank(0), tank(1, 400))))
    assert list(ledger.tank_entries(START_S, EVER)) == [tank(0), tank(1, 400)]
    assert list(ledger.tank_entries(START_S + 1, EVER)) == [tank(1, 400)]
    assert ledger.tank_span() == (START_S, START_S + 2 * HALF_HOUR_S)
    with closing(sqlite3.connect(ledger.path)) as db:
        assert db.execute("SELECT start_s, version FROM tank_entry").fetchall() == [
            (START_S, 1),
            (START_S + HALF_HOUR_S, 1),
            (START_S + HALF_HOUR_S, 2),
        ]
        with pytest.raises(sqlite3.IntegrityError, match="append-only: tank_posting"):
            db.execute("UPDATE tank_posting SET wh = 0")


def test_a_tanks_entry_out_of_balance_is_refused_and_nothing_is_written(ledger: LedgerWriter) -> None:
    bent = replace(tank(1), postings=tank(1).postings[:-1])
    with pytest.raises(ValueError, match=r"postings: expected 0 Wh, accumulated -20 Wh \(20 too little\)"):
        ledger.commit(Batch(START_S, (entry(0),), tank=(tank(0), bent)))
    with pytest.raises(ValueError, match=r"drawn: got -5 Wh, which is the wrong way round"):
        ledger.commit(Batch(START_S, tank=(tank(0, -5),)))
    assert ledger.tank_span() is None
    assert ledger.entries(0, EVER) == []


def test_integrity_looks_at_the_tank_too(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, tank=(tank(0),)))
    assert ledger.integrity() == []
    with closing(sqlite3.connect(ledger.path)) as db, db:
        db.execute("INSERT INTO tank_posting VALUES (?, 1, 5, 'lost', 7, 0, 0)", (START_S,))
    assert ledger.integrity() == [
        "tank's entry of 2026-06-01 00:00 UTC, version 1: not as it was written",
        "what was booked up to 2026-06-01 00:00 UTC was changed, dropped or added to",
        f"tank's interval {START_S}, version 1: postings add up to 7 Wh instead of 0",
    ]


def test_a_ledger_of_the_first_schema_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "quay.sqlite"
    with closing(connect(f"file:{path}?mode=rwc")) as db:
        migrate(db, MIGRATIONS[:1])
        db.executemany("INSERT INTO meta VALUES (?, ?)", [("name", "Quay Cottage"), ("interval_minutes", "30")])
        db.executemany("INSERT INTO meta VALUES (?, ?)", [("currency", "EUR"), ("timezone", "Europe/Dublin")])
        values = (START_S, "main", 1, 1800, 1800, 700, 0, 38_500, 140_000, 178_500, 127_400, 55_000, 317_000, 200_000)
        db.execute(f"INSERT INTO entry VALUES ({'?, ' * 14}'settled', 0)", values)
        lines = [(START_S, "main", 1, 0, "sun", -700), (START_S, "main", 1, 1, "tank", 700)]
        db.executemany("INSERT INTO posting VALUES (?, ?, ?, ?, ?, ?)", lines)
        db.execute("INSERT INTO heater VALUES ('main', 1, ?, ?)", (START_S, START_S + 1800))
    with LedgerWriter.open(path, QUAY) as ledger:
        assert ledger.entries(0, EVER) == [entry(0)]
        assert value_report(ledger, "year").total.net_micro == 101_500
        same = replace(entry(0), used="1", postings=postings(700, 38_500, 178_500))
        ledger.commit(Batch(START_S, (same, entry(1))))
        assert [item.key.version for item in ledger.outbox_peek(9)] == [1], "nothing new is said of the old interval"
        ledger.commit(Batch(START_S, (replace(same, given_up_micro=1, postings=postings(700, 1, 178_500)),)))
        assert [item.key.version for item in ledger.outbox_peek(9)] == [2, 1]
        assert ledger.integrity() == []
