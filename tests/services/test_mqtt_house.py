"""Readings in, orders out, over a real broker: what is retained, what expires, and what is left when all ends badly."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.inputs.decode import Source
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.embedded_broker import EmbeddedBroker
from daemon.mqtt.heater_link import HeaterLine
from daemon.mqtt.house_state import HouseState
from daemon.mqtt.listener import Listener
from daemon.setup.listen import probe, reach, survey
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Heard, Linked, Meddled
from rules.model.errors import BrimfulError
from rules.model.orders import Order
from rules.model.reading import NEVER_LIVE_S, Reading
from tests.support.broker import HOST, TIMEOUT_S, Client, Inbox, Mosquitto, free_port

pytestmark = pytest.mark.services

NOW_S = 1_780_308_000.0  # 2026-06-01T10:00:00Z
SOURCES = [
    Source("grid_w", "meter/now", pointer="/power/kw", scale=1000, time_pointer="/t"),
    Source("import_wh", "meter/now", pointer="/in"),
    Source("tank_level_pct", "cylinder/charge"),
]
PAYLOADS = {Order.WITHHOLD: "0", Order.SURPLUS: "1"}


@pytest.fixture(params=["mosquitto", "iotcore"])
def any_broker(request: pytest.FixtureRequest) -> Iterator[BrokerAddress]:
    with EmbeddedBroker(kind=request.param) as running:
        yield running.address


class Ears:
    """A listener with an inbox, on a clock that stands still."""

    def __init__(self, address: BrokerAddress, sources: list[Source] = SOURCES) -> None:
        self.events = Inbox()
        self.listener = Listener(address, sources, self.events.put, SteppedClock(NOW_S), jitter=lambda: 0.0)

    def __enter__(self) -> "Ears":
        self.listener.start()
        self.events.wait(lambda event: event == Linked("readings", True))
        return self

    def __exit__(self, *_: object) -> None:
        self.listener.close()

    def hears(self, *readings: Reading) -> None:
        self.events.wait(lambda event: event == Heard(readings))


class Told:
    """A heater line with an inbox for its link's news."""

    def __init__(self, address: BrokerAddress, expiry_s: float = 180.0) -> None:
        self.news = Inbox()
        self.line = HeaterLine(
            address, "main", "diverter/permit", PAYLOADS, expiry_s, self.news.put, jitter=lambda: 0.0
        )

    def __enter__(self) -> "Told":
        self.line.start()
        assert self.line.connection.wait_up(TIMEOUT_S)
        return self

    def __exit__(self, *_: object) -> None:
        self.line.close()


def test_one_message_feeds_its_signals_together(any_broker: BrokerAddress) -> None:
    with Client(any_broker, mqtt5=any_broker.mqtt5) as meter, Ears(any_broker) as ears:
        meter.publish("meter/now", b'{"power": {"kw": -0.812}, "in": 4211, "t": "2026-06-01T09:59:58Z"}')
        ears.hears(
            Reading("grid_w", -812.0, NOW_S - 2, NOW_S - 2),
            Reading("import_wh", 4211.0, NOW_S, NOW_S),
        )


def test_retained_values_are_not_fresh_without_their_own_recent_time(any_broker: BrokerAddress) -> None:
    with Client(any_broker, mqtt5=any_broker.mqtt5) as meter:
        meter.publish("cylinder/charge", b"61", retain=True)
        meter.publish("meter/now", b'{"power": {"kw": 1}, "in": 7, "t": "2026-06-01T09:59:00Z"}', retain=True)
        with Ears(any_broker) as ears:
            ears.hears(Reading("tank_level_pct", 61.0, NOW_S, NEVER_LIVE_S))
            ears.hears(
                Reading("grid_w", 1000.0, NOW_S - 60, NOW_S - 60), Reading("import_wh", 7.0, NOW_S, NEVER_LIVE_S)
            )
            meter.publish("cylinder/charge", b"62", retain=True)
            ears.hears(Reading("tank_level_pct", 62.0, NOW_S, NOW_S))  # retained by the broker, but heard live
            level = ears.listener.tallies[2]
            assert (level.received, level.retained, level.live) == (2, 1, 1)


