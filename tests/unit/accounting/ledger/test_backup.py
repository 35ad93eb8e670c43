"""Backups: made beside a writer, proved, thinned out; what goes wrong leaves nothing half-made."""

import os
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from accounting.ledger import Batch, Ledger, LedgerError, LedgerWriter
from accounting.ledger.backup import Backup, Keep, back_up, listed, newest, newest_sound, to_let_go
from accounting.ledger.copying import prove
from accounting.ledger.schema import MIGRATIONS
from tests.support.ledgers import START_S, entry, new_ledger

NOON_S = datetime(2026, 7, 1, 12, tzinfo=UTC).timestamp()


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S, tuple(entry(place) for place in range(3000)), state={"next": 3000}))
        yield ledger


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "safe").mkdir()
    return tmp_path / "safe"


def everything(path: Path) -> list[str]:
    db = sqlite3.connect(path)
    try:
        return list(db.iterdump())
    finally:
        db.close()


def test_a_backup_is_the_ledger_in_one_file_of_its_owners_alone(ledger: LedgerWriter, folder: Path) -> None:
    mask = os.umask(0o022)
    try:
        made = back_up(ledger.path, folder, NOON_S)
    finally:
        os.umask(mask)
    assert made.backup == Backup(folder / "quay-20260701T120000Z.sqlite", NOON_S)
    assert [path.name for path in folder.iterdir()] == [made.backup.path.name]
    assert made.backup.path.stat().st_mode & 0o777 == 0o600
    assert made.size_bytes == made.backup.path.stat().st_size
    assert made.holds["entry"] == 3000
    assert made.holds["entry.diverted_wh"] == 3000 * 700
    assert everything(made.backup.path) == everything(ledger.path)
    with Ledger.open_reader(made.backup.path) as copy:
        assert copy.integrity() == []


def test_what_is_written_meanwhile_is_not_in_it_and_the_writer_does_not_wait(
    ledger: LedgerWriter, folder: Path
) -> None:
    """A commit between any two steps of the copy: the backup is the state at its beginning."""
    ledger.commit(Batch(START_S, tuple(entry(place) for place in range(3000, 9000)), state={"next": 9000}))
    steps = 0

    def write() -> None:
        nonlocal steps
        ledger.commit(Batch(START_S, (entry(9000 + steps),), state={"next": 9001 + steps}))
        steps += 1

    made = back_up(ledger.path, folder, NOON_S, pause=write)
    assert steps >= 2, "the copy is made in steps"
    with Ledger.open_reader(made.backup.path) as copy:
        assert copy.state("next") == len(copy.entries(0, 1e11)) == 9000
        assert copy.integrity() == []
    assert ledger.state("next") == 9000 + steps


def test_it_can_be_given_a_name_but_not_one_that_is_taken(ledger: LedgerWriter, folder: Path) -> None:
    path = folder / "before-the-holidays.sqlite"
    assert back_up(ledger.path, path, NOON_S).backup.path == path
    before = path.read_bytes()
    with pytest.raises(LedgerError, match="expected a new file, got one that exists"):
        back_up(ledger.path, path, NOON_S)
    assert path.read_bytes() == before
    with pytest.raises(LedgerError, match="its folder does not exist; make the folder, or mount the disk"):
        back_up(ledger.path, folder / "not" / "there.sqlite", NOON_S)


def test_a_copy_that_is_not_as_good_does_not_count(ledger: LedgerWriter, folder: Path) -> None:
    """As if the disk gave back other bytes than it was given."""
    made = back_up(ledger.path, folder, NOON_S)
    prove(made.backup.path, len(MIGRATIONS), made.holds)
    with pytest.raises(LedgerError, match="its marks are"):
        prove(made.backup.path, len(MIGRATIONS) + 1, made.holds)
    with sqlite3.connect(made.backup.path) as db:
        db.execute("DROP TRIGGER entry_keeps_update")
        db.execute("UPDATE entry SET diverted_wh = diverted_wh + 1 WHERE start_s = ?", (START_S,))
    db.close()
    with pytest.raises(LedgerError, match=r"\(entry.diverted_wh: expected 2100000, got 2100001\)"):
        prove(made.backup.path, len(MIGRATIONS), made.holds)
    with made.backup.path.open("r+b") as file:
        file.seek(20 * 4096)
        file.write(bytes(4096))
    with pytest.raises(LedgerError, match=r"not as good as the ledger|it is damaged"):
        prove(made.backup.path, len(MIGRATIONS), made.holds)


def test_a_backup_that_fails_leaves_nothing_and_keeps_the_older(ledger: LedgerWriter, folder: Path) -> None:
    old = back_up(ledger.path, folder, NOON_S - 40 * 86_400).backup.path

    def fail() -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(LedgerError, match="No space left on device; no backup was made") as caught:
        back_up(ledger.path, folder, NOON_S, keep=Keep(1, 0), pause=fail)
    assert caught.value.may_pass
    assert list(folder.iterdir()) == [old]
    back_up(ledger.path, folder, NOON_S, keep=Keep(1, 0))
    assert [one.name for one in folder.iterdir()] == ["quay-20260701T120000Z.sqlite"]


