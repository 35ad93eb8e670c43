"""deploy/mosquitto on a real Mosquitto: it starts with it, and brimful alone may publish orders."""

import os
import queue
import re
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

pytestmark = pytest.mark.services
DEPLOY = Path(__file__).parents[2] / "deploy" / "mosquitto"
USERS = ("brimful", "meter", "cylinder", "diverter", "display")
TIMEOUT_S = 60.0


def _program(name: str) -> str:
    path = shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin:/usr/bin")
    assert path is not None, f"{name} is not installed: tests/run installs it"
    return path


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """A broker with the deployed configuration; only port, place of the files and user are other."""
    folder = tmp_path_factory.mktemp("broker")
    passwords = folder / "passwords"
    passwords.touch(mode=0o600)
    for user in USERS:
        subprocess.run(
            [_program("mosquitto_passwd"), "-b", passwords, user, f"{user}'s"], check=True, timeout=TIMEOUT_S
        )
    acl = folder / "acl"
    shutil.copy(DEPLOY / "acl", acl)
    acl.chmod(0o600)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        number: int = probe.getsockname()[1]
    text = (DEPLOY / "mosquitto.conf").read_text()
    for old, new in (
        (r"^listener 1883$", f"listener {number} 127.0.0.1"),
        (r"^password_file .*$", f"password_file {passwords}"),
        (r"^acl_file .*$", f"acl_file {acl}"),
    ):
        text, count = re.subn(old, new, text, flags=re.MULTILINE)
        assert count == 1, old
    if os.getuid() == 0:
        text += "user root\n"
    (folder / "mosquitto.conf").write_text(text)
    with (folder / "log").open("w") as log:
        broker = subprocess.Popen([_program("mosquitto"), "-c", folder / "mosquitto.conf"], stderr=log)
    try:
        _wait_for(number, broker, folder / "log")
        yield number
    finally:
        broker.terminate()
        broker.wait(TIMEOUT_S)


def _wait_for(port: int, broker: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + TIMEOUT_S
    while time.monotonic() < deadline:
        assert broker.poll() is None, log.read_text()
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            time.sleep(0.02)
        else:
            return
    raise AssertionError(f"no broker on {port}: {log.read_text()}")


class Peer:
    """A client that says what the broker answered."""

    def __init__(self, port: int, user: str, password: str | None = None) -> None:
        self.heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
        self._said: queue.Queue[str] = queue.Queue()
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.username_pw_set(user, password if password is not None else f"{user}'s")
        self.client.on_connect = lambda _c, _u, _f, reason, _p: self._said.put(str(reason))
        self.client.on_publish = lambda _c, _u, _m, reason, _p: self._said.put(str(reason))
        self.client.on_subscribe = lambda _c, _u, _m, reasons, _p: self._said.put(str(reasons[0]))
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.connected = self._said.get(timeout=TIMEOUT_S)

    def _hear(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.heard.put((message.topic, message.payload))

    def publish(self, topic: str, payload: str) -> str:
        self.client.publish(topic, payload, qos=1)
        return self._said.get(timeout=TIMEOUT_S)

    def subscribe(self, topic: str) -> str:
        self.client.subscribe(topic, qos=1)
        return self._said.get(timeout=TIMEOUT_S)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def peers(port: int) -> Iterator[dict[str, Peer]]:
    made = {user: Peer(port, user) for user in USERS}
    yield made
    for peer in made.values():
        peer.close()


def test_only_brimful_may_publish_orders(peers: dict[str, Peer]) -> None:
    assert peers["diverter"].subscribe("diverter/permit") == "Granted QoS 1"
    for user in ("meter", "cylinder", "diverter", "display"):
        assert peers[user].publish("diverter/permit", "1") == "Not authorized", user
    assert peers["brimful"].publish("diverter/permit", "0") == "Success"
    # What was refused did not arrive: the first that does is brimful's.
    assert peers["diverter"].heard.get(timeout=TIMEOUT_S) == ("diverter/permit", b"0")
    assert peers["diverter"].heard.empty()


def test_each_device_tells_its_own_measurements_only(peers: dict[str, Peer]) -> None:
    for user, topic in (("meter", "meter/now"), ("cylinder", "cylinder/charge"), ("diverter", "diverter/energy")):
        for other in USERS:
            told = peers[other].publish(topic, "1")
            assert (told in ("Success", "No matching subscribers")) == (other == user), (other, topic, told)


def test_a_wrong_password_or_none_is_refused(port: int) -> None:
    for user, password in (("brimful", "wrong"), ("stranger", "x"), ("", "")):
        peer = Peer(port, user, password)
        assert peer.connected == "Not authorized"
        peer.close()