def test_refused_payloads_are_counted_by_reason_and_harm_nothing(broker: Mosquitto) -> None:
    bad = [b"unavailable", b"", b"NaN", b"\xff\xfe", b"9" * 200_000, b"[" * 100_000, b"999", b"unknown", b'{"a":' * 9]
    with Client(broker.address()) as tank, Ears(broker.address()) as ears:
        for payload in bad:
            tank.publish("cylinder/charge", payload)
        tank.publish("cylinder/charge", b"50")
        ears.hears(Reading("tank_level_pct", 50.0, NOW_S, NOW_S))
        level = ears.listener.tallies[2]
        assert level.received == len(bad) + 1
        assert level.refused == {
            "says it has no value": 3,
            "empty": 1,
            "not UTF-8 text": 1,
            "not a number": 3,
            "above the highest value taken as real": 1,
        }
        assert level.last_payload == "50"
        assert level.last_reason == ""


def test_orders_are_absolute_acknowledged_expire_and_are_never_retained(broker: Mosquitto) -> None:
    with Client(broker.address(), "diverter/permit") as heater, Told(broker.address(), expiry_s=180) as told:
        told.line.send(Order.SURPLUS, None)
        order = heater.hears("diverter/permit", b"1")
        assert not order.retain
        assert order.qos == 1
        assert order.properties is not None
        assert 178 <= order.properties.MessageExpiryInterval <= 180
        told.line.refresh()
        heater.inbox.wait_count(2)
        told.line.send(Order.WITHHOLD, None)
        heater.hears("diverter/permit", b"0")
        with Client(broker.address(), "diverter/#", "end") as late:
            late.publish("end", b"")
            late.hears("end")
            assert [message.topic for message in late.inbox.items] == ["end"], "nothing was retained"


@pytest.mark.parametrize("when", ["before the link", "while it stands"])
def test_a_strangers_retained_order_is_cleared_the_right_one_sent_and_said(broker: Mosquitto, when: str) -> None:
    topic = "diverter/permit"
    with Client(broker.address()) as stranger, Client(broker.address(), topic) as heater:
        if when == "before the link":
            stranger.publish(topic, b"1", retain=True)
            heater.hears(topic, b"1")
        with Told(broker.address()) as told:
            told.line.send(Order.WITHHOLD, None)
            if when == "while it stands":
                heater.hears(topic, b"0")
                stranger.publish(topic, b"1", retain=True)
            told.news.wait(lambda event: event == Meddled("main", topic, "1", True))
            heater.hears(topic, b"")
            cleared = [bytes(message.payload) for message in heater.inbox.items].index(b"")
            heater.inbox.wait(lambda message: bytes(message.payload) == b"0", skip=cleared)
            with Client(broker.address(), topic, "end") as late:
                late.publish("end", b"")
                late.hears("end")
                assert [message.topic for message in late.inbox.items] == ["end"], "nothing is retained any more"


def test_an_order_of_a_second_daemon_is_said_though_it_is_one_of_our_own_words(broker: Mosquitto) -> None:
    topic = "diverter/permit"
    with Client(broker.address(), topic) as heater, Told(broker.address()) as told:
        told.line.send(Order.SURPLUS, None)
        heater.hears(topic, b"1")
        told.line.send(Order.WITHHOLD, None)
        heater.hears(topic, b"0")
        assert not [event for event in told.news.items if isinstance(event, Meddled)], (
            "our own orders are no stranger's"
        )
        with Told(broker.address()) as second:
            second.line.send(Order.SURPLUS, None)
            told.news.wait(lambda event: event == Meddled("main", topic, "1", False, answered=True))
            ordered = [bytes(message.payload) for message in heater.inbox.items].index(b"0") + 1
            heater.inbox.wait(lambda message: bytes(message.payload) == b"0", skip=ordered)


