"""A heater's line without a broker: what it answers to somebody else's orders."""

from typing import Any

import pytest

from daemon.control.own_alarms import meddling
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.heater_link import HeaterLine
from daemon.timing.events import Linked, Meddled
from rules.model.orders import Order
from rules.model.reading import Moment

PAYLOADS = {Order.WITHHOLD: "0", Order.SURPLUS: "1"}


class Connection:
    """Takes what is published."""

    def __init__(self, mqtt5: bool) -> None:
        self.mqtt5 = mqtt5
        self.published: list[bytes] = []

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool, expiry_s: float | None = None) -> bool:
        self.published.append(payload)
        return True

    def wait_written(self, timeout_s: float) -> bool:
        return True


class House:
    def __init__(self, mqtt5: bool = True, standing: Order = Order.WITHHOLD) -> None:
        self.news: list[Linked | Meddled] = []
        self.line = HeaterLine(BrokerAddress("127.0.0.1", 1), "main", "h/order", PAYLOADS, 180.0, self.news.append)
        self.connection: Any = Connection(mqtt5)
        self.line.connection = self.connection
        self.line.send(standing, None)

    def hear(self, payload: bytes) -> list[bytes]:
        """What is published upon a live message on the order topic."""
        before = len(self.connection.published)
        self.line._heard("h/order", payload, False)
        return self.connection.published[before:]


@pytest.mark.parametrize("mqtt5", [True, False])
def test_a_strangers_order_is_withheld_at_once_where_the_heater_is_to_be_withheld(mqtt5: bool) -> None:
    house = House(mqtt5)
    assert house.hear(b"1") == [b"0"]
    (meddled,) = house.news
    assert meddled == Meddled("main", "h/order", "1", False, answered=True)
    assert "`withhold` was sent again at once" in meddling(meddled, Moment(0.0, 0.0)).sentence


def test_where_the_heater_may_be_on_a_strangers_order_waits_for_the_refresh() -> None:
    house = House(standing=Order.SURPLUS)
    assert house.hear(b"2") == []
    assert house.news == [Meddled("main", "h/order", "2", False)]


def test_a_strangers_withhold_is_never_answered() -> None:
    assert House().hear(b"0") == []
    assert House(standing=Order.SURPLUS).hear(b"0") == []


def test_on_311_a_strangers_order_in_words_of_our_own_is_withheld_too() -> None:
    """It may be the echo of an earlier order: one `withhold` more harms nothing, and nobody is accused."""
    house = House(mqtt5=False, standing=Order.SURPLUS)
    assert house.hear(b"1") == []
    house.line.send(Order.WITHHOLD, None)
    assert house.hear(b"1") == [b"0"]
    assert house.news == []


def test_who_insists_is_answered_some_times_between_two_orders() -> None:
    house = House()
    assert sum(len(house.hear(b"1")) for _ in range(50)) == 10
    assert len(house.news) == 10, "nor are they reported without end: the loop has other work"
    house.line.refresh()
    assert house.hear(b"1") == [b"0"]
