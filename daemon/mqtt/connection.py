"""One connection to a broker: it keeps itself up, and never replays what was said on an earlier link.

Each attempt is a new paho client. A client that reconnects by itself sends again what the broker had not yet
acknowledged, so an old order could follow a newer one; here whoever speaks says again what holds, in `on_up`.
The network thread is this module's own, because an exception in a paho thread ends it while the client looks connected.
"""

import logging
import random
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connect_errors import (
    check_host,
    error_sentence,
    hung_up_sentence,
    keeps_breaking_sentence,
    refusal_sentence,
    taken_over_sentence,
    tls_context,
)
from daemon.mqtt.io_loop import Turns
from daemon.mqtt.paho_care import acknowledge_now, acknowledged, break_off, expiring_after, no_delay, taking_at_most
from daemon.mqtt.protocol_choice import ProtocolChoice

if TYPE_CHECKING:
    pass

log = logging.getLogger(__name__)

_FIRST_WAIT_S = 0.5
_LONGEST_WAIT_S = 30.0
# A link that lasted this long was a good one: its loss is retried at once, not as one failure more. Longer than the
# longest wait, or two clients that take one id from each other would be at it again after each longest wait.
_STEADY_S = 60.0
_MANY_BREAKS = 3
_POLL_S = 1.0  # longest sleep of the network thread; keep-alive is looked at then, messages wake it at once
_TOPICS_PER_REQUEST = 50
_LARGEST_PACKET_BYTES = 1024 * 1024  # what is larger would fill memory here: the broker keeps it to itself (MQTT 5)
_UNSUPPORTED_VERSION = 0x84
_TAKEN_OVER = 0x8E
_LOST = "the link broke"


@dataclass(frozen=True, slots=True)
class Publication:
    """A message to be published; retain: the broker keeps it for later subscribers."""

    topic: str
    payload: bytes
    qos: int = 1
    retain: bool = False


@dataclass(frozen=True, slots=True)
class Refusal:
    """What the broker refuses on a standing link. topic: of the subscription or publication, "" if it is not known."""

    what: Literal["subscription", "publication"]
    topic: str
    why: str

    def __str__(self) -> str:
        if self.what == "subscription":
            return f"the broker refuses the subscription to {self.topic} ({self.why})"
        return f"the broker refuses what is published{self.topic and ' on ' + self.topic} ({self.why})"


def _nothing(*_: object) -> None:
    return


