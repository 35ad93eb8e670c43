"""A real Mosquitto for tests: on loopback, a free port, any configuration; and small things to listen and wait with."""

import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import paho.mqtt.client as paho

from daemon.mqtt.address import BrokerAddress

HOST = "127.0.0.1"
TIMEOUT_S = 60.0


def free_port() -> int:
    """A TCP port nobody listens on now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def plugin(name: str) -> Path:
    """Path of a plugin of Debian's mosquitto package. Raises FileNotFoundError."""
    found = sorted(Path("/usr/lib").glob(f"*/{name}.so"))
    if not found:
        raise FileNotFoundError(f"{name}.so is not installed (package mosquitto)")
    return found[0]


def program(name: str) -> str:
    """Path of a program of Debian's mosquitto package. Raises FileNotFoundError: such tests fail, they do not skip."""
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/bin")
    if path is None:
        raise FileNotFoundError(f"{name} is not installed (package mosquitto)")
    return path


class Mosquitto:
    """A broker that can be stopped, killed and started again on the same port.

    users: name to password; none lets everybody in. acl: lines of an ACL file. tls: (CA, certificate, key) files.
    extra: more lines of configuration; host: the address it listens on; prefix: what runs the program.
    """

    def __init__(
        self,
        folder: Path,
        *,
        users: Mapping[str, str] | None = None,
        acl: str = "",
        tls: tuple[Path, Path, Path] | None = None,
        extra: str = "",
        port: int | None = None,
        host: str = HOST,
        prefix: Sequence[str] = (),
    ) -> None:
        self.port = port or free_port()
        self._host = host
        self._prefix = prefix
        self._folder = folder
        self._tls = tls
        self._process: subprocess.Popen[bytes] | None = None
        lines = [f"listener {self.port} {host}", "set_tcp_nodelay true", "user root", "log_dest stderr", "log_type all"]
        if users is None:
            lines.append("allow_anonymous true")
        else:
            passwords = folder / "passwords"
            passwords.write_text("".join(f"{name}:{password}\n" for name, password in users.items()))
            passwords.chmod(0o600)
            subprocess.run([program("mosquitto_passwd"), "-U", str(passwords)], check=True)
            lines += ["allow_anonymous false", f"password_file {passwords}"]
        if acl:
            (folder / "acl").write_text(acl)
            (folder / "acl").chmod(0o600)
            lines.append(f"acl_file {folder / 'acl'}")
        if tls:
            ca, certificate, key = tls
            lines += [f"cafile {ca}", f"certfile {certificate}", f"keyfile {key}"]
        (folder / "mosquitto.conf").write_text("\n".join([*lines, extra, ""]))

    def address(self, username: str | None = None, password: str | None = None, host: str = "") -> BrokerAddress:
        """How to reach it; with TLS the fixture's own CA is trusted."""
        ca = str(self._tls[0]) if self._tls else None
        return BrokerAddress(host or self._host, self.port, username, password, tls=self._tls is not None, ca_file=ca)

    def start(self) -> "Mosquitto":
        with open(self._folder / "mosquitto.log", "ab") as log:
            self._process = subprocess.Popen(
                [*self._prefix, program("mosquitto"), "-c", str(self._folder / "mosquitto.conf")],
                stdout=log,
                stderr=log,
            )
        give_up_s = time.monotonic() + TIMEOUT_S
        while time.monotonic() < give_up_s and self._process.poll() is None:
            try:
                socket.create_connection((self._host, self.port), timeout=1).close()
                return self
            except OSError:
                time.sleep(0.01)
        raise RuntimeError(self.log())

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(TIMEOUT_S)
            self._process = None

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(TIMEOUT_S)
            self._process = None

    def log(self) -> str:
        return (self._folder / "mosquitto.log").read_text(errors="replace")

    def wait_for_log(self, words: str, count: int = 1, timeout_s: float = TIMEOUT_S) -> None:
        """Wait until the words stand in the log so often."""
        give_up_s = time.monotonic() + timeout_s
        while self.log().count(words) < count:
            assert time.monotonic() < give_up_s, f"{words!r} not {count} times in: {self.log()}"
            time.sleep(0.02)

    def __enter__(self) -> "Mosquitto":
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.kill()