def test_an_orderly_end_withholds_and_is_acknowledged(any_broker: BrokerAddress) -> None:
    with Client(any_broker, "diverter/permit", mqtt5=any_broker.mqtt5) as heater:
        told = Told(any_broker)
        with told:
            told.line.send(Order.SURPLUS, None)
            heater.hears("diverter/permit", b"1")
            assert told.line.close()
        heater.hears("diverter/permit", b"0")
        assert len(heater.inbox.items) == 2


def test_only_the_standing_order_is_told_after_the_broker_was_away(broker: Mosquitto) -> None:
    with Told(broker.address()) as told:
        told.line.send(Order.SURPLUS, None)
        broker.kill()
        told.news.wait(lambda event: isinstance(event, Linked) and not event.up)
        told.line.send(Order.WITHHOLD, None)
        told.line.send(Order.SURPLUS, None)
        told.line.send(Order.WITHHOLD, None)
        broker.start()
        before = len(told.news.items)
        with Client(broker.address(), "diverter/permit") as heater:
            told.news.wait(lambda event: event == Linked("main", True), skip=before - 1)
            told.line.refresh()
            heater.hears("diverter/permit", b"0")
            assert {bytes(message.payload) for message in heater.inbox.items} == {b"0"}


def test_the_standing_order_is_told_at_reconnect_without_being_asked(broker: Mosquitto) -> None:
    with Told(broker.address()) as told:
        told.line.send(Order.SURPLUS, None)
        broker.kill()
        told.news.wait(lambda event: isinstance(event, Linked) and not event.up)
        already = len(broker.log())
        broker.start()
        told.news.wait(lambda event: event == Linked("main", True), skip=2)
        assert told.line.close()
    received = f"Received PUBLISH from {told.line.connection.client_id}"
    assert broker.log()[already:].count(received) == 2, "the standing order, and withhold at the end"


def test_a_forbidden_order_is_reported_once_and_its_recovery_too(tmp_path: Path) -> None:
    users = {"brimful": "x"}
    with Mosquitto(tmp_path, users=users, acl="user brimful\ntopic read #\n") as broker:
        told = Told(broker.address("brimful", "x"))
        with told:
            keys = "see heaters.main.topic and the broker's access rules"
            refused = Linked("main", False, f"the broker refuses orders on diverter/permit (not authorized); {keys}")
            told.line.send(Order.SURPLUS, None)
            told.news.wait(lambda event: event == refused)
            told.line.refresh()
            told.line.refresh()
        assert told.news.items.count(refused) == 1


@pytest.mark.parametrize("kind", ["mosquitto", "iotcore"])
def test_kill_9_leaves_the_heater_withheld_and_the_house_lost(kind: str) -> None:
    with EmbeddedBroker(kind=kind) as running:  # type: ignore[arg-type]
        address = running.address
        watched = ["diverter/permit", "brimful/quay-cottage/daemon"]
        with Client(address, *watched, mqtt5=address.mqtt5) as heater:
            child = subprocess.Popen(
                [
                    *(sys.executable, "-m", "tests.support.mqtt_house", address.host, str(address.port)),
                    *(str(address.username), str(address.password)),
                ],
                stdout=subprocess.PIPE,
                cwd=Path(__file__).parents[2],
            )
            assert child.stdout is not None
            try:
                assert child.stdout.readline() == b"ready\n"
                heater.hears("diverter/permit", b"1")
                heater.hears("brimful/quay-cottage/daemon", b"ready")
            finally:
                child.kill()
                child.wait(TIMEOUT_S)
                child.stdout.close()
            withheld = heater.hears("diverter/permit", b"0")
            assert not withheld.retain
            heater.hears("brimful/quay-cottage/daemon", b"lost")
            with Client(address, "brimful/#", mqtt5=address.mqtt5) as late:
                assert late.hears("brimful/quay-cottage/daemon").payload == b"lost"


