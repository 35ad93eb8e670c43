"""Backups while the daemon runs: when one is due, what becomes of it, and what a start says of a lost ledger."""

import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from accounting.ledger import Batch, LedgerError, LedgerWriter
from accounting.ledger.backup import back_up, listed
from daemon.assembly.endpoints import facts
from daemon.config.model import Home
from daemon.recording.backups import Backups, backup_folder, last_backup, open_ledger
from daemon.recording.unit_of_work import Keeper
from rules.model.reading import Moment
from tests.support.homes import SMALL, home
from tests.support.ledgers import START_S, entry

NOW_S = datetime(2026, 7, 1, 12, tzinfo=UTC).timestamp()
WITHIN_S = 30.0


class House:
    """A home with a ledger in a folder, and what the daemon would do about its backups."""

    def __init__(self, folder: Path, extra: str = "") -> None:
        self.home: Home = home(SMALL + extra, folder / "home.toml")
        self.path = folder / "brimful.sqlite"
        self.folder = backup_folder(self.home)
        ledger = LedgerWriter.open(self.path, facts(self.home))
        ledger.commit(Batch(START_S + 3600, entries=(entry(0), entry(1))))
        self.keeper = Keeper(ledger)
        self._done = threading.Semaphore(0)
        self.backups = Backups(self.home, self._done.release)
        self.backups.start()

    def look(self, at_s: float) -> list[str]:
        """What the loop does at the job's time, and when it is told of the answer; which backups there are then."""
        self.backups.look(Moment(at_s, 0.0))
        assert self._done.acquire(timeout=WITHIN_S)
        self.backups.done(self.keeper, Moment(at_s, 0.0))
        return [one.path.name for one in listed(self.folder, self.path)]

    def events(self) -> list[tuple[str, str]]:
        return [(event.kind, event.name) for event in self.keeper._events]

    def close(self) -> None:
        self.backups.stop()
        self.keeper.close()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.close()


def test_there_is_one_at_once_and_then_one_a_day(house: House) -> None:
    first = house.look(NOW_S)
    assert first == ["brimful-20260701T120000Z.sqlite"]
    assert house.look(NOW_S + 86_399) == first
    assert house.look(NOW_S + 86_400) == [*first, "brimful-20260702T120000Z.sqlite"]
    assert house.folder.stat().st_mode & 0o777 == 0o700
    assert house.backups.health(Moment(NOW_S + 86_460, 0.0)) == {
        "folder": str(house.folder),
        "last": "brimful-20260702T120000Z.sqlite",
        "last_age_s": 60.0,
        "fault": "",
    }
    assert house.events() == []


def test_a_machine_that_sleeps_at_night_and_a_restart_do_not_put_it_off(tmp_path: Path) -> None:
    for awake_s in (NOW_S, NOW_S + 5 * 3600, NOW_S + 24.2 * 3600, NOW_S + 29 * 3600):
        house = House(tmp_path)
        try:
            there = house.look(awake_s)
        finally:
            house.close()
    assert there == ["brimful-20260701T120000Z.sqlite", "brimful-20260702T121200Z.sqlite"]


