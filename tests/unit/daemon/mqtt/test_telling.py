"""What is told: order payloads, outputs with run-on, the house's own state; and how a reading is dated."""

import json
from math import inf

import pytest

from daemon.config.state_topics import slug
from daemon.inputs.decode import Decoded, Source
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.heater_link import order_payload
from daemon.mqtt.house_state import HouseState
from daemon.mqtt.listener import SKEW_S, Listener, Tally, reading_of
from daemon.mqtt.outputs import Output, OutputRule, Outputs
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Heard, Linked
from rules.model.orders import HeaterOrder, Order
from rules.model.reading import NEVER_LIVE_S, Moment, Reading

GATE = {Order.WITHHOLD: "0", Order.SURPLUS: "1"}


@pytest.mark.parametrize(
    ("order", "watts", "payloads", "payload"),
    [
        (Order.WITHHOLD, None, GATE, b"0"),
        (Order.SURPLUS, None, GATE, b"1"),
        (Order.HEAT, None, GATE, b"0"),  # a heater without a word for it is withheld
        (Order.HEAT, None, {**GATE, Order.HEAT: "2"}, b"2"),
        (Order.SURPLUS, 1250, None, b"1250"),
        (Order.HEAT, 2800, None, b"2800"),
        (Order.WITHHOLD, 1250, None, b"0"),
        (Order.SURPLUS, None, None, b"0"),
        (Order.SURPLUS, -5, None, b"0"),
    ],
)
def test_order_payloads(order: Order, watts: int | None, payloads: dict[Order, str] | None, payload: bytes) -> None:
    assert order_payload(order, watts, payloads) == payload


class Pump:
    """An output and what was published for it, driven with orders second by second."""

    def __init__(self, run_on_s: float, follows: Order = Order.SURPLUS) -> None:
        self.said: list[bytes] = []
        output = Output(OutputRule(follows, run_on_s), "pump", "on!", "off!")
        self.outputs = Outputs([output], lambda topic, payload, qos: self.said.append(payload) or True)

    def at(self, second: float, *orders: Order) -> list[bytes]:
        """What is said because of these orders at this second."""
        before = len(self.said)
        told = tuple(HeaterOrder(f"h{index}", order, "surplus") for index, order in enumerate(orders))
        self.outputs.follow(told, Moment(1e9 + second, second))
        return self.said[before:]


def test_an_output_follows_and_runs_on() -> None:
    pump = Pump(run_on_s=60)
    assert pump.at(0, Order.WITHHOLD) == []
    assert pump.at(10, Order.SURPLUS) == [b"on!"]
    assert pump.at(20, Order.SURPLUS) == []
    assert pump.outputs.due_s() == inf
    assert pump.at(30, Order.WITHHOLD) == []
    assert pump.outputs.due_s() == 90
    assert pump.at(89.9, Order.WITHHOLD) == []
    assert pump.outputs.due_s() == 90, "the run-on is counted from its start"
    assert pump.at(90, Order.WITHHOLD) == [b"off!"]
    assert pump.outputs.due_s() == inf


def test_a_run_on_ends_although_the_orders_object_is_the_same() -> None:
    pump = Pump(run_on_s=5)
    orders = (HeaterOrder("main", Order.WITHHOLD, "full"),)
    pump.at(0, Order.SURPLUS)
    pump.outputs.follow(orders, Moment(1, 1))
    pump.outputs.follow(orders, Moment(5.9, 5.9))
    assert pump.said == [b"on!"]
    pump.outputs.follow(orders, Moment(6, 6))
    assert pump.said == [b"on!", b"off!"]


def test_an_order_during_the_run_on_keeps_it_on_and_says_nothing() -> None:
    pump = Pump(run_on_s=60)
    pump.at(0, Order.SURPLUS)
    pump.at(10, Order.WITHHOLD)
    assert pump.at(40, Order.SURPLUS) == []
    assert pump.outputs.due_s() == inf
    pump.at(100, Order.WITHHOLD)
    assert pump.outputs.due_s() == 160


def test_without_run_on_it_stops_at_once() -> None:
    pump = Pump(run_on_s=0)
    pump.at(0, Order.SURPLUS)
    assert pump.at(1, Order.WITHHOLD) == [b"off!"]


