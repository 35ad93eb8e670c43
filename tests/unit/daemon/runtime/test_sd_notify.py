"""What the service manager is told, heard at a real socket."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.runtime.sd_notify import Manager


class Ear:
    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)
        self._socket.settimeout(5.0)

    def heard(self) -> str:
        return self._socket.recv(4096).decode()

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["file", "abstract"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, Ear]]:
    """The address as the environment has it, and an ear at it."""
    name = f"brimful-{os.getpid()}-{request.param}"
    ear = Ear(str(tmp_path / "notify") if request.param == "file" else f"\0{name}")
    yield (str(tmp_path / "notify") if request.param == "file" else f"@{name}"), ear
    ear.close()


def test_each_word_arrives(place: tuple[str, Ear]) -> None:
    address, ear = place
    manager = Manager({"NOTIFY_SOCKET": address})
    manager.ready()
    manager.status("Heater off:\ntank 96 %")
    manager.stopping()
    assert [ear.heard() for _ in range(3)] == ["READY=1", "STATUS=Heater off: tank 96 %", "STOPPING=1"]


def test_life_is_told_four_times_in_the_watchdogs_time(place: tuple[str, Ear]) -> None:
    address, ear = place
    manager = Manager({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())})
    for second in range(60):
        manager.alive(1000.0 + second)
    manager.ready()
    assert [ear.heard() for _ in range(5)] == ["WATCHDOG=1"] * 4 + ["READY=1"]


@pytest.mark.parametrize(
    "more",
    [{}, {"WATCHDOG_USEC": "soon"}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}],
    ids=["none", "no number", "off", "another process"],
)
def test_without_a_watchdog_life_is_told_once_at_most(place: tuple[str, Ear], more: dict[str, str]) -> None:
    address, ear = place
    manager = Manager({"NOTIFY_SOCKET": address, **more})
    for second in range(60):
        manager.alive(1000.0 + second)
    manager.ready()
    assert ear.heard() in ("WATCHDOG=1", "READY=1")
    ear._socket.setblocking(False)
    rest = 0
    try:
        while True:
            rest += ear.heard() == "WATCHDOG=1"
    except BlockingIOError:
        assert rest == 0


def test_without_a_manager_or_with_one_that_is_gone_nothing_happens(tmp_path: Path) -> None:
    for environment in ({}, {"NOTIFY_SOCKET": str(tmp_path / "nobody")}):
        manager = Manager(environment)
        manager.ready()
        manager.alive(1.0)
