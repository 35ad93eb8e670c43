"""What happens to the heater when a sensor, the broker or the network fails: rows of deploy/docs/failures.md, and more.

The heater here is a client of its own that notes every order it is told.
"""

import json
import re
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from daemon.inputs.decode import Source
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.backoff import LONGEST_WAIT_S, STEADY_S
from daemon.mqtt.connection import Connection
from daemon.mqtt.heater_link import HeaterLine
from daemon.mqtt.listener import Listener
from daemon.timing.clock import SystemClock
from daemon.timing.events import Heard, Linked
from rules.model.orders import Order
from tests.support.broker import HOST, TIMEOUT_S, Client, Inbox, Mosquitto, free_port
from tests.support.cable import THERE, THERE_TOO, Network
from tests.support.daemon_house import House
from tests.support.proxy import Proxy

pytestmark = pytest.mark.services

PERMIT = "wren/permit"
LOOKS_S = 7.0  # Mosquitto 2.0 looks for silent clients every five to six seconds: measured, no source
WORDS = {Order.WITHHOLD: "no", Order.SURPLUS: "yes"}


@pytest.fixture
def house(tmp_path: Path, broker: Mosquitto) -> Iterator[House]:
    made = House(tmp_path, broker)
    yield made
    made.close()


def orders(heater: Client) -> list[str]:
    """Every order the heater has been told."""
    return [bytes(message.payload).decode() for message in heater.inbox.items if message.topic == PERMIT]


def divert(house: House, wire: Client) -> None:
    """Start the daemon and let it permit the heater."""
    house.start()
    wire.hears(PERMIT, b"no")
    wire.publish("wren/level", "70")
    wire.publish("wren/meter", "-1500")
    wire.hears(PERMIT, b"yes")


class Ends:
    """A heater's line and a listener, each with an inbox for its news."""

    def __init__(self, address: BrokerAddress) -> None:
        self.news = Inbox()
        self.line = HeaterLine(address, "main", PERMIT, WORDS, 180.0, self.news.put, jitter=lambda: 0.0)
        source = Source("grid_w", "wren/meter")
        self.listener = Listener(address, [source], self.news.put, SystemClock(), jitter=lambda: 0.0)

    def __enter__(self) -> "Ends":
        self.line.start()
        self.listener.start()
        self.knows(Linked("main", True))
        self.knows(Linked("readings", True))
        return self

    def __exit__(self, *_: object) -> None:
        self.line.close()
        self.listener.close()

    def knows(self, event: Linked, skip: int = 0, timeout_s: float = TIMEOUT_S) -> None:
        self.news.wait(lambda item: item == event, timeout_s, skip)


def test_a_sensor_falls_silent(house: House, broker: Mosquitto) -> None:
    house.file.write_text(house.file.read_text().replace("stale_after_s = 600", "stale_after_s = 2"))
    with Client(broker.address(), PERMIT) as wire:
        divert(house, wire)
        spoke_s = time.monotonic()
        wire.publish("wren/meter", "-1500")
        wire.hears(PERMIT, b"no", skip=2)
        assert 1.9 <= time.monotonic() - spoke_s <= 4.0, "when the reading's limit has passed"
        assert json.loads(house.asks("why", "--json").stdout)["guard"] == "fresh"


@pytest.mark.parametrize("keepalive_s", [2, pytest.param(15, marks=pytest.mark.long)])
def test_the_network_breaks(broker: Mosquitto, keepalive_s: int) -> None:
    with Client(broker.address(), PERMIT) as heater, Proxy(broker.port) as network:
        address = BrokerAddress(HOST, network.port, keepalive_s=keepalive_s)
        outlive(network.go_silent, network.heal, address, heater)


