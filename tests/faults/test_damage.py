"""Damaged files: a start refuses them and changes no byte; met while running, control goes on and all waits."""

import os
import random
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from accounting.ledger import Batch, Ledger, LedgerError, LedgerWriter
from tests.support.ledgers import QUAY, START_S, entry, new_ledger
from tests.unit.daemon.recording.test_unit_of_work import House, full_half_hour

PAGE = 4096


def left_by_a_kill(folder: Path, places: range = range(400), wh: int = 700) -> Path:
    """A ledger whose last batches are in its log alone."""
    folder.mkdir(exist_ok=True)
    with new_ledger(folder) as ledger:
        path = ledger.path
        ledger.commit(Batch(START_S, tuple(entry(place, wh) for place in places[:-5])))
    with LedgerWriter.open(path, QUAY) as ledger:
        for place in places[-5:]:
            ledger.commit(Batch(entry(place).end_s, (entry(place, wh),)))
        remains = {tail: Path(f"{path}{tail}").read_bytes() for tail in ("", "-wal")}
    for tail, data in remains.items():
        Path(f"{path}{tail}").write_bytes(data)
    return path


def bytes_of(path: Path) -> list[bytes | None]:
    parts = (Path(f"{path}{tail}") for tail in ("", "-wal"))
    return [part.read_bytes() if part.exists() else None for part in parts]


def overwrite(path: Path, offset: int, data: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(offset)
        file.write(data)


def refused(path: Path) -> LedgerError:
    """Refused with a word on backups, and not a byte changed; the second time too."""
    before = bytes_of(path)
    for _ in range(2):
        with pytest.raises(LedgerError) as caught:
            LedgerWriter.open(path, QUAY)
        assert bytes_of(path) == before
    assert "restore a backup" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.value.damaged
    assert not caught.value.may_pass
    return caught.value


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path: os.truncate(path, path.stat().st_size // 2),
        lambda path: os.truncate(path, 5 * PAGE + 17),
        lambda path: overwrite(path, 4 * PAGE, bytes(PAGE)),
        lambda path: overwrite(path, 6 * PAGE + 3, b"\xff" * 900),
        lambda path: overwrite(path, 0, b"\x00" * 100),
        lambda path: os.truncate(path, 0),
        lambda path: path.unlink(),
    ],
    ids=["half", "cut in a page", "zeroed page", "overwritten page", "head", "emptied", "gone"],
)
def test_a_damaged_file_with_its_log_is_refused_and_not_touched(
    tmp_path: Path, spoil: Callable[[Path], object]
) -> None:
    """As a bad card leaves it when power goes. Emptied or gone, no new books are begun beside the log."""
    path = left_by_a_kill(tmp_path)
    spoil(path)
    refused(path)


def test_flipped_bits_are_refused_or_leave_the_books_whole(tmp_path: Path) -> None:
    """A bit flipped within a figure is no damage of the structure; `verify` sees most of these by what must add up."""
    dice = random.Random(5)
    sound = left_by_a_kill(tmp_path / "sound")
    opened = 0
    for number in range(60):
        path = tmp_path / f"{number}" / "quay.sqlite"
        shutil.copytree(sound.parent, path.parent)
        offset = dice.randrange(path.stat().st_size)
        with path.open("r+b") as file:
            file.seek(offset)
            byte = file.read(1)[0]
            file.seek(offset)
            file.write(bytes([byte ^ 1 << dice.randrange(8)]))
        before = bytes_of(path)
        try:
            LedgerWriter.open(path, QUAY).close()
            opened += 1
        except LedgerError:
            assert bytes_of(path) == before
    assert opened > 0


def test_a_log_that_is_gone_leaves_the_books_as_they_last_were_in_the_file(tmp_path: Path) -> None:
    path = left_by_a_kill(tmp_path)
    Path(f"{path}-wal").unlink()
    with LedgerWriter.open(path, QUAY) as ledger:
        assert ledger.integrity() == []
        assert len(ledger.entries(0, 1e11)) == 395


@pytest.mark.parametrize("places", [range(400), range(60), range(1200)], ids=["alike", "smaller", "larger"])
def test_the_log_of_another_ledger_is_refused(tmp_path: Path, places: range) -> None:
    """SQLite itself would lay it over the file when it closes."""
    path = left_by_a_kill(tmp_path / "one")
    other = left_by_a_kill(tmp_path / "other", places, wh=500)
    shutil.copy(f"{other}-wal", f"{path}-wal")
    refused(path)


