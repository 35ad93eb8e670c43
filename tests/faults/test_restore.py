"""Restoring: verified first, nothing deleted, and wherever it is cut short it can be run again."""

import sqlite3
from pathlib import Path

import pytest

from accounting.books.booking import Books
from accounting.ledger import Batch, Ledger, LedgerError, LedgerWriter
from accounting.ledger.backup import back_up
from accounting.ledger.restoring import STEPS, restore
from tests.support.ledgers import QUAY, START_S, entry, new_ledger
from tests.unit.daemon.recording.test_unit_of_work import BOOKS

NOW_S = START_S + 10 * 86_400.0


class Killed(BaseException):
    """The process ends here."""


def kept(folder: Path) -> tuple[Path, Path]:
    """A ledger of 100 intervals and a backup of its first 60."""
    with new_ledger(folder) as ledger:
        ledger.commit(Batch(entry(59).end_s, tuple(entry(place) for place in range(60))))
        backup = back_up(ledger.path, folder / "quay-backup.sqlite", NOW_S).backup.path
        ledger.commit(Batch(entry(99).end_s, tuple(entry(place) for place in range(60, 100))))
        return ledger.path, backup


def booked(path: Path) -> int:
    with Ledger.open_reader(path) as ledger:
        assert ledger.integrity() == []
        return len(ledger.entries(0, 1e11))


def test_a_backup_takes_the_ledgers_place_which_is_kept(tmp_path: Path) -> None:
    path, backup = kept(tmp_path)
    done = restore(backup, path, NOW_S)
    assert (done.first_s, done.end_s) == (START_S, entry(59).end_s)
    assert (done.known_until_s, done.known_before_s) == (entry(59).end_s, entry(99).end_s)
    assert booked(path) == booked(backup) == 60
    assert path.stat().st_mode & 0o777 == 0o600
    assert done.aside[0].name == "quay.sqlite.replaced-20260611T000000Z"
    assert booked(done.aside[0]) == 100
    with LedgerWriter.open(path, QUAY) as ledger:
        ledger.commit(Batch(NOW_S, (entry(60),)))
    assert booked(path) == 61
    assert booked(backup) == 60


def test_the_log_goes_with_the_file_that_it_belongs_to(tmp_path: Path) -> None:
    """As a killed daemon leaves it: what is only in the log is kept too, and does not get into the backup."""
    path, backup = kept(tmp_path)
    with LedgerWriter.open(path, QUAY) as ledger:
        ledger.commit(Batch(NOW_S, (entry(100),)))
        remains = {tail: path.with_name(path.name + tail).read_bytes() for tail in ("", "-wal")}
    for tail, data in remains.items():
        path.with_name(path.name + tail).write_bytes(data)
    done = restore(backup, path, NOW_S)
    assert done.known_before_s == NOW_S
    assert booked(path) == 60
    assert {one.name.removeprefix(done.aside[0].name) for one in done.aside} >= {"", "-wal"}
    assert booked(done.aside[0]) == 101


def test_while_a_daemon_has_the_ledger_nothing_is_done(tmp_path: Path) -> None:
    path, backup = kept(tmp_path)
    with LedgerWriter.open(path, QUAY), pytest.raises(LedgerError, match="another brimful is writing to it"):
        restore(backup, path, NOW_S)
    assert booked(path) == 100


@pytest.mark.parametrize("spoil", ["cut", "text", "missing", "unbalanced", "zeros"])
def test_a_backup_that_is_not_sound_changes_nothing(tmp_path: Path, spoil: str) -> None:
    path, backup = kept(tmp_path)
    if spoil == "cut":
        backup.write_bytes(backup.read_bytes()[:20_000])
    elif spoil == "text":
        backup.write_text("time,grid_w\n")
    elif spoil == "missing":
        backup.unlink()
    elif spoil == "zeros":
        with backup.open("r+b") as file:
            file.seek(3 * 4096)
            file.write(bytes(4096))
    else:
        with sqlite3.connect(backup) as db:
            db.execute("INSERT INTO posting VALUES (?, 'main', 1, 2, 'lost', 5, 0, 0)", (START_S,))
        db.close()
    before = sorted(one.name for one in tmp_path.iterdir())
    with pytest.raises(LedgerError, match="nothing was changed; try an older backup") as caught:
        restore(backup, path, NOW_S)
    assert caught.value.subject == str(backup)
    assert sorted(one.name for one in tmp_path.iterdir()) == before
    assert booked(path) == 100


