"""Messages a second through the daemon, against bare subscribers that parse the same JSON; and that none is lost.

The diverter's power comes once for each second of some hours past, each time another one, and the books are kept by
power alone: the energy in the ledger is the sum, and every message has been counted and none refused.
"""

import json
import socket
import struct
import tempfile
import threading
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from house import LEVEL, METER, ORDER, QUIET_BROKER, SURPLUS, WITHHOLD, Bare, House
from measure import Row, in_turn, show

from tests.support.broker import HOST, TIMEOUT_S, Client, Mosquitto

MESSAGES = 20_000
ROUNDS = 3
STEP_S = 1
REST_S = 600
POWER, DONE = "house/diverter", "bare/done"
LONGEST_S = 120.0

SUBSCRIBER = """
import json, socket, sys, threading
import paho.mqtt.client as paho

port, topic, done, count = int(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4])
heard = 0

def hear(client, data, message):
    global heard
    json.loads(message.payload)["w"]
    heard += 1
    if heard == count:
        heard = 0
        client.publish(done, b"all", 1)

client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
client.on_socket_open = lambda _client, _data, sock: sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
client.on_connect = lambda *_: client.subscribe(topic, 1)
client.on_subscribe = lambda *_: print("ready", flush=True)
client.on_message = hear
client.connect("127.0.0.1", port)
{loop}
"""
ONE_THREAD = SUBSCRIBER.replace("{loop}", "client.loop_forever()")
OWN_THREAD = SUBSCRIBER.replace("{loop}", "client.loop_start(); threading.Event().wait()")
"""As a program does that has other work besides: paho then wakes its thread for each acknowledgement."""


class Publisher:
    """Publishes faster than anybody here can hear: packets of MQTT 3.1.1, QoS 1, made beforehand and sent in one go."""

    def __init__(self, broker: Mosquitto) -> None:
        self._sock = socket.create_connection((HOST, broker.port), timeout=LONGEST_S)
        self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._sock.sendall(_packet(0x10, _text("MQTT") + bytes((4, 2)) + struct.pack("!H", 0) + _text("bench")))
        assert self._sock.recv(4) == bytes((0x20, 2, 0, 0))
        threading.Thread(target=self._drain, daemon=True).start()

    def send(self, messages: Sequence[tuple[str, str]]) -> None:
        """Publish (topic, payload) in this order."""
        self._sock.sendall(
            b"".join(
                _packet(0x32, _text(topic) + struct.pack("!H", number % 65_535 + 1) + payload.encode())
                for number, (topic, payload) in enumerate(messages)
            )
        )

    def _drain(self) -> None:
        """Take the acknowledgements, or the broker would stop to listen."""
        try:
            while self._sock.recv(65_536):
                pass
        except OSError:
            pass

    def __enter__(self) -> "Publisher":
        return self

    def __exit__(self, *_: object) -> None:
        self._sock.shutdown(socket.SHUT_RDWR)
        self._sock.close()


def _packet(head: int, body: bytes) -> bytes:
    length = len(body)
    size = bytearray()
    while length > 127:
        size.append(length % 128 | 128)
        length //= 128
    return bytes((head, *size, length)) + body


def _text(text: str) -> bytes:
    return struct.pack("!H", len(text)) + text.encode()


class Rounds:
    """Sends rounds of messages, and keeps account of the energy sent. wire: hears when all have been taken."""

    def __init__(self, publisher: Publisher, wire: Client) -> None:
        self._publisher = publisher
        self._wire = wire
        self._mark = 0
        # All of it lies in the past, and less than a day back, beyond which a reading is refused.
        self._time_s = int(time.time()) - (ROUNDS + 1) * (MESSAGES * STEP_S + REST_S)
        self.sent_ws = 0

    def through_the_daemon_s(self) -> float:
        """Seconds from the first message until the daemon has acted on the one that follows the last."""
        messages = []
        for number in range(MESSAGES):
            last = number == MESSAGES - 1
            power_w = 0 if last else 1000 + number * 7919 % 1800
            self.sent_ws += power_w * STEP_S
            messages.append((POWER, json.dumps({"w": power_w, "at": self._time_s})))
            self._time_s += STEP_S
        self._time_s += REST_S
        self._publisher.send([(LEVEL, '{"level": 70.0}'), (METER, '{"power": {"w": -2500}}')])
        self._hears(ORDER, SURPLUS)
        return self._timed([*messages, (LEVEL, '{"level": 96.5}')], ORDER, WITHHOLD)

    def through_a_bare_one_s(self, topic: str) -> float:
        """Seconds from the first message until the bare subscriber to `topic` has heard the last."""
        messages = [
            (topic, json.dumps({"w": 1000 + number * 7919 % 1800, "at": self._time_s + number}))
            for number in range(MESSAGES)
        ]
        return self._timed(messages, DONE, b"all")

    def _timed(self, messages: Sequence[tuple[str, str]], topic: str, payload: bytes) -> float:
        self._mark = len(self._wire.inbox.items)
        began_s = time.perf_counter()
        self._publisher.send(messages)
        self._hears(topic, payload)
        return time.perf_counter() - began_s

    def _hears(self, topic: str, payload: bytes) -> None:
        self._wire.hears(topic, payload, skip=self._mark, timeout_s=LONGEST_S)
        self._mark = len(self._wire.inbox.items)


def main() -> None:
    dated = '[signals.diverted_w]\ntopic = "house/diverter"\npointer = "/w"\ntime_pointer = "/at"\nstale_after_s = 60\n'
    with (
        tempfile.TemporaryDirectory(prefix="brimful-bench-") as name,
        Mosquitto(Path(name), extra=QUIET_BROKER) as broker,
        House(Path(name) / "house", broker, dated, without=("signals.diverted_w", "signals.diverted_wh")) as house,
        Bare(ONE_THREAD, broker, "bare/one", DONE, MESSAGES),
        Bare(OWN_THREAD, broker, "bare/own", DONE, MESSAGES),
        Publisher(broker) as publisher,
        Client(broker.address(), ORDER, DONE) as wire,
    ):
        house.wait_up()
        wire.hears(ORDER, WITHHOLD, timeout_s=TIMEOUT_S)
        rounds = Rounds(publisher, wire)
        one_s, own_s, daemon_s = in_turn(
            ROUNDS,
            [
                partial(rounds.through_a_bare_one_s, "bare/one"),
                partial(rounds.through_a_bare_one_s, "bare/own"),
                rounds.through_the_daemon_s,
            ],
        )
        sent_wh = rounds.sent_ws // 3600
        (taken,) = [one for one in house.health()["payloads"] if one["signal"] == "diverted_w"]
        house.stop()
        booked_wh = round(house.value()["diverted_kwh"] * 1000)
    rows = [
        Row(what, MESSAGES / daemon_s, "/s", MESSAGES / floor_s, 0.5, at_least=True)
        for what, floor_s in (("against loop_forever", one_s), ("against loop_start", own_s))
    ]
    show(f"{ROUNDS} × {MESSAGES:,} JSON messages a round; {sent_wh} Wh sent, {booked_wh} Wh booked", rows)
    assert (taken["received"], taken["refused"]) == (ROUNDS * MESSAGES, {}), taken
    assert booked_wh == sent_wh, "messages were lost"


if __name__ == "__main__":
    main()
