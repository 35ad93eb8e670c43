"""Connections to a real broker: made, refused, lost, made again."""

import socket
import threading
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.attempt import Attempt
from daemon.mqtt.connection import Connection
from daemon.mqtt.publication import Publication, Refusal
from rules.model.errors import BrimfulError
from tests.support.broker import HOST, TIMEOUT_S, Client, Inbox, Mosquitto, free_port

pytestmark = pytest.mark.services
NOBODY = "nothing listens there; is the broker running? see broker.host and broker.port"


class Link:
    """A connection with an inbox for each callback; waits a tenth of the usual time between attempts at most."""

    def __init__(self, address: BrokerAddress, *topics: str, will: Publication | None = None) -> None:
        self.heard, self.down, self.faults, self.ups = Inbox(), Inbox(), Inbox(), Inbox()
        self._topics = topics
        self.connection = Connection(
            address,
            "test",
            will=will,
            topics=topics,
            on_message=self.heard.put,
            on_up=lambda: self.ups.put("up"),
            on_down=self.down.put,
            on_fault=self.faults.put,
            jitter=lambda: 0.0,
        )

    def __enter__(self) -> "Link":
        self.connection.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.connection.close()

    def hears_itself(self, word: bytes) -> None:
        """Wait until the link is up and its subscriptions have taken effect: brokers take packets in their order."""
        assert self.connection.wait_up(TIMEOUT_S)
        assert self.connection.publish(self._topics[-1], word, 1)
        self.heard.wait(lambda item: item == (self._topics[-1], word, False))

    def first_reason(self) -> str:
        return str(self.down.wait(lambda _: True))


def test_mqtt_5_comes_first(broker: Mosquitto) -> None:
    with Link(broker.address()) as link:
        assert link.connection.wait_up(TIMEOUT_S)
        assert link.connection.mqtt5
    assert "p5" in broker.log()


def test_the_socket_sends_without_delay(broker: Mosquitto) -> None:
    with Link(broker.address()) as link:
        assert link.connection.wait_up(TIMEOUT_S)
        attempt = link.connection._attempt
        assert attempt is not None
        client = attempt.client
        assert client is not None
        sock = client.socket()
        assert isinstance(sock, socket.socket)
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0


def test_topics_are_subscribed_again_after_the_broker_restarts(broker: Mosquitto) -> None:
    with Link(broker.address(), "house/meter") as link:
        link.hears_itself(b"before")
        with Client(broker.address()) as meter:
            meter.publish("house/meter", b"1")
            assert link.heard.wait(lambda item: item == ("house/meter", b"1", False))
        broker.kill()
        assert link.first_reason() == "the link broke"
        assert not link.connection.up
        assert not link.connection.publish("x", b"lost")
        broker.start()
        link.ups.wait_count(2)
        link.hears_itself(b"after")
        with Client(broker.address()) as meter:
            meter.publish("house/meter", b"2")
            assert link.heard.wait(lambda item: item == ("house/meter", b"2", False))


def test_a_reason_is_told_once_however_often_the_attempt_fails(broker: Mosquitto) -> None:
    with Link(broker.address()) as link:
        assert link.connection.wait_up(TIMEOUT_S)
        broker.kill()
        link.down.wait(lambda reason: str(reason).startswith("nothing listens there"))
        with pytest.raises(AssertionError):
            link.down.wait_count(3, timeout_s=1.5)  # several more attempts
        assert link.down.items == ["the link broke", NOBODY]


def test_many_topics_are_all_subscribed(broker: Mosquitto) -> None:
    topics = [f"house/sensor/{number}" for number in range(170)]
    with Link(broker.address(), *topics) as link, Client(broker.address()) as meter:
        link.hears_itself(b"first")
        for topic in topics:
            meter.publish(topic, topic.encode())
        for topic in topics:
            link.heard.wait(lambda item, topic=topic: item == (topic, topic.encode(), False))


def test_a_failing_callback_does_not_end_the_link(broker: Mosquitto, caplog: pytest.LogCaptureFixture) -> None:
    heard = Inbox()

    def on_message(topic: str, payload: bytes, retained: bool) -> None:
        heard.put(payload)
        if payload == b"bad":
            raise RuntimeError("a mistake in the callback")

    connection = Connection(broker.address(), "test", topics=("t",), on_message=on_message)
    connection.start()
    try:
        assert connection.wait_up(TIMEOUT_S)
        assert connection.publish("t", b"bad", 1)
        assert connection.publish("t", b"good", 1)
        heard.wait(lambda item: item == b"good")
        assert connection.up
        assert "a callback failed" in caplog.text
    finally:
        connection.close()