@pytest.mark.long
def test_the_network_breaks_in_earnest(tmp_path: Path) -> None:
    """The same with packets that are dropped, and what the two kernels make of it."""
    with ExitStack() as stack:
        try:
            network = stack.enter_context(Network())
        except OSError as refused:
            pytest.skip(str(refused))
        port = free_port()
        extra = f"listener {port} {THERE_TOO}"
        broker = Mosquitto(tmp_path, port=port, host=THERE, prefix=network.prefix, extra=extra)
        heater = Client(stack.enter_context(broker).address(host=THERE_TOO), PERMIT)
        address = BrokerAddress(THERE, port, keepalive_s=8)  # longer than the 5 s that a dial may last
        outlive(network.drop, network.heal, address, stack.enter_context(heater))


def outlive(go: Callable[[], None], heal: Callable[[], None], address: BrokerAddress, heater: Client) -> None:
    """A heater's line and a listener, through a network that breaks for longer than both ends bear, and heals."""
    with Ends(address) as ends:
        ends.line.send(Order.SURPLUS, None)
        heater.hears(PERMIT, b"yes")
        began_s = time.monotonic()
        go()
        ends.line.send(Order.WITHHOLD, None)  # into the void
        ends.line.send(Order.SURPLUS, None)
        heater.hears(PERMIT, b"no", timeout_s=60)
        took_s = time.monotonic() - began_s
        assert took_s <= 1.5 * address.keepalive_s + LOOKS_S, "the broker publishes `withhold`, the last will"
        for name in ("main", "readings"):
            ends.knows(Linked(name, False, "the broker no longer answers"), timeout_s=60)
        assert time.monotonic() - began_s <= max(took_s, 2 * address.keepalive_s) + 2.0, "the daemon knows it too"
        ends.line.send(Order.WITHHOLD, None)
        ends.line.send(Order.SURPLUS, None)
        told = len(ends.news.items)
        heal()
        for name in ("main", "readings"):
            ends.knows(Linked(name, True), skip=told, timeout_s=60)
        ends.line.send(Order.WITHHOLD, None)
        heater.inbox.wait_count(4)
        assert orders(heater) == ["yes", "no", "yes", "no"], "the standing order once, none of the older ones"
        heater.publish("wren/meter", "-7")
        ends.news.wait(lambda item: isinstance(item, Heard) and item.readings[0].value == -7)


def test_the_network_breaks_for_a_moment(broker: Mosquitto) -> None:
    """What was sent into the gap arrives late, but in its order, and nothing follows the newest."""
    with (
        Client(broker.address(), PERMIT) as heater,
        Proxy(broker.port) as network,
        Ends(BrokerAddress(HOST, network.port)) as ends,
    ):
        network.go_silent()
        for order in (Order.SURPLUS, Order.WITHHOLD, Order.SURPLUS):
            ends.line.send(order, None)
        network.heal()
        ends.line.send(Order.WITHHOLD, None)
        heater.inbox.wait_count(4)
        assert orders(heater) == ["yes", "no", "yes", "no"]
        assert [event for event in ends.news.items if isinstance(event, Linked) and not event.up] == []


@pytest.mark.parametrize("end", [Mosquitto.stop, Mosquitto.kill], ids=["stopped", "killed"])
def test_the_broker_dies(house: House, broker: Mosquitto, end: Callable[[Mosquitto], None]) -> None:
    """In the middle of diversion: afterwards the standing order is told anew, once."""
    with Client(broker.address(), PERMIT) as wire:
        divert(house, wire)
    end(broker)
    for name in ("main", "readings"):
        house.log.wait(lambda line, name=name: f"link={name} up=False" in str(line))
    links = json.loads(house.asks("why", "--json").stdout)["links_down"]
    assert set(links) == {"main", "readings"}
    order = rf"Received PUBLISH from \S+ \(d0, q1, r0, m\d+, '{PERMIT}', \.\.\. \((\d) bytes\)\)"  # not retained
    before, so_far = len(broker.log()), len(re.findall(order, broker.log()))
    told = len(house.log.items)
    broker.start()
    for name in ("main", "readings"):
        house.log.wait(lambda line, name=name: f"link={name} up=True" in str(line), timeout_s=60, skip=told)
    with Client(broker.address()) as tank:
        tank.publish("wren/level", "96")
    for _ in range(2000):
        if len(re.findall(order, broker.log())) >= so_far + 2:
            break
        time.sleep(0.01)
    assert re.findall(order, broker.log()[before:]) == ["3", "2"], "yes once, then no"