def test_it_follows_its_own_order_of_any_heater() -> None:
    pump = Pump(run_on_s=0, follows=Order.HEAT)
    assert pump.at(0, Order.SURPLUS, Order.SURPLUS) == []
    assert pump.at(1, Order.WITHHOLD, Order.HEAT) == [b"on!"]
    assert pump.at(2, Order.SURPLUS, Order.WITHHOLD) == [b"off!"]


def test_states_are_said_again_and_switched_off_at_the_end() -> None:
    pump = Pump(run_on_s=60)
    pump.outputs.tell_again()
    pump.at(0, Order.SURPLUS)
    pump.outputs.tell_again()
    pump.outputs.off()
    assert pump.said == [b"off!", b"on!", b"on!", b"off!"]
    assert pump.outputs.due_s() == inf


def test_outputs_that_are_only_watched_publish_nothing_and_know_their_state() -> None:
    pump = Pump(run_on_s=60)
    pump.outputs.control(False)
    assert pump.said == [b"off!"], "a pump that was switched is left off"
    assert pump.at(0, Order.SURPLUS) == []
    pump.outputs.tell_again()
    pump.outputs.control(False)
    assert pump.said == [b"off!"]
    pump.outputs.control(True)
    assert pump.said == [b"off!", b"on!"]
    pump.outputs.control(False)
    pump.outputs.off()
    assert pump.said == [b"off!", b"on!", b"off!"]


@pytest.mark.parametrize(
    ("name", "expected"),
    [("Quay Cottage", "quay-cottage"), ("Café +/#", "cafe"), ("家", "home"), ("--", "home"), ("No. 7", "no-7")],
)
def test_a_homes_name_in_a_topic(name: str, expected: str) -> None:
    assert slug(name) == expected


def test_house_state_is_retained_said_once_and_said_again_at_each_connect() -> None:
    said: list[tuple[str, bytes, int, bool]] = []
    up = False

    def publish(topic: str, payload: bytes, qos: int, retain: bool) -> bool:
        if up:
            said.append((topic, payload, qos, retain))
        return up

    state = HouseState("Quay Cottage", publish)
    assert not state.say("state", {"order": "withhold", "level_pct": 96.0})
    up = True
    state.greet()
    assert [topic for topic, *_ in said] == ["brimful/quay-cottage/daemon", "brimful/quay-cottage/state"]
    assert all(retain for *_, retain in said)
    assert said[0][1] == b"ready"
    assert json.loads(said[1][1]) == {"order": "withhold", "level_pct": 96.0}
    assert state.say("state", {"order": "withhold", "level_pct": 96.0})
    assert len(said) == 2, "what has not changed is not sent"
    assert state.say("state", {"order": "surplus"})
    assert len(said) == 3
    assert (state.will.topic, state.will.payload, state.will.retain) == (said[0][0], b"lost", True)
    with pytest.raises(ValueError, match="not JSON compliant"):
        state.say("state", {"level_pct": float("nan")})


NOW = Moment(utc_s=1_780_308_000.0, mono_s=500.0)


@pytest.mark.parametrize(
    ("ahead_s", "retained", "at_s", "seen_s"),
    [
        (None, False, NOW.utc_s, 500.0),
        (None, True, NOW.utc_s, NEVER_LIVE_S),
        (-30.0, False, NOW.utc_s - 30, 470.0),
        (-30.0, True, NOW.utc_s - 30, 470.0),
        (-86400.0, True, NOW.utc_s - 86400, 500.0 - 86400),
        (SKEW_S, True, NOW.utc_s, 500.0),
        (SKEW_S + 0.1, True, NOW.utc_s, NEVER_LIVE_S),
        (3600.0, False, NOW.utc_s, 500.0),
    ],
)
def test_how_a_reading_is_dated(ahead_s: float | None, retained: bool, at_s: float, seen_s: float) -> None:
    stamp = None if ahead_s is None else NOW.utc_s + ahead_s
    reading = reading_of(Decoded(61.0, stamp), "tank_level_pct", retained, NOW)
    assert reading == Reading("tank_level_pct", 61.0, at_s, seen_s)