def test_who_waits_for_the_writing_waits_for_this_message(broker: Mosquitto) -> None:
    entered, release = threading.Event(), threading.Event()

    def on_message(topic: str, payload: bytes, retained: bool) -> None:
        entered.set()
        assert release.wait(TIMEOUT_S)

    connection = Connection(broker.address(), "test", topics=("t",), on_message=on_message)
    connection.start()
    try:
        assert connection.wait_up(TIMEOUT_S)
        assert connection.publish("t", b"first", 1)
        assert connection.wait_written(TIMEOUT_S)
        assert entered.wait(TIMEOUT_S)
        assert connection.publish("u", b"second", 1)
        assert not connection.wait_written(0.05)  # the network thread is held up, and has written nothing
        release.set()
        assert connection.wait_written(TIMEOUT_S)
    finally:
        release.set()
        connection.close()


def test_a_wrong_password_is_said_so_and_tried_again_quietly(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, users={"brimful": "right"}) as broker:
        with Link(broker.address("brimful", "wrong")) as link:
            assert link.first_reason().startswith("the broker refuses user name or password (not authorized); see ")
            assert not link.connection.up
        with Link(broker.address("brimful", "right")) as link:
            assert link.connection.wait_up(TIMEOUT_S)
    assert "right" not in repr(broker.address("brimful", "right"))


def test_what_the_broker_forbids_is_told(tmp_path: Path) -> None:
    acl = "user brimful\ntopic read house/#\ntopic read answers\n"
    with (
        Mosquitto(tmp_path, users={"brimful": "right"}, acl=acl) as broker,
        Link(broker.address("brimful", "right"), "house/a", "secret/#") as link,
    ):
        assert link.connection.wait_up(TIMEOUT_S)
        assert link.connection.publish("house/a", b"1", 1)
        link.faults.wait(lambda item: item == Refusal("publication", "house/a", "not authorized"))
        final = Publication("house/a", b"2")
        assert not link.connection.close(final), "a refused last word counts as not acknowledged"


def test_a_refused_subscription_is_told_with_its_topic() -> None:
    """Mosquitto's ACL file grants what it will never deliver, so a server of a few bytes refuses here."""
    link_up = threading.Event()

    def serve(listening: socket.socket) -> None:
        peer, _ = listening.accept()
        with peer:
            peer.recv(4096)
            peer.sendall(bytes([0x20, 3, 0, 0, 0]))
            subscribe = peer.recv(4096)
            peer.sendall(bytes([0x90, 5, subscribe[2], subscribe[3], 0, 0x01, 0x87]))  # granted; not authorized
            link_up.wait(TIMEOUT_S)

    with socket.create_server((HOST, 0)) as listening:
        thread = threading.Thread(target=serve, args=(listening,), daemon=True)
        thread.start()
        with Link(BrokerAddress(HOST, listening.getsockname()[1]), "house/a", "secret/#") as link:
            refusal = link.faults.wait(lambda _: True)
            assert str(refusal) == "the broker refuses the subscription to secret/# (not authorized)"
            link_up.set()
        thread.join(TIMEOUT_S)


class OldBroker:
    """Speaks MQTT 3.1.1 only, a few bytes of it. answer: what it says to a newer CONNECT; b"" hangs up."""

    def __init__(self, answer: bytes) -> None:
        self.versions: list[int] = []
        self._answer = answer
        self._server = socket.create_server((HOST, 0))
        self.address = BrokerAddress(HOST, self._server.getsockname()[1])
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        while True:
            try:
                peer, _ = self._server.accept()
            except OSError:
                return
            with peer:
                connect = peer.recv(4096)
                if not connect:
                    return
                version = connect[8]  # after the fixed header and the protocol's name
                self.versions.append(version)
                if version != 4:
                    peer.sendall(self._answer)
                    continue
                peer.sendall(bytes([0x20, 2, 0, 0]))
                while peer.recv(4096):
                    pass

    def __enter__(self) -> "OldBroker":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.close()


@pytest.mark.parametrize(
    "answer",
    [bytes([0x20, 2, 0, 1]), bytes([0x20, 3, 0, 0x84, 0]), b"", b"\xff\xff\xff\xff\xff\xff"],
    ids=["3.1.1 refusal", "5 refusal", "hangs up", "nonsense"],
)
def test_falls_back_to_3_1_1(answer: bytes) -> None:
    with OldBroker(answer) as broker, Link(broker.address) as link:
        assert link.connection.wait_up(TIMEOUT_S)
        assert not link.connection.mqtt5
        assert broker.versions in ([5, 4], [5, 5, 5, 4])


