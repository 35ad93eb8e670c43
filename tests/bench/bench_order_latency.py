"""From a level message to the order that follows from it, against a bare echo client on the same broker.

Once with rounds a few milliseconds apart, so that the daemon has done what it does after an order (a house's messages
are seconds apart); and once with no pause at all, so that each message waits for what the one before has left to do.

    --pages N    instead: 5 ms apart with N open pages, which read all they are told, against none; in turn
"""

import argparse
import tempfile
import threading
import time
from pathlib import Path

from house import LEVEL, METER, ORDER, QUIET_BROKER, SURPLUS, WITHHOLD, Bare, House
from measure import Row, percentile, show
from pages import pages

from tests.support.broker import TIMEOUT_S, Client, Mosquitto

BLOCKS = 8
PAIRS = 150
WARM_UP_PAIRS = 100
PAUSE_S = 0.005
SURPLUS_NOW = '{"power": {"w": -2500}}'
ROOM, FULL = '{"level": 70.0}', '{"level": 96.5}'

ECHO = """
import socket, sys
import paho.mqtt.client as paho

client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
client.on_socket_open = lambda _client, _data, sock: sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
client.on_connect = lambda *_: client.subscribe("echo/there", 1)
client.on_subscribe = lambda *_: print("ready", flush=True)
client.on_message = lambda _client, _data, message: client.publish("echo/back", message.payload, 1)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_forever()
"""


class Wire(Client):
    """The outside world: publishes, and waits for what comes back."""

    def __init__(self, broker: Mosquitto, *topics: str) -> None:
        super().__init__(broker.address(), *topics)
        self._came = threading.Event()
        self._wanted: tuple[str, bytes] = ("", b"")
        self._at_s = 0.0
        self._paho.on_message = lambda _client, _data, message: self._hear(message.topic, message.payload)

    def _hear(self, topic: str, payload: bytes) -> None:
        if (topic, payload) == self._wanted:
            self._at_s = time.perf_counter()
            self._came.set()

    def there_and_back_s(self, topic: str, payload: str, back: str, wanted: bytes) -> float:
        """Seconds from publishing to hearing the wanted answer."""
        self._came.clear()
        self._wanted = (back, wanted)
        began_s = time.perf_counter()
        self._paho.publish(topic, payload, 1)
        if not self._came.wait(TIMEOUT_S):
            raise RuntimeError(f"no {wanted!r} on {back} after {payload} on {topic}")
        return self._at_s - began_s


def orders(wire: Wire, pairs: int, pause_s: float) -> list[float]:
    """Level to `withhold`, s; between any two of them the order is `surplus` again."""
    wire.publish(METER, SURPLUS_NOW)
    found = []
    for _ in range(pairs):
        wire.there_and_back_s(LEVEL, ROOM, ORDER, SURPLUS)
        time.sleep(pause_s)
        found.append(wire.there_and_back_s(LEVEL, FULL, ORDER, WITHHOLD))
        time.sleep(pause_s)
    return found


def echoes(wire: Wire, pairs: int, pause_s: float) -> list[float]:
    """As many messages there and back, of which every second is counted."""
    found = []
    for _ in range(pairs):
        wire.there_and_back_s("echo/there", ROOM, "echo/back", ROOM.encode())
        time.sleep(pause_s)
        found.append(wire.there_and_back_s("echo/there", FULL, "echo/back", FULL.encode()))
        time.sleep(pause_s)
    return found


def rows(wire: Wire, pause_s: float, what: str) -> list[Row]:
    measured: list[float] = []
    floor: list[float] = []
    for _ in range(BLOCKS):
        floor += echoes(wire, PAIRS, pause_s)
        measured += orders(wire, PAIRS, pause_s)
    return [
        Row(f"{what}, p{share}", percentile(measured, share) * 1000, "ms", percentile(floor, share) * 1000, aim)
        for share, aim in ((50, None), (99, 1.5))
    ]


def with_pages(wire: Wire, port: int, count: int) -> list[Row]:
    """Level to order with pages open, against without: block by block in turn."""
    without: list[float] = []
    found: list[float] = []
    read = 0
    for _ in range(BLOCKS):
        without += orders(wire, PAIRS, PAUSE_S)
        with pages(port, count) as opened:
            found += orders(wire, PAIRS, PAUSE_S)
            read += opened.read
    assert read > 0, "the pages were told nothing"
    what = f"{count} open pages, {PAUSE_S * 1000:g} ms apart"
    return [
        Row(f"{what}, p{share}", percentile(found, share) * 1000, "ms", percentile(without, share) * 1000)
        for share in (50, 99)
    ]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--pages", type=int, default=0)
    open_pages = parser.parse_args().pages
    with (
        tempfile.TemporaryDirectory(prefix="brimful-bench-") as name,
        Mosquitto(Path(name), extra=QUIET_BROKER) as broker,
        Bare(ECHO, broker),
        House(Path(name) / "house", broker) as house,
        Wire(broker, ORDER, "echo/back") as wire,
    ):
        house.wait_up()
        orders(wire, WARM_UP_PAIRS, 0)
        if open_pages:
            found = with_pages(wire, house.port, open_pages)
            house.stop()
            show(f"level message to withhold order with open pages, against none; {BLOCKS * PAIRS} of each", found)
            return
        echoes(wire, WARM_UP_PAIRS, 0)
        found = [
            *rows(wire, PAUSE_S, f"{PAUSE_S * 1000:g} ms apart"),
            *rows(wire, 0, "without a pause"),
        ]
        house.stop()
    show(f"level message to withhold order against an echo, {BLOCKS * PAIRS} of each", found)


if __name__ == "__main__":
    main()
