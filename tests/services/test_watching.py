"""A house that only watches: it decides, explains and books, and not one order leaves it, until its mode is changed."""

import json
import signal
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from accounting.ledger import Ledger
from accounting.reports.watched import MODE
from daemon.config.load import load
from daemon.documents.valuing import home_value
from daemon.simulation.house.simulated import ORDER_TOPIC
from tests.support.broker import Client, Mosquitto
from tests.support.daemon_house import House
from tests.support.page_house import PageHouse

pytestmark = pytest.mark.services

PUMP = '[outputs.pump]\ntopic = "wren/pump"\nfollows = "surplus"\non = "go"\noff = "stop"\n'


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


@pytest.fixture
def house(tmp_path: Path, broker: Mosquitto) -> Iterator[House]:
    made = House(tmp_path, broker)
    text = made.file.read_text().replace('currency = "EUR"', 'currency = "EUR"\nmode = "watch"')
    made.file.write_text(f"{text}\n{PUMP}")
    yield made
    made.close()


def _set_mode(house: House, mode: str) -> None:
    was = {"watch": "control", "control": "watch"}[mode]
    house.file.write_text(house.file.read_text().replace(f'mode = "{was}"', f'mode = "{mode}"'))
    house.hup()


def test_not_one_order_until_the_mode_says_so(house: House, broker: Mosquitto, tmp_path: Path) -> None:
    with Client(broker.address(), "#") as wire:

        def ordered() -> list[tuple[str, bytes]]:
            return [
                (message.topic, bytes(message.payload))
                for message in wire.inbox.items
                if isinstance(message, paho.MQTTMessage) and message.topic in ("wren/permit", "wren/pump")
            ]

        house.start()
        wire.publish("wren/permit", "left by somebody", retain=True)  # which a controlling daemon would clear
        wire.publish("wren/level", "70")
        wire.publish("wren/energy", "1000")
        wire.publish("wren/meter", "-1500")
        why = house.until(lambda told: told["order"] == "surplus", "why")
        assert why["mode"] == "watch"
        assert "Watching: no orders are sent" in house.asks("why").stdout
        assert "but no orders are sent" in house.asks("override", "surplus", "--for", "1h").stdout
        house.asks("override", "clear")
        health = json.loads(house.asks("check", str(house.file), "--seconds", "0.1", "--json", code=1).stdout)
        assert {one["name"]: one["sentence"] for one in health["checks"]}["mode"].startswith("watching: no orders")
        said = wire.inbox.wait(
            lambda item: (
                isinstance(item, paho.MQTTMessage)
                and item.topic == "brimful/wren-house/state"
                and json.loads(item.payload)["order"] == "surplus"
            )
        )
        assert isinstance(said, paho.MQTTMessage)
        assert json.loads(said.payload)["mode"] == "watch"
        assert ordered() == [("wren/permit", b"left by somebody")]
        # Neither published, nor subscribed to, nor left as a last will: the broker knows both from the wire alone.
        assert "Will message" in broker.log(), "the log tells wills, so that its silence means something"
        daemons = [line for line in broker.log().splitlines() if "wren/permit" in line or "wren/pump" in line]
        assert all("from brimful" not in line for line in daemons), daemons

        _set_mode(house, "control")
        wire.hears("wren/permit", b"yes")
        wire.hears("wren/pump", b"go")
        assert house.until(lambda told: told["mode"] == "control", "why")["order"] == "surplus"

        mark = len(wire.inbox.items)
        _set_mode(house, "watch")
        wire.hears("wren/permit", b"no", skip=mark)
        wire.hears("wren/pump", b"stop", skip=mark)
        house.until(lambda told: told["mode"] == "watch" and not told["links_down"], "why")
        known = ordered()
        wire.publish("wren/level", "97")
        house.until(lambda told: told["guard"] == "full", "why")
        for level in ("60", "59.5"):  # a jump is believed when the next reading agrees
            wire.publish("wren/level", level)
        house.until(lambda told: told["order"] == "surplus", "why")
        assert house.end(signal.SIGTERM) == 0
        wire.hears("brimful/wren-house/daemon", b"disconnected")
        assert ordered() == known
    with Ledger.open_reader(tmp_path / "brimful.sqlite") as ledger:
        noted = [event.figures["mode"] for event in ledger.events(float("-inf"), float("inf"), MODE)]
    assert noted == ["watch", "control", "watch"]


def test_what_the_rules_would_have_permitted_is_told(tmp_path: Path) -> None:
    """The demo's house, on a clock moved by hand: its diverter is never permitted, so the sun it could take leaves."""
    watched = PageHouse(tmp_path, days_before=1)
    watched.file.write_text(watched.file.read_text().replace('currency = "EUR"', 'currency = "EUR"\nmode = "watch"'))
    with watched as house, Client(house.address, ORDER_TOPIC) as wire:
        house.live_until("surplus")
        house.live_hours(1.5)
        orders = [item for item in wire.inbox.items if isinstance(item, paho.MQTTMessage)]
        house.ask("written")
        home = load(house.file)
        with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
            told = home_value(ledger, home, "day").watched
    assert orders == []
    assert told is not None
    (one,) = told["heaters"]
    assert one["would_permit"]["seconds"] >= 1200
    assert one["would_permit"]["taken_kwh"] == 0
    assert one["would_permit"]["left_kwh"] > 0.05
    assert one["would_withhold"]["seconds"] > 0
    assert one["unknown_s"] < 0.2 * one["watched_s"]