def test_a_log_of_rubbish_counts_for_nothing(tmp_path: Path) -> None:
    path = left_by_a_kill(tmp_path)
    Path(f"{path}-wal").write_bytes(random.Random(3).randbytes(50_000))
    with LedgerWriter.open(path, QUAY) as ledger:
        assert ledger.integrity() == []
        assert len(ledger.entries(0, 1e11)) == 395


def test_damage_met_while_running_is_an_alarm_and_the_counter_brings_all_back(tmp_path: Path) -> None:
    """The pages go bad under the daemon; it goes on, and after a restore the counter's next reading has the energy."""
    house = House(tmp_path)
    full_half_hour(house)
    house.commit(1980.0)
    with sqlite3.connect(house.path) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    sound = house.path.read_bytes()
    overwrite(house.path, PAGE, random.Random(1).randbytes(len(sound) - PAGE))
    for minute in range(33, 90):
        house.hear(60.0 * minute, grid_w=-500.0, tank_level_pct=50.0, diverted_wh=1000.0 + 20 * minute)
    house.commit(5400.0)
    assert "it is damaged; keep it as it is and restore a backup" in house.keeper.fault
    house.commit(5460.0)
    assert house.engine.decision is not None
    assert len(house.keeper._entries) >= 1, "what could not be written is still here"
    house.keeper.close()

    for tail in ("-wal", "-shm"):
        Path(f"{house.path}{tail}").unlink(missing_ok=True)
    house.path.write_bytes(sound)
    again = House(tmp_path, start_s=house.start_s + 5460)
    again.hear(60.0, diverted_wh=1000.0 + 20 * 92)
    again.commit(7200.0)
    seen = again.seen()
    again.keeper.close()
    assert sum(one.diverted_wh for one in (*seen.entries, *seen.open)) == 20 * 92


def test_a_file_that_is_moved_away_under_the_daemon_is_an_alarm_and_nothing_is_lost(tmp_path: Path) -> None:
    """SQLite writes on into a file that no name leads to: all of it would be gone with the process."""
    house = House(tmp_path)
    full_half_hour(house)
    away = house.path.with_name("away.sqlite")
    house.path.rename(away)
    house.commit(1980.0)
    moved = "the file that was opened is no longer there; put it back under its name, or restart to see what is there"
    assert house.keeper.fault == f"{house.path}: {moved}"
    shutil.copy(away, house.path)  # another file, though it looks the same: what is written would not be in it
    house.commit(2040.0)
    assert house.keeper.fault == f"{house.path}: {moved}"
    away.rename(house.path)
    house.commit(2100.0)
    assert house.keeper.fault == ""
    seen = house.seen()
    assert sum(entry.diverted_wh for entry in seen.entries) > 0
    assert [event for event in seen.events if event[1] == "ledger"] == [("alarm", "ledger"), ("recovered", "ledger")]


@pytest.mark.parametrize("looked_at", [False, True], ids=["alone", "read meanwhile"])
def test_a_log_that_is_deleted_under_the_daemon_is_an_alarm_and_nothing_is_lost(
    tmp_path: Path, looked_at: bool
) -> None:
    """SQLite writes on into the file that no name leads to: all since it was last folded in would go with the process.
    Somebody who reads meanwhile is refused."""
    house = House(tmp_path)
    full_half_hour(house)
    house.commit(1980.0)
    log = Path(f"{house.path}-wal")
    assert log.stat().st_size > 0
    log.unlink()
    if looked_at:
        with pytest.raises(LedgerError, match="the disk answers with an error"):
            Ledger.open_reader(house.path)
    house.commit(2040.0)
    assert "was deleted or replaced while in use; its content was put into the ledger" in house.keeper.fault
    house.commit(2100.0)
    assert house.keeper.fault == ""
    with Ledger.open_reader(house.path) as books:
        assert books.integrity() == []
        assert sum(one.diverted_wh for one in (*books.entries(0, 1e11), *books.open_entries())) == 20 * 32
        events = [(event.kind, event.name) for event in books.events(0, 1e11) if event.name == "ledger"]
    assert events == [("alarm", "ledger"), ("recovered", "ledger")]
    house.keeper.close()