def test_the_heater_is_cut_off(house: House, broker: Mosquitto) -> None:
    """Its orders are not kept for it, so that no old one waits when it is back; the standing one is told again."""
    house.file.write_text(house.file.read_text().replace("rated_w = 3000", "rated_w = 3000\nrefresh_s = 1"))
    with Client(broker.address(), "none") as wire:
        with Client(broker.address(), PERMIT) as heater:
            divert(house, heater)
        wire.publish("wren/level", "96")
        house.knows("tank_level_pct", 96)
        with Client(broker.address(), PERMIT) as heater:
            heater.hears(PERMIT)
            assert set(orders(heater)) == {"no"}


def test_brimful_is_killed_or_crashes_while_the_network_is_broken(broker: Mosquitto, tmp_path: Path) -> None:
    with Client(broker.address(), PERMIT) as wire, Proxy(broker.port) as network:
        house = House(tmp_path, BrokerAddress(HOST, network.port))
        try:
            divert(house, wire)
            network.go_silent()
            assert house.end(signal.SIGKILL) == -signal.SIGKILL
            network.heal()  # only now does the broker see the link's end
            wire.hears(PERMIT, b"no", skip=2)
        finally:
            house.close()


def test_two_that_take_one_client_id_from_each_other_do_it_ever_more_seldom(tmp_path: Path) -> None:
    """A broker may make client ids of user names: then all our links are one to it, and each new one ends another."""
    waits: dict[str, list[float]] = {"one": [], "two": []}
    down: dict[str, Inbox] = {name: Inbox() for name in waits}
    users = {"brimful": "right"}
    with Mosquitto(tmp_path, users=users, extra="use_username_as_clientid true") as broker:

        def connect(name: str) -> Connection:
            def rest(wait_s: float) -> None:
                waits[name].append(wait_s)
                time.sleep(0.01)

            return Connection(
                broker.address("brimful", "right"), name, on_down=down[name].put, jitter=lambda: 1.0, rest=rest
            )

        links = [connect(name) for name in waits]
        for each in links:
            each.start()
        try:
            for inbox in down.values():
                inbox.wait_count(8)
        finally:
            for each in links:
                each.close()
    perhaps = (
        "the broker takes the link and soon ends it, again and again: perhaps another client comes with the same "
        "client id; does the broker make client ids of user names?"
    )
    for name, inbox in down.items():
        assert waits[name][:8] == [0.5, 1, 2, 4, 8, 16, 30, 30]
        assert inbox.items[:2] == ["the link broke"] * 2
        assert set(inbox.items[2:8]) == {perhaps}
    # Each link lasts as long as the other end waits. Were that enough for a good one, the waits would begin anew.
    assert STEADY_S > LONGEST_WAIT_S


def test_a_broker_that_says_it_gave_the_link_away() -> None:
    def serve(listening: socket.socket) -> None:
        peer, _ = listening.accept()
        with peer:
            peer.recv(4096)
            peer.sendall(bytes([0x20, 3, 0, 0, 0]))  # taken
            peer.sendall(bytes([0xE0, 2, 0x8E, 0]))  # session taken over: MQTT 5, section 3.14.2.1
            peer.recv(4096)

    with socket.create_server((HOST, 0)) as listening:
        thread = threading.Thread(target=serve, args=(listening,), daemon=True)
        thread.start()
        down = Inbox()
        connection = Connection(BrokerAddress(HOST, listening.getsockname()[1]), "test", on_down=down.put)
        connection.start()
        try:
            down.wait(lambda reason: str(reason).startswith("the broker gave the link away: another client comes with"))
        finally:
            connection.close()
        thread.join(TIMEOUT_S)
