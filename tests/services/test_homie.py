"""The Homie device on a real broker: what it shows, what it takes and refuses, and what is left when it is gone.

What the convention asks is from memory: `init` until all has been published, `ready` after, `lost` by the last will.
"""

import json
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from daemon.config.cautions import cautions
from daemon.mqtt.publication import Refusal
from daemon.neighbours.homie_device import MOST_WAITING, HomieDevice
from daemon.timing.events import HOMIE_LINK, Linked
from rules.model.errors import BrimfulError
from tests.support.broker import Client, Inbox, Mosquitto
from tests.support.homes import SMALL, home
from tests.support.page_answers import why

pytestmark = pytest.mark.services

HOME = home(SMALL)
BASE = "homie/5/brimful-wren-hut"
TODAY = {"diverted_kwh": 2.5, "given_up": 0.16, "avoided": 0.28, "net": 0.12, "currency": "EUR"}


class Shown:
    """A device whose wishes are answered by the test, and somebody who looks at all its topics."""

    def __init__(self, broker: Mosquitto, settable: bool = True) -> None:
        self.news, self.wishes, self.done = Inbox(), Inbox(), Inbox()
        self.device = HomieDevice(
            broker.address(),
            lambda: HOME,
            domain="homie",
            settable=settable,
            wish=self._wish,
            done=lambda: self.done.put("done"),
            emit=self.news.put,
            jitter=lambda: 0.0,
        )
        self.watcher = Client(broker.address(), f"{BASE}/#")

    def _wish(self, name: str, arguments: dict[str, Any]) -> "Future[Any]":
        answer: Future[Any] = Future()
        self.wishes.put((name, arguments, answer))
        return answer

    def __enter__(self) -> "Shown":
        self.watcher.__enter__()
        self.device.start()
        self.news.wait(lambda event: event == Linked(HOMIE_LINK, True))
        return self

    def __exit__(self, *_: object) -> None:
        self.device.close()
        self.watcher.__exit__()

    def sees(self, path: str, payload: str, skip: int = 0) -> Any:
        """Wait for a payload on a topic of the device."""
        told = (f"{BASE}/{path}", payload)
        return self.watcher.inbox.wait(lambda one: (one.topic, one.payload.decode()) == told, skip=skip)  # type: ignore[attr-defined]

    def wish(self, count: int) -> tuple[str, dict[str, Any], "Future[Any]"]:
        """The wish that came as the so-manieth."""
        self.wishes.wait_count(count)
        return self.wishes.items[count - 1]  # type: ignore[return-value]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


def test_it_shows_the_house_and_is_ready_only_then(broker: Mosquitto) -> None:
    with Shown(broker) as shown:
        alarm = {"name": "level: still", "sentence": "the level has not moved", "since": "2026-06-10T11:00:00Z"}
        shown.device.show(why(alarms=[alarm]), TODAY)
        shown.sees("$state", "ready")
        told = [(one.topic.removeprefix(f"{BASE}/"), one.payload.decode()) for one in shown.watcher.inbox.items]  # type: ignore[attr-defined]
        assert told[0] == ("$state", "init")
        assert told[1][0] == "$description"
        assert json.loads(told[1][1])["homie"] == "5.0"
        assert told[-1] == ("$state", "ready")
        between = dict(told[2:-1])
        assert between["tank/level"] == "95"
        assert between["tank/stop-level"] == "95"
        assert between["today/value"] == "0.12"
        assert between["house/order"] == between["heater-main/order"] == "withhold"
        assert between["override/order"] == "none"
        assert between["$alert/level-still"] == "the level has not moved"
        shown.device.show(why(), TODAY)
        shown.sees("$alert/level-still", "")
        seen = len(shown.watcher.inbox.items)
        shown.device.show(why(order="surplus"), TODAY)
        shown.sees("house/order", "surplus", skip=seen)
        assert len(shown.watcher.inbox.items) == seen + 1  # what has not changed is not said again
        with Client(broker.address(), f"{BASE}/#") as later:
            later.inbox.wait(lambda one: one.topic == f"{BASE}/$state" and one.payload == b"ready" and one.retain)  # type: ignore[attr-defined]
    with Client(broker.address(), f"{BASE}/$state") as later:
        later.inbox.wait(lambda one: one.payload == b"disconnected")  # type: ignore[attr-defined]


def test_a_link_that_breaks_leaves_the_device_lost(broker: Mosquitto) -> None:
    with Shown(broker) as shown:
        shown.device.show(why(), TODAY)
        shown.sees("$state", "ready")
        shown.device.connection.break_off()
        shown.sees("$state", "lost")


def test_an_alert_that_an_earlier_run_left_is_cleared(broker: Mosquitto) -> None:
    with Client(broker.address()) as earlier:
        earlier.publish(f"{BASE}/$alert/gone", "it was dark", retain=True)
    with Shown(broker) as shown:
        shown.device.show(why(), TODAY)
        shown.sees("$alert/gone", "")


