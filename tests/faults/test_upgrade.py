"""Ledgers of every schema come up to the newest on a copy; the old file stays, and no step can lose it."""

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from accounting.ledger import Batch, Ledger, LedgerError, LedgerWriter
from accounting.ledger.backup import back_up
from accounting.ledger.connecting import connect
from accounting.ledger.copying import tally
from accounting.ledger.opening import open_writing
from accounting.ledger.restoring import restore
from accounting.ledger.schema import MIGRATIONS
from accounting.ledger.upgrading import STEPS, upgrade
from tests.support.ledgers import QUAY, START_S, entry, new_ledger
from tests.support.old_ledger import BOOKED, REVISED, WAITING, load, text_of

REPO = Path(__file__).parents[2]
OLD = range(1, len(MIGRATIONS) + 1)
LATER = (*MIGRATIONS, ("ALTER TABLE tape ADD COLUMN note TEXT", "CREATE TABLE more (x INTEGER) STRICT"))
"""A schema that may come."""
NEXT = len(LATER)


def held(path: Path) -> dict[str, int]:
    db = sqlite3.connect(path)
    try:
        return dict(tally(db))
    finally:
        db.close()


def version_of(path: Path) -> int:
    db = sqlite3.connect(path)
    try:
        return int(db.execute("PRAGMA user_version").fetchone()[0])
    finally:
        db.close()


def present(folder: Path) -> tuple[Path, dict[str, int]]:
    """A ledger of the present schema as a killed daemon leaves it, part of it in the log; and what it holds."""
    with new_ledger(folder) as ledger:
        ledger.commit(Batch(START_S, tuple(entry(place) for place in range(200))))
        ledger.commit(Batch(START_S, (entry(0, 710),)))
        remains = {tail: Path(f"{ledger.path}{tail}").read_bytes() for tail in ("", "-wal")}
        path = ledger.path
    for tail, data in remains.items():
        Path(f"{path}{tail}").write_bytes(data)
    with Ledger.open_reader(path) as seen:
        assert len(seen.entries(0, 1e11)) == 200
        return path, dict(tally(seen._db))


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()} - {"quay.sqlite-wal", "quay.sqlite-shm", "quay.sqlite-writer"}


@pytest.mark.parametrize("schema", OLD)
def test_there_is_a_ledger_of_each_schema(schema: int) -> None:
    """A new step of the schema needs one: before it is released, `python -m tests.support.old_ledger` writes it."""
    assert text_of(schema).exists()


@pytest.mark.parametrize("schema", OLD)
def test_a_ledger_of_each_schema_comes_up_with_all_it_held(tmp_path: Path, schema: int) -> None:
    path = tmp_path / "quay.sqlite"
    load(schema, path)
    assert version_of(path) == schema
    before = held(path)
    with LedgerWriter.open(path, QUAY) as ledger:
        assert ledger.integrity() == []
        entries = ledger.entries(0, 1e11)
        assert before["superseded"] == REVISED - 1, "one of the revised is another heater's interval"
        assert len(entries) == BOOKED + 1
        assert sum(one.diverted_wh for one in entries) == ledger.sums([(0, 2**40)])[0].diverted_wh == WH
        assert ledger.outbox_depth() == WAITING
        assert ledger.state("meter") == {"main": {"wh": BOOKED - 1}}
        assert ledger.state("memory") == {"since_s": float("-inf")}
        assert len(ledger.decisions(0, 1e11)) == len(ledger.events(0, 1e11)) == len(ledger.tape(0, 1e11)) == BOOKED
        assert ledger.open_entries()[0].diverted_wh == 55
        ledger.commit(Batch(entry(BOOKED).end_s, (entry(BOOKED),)))
        assert ledger.outbox_depth() == WAITING + 1
    assert version_of(path) == len(MIGRATIONS)
    if schema < len(MIGRATIONS):
        assert names(tmp_path) == {"quay.sqlite", f"quay.sqlite.schema-{schema}"}
        assert held(tmp_path / f"quay.sqlite.schema-{schema}") == before
        assert version_of(tmp_path / f"quay.sqlite.schema-{schema}") == schema


# Of the entries above: 500 + 7 × place, but 900 + place for the six revised, and one more of 904 Wh.
WH = sum(500 + 7 * place for place in range(40)) + sum(400 - 6 * place for place in range(7) if place != 4) + 904