class Connection:
    """A link to a broker, made again whenever it is lost, until `close`.

    role: a few letters of the client id, for the broker's log. will: what the broker publishes when the link breaks.
    topics: subscribed to at every connect, QoS 1; the link is up when the broker has answered for them. watched: one
    more topic, which the link does not wait for; of it, it hears what others publish (3.1.1 echoes its own). The
    callbacks run on the network thread and must only enqueue: on_message(topic, payload, retained); on_up();
    on_down(reason), once per reason; on_fault(refusal) for what the broker refuses on a standing link, subscriptions
    before `on_up`; on_delivered() when it has acknowledged a publication. jitter: 0 to 1; rest: how to wait between
    attempts, s (a seam for tests).
    Raises BrimfulError if the CA file cannot be used or the host name is none.
    """

    def __init__(
        self,
        broker: BrokerAddress,
        role: str,
        *,
        will: Publication | None = None,
        topics: Sequence[str] = (),
        watched: str = "",
        on_message: Callable[[str, bytes, bool], None] = _nothing,
        on_up: Callable[[], None] = _nothing,
        on_down: Callable[[str], None] = _nothing,
        on_fault: Callable[[Refusal], None] = _nothing,
        on_delivered: Callable[[], None] = _nothing,
        jitter: Callable[[], float] = random.random,
        rest: Callable[[float], object] | None = None,
    ) -> None:
        check_host(broker)
        self._broker = broker
        self._tls = tls_context(broker) if broker.tls else None
        # MQTT 3.1.1 promises 23 letters and digits. The same id for all attempts: the broker then ends a half-open
        # predecessor, and publishes its will, before the new link is up and not twenty seconds after.
        letters = "".join(filter(str.isalnum, role.encode("ascii", "ignore").decode()))
        self.client_id = f"brimful{letters[:6]}{secrets.token_hex(5)}"
        self._will = will
        self._topics = tuple(dict.fromkeys(topics))
        self._watched = watched
        self._on_message = on_message
        self._on_up = on_up
        self._on_down = on_down
        self._on_fault = on_fault
        self._on_delivered = on_delivered
        self._jitter = jitter
        self._client: Client | None = None
        self._accepted = False
        self._turns = Turns()
        self._up = threading.Event()
        self._closing = threading.Event()
        self._rest = rest or self._closing.wait
        self._reason = ""
        self._breaks = 0  # links in a row that broke without a word soon after they were made
        self._told: str | None = None
        self._protocol = ProtocolChoice(broker.mqtt5)
        self._asked: dict[int, Sequence[str]] = {}
        self._refused: set[int] = set()
        self._topic_of: dict[int, str] = {}
        self._thread = threading.Thread(target=self._run, name=f"mqtt-{role}", daemon=True)

    @property
    def up(self) -> bool:
        """Whether the broker has taken the link and the subscriptions. Says nothing of the life of who publishes."""
        return self._up.is_set()

    @property
    def mqtt5(self) -> bool:
        """Whether the standing link speaks MQTT 5."""
        client = self._client
        return client is not None and client.protocol == MQTTProtocolVersion.MQTTv5

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._thread.start()

    def wait_up(self, timeout_s: float) -> bool:
        """Wait until the link is up, at most `timeout_s`."""
        return self._up.wait(timeout_s)

    def publish(
        self, topic: str, payload: bytes, qos: int = 0, retain: bool = False, expiry_s: float | None = None
    ) -> bool:
        """Hand a message to the broker; False if it could not even be handed over. Never blocks, never raises.

        expiry_s: age at which the broker drops it undelivered (MQTT 5 only; 3.1.1 cannot say it).
        """
        info = self._hand_over(topic, payload, qos, retain, expiry_s)
        return info is not None and info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS

    def wait_written(self, timeout_s: float) -> bool:
        """Wait until the network thread has written what was published before, at most `timeout_s`.

        Whoever goes on computing would keep the interpreter from that thread, and the message waiting.
        """
        return self._turns.wait_written(timeout_s)

    def break_off(self) -> None:
        """Break the link without a farewell, so that the broker publishes the will; for when all else is stuck."""
        self._closing.set()
        client = self._client
        if client is not None:
            break_off(client)

    def close(self, final: Publication | None = None, timeout_s: float = 2.0) -> bool:
        """Publish `final`, wait for its acknowledgement, and leave. Returns whether it was acknowledged in time.

        Where it was not, the link is broken off rather than closed, so that the broker publishes the will.
        """
        info = None
        if final is not None and self.up:
            info = self._hand_over(final.topic, final.payload, max(1, final.qos), final.retain, None)
        known = acknowledged(info, timeout_s) and info is not None and info.mid not in self._refused
        self._closing.set()
        client = self._client
        if client is not None and self.up and (known or final is None):
            client.disconnect()
            self._turns.wake()
        elif client is not None:
            break_off(client)
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return known or final is None

    def _hand_over(
        self, topic: str, payload: bytes, qos: int, retain: bool, expiry_s: float | None
    ) -> MQTTMessageInfo | None:
        client = self._client
        if client is None or not self._up.is_set():
            return None
        properties = None
        if expiry_s is not None and client.protocol == MQTTProtocolVersion.MQTTv5:
            properties = expiring_after(max(1, round(expiry_s)))
        try:
            info = client.publish(topic, payload, qos, retain, properties)
            if qos:
                self._topic_of[info.mid] = topic  # where the answer was faster its topic is not told
            self._turns.wake()
            return info
        except (ValueError, OSError):
            log.exception("broker=%s topic=%s could not be published to", self._broker, topic)
            return None

    # The network thread

    def _run(self) -> None:
        failures = 0
        with self._turns:
            while not self._closing.is_set():
                lasted_s, again_at_once = self._attempt()
                if again_at_once or self._closing.is_set():
                    continue
                failures = 1 if lasted_s >= _STEADY_S else failures + 1
                self._rest(self._wait_s(failures))

    def _wait_s(self, failures: int) -> float:
        longest_s = min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** min(failures - 1, 10))
        return longest_s * (0.5 + 0.5 * self._jitter())

    def _attempt(self) -> tuple[float, bool]:
        """One link from dialling to loss: how long it was up, s, and whether to try again without waiting."""
        mqtt5 = self._protocol.mqtt5
        renewed = False
        self._reason = ""
        self._accepted = False
        self._asked.clear()
        self._refused.clear()
        self._topic_of.clear()
        up_since_s = None
        try:
            client = self._client = self._new_client(mqtt5)
            properties = taking_at_most(_LARGEST_PACKET_BYTES) if mqtt5 else None
            client.connect(self._broker.host, self._broker.port, self._broker.keepalive_s, properties=properties)
            turn = self._turns.turn
            while not self._closing.is_set() and turn(client, _POLL_S) == MQTTErrorCode.MQTT_ERR_SUCCESS:
                if up_since_s is None and self._up.is_set():
                    up_since_s = time.monotonic()
                elif up_since_s is not None and not mqtt5 and self._protocol.may_renew(time.monotonic() - up_since_s):
                    renewed = True
                    client.disconnect()
            leave_by_s = time.monotonic() + _POLL_S
            while self._up.is_set() and time.monotonic() < leave_by_s:
                if turn(client, _POLL_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:  # sends what is left, the farewell last
                    break
        except OSError as error:
            self._reason = self._reason or error_sentence(error, self._broker)
        except Exception as error:
            # Whatever a broker sends, and whatever the library makes of it, must not end the thread that reconnects.
            log.exception("broker=%s the link was ended by an error", self._broker)
            self._reason = self._reason or f"an unforeseen error ({type(error).__name__})"
        self._up.clear()
        self._client = None
        if self._accepted:
            self._protocol.served()
        elif self._reason == "":
            self._protocol.hung_up()
        lasted_s = time.monotonic() - up_since_s if up_since_s is not None else 0.0
        self._breaks = self._breaks + 1 if self._accepted and lasted_s < _STEADY_S else 0
        again_at_once = renewed or (mqtt5 and not self._accepted and not self._protocol.mqtt5)
        if not again_at_once and not self._closing.is_set():
            lost = keeps_breaking_sentence() if self._breaks >= _MANY_BREAKS else _LOST
            self._tell_down(self._reason or (lost if self._accepted else hung_up_sentence(self._broker)))
        return lasted_s, again_at_once

    def _new_client(self, mqtt5: bool) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        if self._broker.username is not None:
            client.username_pw_set(self._broker.username, self._broker.password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        if self._will is not None:
            client.will_set(self._will.topic, self._will.payload, self._will.qos, self._will.retain)
        client.on_socket_open = no_delay
        # With this set publish() never writes itself: two threads writing to one socket could mix their packets.
        client.on_socket_register_write = _nothing
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_publish = self._published
        client.on_message = self._received
        return client

    def _connected(
        self, client: Client, _: object, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        try:
            if reason.is_failure:
                if reason.value == _UNSUPPORTED_VERSION:
                    self._protocol.refused()
                self._reason = refusal_sentence(reason, self._broker)
                return
            self._accepted = True
            self._told = None
            for first in range(0, len(self._topics), _TOPICS_PER_REQUEST):
                asked = self._topics[first : first + _TOPICS_PER_REQUEST]
                result, mid = client.subscribe([(topic, 1) for topic in asked])
                if result == MQTTErrorCode.MQTT_ERR_SUCCESS and mid is not None:
                    self._asked[mid] = asked
            if not self._topics:
                self._begin()
            if self._watched:
                self._watch(client)
        except Exception:
            log.exception("broker=%s a callback failed", self._broker)

    def _watch(self, client: Client) -> None:
        if client.protocol == MQTTProtocolVersion.MQTTv5:
            of_others = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True)
            result, mid = client.subscribe(self._watched, options=of_others)
        else:
            result, mid = client.subscribe(self._watched, 1)
        if result == MQTTErrorCode.MQTT_ERR_SUCCESS and mid is not None:
            self._asked[mid] = (self._watched,)

    def _disconnected(
        self, client: Client, _: object, flags: DisconnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if flags.is_disconnect_packet_from_server and reason.value == _TAKEN_OVER:
            self._reason = taken_over_sentence()
        elif flags.is_disconnect_packet_from_server:
            self._reason = f"the broker ended the link: {str(reason).lower()}"
        elif reason.is_failure and "keep alive" in str(reason).lower():
            self._reason = "the broker no longer answers"

    def _subscribed(
        self, client: Client, _: object, mid: int, reasons: list[ReasonCode], properties: Properties | None
    ) -> None:
        for topic, reason in zip(self._asked.pop(mid, ()), reasons, strict=False):
            if reason.is_failure:
                self._fault(Refusal("subscription", topic, str(reason).lower()))
        if not self._asked and not self._up.is_set():
            self._begin()

    def _published(
        self, client: Client, _: object, mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        acknowledge_now(client)
        topic = self._topic_of.pop(mid, "")
        if reason.is_failure:
            self._refused.add(mid)
            self._fault(Refusal("publication", topic, str(reason).lower()))
            return
        try:
            self._on_delivered()
        except Exception:
            log.exception("broker=%s a callback failed", self._broker)

    def _received(self, client: Client, _: object, message: MQTTMessage) -> None:
        acknowledge_now(client)
        try:
            self._on_message(message.topic, bytes(message.payload), message.retain)
        except UnicodeDecodeError:
            log.debug("broker=%s a topic is not UTF-8", self._broker)  # so it is none of ours
        except Exception:
            log.exception("broker=%s a callback failed", self._broker)

    def _begin(self) -> None:
        self._up.set()
        try:
            self._on_up()
        except Exception:
            log.exception("broker=%s a callback failed", self._broker)

    def _fault(self, refusal: Refusal) -> None:
        try:
            self._on_fault(refusal)
        except Exception:
            log.exception("broker=%s a callback failed", self._broker)

    def _tell_down(self, reason: str) -> None:
        if reason == self._told:
            return
        self._told = reason
        try:
            self._on_down(reason)
        except Exception:
            log.exception("broker=%s a callback failed", self._broker)
