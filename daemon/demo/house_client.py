"""The demo house on the wire: an MQTT client like any device's, which speaks and obeys over the broker alone."""

import logging
import threading
from queue import Empty, SimpleQueue

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.simulation.house.simulated import ORDER_TOPIC, DemoHouse
from rules.model.errors import BrimfulError

log = logging.getLogger(__name__)

HELLO_TOPIC = "house/hello"


class DemoClient:
    """Carries a house's readings out and its orders in. All but the network's own callbacks run on the caller's thread.

    house: touched by `step` alone; broker: where to speak.
    """

    def __init__(self, house: DemoHouse, broker: BrokerAddress) -> None:
        self.house = house
        self.published = 0
        self.orders_not_understood = 0
        self._broker = broker
        self._orders: SimpleQueue[bytes] = SimpleQueue()
        self._received = 0
        self._arrived = threading.Condition()
        self._listening = threading.Event()
        self._connection = Connection(
            broker, "house", topics=(ORDER_TOPIC, HELLO_TOPIC), on_message=self._heard, on_up=self._greet
        )

    @property
    def orders_received(self) -> int:
        """Orders that have come, obeyed or not yet; a retained one is old and counts for nothing."""
        return self._received

    def start(self, timeout_s: float = 10.0) -> None:
        """Connect, and wait until orders would be heard. Raises BrimfulError if that takes longer than timeout_s."""
        self._connection.start()
        if not self._listening.wait(timeout_s):
            self._connection.close()
            raise BrimfulError("start the demo house", str(self._broker), f"no broker answered within {timeout_s:g} s")

    def step(self, dt_s: float) -> bool:
        """Obey what has come, live dt_s seconds, and publish every reading.

        Returns whether the link took them all; what it did not take is gone, as with any sensor.
        """
        self._obey()
        self.house.advance(dt_s)
        readings = self.house.readings()
        taken = sum([self._connection.publish(topic, payload) for topic, payload in readings.items()])
        self.published += taken
        return taken == len(readings)

    def wait_for_orders(self, count: int, timeout_s: float) -> bool:
        """Wait until `count` orders have come since the start; False if they have not within timeout_s."""
        with self._arrived:
            return self._arrived.wait_for(lambda: self._received >= count, timeout_s)

    def close(self) -> None:
        """Leave the broker."""
        self._connection.close()

    def _obey(self) -> None:
        while True:
            try:
                payload = self._orders.get_nowait()
            except Empty:
                return
            if not self.house.obey(payload):
                self.orders_not_understood += 1
                log.warning("order=%r is none the diverter knows", payload[:40])

    # On the network thread

    def _greet(self) -> None:
        # Its own echo shows that the subscriptions, sent before it, are in force.
        self._connection.publish(HELLO_TOPIC, b"")

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        if topic == HELLO_TOPIC:
            self._listening.set()
        elif not retained:
            self._orders.put(payload)
            with self._arrived:
                self._received += 1
                self._arrived.notify_all()
