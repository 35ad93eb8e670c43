"""The broker brimful brings along: guarded, supervised, gone when its parent is gone."""

import contextlib
import os
import select
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.embedded_broker import EmbeddedBroker, Kind, find_mosquitto
from daemon.setup.listen import reach
from rules.model.errors import BrimfulError
from tests.support.broker import HOST, TIMEOUT_S, Client, free_port
from tests.support.daemon_house import House

pytestmark = pytest.mark.services

KINDS: list[Kind] = ["mosquitto", "iotcore"]
both = pytest.mark.parametrize("kind", KINDS)


def wait_gone(pid: int) -> None:
    """Wait, without polling, until a process that is not our child has ended."""
    try:
        handle = os.pidfd_open(pid)
    except ProcessLookupError:
        return
    try:
        ready, _, _ = select.select([handle], [], [], TIMEOUT_S)
        assert ready, f"process {pid} lives on"
    finally:
        os.close(handle)


@both
def test_it_takes_only_its_own_password_on_loopback(kind: Kind) -> None:
    with EmbeddedBroker(kind=kind) as broker:
        assert broker.kind == kind
        assert broker.address.host == HOST
        assert reach(broker.address)[0]
        for wrong in (replace(broker.address, password="guess"), replace(broker.address, username=None, password=None)):
            ok, sentence = reach(wrong)
            assert not ok
            assert "user name" in sentence
        command = Path(f"/proc/{broker.pid}/cmdline").read_bytes()
        assert str(broker.address.password).encode() not in command


def test_mosquitto_is_chosen_where_it_is_installed() -> None:
    assert find_mosquitto() is not None
    with EmbeddedBroker() as broker:
        assert broker.kind == "mosquitto"
        assert reach(broker.address) == (True, f"broker {broker.address}: reached, MQTT 5")


@both
def test_it_is_started_again_on_the_same_port_with_the_same_password(kind: Kind) -> None:
    with EmbeddedBroker(kind=kind) as broker:
        address, first = broker.address, broker.pid
        assert first is not None
        os.kill(first, signal.SIGKILL)
        wait_gone(first)
        with Client(address, "t", mqtt5=address.mqtt5) as again:
            again.publish("t", b"alive")
            again.hears("t", b"alive")
        assert broker.address == address
        assert broker.pid not in (first, None)
        for _ in range(1000):  # counted by a thread of the broker's, which need not be first
            if broker.restarts == 1:
                break
            time.sleep(0.01)
        assert broker.restarts == 1


def test_a_signal_to_all_of_a_terminal_ends_the_daemon_before_its_broker(tmp_path: Path) -> None:
    """Ctrl-C reaches the whole foreground group. The last order goes over the broker, so it must still be there."""
    house, port = House(tmp_path, BrokerAddress(HOST)), free_port()
    house.name_no_broker(port)
    try:
        house.start()
        address = BrokerAddress(HOST, port, "brimful", (tmp_path / "broker-password").read_text().strip())
        with Client(address, "wren/permit") as heater:
            for topic, payload in (("wren/energy", "7000"), ("wren/meter", "-1500"), ("wren/level", "70")):
                heater.publish(topic, payload)
            heater.hears("wren/permit", b"yes")
            mark = len(heater.inbox.items)
            assert house.end(signal.SIGINT, group=True) == 0
            heater.hears("wren/permit", b"no", skip=mark)
        assert not [line for line in house.log.items if "broker=" in str(line) and "ended" in str(line)]
    finally:
        house.close()


@both
def test_it_ends_with_the_block_and_leaves_nothing(kind: Kind) -> None:
    with EmbeddedBroker(kind=kind) as broker:
        pid, port = broker.pid, broker.address.port
        configuration = Path(Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")[-2].decode())
        assert configuration.parent.name.startswith("brimful-broker-")
        assert not configuration.parent.exists(), "its files are gone as soon as it has read them"
    assert pid is not None
    wait_gone(pid)
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((HOST, port), timeout=1)


@both
@pytest.mark.parametrize("ending", [signal.SIGKILL, signal.SIGTERM], ids=["kill -9", "terminate"])
def test_it_ends_when_its_parent_dies(kind: Kind, ending: signal.Signals) -> None:
    parent = subprocess.Popen(
        [sys.executable, "-m", "tests.support.broker_parent", kind],
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )
    assert parent.stdout is not None
    with parent.stdout:
        pid = int(parent.stdout.readline().split()[0])
        try:
            os.kill(pid, 0)  # it is there
            parent.send_signal(ending)
            parent.wait(TIMEOUT_S)
            wait_gone(pid)
        except BaseException:  # only then are there processes left to end
            parent.kill()
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
            raise


@both
def test_a_given_port_is_used_and_a_taken_one_refused(kind: Kind) -> None:
    port = free_port()
    with EmbeddedBroker(port=port, kind=kind) as broker:
        assert broker.address.port == port
        with pytest.raises(BrimfulError, match=rf"{HOST}:{port}: the port is taken by another program"):
            EmbeddedBroker(port=port, kind=kind).__enter__()


def test_a_given_password_is_the_one() -> None:
    with EmbeddedBroker(username="house", password="word") as broker:
        assert (broker.address.username, broker.address.password) == ("house", "word")
        assert reach(broker.address)[0]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_as_root_mosquitto_runs_as_its_own_user() -> None:
    with EmbeddedBroker(kind="mosquitto") as broker:
        assert Path(f"/proc/{broker.pid}").stat().st_uid != 0


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_it_runs_for_an_ordinary_user() -> None:
    """As nobody, with the system's Python and a copy of what is imported: root's own may be closed to others."""
    python = "/usr/bin/python3"
    root = Path(__file__).parents[2]
    script = (
        "import os\n"
        "from daemon.mqtt.embedded_broker import EmbeddedBroker\n"
        "with EmbeddedBroker(kind='mosquitto') as broker:\n"
        "    print(os.stat(f'/proc/{broker.pid}').st_uid)\n"
    )
    with tempfile.TemporaryDirectory(dir="/tmp") as copy:
        Path(copy).chmod(0o755)
        for package in ("rules", "accounting", "daemon"):
            shutil.copytree(root / package, Path(copy) / package)
        done = subprocess.run(
            [python, "-c", script],
            cwd=copy,
            env={"PATH": "/usr/bin:/bin"},
            user=65534,
            group=65534,
            extra_groups=[],
            capture_output=True,
            text=True,
            timeout=60,
        )
    assert done.stdout.strip() == "65534", done.stderr