def test_as_often_and_as_long_as_the_home_file_says(tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    house = House(tmp_path, '[ledger.backup]\nfolder = "disk"\nevery_h = 12\nkeep_days = 2\nkeep_months = 0\n')
    try:
        for half_day in range(7):
            there = house.look(NOW_S + half_day * 43_200)
    finally:
        house.close()
    assert there == ["brimful-20260703T120000Z.sqlite", "brimful-20260704T120000Z.sqlite"]
    assert house.folder == tmp_path / "disk"


def test_a_failure_is_an_alarm_once_and_a_recovery(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A disk that is not mounted: its folder is not made in its place."""
    house = House(tmp_path, '[ledger.backup]\nfolder = "disk"\n')
    try:
        for quarter in range(3):
            assert house.look(NOW_S + quarter * 900) == []
        assert house.events() == [("alarm", "backup")]
        fault = house.backups.fault
        assert fault.endswith("disk: there is no such folder; make the folder, or mount the disk it is on")
        assert house.backups.health(Moment(NOW_S, 0.0))["fault"] == fault
        (tmp_path / "disk").mkdir()
        assert len(house.look(NOW_S + 2700)) == 1
        assert house.events() == [("alarm", "backup"), ("recovered", "backup")]
        assert house.backups.fault == ""
    finally:
        house.close()
    assert [record.levelname for record in caplog.records if record.levelname != "INFO"] == ["ERROR", "WARNING"]


def test_a_folder_that_fails_while_a_failure_is_reported_does_not_end_backups_for_good(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    fails: list[Exception] = [LedgerError("back up", "house", "the disk is gone"), OSError("the folder is gone")]

    def gone(*_: object) -> None:
        raise fails.pop(0)

    with monkeypatch.context() as patched:
        patched.setattr("daemon.recording.backups.newest", gone)
        assert house.look(NOW_S) == []
    assert "OSError" in house.backups.fault
    assert len(house.look(NOW_S + 900)) == 1


def test_while_one_is_under_way_no_other_is_asked_for(house: House) -> None:
    for _ in range(3):
        house.backups.look(Moment(NOW_S, 0.0))
    assert house._done.acquire(timeout=WITHIN_S)
    house.backups.stop()
    assert not house._done.acquire(blocking=False)


def test_the_end_does_not_wait_for_a_backup_and_leaves_none_half_made(house: House) -> None:
    house.backups._stopping.set()  # as `stop` does, before the copy has come to its first pause
    house.keeper._ledger.commit(Batch(START_S, tuple(entry(place) for place in range(2, 9000))))
    house.backups.look(Moment(NOW_S, 0.0))
    house.backups.stop()
    assert not house.backups._thread.is_alive()
    assert list(house.folder.iterdir()) == []


def test_check_says_how_old_the_last_one_is(house: House) -> None:
    assert last_backup(house.home, NOW_S) == (True, "none yet")
    house.look(NOW_S)
    assert last_backup(house.home, NOW_S + 3600) == (True, "brimful-20260701T120000Z.sqlite, 1 h old")
    well, said = last_backup(house.home, NOW_S + 4 * 86_400)
    assert not well
    assert said == "brimful-20260701T120000Z.sqlite, 4 days old; one is to be made every 24 h: does the daemon run?"
    silent = home(SMALL + "[ledger.backup]\nenabled = false\n", house.home.file)
    assert last_backup(silent, NOW_S + 4 * 86_400)[0]


# Start


def test_a_damaged_ledger_is_refused_with_the_command_that_restores(house: House) -> None:
    house.look(NOW_S)
    house.close()
    house.path.write_bytes(b"\xff" * 100 + house.path.read_bytes()[100:])
    before = house.path.read_bytes()
    saved = house.folder / "brimful-20260701T120000Z.sqlite"
    with pytest.raises(LedgerError) as caught:
        open_ledger(house.home, facts(house.home))
    assert str(caught.value) == (
        f"{house.path}: it is no ledger, or its head is damaged; keep it as it is; its newest sound backup goes back "
        f"with: brimful restore {saved} --home {house.home.file}"
    )
    assert house.path.read_bytes() == before
    saved.write_bytes(b"")
    with pytest.raises(LedgerError, match="restore a backup, or name another file"):
        open_ledger(house.home, facts(house.home))


@pytest.mark.parametrize("how", ["gone", "empty"])
def test_new_books_are_not_begun_where_there_are_backups_of_old_ones(house: House, how: str) -> None:
    house.look(NOW_S)
    house.close()
    if how == "gone":
        house.path.unlink()
    else:
        house.path.write_bytes(b"")
    with pytest.raises(LedgerError, match=r"it is gone or empty, but there are backups of it; its newest sound"):
        open_ledger(house.home, facts(house.home))
    house.folder.rename(house.folder.with_name("old"))
    open_ledger(house.home, facts(house.home)).close()


def test_a_ledger_refused_for_another_reason_is_not_said_to_be_damaged(house: House) -> None:
    back_up(house.path, house.path.with_name("x.sqlite"), NOW_S)
    with pytest.raises(LedgerError, match="another brimful is writing to it; only one daemon"):
        open_ledger(house.home, facts(house.home))