def test_a_backup_of_an_older_schema_is_restored_and_upgraded(tmp_path: Path) -> None:
    old, path = tmp_path / "old.sqlite", tmp_path / "quay.sqlite"
    load(1, old)
    saved = back_up(old, tmp_path / "saved.sqlite", START_S).backup.path
    assert version_of(saved) == 1
    restore(saved, path, START_S)
    assert version_of(saved) == 1
    with Ledger.open_reader(path) as ledger:
        assert len(ledger.entries(0, 1e11)) == BOOKED + 1


def test_a_new_ledger_needs_no_upgrade(tmp_path: Path) -> None:
    new_ledger(tmp_path).close()
    new_ledger(tmp_path).close()
    assert names(tmp_path) == {"quay.sqlite"}


def opened(path: Path) -> None:
    """Open and close as a later program would."""
    db, lock = open_writing(path, migrations=LATER)
    db.close()
    os.close(lock)


SCRIPT = """
import os, signal, sys
from pathlib import Path
from accounting.ledger.upgrading import upgrade
from tests.faults.test_upgrade import LATER

def kill(step):
    if step == sys.argv[2]:
        os.kill(os.getpid(), signal.SIGKILL)

upgrade(Path(sys.argv[1]), len(LATER) - 1, LATER, kill)
"""


@pytest.mark.parametrize("step", STEPS)
def test_killed_at_any_step_a_ledger_is_there_that_opens_and_holds_everything(tmp_path: Path, step: str) -> None:
    path, before = present(tmp_path)
    killed = subprocess.run([sys.executable, "-c", SCRIPT, str(path), step], cwd=REPO, timeout=60, check=False)
    assert killed.returncode == -9
    assert version_of(path) == (NEXT if step == "placed" else NEXT - 1)
    opened(path)
    assert version_of(path) == NEXT
    after = held(path)
    assert {name: after[name] for name in before} == before
    assert names(tmp_path) == {"quay.sqlite", f"quay.sqlite.schema-{NEXT - 1}"}
    assert held(tmp_path / f"quay.sqlite.schema-{NEXT - 1}") == before


def test_an_upgrade_that_changes_the_books_is_not_put_in_place(tmp_path: Path) -> None:
    path, before = present(tmp_path)
    spoiling = (
        *MIGRATIONS,
        ("DROP TRIGGER entry_keeps_update", "UPDATE entry SET given_up_micro = given_up_micro + 1"),
    )
    with pytest.raises(LedgerError, match=r"not as good as the ledger \(entry.given_up_micro: expected"):
        upgrade(path, len(MIGRATIONS), spoiling)
    assert held(path) == before
    assert names(tmp_path) == {"quay.sqlite"}


def test_a_step_that_fails_leaves_the_ledger_as_it_was(tmp_path: Path) -> None:
    path, before = present(tmp_path)
    with pytest.raises(LedgerError, match="already exists"):
        upgrade(path, len(MIGRATIONS), (*MIGRATIONS, ("CREATE TABLE tape (x)",)))
    assert held(path) == before
    assert names(tmp_path) == {"quay.sqlite"}


def test_a_disk_without_room_for_the_copy_leaves_the_ledger_as_it_was(tmp_path: Path) -> None:
    path, before = present(tmp_path)

    def full(step: str) -> None:
        if step == "copied":
            raise OSError(28, "No space left on device")

    with pytest.raises(LedgerError, match="No space left on device; the ledger is as it was") as caught:
        upgrade(path, len(MIGRATIONS), LATER, full)
    assert caught.value.may_pass
    assert held(path) == before
    assert names(tmp_path) == {"quay.sqlite"}


def test_an_old_ledger_kept_before_is_left_alone(tmp_path: Path) -> None:
    """One restored from it, say, is upgraded again."""
    path, _ = present(tmp_path)
    kept = tmp_path / f"quay.sqlite.schema-{NEXT - 1}"
    kept.write_bytes(b"of long ago")
    opened(path)
    assert kept.read_bytes() == b"of long ago"
    assert version_of(tmp_path / f"{kept.name}.2") == NEXT - 1


def test_while_somebody_else_has_it_open_it_is_not_upgraded(tmp_path: Path) -> None:
    path, before = present(tmp_path)
    db = connect(f"file:{path}")
    db.execute("BEGIN")
    db.execute("SELECT count(*) FROM entry").fetchone()
    try:
        with pytest.raises(LedgerError) as caught:
            opened(path)
        assert caught.value.may_pass
    finally:
        db.close()
    assert held(path) == before
