"""Far too much from the broker: retained messages by the thousand, huge and odd payloads, floods nobody can follow."""

import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.inputs.decode import MAXIMUM_PAYLOAD, Source
from daemon.mqtt.connection import Connection
from daemon.mqtt.listener import Listener
from daemon.runtime.registry import question
from daemon.runtime.service import Service
from daemon.setup.survey import MOST_TOPICS, Survey
from daemon.timing.clock import SteppedClock, SystemClock
from daemon.timing.events import Ask, Heard, Linked
from rules.model.reading import Reading
from tests.support.broker import TIMEOUT_S, Client, Inbox, Mosquitto
from tests.support.daemon_house import House

pytestmark = pytest.mark.services

NOW_S = 1_780_308_000.0  # 2026-06-01T10:00:00Z
ODD_TOPICS = [
    "küche/Zähler 1/°C",
    "/",
    "//level//",
    " a b ",
    "日本/水",
    "a\u200bb",
    "e\u0301",
    "50%/{x}\\'\"",
    "x" * 300,
]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, extra="max_queued_messages 0\nlog_type none") as running:
        yield running


class Ears:
    """A listener with an inbox, on a clock that stands still."""

    def __init__(self, broker: Mosquitto, sources: list[Source]) -> None:
        self.events = Inbox()
        self.listener = Listener(broker.address(), sources, self.events.put, SteppedClock(NOW_S), jitter=lambda: 0.0)

    def __enter__(self) -> "Ears":
        self.listener.start()
        self.events.wait(lambda event: event == Linked("readings", True))
        return self

    def __exit__(self, *_: object) -> None:
        self.listener.close()

    def hears(self, signal: str, value: float) -> None:
        self.events.wait(lambda event: event == Heard((Reading(signal, value, NOW_S, NOW_S),)))


@pytest.mark.parametrize("count", [3_000, pytest.param(50_000, marks=pytest.mark.long)])
def test_a_flood_of_retained_messages_permits_nothing(broker: Mosquitto, tmp_path: Path, count: int) -> None:
    house = House(tmp_path, broker)
    with Client(broker.address(), "wren/permit") as wire:
        wire.publish_many(((f"wren/other/{number}", b"50") for number in range(count)), retain=True)
        wire.publish_many((("wren/level", b"40"), ("wren/meter", b"-1500"), ("wren/energy", b"7000")), retain=True)
        wire.publish("wren/permit", "yes", retain=True)  # an order of somebody's, never ours
        wire.hears("wren/permit", b"yes")
        try:
            house.start()
            house.knows("tank_level_pct", 40)
            house.knows("grid_w", -1500)
            why = json.loads(house.asks("why", "--json").stdout)
            assert (why["order"], why["guard"]) == ("withhold", "fresh")
            told = [bytes(message.payload) for message in wire.inbox.items[1:]]
            assert told[-1] == b"no"
            assert set(told) == {b"", b"no"}, "the stranger's order is cleared, the right one sent"
        finally:
            house.close()


def test_looking_around_in_a_flood_of_retained_messages_keeps_to_its_bound(broker: Mosquitto) -> None:
    found, end = Survey(), Inbox()

    def hear(topic: str, payload: bytes, retained: bool) -> None:
        found.hear(topic, payload, retained)
        if topic == "flood/end" and not retained:
            end.put(topic)

    with Client(broker.address()) as house:
        house.publish_many(((f"wren/{number}", b"5" * 9000) for number in range(MOST_TOPICS + 500)), retain=True)
        connection = Connection(broker.address(), "looks", topics=("#",), on_message=hear)
        connection.start()
        try:
            assert connection.wait_up(TIMEOUT_S)
            house.publish("flood/end", b"")
            end.wait_count(1)
        finally:
            connection.close()
    assert len(found.topics) == MOST_TOPICS
    assert found.left_out >= 500
    assert max(len(heard.payload) for heard in found.topics.values()) < 9000


