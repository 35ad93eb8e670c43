"""Tells a heater its orders, and sees to it that silence means withhold.

What is done: every order is an absolute state, QoS 1, never retained, and expires (MQTT 5); at every connect the
standing order is sent again, and nothing older; an order that somebody else left with the broker (retained), for every
heater that connects, is cleared and the right one sent; while the heater is withheld, an order of somebody else's that
would switch it on is answered with `withhold` at once; on an orderly end `withhold` is sent and acknowledged; when the
link breaks the broker tells it, as the last will of this heater's own connection.

What cannot be guaranteed: while the broker itself is down, or the link between it and the heater, nothing reaches the
heater. A link that breaks without a close is noticed by the broker after one and a half keep-alive times, 23 s, and
when it next looks: Mosquitto does every five to six seconds. Only a heater that lets an order lapse by itself is safe
from that; thermostat and cut-out stay in charge either way.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable, Mapping
from random import random

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.mqtt.publication import Publication, Refusal
from daemon.timing.events import Linked, Meddled
from rules.model.orders import Order
from rules.model.wording import say

log = logging.getLogger(__name__)

_QOS = 1
_SHOWN_BYTES = 40
_MOST_ANSWERS = 10
"""How many of a stranger's orders are answered and reported between two of our own: one that insists is no flood."""
_ON_ITS_WAY_S = 0.002
"""How long an order is given to get out before its sender goes on: many times what it takes on a link that is well."""


def order_payload(order: Order, watts: int | None, payloads: Mapping[Order, str] | None) -> bytes:
    """What an order is on the wire.

    payloads: a gate heater's words for each order; where it has none for this one it is withheld.
    None: a modulated heater, ordered in whole watts, 0 for withhold.
    """
    if payloads is not None:
        return payloads.get(order, payloads[Order.WITHHOLD]).encode()
    return b"0" if order is Order.WITHHOLD or watts is None else str(max(0, watts)).encode()


class HeaterLine:
    """One heater's order connection. `send` waits `_ON_ITS_WAY_S` at most, `refresh` not at all.

    topic: where its orders go; payloads: a gate heater's, None for a modulated one; expiry_s: age at which the broker
    drops an undelivered order; emit: takes `Linked` when the line to the heater is lost or the broker refuses an order,
    and `Meddled` when somebody else publishes on its topic.
    """

    def __init__(
        self,
        broker: BrokerAddress,
        name: str,
        topic: str,
        payloads: Mapping[Order, str] | None,
        expiry_s: float,
        emit: Callable[[Linked | Meddled], None],
        jitter: Callable[[], float] = random,
    ) -> None:
        self.name = name
        self._topic = topic
        self._payloads = payloads
        self._expiry_s = expiry_s
        self._emit = emit
        self._wanted: bytes | None = None
        self._refused = False
        self._sent: deque[bytes] = deque(maxlen=8)
        self._answers = 0  # to strangers, since the last order of our own
        self._lock = threading.Lock()  # order of telling: never an older order after a newer one
        self._withhold = Publication(topic, order_payload(Order.WITHHOLD, None, payloads), _QOS)
        self.connection = Connection(
            broker,
            name,
            will=self._withhold,
            watched=topic,
            on_message=self._heard,
            on_up=self._up,
            on_down=lambda reason: emit(Linked(name, False, reason)),
            on_fault=self._fault,
            on_delivered=self._delivered,
            jitter=jitter,
        )

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self.connection.start()

    def send(self, order: Order, watts: int | None) -> None:
        """Send the heater an order; while the line is down it is sent at the next connect, if it still stands."""
        payload = order_payload(order, watts, self._payloads)
        with self._lock:
            self._wanted, self._answers = payload, 0
            sent = self._tell(payload)
        if sent:
            self.connection.wait_written(_ON_ITS_WAY_S)

    def refresh(self) -> None:
        """Tell the standing order again."""
        with self._lock:
            self._answers = 0
            if self._wanted is not None:
                self._tell(self._wanted)

    def close(self, timeout_s: float = 2.0) -> bool:
        """Withhold, wait for the broker's acknowledgement, leave. False: the last will has to do it."""
        with self._lock:
            self._wanted = self._withhold.payload
        sent = self.connection.close(self._withhold, timeout_s)
        if not sent:
            log.warning("heater=%s the broker has not acknowledged withhold; its last will remains", self.name)
        return sent

    def _tell(self, payload: bytes) -> bool:
        self._sent.append(payload)
        return self.connection.publish(self._topic, payload, _QOS, retain=False, expiry_s=self._expiry_s)

    def _up(self) -> None:
        self._refused = False
        self.refresh()
        self._emit(Linked(self.name, True))

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        """A message on the order topic: somebody else's, or, on MQTT 3.1.1, an echo of our own."""
        if not payload or (not retained and payload == self._withhold.payload):
            return
        answered = False
        if retained:
            self.connection.publish(self._topic, b"", _QOS, retain=True)
            self.refresh()
        else:
            again = self._answer()  # to an echo too: another `withhold` harms nothing
            echo = payload in self._sent and not self.connection.mqtt5  # MQTT 5 spares us our own (no local)
            if again is None or echo:
                return
            answered = again
        shown = payload[:_SHOWN_BYTES].decode("utf-8", "replace")
        self._emit(Meddled(self.name, topic, shown, retained, answered))

    def _answer(self) -> bool | None:
        """Withhold again what somebody else switched on; whether that was done, None where it has been done enough.

        A `withhold` of a stranger's is never answered: two that insist on their orders would never end.
        """
        with self._lock:
            if self._answers >= _MOST_ANSWERS:
                return None
            self._answers += 1
            return self._wanted == self._withhold.payload and self._tell(self._withhold.payload)

    # The two below run while paho holds its lock on outgoing messages, which `send` takes inside ours: they must not
    # take ours.
    def _fault(self, refusal: Refusal) -> None:
        if refusal.what == "subscription":  # orders go out all the same
            sentence = say(
                "{refusal}: orders go out, but one that somebody else leaves there is not seen; let the broker's "
                "access rules allow brimful to read that topic",
                refusal=refusal,
            )
            self._emit(Linked(self.name, True, sentence))
            return
        if self._refused:
            return
        self._refused = True
        keys = say("see heaters.{name}.topic and the broker's access rules", name=self.name)
        sentence = say(
            "the broker refuses orders on {topic} ({why}); {keys}",
            topic=self._topic,
            why=refusal.why,
            keys=keys,
        )
        self._emit(Linked(self.name, False, sentence))

    def _delivered(self) -> None:
        if self._refused:
            self._refused = False
            self._emit(Linked(self.name, True))