def test_a_backup_leaves_room_for_the_ledger(ledger: LedgerWriter, folder: Path) -> None:
    with pytest.raises(LedgerError, match=r"MB free on its disk, got .* MB; free some space") as caught:
        back_up(ledger.path, folder, NOON_S, spare_bytes=2**60)
    assert caught.value.may_pass
    assert list(folder.iterdir()) == []


def test_a_damaged_ledger_gives_no_backup(tmp_path: Path, folder: Path) -> None:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S, tuple(entry(place) for place in range(3000))))
        path = ledger.path
    with path.open("r+b") as file:
        file.seek(100 * 4096)
        file.write(b"\x00" * 4096)
    with pytest.raises(LedgerError):
        back_up(path, folder, NOON_S)
    assert list(folder.iterdir()) == []


def test_what_a_killed_backup_left_goes_with_a_later_one(ledger: LedgerWriter, folder: Path) -> None:
    left, young, strange = (
        folder / name for name in ("quay-20260628T120000Z.sqlite.part", "quay-20260701T115900Z.sqlite.part", "x.part")
    )
    for path in (left, young, strange):
        path.touch()
    back_up(ledger.path, folder, NOON_S, keep=Keep())
    assert not left.exists()
    assert young.exists()
    assert strange.exists()


def daily(days: int, hour: int = 12, at: str = "") -> list[Backup]:
    first = datetime(2026, 1, 1, hour, tzinfo=UTC)
    return [Backup(Path(f"{day}{at}"), (first + timedelta(days=day)).timestamp()) for day in range(days)]


def test_of_a_year_of_days_a_fortnight_and_the_months_are_kept() -> None:
    kept = {int(one.path.name) for one in daily(365)} - {int(one.path.name) for one in to_let_go(daily(365), Keep())}
    ends = [30, 58, 89, 119, 150, 180, 211, 242, 272, 303, 333, 364]  # days of the year that end a month
    assert kept == {*ends, *range(351, 365)}


def test_thinned_out_day_by_day_the_same_stay() -> None:
    there: list[Backup] = []
    for one in daily(800):
        there.append(one)
        gone = {old.path for old in to_let_go(there, Keep(14, 12))}
        there = [old for old in there if old.path not in gone]
    gone = {old.path for old in to_let_go(daily(800), Keep(14, 12))}
    assert there == [one for one in daily(800) if one.path not in gone]


def test_of_a_day_the_last_stays_and_the_newest_always() -> None:
    two = [*daily(1, 3, " early"), *daily(1, 15, " late")]
    assert to_let_go(two, Keep(14, 12)) == two[:1]
    assert to_let_go(two, Keep(0, 0)) == two[:1]
    assert to_let_go([], Keep(0, 0)) == []


def test_only_the_ledgers_own_backups_are_seen(folder: Path) -> None:
    names = [
        "quay-20260701T120000Z.sqlite",
        "quay-20260630T120000Z.sqlite",
        "quay-20261301T120000Z.sqlite",
        "quay-yesterday.sqlite",
        "wharf-20260701T120000Z.sqlite",
        "quay-20260701T120000Z.sqlite.part",
        "a-quay-20260701T120000Z.sqlite",
    ]
    for name in names:
        (folder / name).touch()
    found = listed(folder, Path("quay.sqlite"))
    assert [one.path.name for one in found] == [names[1], names[0]]
    assert [one.at_s for one in found] == [NOON_S - 86_400, NOON_S]
    assert listed(folder / "nowhere", Path("quay.sqlite")) == []


def test_one_made_while_the_clock_was_ahead_does_not_put_the_next_off(folder: Path) -> None:
    for name in ("quay-20260701T120000Z.sqlite", "quay-20380119T031408Z.sqlite"):
        (folder / name).touch()
    last = newest(folder, Path("quay.sqlite"), NOON_S + 60)
    assert last is not None
    assert last.at_s == NOON_S
    assert newest(folder, Path("wharf.sqlite"), NOON_S) is None


def test_the_newest_sound_one_is_found_among_the_spoilt(ledger: LedgerWriter, folder: Path) -> None:
    sound = back_up(ledger.path, folder, NOON_S).backup
    spoilt = back_up(ledger.path, folder, NOON_S + 60).backup.path
    os.truncate(spoilt, spoilt.stat().st_size // 2)
    (folder / "quay-20260702T120000Z.sqlite").write_text("no ledger")
    assert newest_sound(folder, ledger.path) == sound
    sound.path.unlink()
    assert newest_sound(folder, ledger.path) is None