def test_wishes_take_the_way_of_the_api_and_what_is_refused_is_said(broker: Mosquitto) -> None:
    with Shown(broker) as shown, Client(broker.address()) as other:
        shown.device.show(why(), TODAY)
        other.publish(f"{BASE}/tank/stop-level/set", "90.5")
        name, arguments, answer = shown.wish(1)
        assert (name, arguments) == ("rule", {"rule": "full", "set": {"stop_at_pct": "90.5"}})
        caution = "The tank is heated until its thermostat switches off."
        answer.set_result({"cautions": [*cautions(HOME), caution]})
        shown.done.wait_count(1)
        shown.sees("$log/warn", f"tank/stop-level is set to '90.5'. {caution}")
        warned = [one for one in shown.watcher.inbox.items if one.topic == f"{BASE}/$log/warn"]  # type: ignore[attr-defined]
        assert len(warned) == 1, "what the house is warned of anyway is not said at every wish"
        seen = len(shown.watcher.inbox.items)
        other.publish(f"{BASE}/override/minutes/set", "30")
        shown.done.wait_count(2)
        other.publish(f"{BASE}/override/order/set", "heat")
        name, arguments, answer = shown.wish(2)
        assert (name, arguments) == ("override", {"order": "heat", "for_s": 1800})
        answer.set_exception(BrimfulError("set an override", "heaters.main", "expected a heater that obeys `heat`"))
        refused = shown.watcher.inbox.wait(lambda one: one.topic == f"{BASE}/$log/warn", skip=seen)  # type: ignore[attr-defined]
        assert refused.payload.decode() == (  # type: ignore[attr-defined]
            "override/order is not set to 'heat': heaters.main: expected a heater that obeys `heat`"
        )
        assert not refused.retain  # type: ignore[attr-defined]
        other.publish(f"{BASE}/override/order/set", "none")
        assert shown.wish(3)[:2] == ("override", {"clear": True})
        for path, payload, said in (
            ("tank/stop-level", "95 %", "expected a number of percent, 1 to 100"),
            ("tank/stop-level", "nan", "expected a number of percent, 1 to 100"),
            ("override/minutes", "0", "expected whole minutes, 1 to 10080"),
        ):
            other.publish(f"{BASE}/{path}/set", payload)
            shown.sees("$log/warn", f"{path} is not set to {payload!r}: {said}")
        assert len(shown.wishes.items) == 3


def test_a_retained_wish_and_a_flood_of_them_are_refused(broker: Mosquitto) -> None:
    with Client(broker.address()) as other:
        other.publish(f"{BASE}/tank/stop-level/set", "99", retain=True)
        with Shown(broker) as shown:
            shown.device.show(why(), TODAY)
            retained = "it was retained, and would be repeated at every start; send it without"
            shown.sees("$log/warn", f"tank/stop-level is not set to '99': {retained}")
            for level in range(50, 50 + MOST_WAITING + 1):
                other.publish(f"{BASE}/tank/stop-level/set", str(level))
            many = f"expected at most {MOST_WAITING} wishes at a time"
            shown.sees("$log/warn", f"tank/stop-level is not set to '{50 + MOST_WAITING}': {many}")
            assert len(shown.wishes.items) == MOST_WAITING


def test_nothing_can_be_set_where_the_home_file_does_not_say_so(broker: Mosquitto) -> None:
    with Shown(broker, settable=False) as shown, Client(broker.address()) as other:
        shown.device.show(why(), TODAY)
        shown.sees("$state", "ready")
        other.publish(f"{BASE}/tank/stop-level/set", "90")
        shown.device.show(why(order="surplus"), TODAY)
        shown.sees("house/order", "surplus")
        assert shown.wishes.items == []


def test_what_the_brokers_access_rules_forbid_is_said(tmp_path: Path) -> None:
    lines = "user brimful\ntopic read homie/#\n"
    with Mosquitto(tmp_path, users={"brimful": "its own"}, acl=lines) as broker:
        news = Inbox()
        device = HomieDevice(
            broker.address("brimful", "its own"),
            lambda: HOME,
            domain="homie",
            settable=True,
            wish=lambda name, arguments: Future(),
            done=lambda: None,
            emit=news.put,
            jitter=lambda: 0.0,
        )
        device.start()
        told = news.wait(lambda event: isinstance(event, Linked) and not event.up)
        assert isinstance(told, Linked)
        assert told.reason.startswith(f"the broker refuses what is published on {BASE}/$state")
        assert told.reason.endswith("see [homie] and the broker's access rules")
        device.close()
        # A broker that refuses the subscription alone: it is shown all the same, and the link says what it lacks.
        device._fault(Refusal("subscription", f"{BASE}/tank/stop-level/set", "not authorized"))
        device._up()
        assert isinstance(news.items[-1], Linked)
        assert news.items[-1].up
        assert news.items[-1].reason.startswith("it is shown, but the broker refuses the subscription to")