def test_the_house_says_what_it_is_and_says_it_again(any_broker: BrokerAddress) -> None:
    events = Inbox()
    state = HouseState("Quay Cottage", lambda *message: listener.connection.publish(*message))
    listener = Listener(
        any_broker, SOURCES, events.put, SteppedClock(NOW_S), will=state.will, also_up=state.greet, jitter=lambda: 0.0
    )
    listener.start()
    events.wait(lambda event: event == Linked("readings", True))
    assert state.say("state", {"order": "surplus"})
    with Client(any_broker, "brimful/#", mqtt5=any_broker.mqtt5) as page:
        assert page.hears("brimful/quay-cottage/state").payload == b'{"order":"surplus"}'
        assert page.hears("brimful/quay-cottage/daemon").payload == b"ready"
        assert listener.close(state.farewell)
        page.hears("brimful/quay-cottage/daemon", b"disconnected")


def test_probe_says_for_each_signal_what_was_heard(broker: Mosquitto) -> None:
    sources = [*SOURCES, Source("pv_w", "roof/power"), Source("battery_level_pct", "battery")]
    with Client(broker.address()) as meter:
        meter.publish("roof/power", b"1200", retain=True)
        meter.publish("battery", b"unavailable", retain=True)
        meter.publish("meter/now", b'{"power": {"kw": 1}, "in": 7, "t": "2026-06-01T09:59:59Z"}', retain=True)
        answers = {each.signal: each for each in probe(broker.address(), sources, 0.3, SteppedClock(NOW_S))}
    assert [name for name, each in answers.items() if each.ok] == ["grid_w"]
    assert answers["grid_w"].sentence == "grid_w: 1000 W from meter/now, heard once, 1 s old when it came"
    assert "only a retained value" in answers["import_wh"].sentence
    assert "only a retained value" in answers["pv_w"].sentence
    silent = "tank_level_pct: nothing heard on cylinder/charge in 0.3 s; see signals.tank_level_pct.topic"
    assert answers["tank_level_pct"].sentence == f"{silent}, and whether brimful may read it"
    assert "says it has no value (got 'unavailable')" in answers["battery_level_pct"].sentence


def test_probe_ends_early_when_all_is_heard(broker: Mosquitto) -> None:
    stamped = Source("grid_w", "meter/now", pointer="/w", time_pointer="/t")
    with Client(broker.address()) as meter:
        meter.publish("meter/now", b'{"w": 1, "t": 1780307999}', retain=True)
        (answer,) = probe(broker.address(), [stamped], 60.0, SteppedClock(NOW_S))
    assert answer.ok


def test_probe_refuses_what_is_too_old_for_the_daemon(broker: Mosquitto) -> None:
    stamped = Source("grid_w", "meter/now", pointer="/w", time_pointer="/t")
    with Client(broker.address()) as meter:
        meter.publish("meter/now", b'{"w": 1, "t": 1780304400}', retain=True)  # an hour before NOW_S
        (answer,) = probe(broker.address(), [stamped], 0.3, SteppedClock(NOW_S), {"grid_w": 60.0})
    assert not answer.ok
    old = "its own time says that it is 1 h old, too old to count (signals.grid_w.stale_after_s is 60 s"
    assert answer.sentence == f"grid_w: 1 W from meter/now: {old}; is the sender's clock right?)"


def test_survey_hears_everything(broker: Mosquitto) -> None:
    with Client(broker.address()) as house:
        house.publish("cylinder/charge", b"61", retain=True)
        found = survey(broker.address(), 0.0, wait=lambda _: house.publish("meter/power", b"5"))
    assert found.payloads().keys() >= {"cylinder/charge"}
    assert found.topics["cylinder/charge"].retained


def test_reach_in_one_sentence(tmp_path: Path) -> None:
    with Mosquitto(tmp_path, users={"brimful": "right"}) as broker:
        assert reach(broker.address("brimful", "right")) == (True, f"broker {HOST}:{broker.port}: reached, MQTT 5")
        ok, sentence = reach(broker.address("brimful", "wrong"))
        assert not ok
        assert sentence.endswith("(not authorized); see broker.username and broker.password_file")
    nobody = BrokerAddress(HOST, free_port())
    why = "nothing listens there; is the broker running? see broker.host and broker.port"
    assert reach(nobody) == (False, f"broker {nobody}: {why}")
    with pytest.raises(BrimfulError, match="nothing listens there"):
        probe(nobody, SOURCES, 0.5, SteppedClock(NOW_S))