def test_one_hang_up_before_the_answer_leaves_mqtt_5(broker: Mosquitto) -> None:
    with socket.create_server((HOST, 0)) as door:
        hung_up = threading.Event()

        def serve() -> None:
            door.accept()[0].close()
            hung_up.set()
            while True:
                try:
                    peer, _ = door.accept()
                except OSError:
                    return
                inside = socket.create_connection((HOST, broker.port))
                for source, sink in ((peer, inside), (inside, peer)):
                    threading.Thread(target=_pipe, args=(source, sink), daemon=True).start()

        threading.Thread(target=serve, daemon=True).start()
        with Link(BrokerAddress(HOST, door.getsockname()[1])) as link:
            assert link.connection.wait_up(TIMEOUT_S)
            assert hung_up.is_set()
            assert link.connection.mqtt5


def _pipe(source: socket.socket, sink: socket.socket) -> None:
    try:
        while some := source.recv(4096):
            sink.sendall(some)
    except OSError:
        pass
    sink.close()


def test_an_address_that_speaks_3_1_1_alone_is_never_asked_for_5() -> None:
    with OldBroker(b"") as broker:
        address = BrokerAddress(broker.address.host, broker.address.port, mqtt5=False)
        with Link(address) as link:
            assert link.connection.wait_up(TIMEOUT_S)
            assert broker.versions == [4]


def test_nobody_there() -> None:
    with Link(BrokerAddress(HOST, free_port())) as link:
        assert link.first_reason() == NOBODY


@pytest.mark.parametrize("host", ["a..b", "x" * 70 + ".example"])
def test_a_host_that_is_none_is_refused_at_once(host: str) -> None:
    with pytest.raises(BrimfulError, match="expected a host name or address"):
        Connection(BrokerAddress(host), "test")


def test_a_server_that_is_not_mqtt_ends_no_thread() -> None:
    def serve(listening: socket.socket) -> None:
        for _ in range(3):
            peer, _ = listening.accept()
            with peer:
                peer.recv(4096)
                peer.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")

    with socket.create_server((HOST, 0)) as listening:
        thread = threading.Thread(target=serve, args=(listening,), daemon=True)
        thread.start()
        with Link(BrokerAddress(HOST, listening.getsockname()[1])) as link:
            assert link.first_reason()
            thread.join(TIMEOUT_S)
            assert not thread.is_alive(), "it was tried again and again"


class StumblingAttempt(Attempt):
    stumbles = 1

    def _new_client(self) -> paho.Client:
        client = super()._new_client()
        if self.stumbles:
            type(self).stumbles -= 1
            client.connect = self._stumble
        return client

    def _stumble(self, *_: object, **__: object) -> None:
        raise RuntimeError("unforeseen")


class Stumbling(Connection):
    """A connection whose first attempt fails by an error nobody foresaw."""

    attempting = StumblingAttempt


def test_an_unforeseen_error_ends_the_attempt_and_not_the_thread(broker: Mosquitto) -> None:
    down = Inbox()
    connection = Stumbling(broker.address(), "test", on_down=down.put, jitter=lambda: 0.0)
    connection.start()
    try:
        assert connection.wait_up(TIMEOUT_S)
        assert down.items == ["an unforeseen error (RuntimeError)"]
    finally:
        connection.close()


def test_the_will_is_published_when_the_last_word_is_not_acknowledged(broker: Mosquitto) -> None:
    with Client(broker.address(), "w") as observer:
        link = Link(broker.address(), will=Publication("w", b"will"))
        link.connection.start()
        assert link.connection.wait_up(TIMEOUT_S)
        link.connection.close(Publication("w/#", b"no topic"))  # cannot be published
        observer.hears("w", b"will")


def test_no_will_after_an_orderly_end(broker: Mosquitto) -> None:
    with Client(broker.address(), "w", "end") as observer:
        link = Link(broker.address(), will=Publication("w", b"will"))
        link.connection.start()
        assert link.connection.wait_up(TIMEOUT_S)
        assert link.connection.close(Publication("w", b"last word"))
        observer.publish("end", b"")
        observer.hears("end")
        assert [bytes(message.payload) for message in observer.inbox.items] == [b"last word", b""]


def test_closing_one_that_never_came_up_is_quick_and_final() -> None:
    link = Link(BrokerAddress(HOST, free_port()))
    link.connection.start()
    link.first_reason()
    assert not link.connection.close(Publication("w", b"x"))
    assert not link.connection._thread.is_alive()