def test_the_ledger_is_no_backup_of_itself(tmp_path: Path) -> None:
    path, _ = kept(tmp_path)
    with pytest.raises(LedgerError, match="expected a backup, got the ledger itself"):
        restore(path, path, NOW_S)


@pytest.mark.parametrize("step", STEPS)
def test_cut_short_anywhere_it_is_mended_by_the_same_command(tmp_path: Path, step: str) -> None:
    """No daemon starts new books, or mixes old and new, in between."""
    path, backup = kept(tmp_path)

    def kill(done: str) -> None:
        if done == step:
            raise Killed

    with pytest.raises(Killed):
        restore(backup, path, NOW_S, kill)
    if step in ("ready", "aside"):
        with pytest.raises(LedgerError, match="a restore was cut short; run the same `brimful restore` again"):
            LedgerWriter.open(path, QUAY)
    else:
        LedgerWriter.open(path, QUAY).close()
        assert booked(path) == (60 if step == "placed" else 100)
    restore(backup, path, NOW_S)
    assert booked(path) == 60
    assert not [one for one in tmp_path.iterdir() if "restoring" in one.name]
    replaced = [one for one in tmp_path.iterdir() if ".replaced-" in one.name and "-wal" not in one.name]
    assert 100 in [booked(one) for one in replaced if one.stat().st_size and not one.name.endswith("-shm")]
    LedgerWriter.open(path, QUAY).close()


def test_a_lost_ledger_comes_back_too(tmp_path: Path) -> None:
    path, backup = kept(tmp_path)
    path.unlink()
    done = restore(backup, path, NOW_S)
    assert done.known_before_s is None
    assert done.aside == ()
    assert booked(path) == 60


def test_the_counter_brings_the_time_since_the_backup_back(tmp_path: Path) -> None:
    """Yesterday's backup, then readings go on: total = difference of the counter, the gap called estimated."""
    counter_wh = 5000.0

    def live(books: Books, from_s: int, to_s: int, ledger: Ledger) -> None:
        nonlocal counter_wh
        for at_s in range(from_s, to_s, 600):
            books.note("diverted_wh", at_s, counter_wh)
            entries = tuple(books.settle(at_s))
            ledger.commit(Batch(at_s, entries, tuple(books.open_entries(at_s)), state={"meter": books.state()}))  # type: ignore[attr-defined]
            counter_wh += 90

    day = 86_400
    with new_ledger(tmp_path) as ledger:
        books = Books(BOOKS, None)
        live(books, START_S, START_S + day, ledger)
        backup = back_up(ledger.path, tmp_path / "b.sqlite", NOW_S).backup.path
        live(books, START_S + day, START_S + 2 * day, ledger)
        path = ledger.path
    restore(backup, path, NOW_S)
    with LedgerWriter.open(path, QUAY) as ledger:
        books = Books(BOOKS, ledger.state("meter"))
        live(books, START_S + 2 * day, START_S + 2 * day + 7200, ledger)
    with Ledger.open_reader(path) as ledger:
        entries = ledger.entries(0, 1e11)
        opened = ledger.open_entries()
        assert sum(one.diverted_wh for one in (*entries, *opened)) == counter_wh - 90 - 5000
        estimated_wh = sum(one.estimated_wh for one in entries)
        assert estimated_wh == 145 * 90, "from the last reading before the backup"
        assert {one.start_s for one in entries if one.estimated_wh} >= set(
            range(START_S + day, START_S + 2 * day, 1800)
        )
        assert ledger.integrity() == []
        assert len({(one.start_s, one.heater) for one in (*entries, *opened)}) == len(entries) + len(opened)