def test_payloads_up_to_256_kib_are_read_and_longer_ones_counted(broker: Mosquitto) -> None:
    def document(size: int, level: int) -> bytes:
        empty = json.dumps({"padding": "", "tank": {"level": level}}).encode()
        padded = json.dumps({"padding": "x" * (size - len(empty)), "tank": {"level": level}}).encode()
        assert len(padded) == size
        return padded

    source = Source("tank_level_pct", "tank", pointer="/tank/level")
    with Client(broker.address()) as tank, Ears(broker, [source]) as ears:
        tank.publish("tank", document(MAXIMUM_PAYLOAD, 61))
        ears.hears("tank_level_pct", 61.0)
        for bad in (
            document(MAXIMUM_PAYLOAD + 1, 62),
            b"\xff" * MAXIMUM_PAYLOAD,
            b"[" * MAXIMUM_PAYLOAD,
            b"9" * MAXIMUM_PAYLOAD,
            b'{"tank": {"level": ' + b"9" * (MAXIMUM_PAYLOAD - 21) + b"}}",
            document(4 * 1024 * 1024, 63),  # this one the broker keeps to itself: we told it to
        ):
            tank.publish("tank", bad)
        tank.publish("tank", b'{"tank": {"level": 64}}')
        ears.hears("tank_level_pct", 64.0)
        (tally,) = ears.listener.tallies
        assert (tally.received, tally.live) == (7, 2)
        assert tally.refused["longer than 256 kB"] == 1
        assert sum(tally.refused.values()) == 5
        assert len([event for event in ears.events.items if isinstance(event, Linked)]) == 1, "the link stood"


def test_topics_with_odd_characters_are_heard_as_they_are_written(broker: Mosquitto) -> None:
    topics = [*ODD_TOPICS, "é"]  # not the same as its two-letter form above: MQTT 5 section 1.5.4 normalises nothing
    sources = [Source(f"diverted_w_h{number}", topic) for number, topic in enumerate(topics)]
    with Client(broker.address()) as house, Ears(broker, sources) as ears:
        for number, topic in enumerate(topics):
            house.publish(topic, str(number))
        for number in range(len(topics)):
            ears.hears(f"diverted_w_h{number}", float(number))
        assert [tally.received for tally in ears.listener.tallies] == [1] * len(topics)


@pytest.mark.parametrize("count", [1_000, pytest.param(100_000, marks=pytest.mark.long)])
def test_while_the_loop_is_held_up_a_flood_is_merged_counted_and_costs_no_energy(
    broker: Mosquitto, tmp_path: Path, count: int
) -> None:
    house = House(tmp_path, broker)
    # Its watchdog has to bear what holds the loop up, for as long as the flood takes on a busy machine.
    service = Service(prepare(load(house.file)), broker.address(), SystemClock(), hang_s=360.0)
    waiting = service.loop.waiting
    waiting._most = 100
    held, release = threading.Event(), threading.Event()

    def hold(*_: object) -> None:
        held.set()
        assert release.wait(300)

    service.loop.commands.add(question("hold", hold))
    with Client(broker.address(), "wren/permit") as wire:
        service.start()
        try:
            wire.hears("wren/permit", b"no")
            wire.publish("wren/level", "70")
            wire.publish("wren/energy", "5000")
            wire.publish("wren/meter", "-1500")
            wire.hears("wren/permit", b"yes")
            house.knows("diverted_wh", 5000)
            service.loop.put(Ask("hold"))
            assert held.wait(TIMEOUT_S)
            wire.publish_many(
                message
                for number in range(count)
                for message in (
                    ("wren/energy", f"{5000 + 700 * (number + 1) // count}".encode()),
                    ("wren/meter", f"{-1500 - number % 7}".encode()),
                )
            )
            wire.publish("wren/level", "96")  # after them all: when this has been heard, so have they
            give_up = threading.Event()
            tally = service.parts.connections.listener.tallies[1]
            for _ in range(24_000):
                if tally.received >= 2 or give_up.wait(0.01):
                    break
            assert tally.received >= 2
            assert waiting.readings <= 100 + 3
            release.set()
            wire.hears("wren/permit", b"no", skip=2, timeout_s=60)
            house.knows("diverted_wh", 5700)
            shown = house.asks("check", str(house.file), "--seconds", "0.2", code=1).stdout
            assert f"ok   payloads       {waiting.passed_over} older readings since the start passed over" in shown
            assert waiting.passed_over >= 2 * count - 103
        finally:
            release.set()
            service.stop()
            service.join(TIMEOUT_S)
    total = json.loads(house.asks("value", "--json").stdout)["total"]
    assert total["diverted_kwh"] == 0.7
