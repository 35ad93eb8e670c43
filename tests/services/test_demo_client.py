"""The demo house over a real broker: it says what it measures, and obeys what it is told there."""

import json
import threading
from collections.abc import Iterator
from datetime import datetime

import pytest

from daemon.demo.house_client import DemoClient
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.mqtt.embedded_broker import EmbeddedBroker
from daemon.simulation.house.simulated import DEMO, ORDER_TOPIC, DemoHouse
from rules.model.errors import BrimfulError

pytestmark = pytest.mark.services

NOON = datetime(2026, 6, 10, 12, 50, tzinfo=DEMO.timezone).timestamp()
PATIENCE_S = 30.0


class Witness:
    """Another client on the same broker: keeps what it hears, and can publish."""

    def __init__(self, address: BrokerAddress) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self._changed = threading.Condition()
        self.connection = Connection(address, "watch", topics=("house/#",), on_message=self._on_message)
        self.connection.start()
        assert self.connection.wait_up(PATIENCE_S)
        self.say("house/witness", b"")
        self.wait("house/witness", 1)

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        with self._changed:
            self.heard.append((topic, payload))
            self._changed.notify_all()

    def say(self, topic: str, payload: bytes, retain: bool = False) -> None:
        assert self.connection.publish(topic, payload, qos=1, retain=retain)

    def wait(self, topic: str, count: int) -> list[bytes]:
        def found() -> list[bytes]:
            return [payload for heard, payload in self.heard if heard == topic]

        with self._changed:
            assert self._changed.wait_for(lambda: len(found()) >= count, PATIENCE_S), (topic, count, found())
            return found()


@pytest.fixture(scope="module")
def address() -> Iterator[BrokerAddress]:
    with EmbeddedBroker(kind="mosquitto") as broker:
        yield broker.address


@pytest.fixture
def witness(address: BrokerAddress) -> Iterator[Witness]:
    witness = Witness(address)
    yield witness
    witness.connection.close()


@pytest.fixture
def client(address: BrokerAddress) -> Iterator[DemoClient]:
    house = DemoHouse(2, NOON)
    house.battery.stored_wh = house.spec.battery.capacity_wh
    client = DemoClient(house, address)
    client.start(PATIENCE_S)
    yield client
    client.close()


def test_each_step_says_every_reading_with_the_houses_own_time(client: DemoClient, witness: Witness) -> None:
    for _ in range(3):
        assert client.step(10)
    last = client.house.readings()
    for topic, payload in last.items():
        said = witness.wait(topic, 3)
        assert said[-1] == payload
        assert [datetime.fromisoformat(json.loads(p)["t"]).timestamp() for p in said] == [
            NOON + 10,
            NOON + 20,
            NOON + 30,
        ]


def test_it_diverts_once_an_order_has_come_over_the_broker_and_stops_at_the_next(
    client: DemoClient, witness: Witness
) -> None:
    assert client.step(10)
    assert client.house.flows.diverted_w == 0

    witness.say(ORDER_TOPIC, b"yes")
    assert client.wait_for_orders(1, PATIENCE_S)
    client.step(10)
    assert client.house.flows.diverted_w > 500

    witness.say(ORDER_TOPIC, b"no")
    assert client.wait_for_orders(2, PATIENCE_S)
    client.step(10)
    assert client.house.flows.diverted_w == 0
    assert client.orders_received == 2


def test_without_a_further_order_the_permit_lapses_in_the_houses_time(client: DemoClient, witness: Witness) -> None:
    witness.say(ORDER_TOPIC, b"yes")
    assert client.wait_for_orders(1, PATIENCE_S)
    taken = []
    for _ in range(20):
        client.step(10)
        taken.append(client.house.flows.diverted_w > 0)
    assert taken == [True] * 18 + [False] * 2


def test_an_order_that_is_none_changes_nothing_and_is_counted(client: DemoClient, witness: Witness) -> None:
    witness.say(ORDER_TOPIC, b"yes")
    witness.say(ORDER_TOPIC, b"\xff\x00maybe")
    assert client.wait_for_orders(2, PATIENCE_S)
    client.step(10)
    assert client.house.flows.diverted_w > 500
    assert client.orders_not_understood == 1


def test_a_retained_order_is_old_and_is_not_obeyed(address: BrokerAddress, witness: Witness) -> None:
    witness.say(ORDER_TOPIC, b"yes", retain=True)
    witness.wait(ORDER_TOPIC, 1)
    house = DemoHouse(2, NOON)
    house.battery.stored_wh = house.spec.battery.capacity_wh
    client = DemoClient(house, address)
    try:
        client.start(PATIENCE_S)
        witness.say(ORDER_TOPIC, b"", retain=True)
        assert client.wait_for_orders(1, PATIENCE_S), "the live message that clears it, after the retained one"
        client.step(10)
        assert client.orders_received == 1
        assert client.house.flows.diverted_w == 0
    finally:
        client.close()


def test_waiting_for_an_order_that_does_not_come_ends(client: DemoClient) -> None:
    assert not client.wait_for_orders(1, 0.05)


def test_without_a_broker_it_says_so() -> None:
    client = DemoClient(DemoHouse(2, NOON), BrokerAddress("127.0.0.1", 1))
    with pytest.raises(BrimfulError, match=r"127\.0\.0\.1:1: no broker answered within 0\.2 s"):
        client.start(0.2)


def test_after_a_lost_link_a_step_says_that_readings_were_lost(client: DemoClient) -> None:
    client.close()
    assert not client.step(10)
    assert client.published == 0
