"""A real small disk that fills up, and one that may only be read, under the daemon as people run it."""

import errno
import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from accounting.ledger import Ledger
from accounting.ledger.backup import listed
from tests.support.broker import Client, Mosquitto
from tests.support.daemon_house import House
from tests.unit.daemon.recording.test_unit_of_work import House as Kept
from tests.unit.daemon.recording.test_unit_of_work import full_half_hour

STATE = "brimful/wren-house/state"
WITHIN_S = 30.0
SECRET = "gull-and-tern-4711"


def mount(*arguments: str) -> bool:
    """Whether mounting has worked."""
    program = shutil.which("mount")
    return (
        program is not None and not subprocess.run([program, *arguments], capture_output=True, check=False).returncode
    )


class Disk:
    """A file system of its own with room for one megabyte."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._filler = folder / "holidays.mov"

    def fill(self) -> None:
        """Leave not a byte."""
        with self._filler.open("wb", buffering=0) as file:
            for size in (65_536, 4096, 1):
                try:
                    while True:
                        file.write(bytes(size))
                except OSError as full:
                    if full.errno != errno.ENOSPC:
                        raise

    def free(self) -> None:
        self._filler.unlink()

    def read_only(self, only: bool) -> None:
        assert mount("-o", f"remount,{'ro' if only else 'rw'}", str(self.folder))


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    folder = tmp_path / "disk"
    folder.mkdir()
    if os.geteuid() != 0 or not mount("-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)):
        pytest.skip("only root may mount; the same faults are put in by seams elsewhere")
    yield Disk(folder)
    subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def house(tmp_path: Path, disk: Disk) -> Iterator[House]:
    with Mosquitto(tmp_path, users={"wren": SECRET}) as broker:
        made = House(tmp_path, broker.address("wren", SECRET))
        # A backup needs more room than there is: it has its own disk.
        text = made.file.read_text() + '[ledger]\npath = "disk/wren.sqlite"\nflush_s = 1\n'
        made.file.write_text(text + '[ledger.backup]\nfolder = "backups"\n')
        (tmp_path / "backups").mkdir()
        made.broker = broker  # type: ignore[attr-defined]
        yield made
        made.close()


def hears_alarms(wire: Client, well: bool) -> list[str]:
    """Full and not full in turn, so that the state is published, until it has (no) alarms of the ledger.

    By small steps: a level that leaps up and down is an alarm of its own and withholds.
    """
    give_up_s = time.monotonic() + WITHIN_S
    full = False
    while time.monotonic() < give_up_s:
        mark = len(wire.inbox.items)
        full = not full
        wire.publish("wren/level", "95" if full else "87")
        wire.hears("wren/permit", b"no" if full else b"yes", skip=mark)
        state = wire.inbox.wait(lambda message: message.topic == STATE, timeout_s=WITHIN_S, skip=mark)
        alarms = [alarm for alarm in json.loads(state.payload)["alarms"] if "wren.sqlite" in alarm]
        if bool(alarms) != well and not full:
            return alarms
    raise AssertionError("the state does not change")


@pytest.mark.services
def test_on_a_full_disk_control_goes_on_an_alarm_says_so_and_the_books_resume(house: House, disk: Disk) -> None:
    with Client(house.broker.address("wren", SECRET), "wren/permit", "brimful/#") as wire:  # type: ignore[attr-defined]
        house.start()
        wire.publish("wren/energy", "5000")
        wire.publish("wren/meter", "-1500")
        wire.publish("wren/level", "70")
        wire.hears("wren/permit", b"yes")
        house.knows("diverted_wh", 5000)
        house.has_said("backup=")
        disk.fill()
        house.says("ledger=failing")
        (alarm,) = hears_alarms(wire, well=False)  # the orders go on meanwhile: it waits for each of them
        assert "wren.sqlite: the disk is full" in alarm
        assert "BAD  daemon         books: " in house.asks("check", str(house.file), "--seconds", "0.2", code=1).stdout
        wire.publish("wren/energy", "5400")
        house.knows("diverted_wh", 5400)
        disk.free()
        house.says("ledger=written again")
        assert hears_alarms(wire, well=True) == []
        wire.publish("wren/energy", "5700")
        house.knows("diverted_wh", 5700)
        assert house.end(signal.SIGTERM) == 0
    with Ledger.open_reader(disk.folder / "wren.sqlite") as ledger:
        assert sum(one.diverted_wh for one in (*ledger.entries(0, 1e11), *ledger.open_entries())) == 700
        assert ledger.integrity() == []
        told = [event.kind for event in ledger.events(0, 1e11) if event.name == "ledger"]
        assert told == ["alarm", "recovered"]
        orders = [row.order.value for row in ledger.decisions(0, 1e11)]
        assert len(orders) >= 5, "what was decided meanwhile is there too"
    saved = listed(disk.folder.parent / "backups", disk.folder / "wren.sqlite")
    assert len(saved) == 1
    secret = SECRET.encode()
    assert secret in (disk.folder.parent / "broker-password").read_bytes()
    assert not any(secret in path.read_bytes() for path in (saved[0].path, disk.folder / "wren.sqlite"))


@pytest.mark.services
def test_a_disk_that_may_only_be_read_is_said_at_the_start_and_can_be_read(house: House, disk: Disk) -> None:
    house.start()
    assert house.end(signal.SIGTERM) == 0
    disk.read_only(True)
    try:
        told = house.asks("run", str(house.file), code=2).stderr.splitlines()[-1]
        assert "wren.sqlite: " in told
        assert "(Read-only file system); check the folder's permissions and mount" in told
        assert house.asks("verify").stdout.startswith("ok   file")
        assert json.loads(house.asks("backup", str(disk.folder.parent / "usb.sqlite"), "--json").stdout)["verified"]
    finally:
        disk.read_only(False)
    house.start()
    assert house.end(signal.SIGTERM) == 0


def test_a_disk_that_turns_read_only_under_the_daemon_is_an_alarm_and_nothing_is_lost(tmp_path: Path) -> None:
    """As a kernel turns a failing card read-only; by SQLite's own refusal, for a disk in use cannot be remounted."""
    house = Kept(tmp_path)
    full_half_hour(house)
    house.disk._ledger._db.execute("PRAGMA query_only = 1")
    house.commit(1980.0)
    assert "it may only be read; check the file's and its folder's permissions and mount" in house.keeper.fault
    house.hear(2040.0, diverted_wh=1700.0)
    house.commit(2100.0)
    house.disk._ledger._db.execute("PRAGMA query_only = 0")
    house.commit(2160.0)
    assert house.keeper.fault == ""
    seen = house.seen()
    house.keeper.close()
    assert sum(one.diverted_wh for one in (*seen.entries, *seen.open)) == 700
    assert [event for event in seen.events if event[1] == "ledger"] == [("alarm", "ledger"), ("recovered", "ledger")]


@pytest.mark.services
def test_a_backup_disk_that_is_not_there_is_an_alarm_on_mqtt_and_in_check(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, Client(broker.address(), "wren/permit", "brimful/#") as wire:
        house = House(tmp_path, broker)
        house.file.write_text(house.file.read_text() + '[ledger.backup]\nfolder = "stick"\n')
        try:
            house.start()
            house.has_said("backup=failing")
            mark = len(wire.inbox.items)
            wire.publish("wren/level", "70")
            wire.publish("wren/meter", "-1500")
            wire.hears("wren/permit", b"yes", skip=mark)
            told = wire.inbox.wait(
                lambda message: message.topic == STATE and b"no backup: " in message.payload, WITHIN_S, skip=mark
            )
            assert any("stick: there is no such folder" in said for said in json.loads(told.payload)["alarms"])
            lines = house.asks("check", str(house.file), "--seconds", "0.2", code=1).stdout.splitlines()
            assert any(line.startswith("BAD  backup         ") and "there is no such folder" in line for line in lines)
            assert any(line.startswith("BAD  daemon         no backup: ") for line in lines)
            assert house.end(signal.SIGTERM) == 0
        finally:
            house.close()