class Inbox:
    """Things that arrive from another thread, and waiting for them without sleeping."""

    def __init__(self) -> None:
        self._arrived = threading.Condition()
        self.items: list[object] = []

    def put(self, *item: object) -> None:
        with self._arrived:
            self.items.append(item[0] if len(item) == 1 else item)
            self._arrived.notify_all()

    def wait(self, wanted: Callable[[object], bool], timeout_s: float = TIMEOUT_S, skip: int = 0) -> object:
        """The first item after `skip` that is wanted. Raises AssertionError with all that came instead."""
        found: list[object] = []

        def there() -> bool:
            found[:] = [item for item in self.items[skip:] if wanted(item)]
            return bool(found)

        with self._arrived:
            if self._arrived.wait_for(there, timeout_s):
                return found[0]
        raise AssertionError(f"waited in vain; came: {self.items[skip:]}")

    def wait_count(self, count: int, timeout_s: float = TIMEOUT_S) -> None:
        with self._arrived:
            if not self._arrived.wait_for(lambda: len(self.items) >= count, timeout_s):
                raise AssertionError(f"expected {count} items, came: {self.items}")


class Client:
    """Another program on the broker, by plain paho: a meter, a heater, an observer. `inbox` holds its messages."""

    def __init__(self, broker: BrokerAddress, *topics: str, mqtt5: bool = True, client_id: str = "") -> None:
        self.inbox = Inbox()
        self._ready = threading.Event()
        self._topics = topics
        self._paho = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id, protocol=paho.MQTTv5 if mqtt5 else paho.MQTTv311
        )
        if broker.username is not None:
            self._paho.username_pw_set(broker.username, broker.password)
        if broker.tls:
            self._paho.tls_set(broker.ca_file)
        self._paho.on_socket_open = lambda _client, _data, sock: sock.setsockopt(
            socket.IPPROTO_TCP, socket.TCP_NODELAY, 1
        )
        self._paho.reconnect_delay_set(1, 1)
        self._paho.on_connect = self._connected
        self._paho.on_subscribe = lambda *_: self._ready.set()
        self._paho.on_message = lambda _client, _data, message: self.inbox.put(message)
        self._paho.connect_async(broker.host, broker.port)

    def _connected(self, *_: object) -> None:
        if self._topics:
            self._paho.subscribe([(topic, 1) for topic in self._topics])
        else:
            self._ready.set()

    def publish(self, topic: str, payload: bytes | str, retain: bool = False) -> None:
        """Publish with QoS 1 and wait for the acknowledgement, whatever it says."""
        self._paho.publish(topic, payload, 1, retain).wait_for_publish(TIMEOUT_S)

    def publish_many(self, messages: Iterable[tuple[str, bytes]], retain: bool = False) -> None:
        """Publish all with QoS 0, then one more with QoS 1: when that is acknowledged the broker has them all."""
        for topic, payload in messages:
            self._paho.publish(topic, payload, 0, retain)
        self.publish("flood/end", b"")

    def hears(
        self, topic: str, payload: bytes | None = None, skip: int = 0, timeout_s: float = TIMEOUT_S
    ) -> paho.MQTTMessage:
        """The first message on a topic, with that payload if given."""
        message = self.inbox.wait(
            lambda item: (
                isinstance(item, paho.MQTTMessage) and item.topic == topic and payload in (None, bytes(item.payload))
            ),
            timeout_s,
            skip,
        )
        assert isinstance(message, paho.MQTTMessage)
        return message

    def __enter__(self) -> "Client":
        self._paho.loop_start()
        assert self._ready.wait(TIMEOUT_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._paho.disconnect()
        self._paho.loop_stop()