def test_by_a_clock_that_is_not_believed_no_retained_copy_has_an_age() -> None:
    """A machine that wakes with an old date would find a copy from before it was switched off fresh."""
    decoded = Decoded(61.0, NOW.utc_s - 30)
    assert reading_of(decoded, "tank_level_pct", True, NOW, dated=False).seen_s == NEVER_LIVE_S
    assert reading_of(decoded, "tank_level_pct", False, NOW, dated=False).seen_s == 470.0


@pytest.mark.parametrize("dated", [True, False])
def test_a_listener_asks_whether_the_clock_is_believed(dated: bool) -> None:
    heard: list[Heard | Linked] = []
    source = Source("tank_level_pct", "t", "/level", time_pointer="/at")
    clock = SteppedClock(NOW.utc_s)
    listener = Listener(BrokerAddress("127.0.0.1", 1), [source], heard.append, clock, dated=lambda: dated)
    listener.hear("t", f'{{"level": 61, "at": {NOW.utc_s - 30}}}'.encode(), True)
    (told,) = heard
    assert isinstance(told, Heard)
    assert (told.readings[0].seen_s != NEVER_LIVE_S) is dated


@pytest.mark.parametrize(("at_s", "reason"), [(1_000_000_001.0, "ago"), (NOW.utc_s + 400 * 86_400, "ahead")])
@pytest.mark.parametrize("retained", [True, False])
def test_a_payload_whose_own_time_is_far_from_now_is_refused_and_counted(
    at_s: float, reason: str, retained: bool
) -> None:
    heard: list[Heard | Linked] = []
    source = Source("tank_level_pct", "t", "/v", time_pointer="/at")
    listener = Listener(BrokerAddress("127.0.0.1", 1), [source], heard.append, SteppedClock(NOW.utc_s))
    listener.hear("t", f'{{"v": 50, "at": {at_s}}}'.encode(), retained)
    assert heard == []
    (tally,) = listener.tallies
    assert sum(tally.refused.values()) == 1
    assert reason in tally.last_reason
    listener.hear("t", f'{{"v": 50, "at": {NOW.utc_s}}}'.encode(), retained)
    assert len(heard) == 1


def test_a_payload_that_says_its_age_is_as_old_as_that() -> None:
    heard: list[Heard | Linked] = []
    source = Source("tank_level_pct", "t", "/v", time_pointer="/age")
    clock = SteppedClock(NOW.utc_s)
    listener = Listener(BrokerAddress("127.0.0.1", 1), [source], heard.append, clock)
    listener.hear("t", b'{"v": 50, "age": "PT40S"}', False)
    listener.hear("t", b'{"v": 50, "age": "PT40S"}', True)
    live, kept = [told.readings[0] for told in heard if isinstance(told, Heard)]
    now = clock.now()
    assert (live.at_s, live.seen_s) == (now.utc_s - 40, now.mono_s - 40)
    assert kept.seen_s == NEVER_LIVE_S, "how long the broker has kept it nobody knows"


@pytest.mark.parametrize(
    ("value", "last_heard", "dated", "age_s"),
    [
        (61.0, (61.0, NOW.utc_s - 7200), True, 7200.0),
        (61.0, (60.0, NOW.utc_s - 7200), True, None),  # it changed meanwhile: nobody knows when
        (61.0, None, True, None),
        (61.0, (61.0, NOW.utc_s - 7200), False, None),  # by a clock that is not believed nothing has an age
        (61.0, (61.0, NOW.utc_s + 60), True, None),  # remembered by a clock that was ahead
    ],
)
def test_a_retained_copy_of_what_was_heard_live_before_a_restart_is_as_old_as_that(
    value: float, last_heard: tuple[float, float] | None, dated: bool, age_s: float | None
) -> None:
    reading = reading_of(Decoded(value), "tank_level_pct", True, NOW, dated, last_heard)
    assert reading.seen_s == (NEVER_LIVE_S if age_s is None else NOW.mono_s - age_s)
    if age_s is not None:
        assert reading.at_s == NOW.utc_s - age_s
    live = reading_of(Decoded(value), "tank_level_pct", False, NOW, dated, last_heard)
    assert live.seen_s == NOW.mono_s


def test_what_is_shown_of_a_payload_is_short_and_printable() -> None:
    tally = Tally(Source("grid_w", "t"), raw=b"\x1b[31m\xff" + b"x" * 500)
    assert len(tally.last_payload) <= 121
    assert tally.last_payload.isprintable()
    assert tally.last_payload.endswith("…")
