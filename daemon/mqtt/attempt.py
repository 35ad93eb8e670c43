"""One attempt to keep a link to a broker: from dialling to loss. Each is a new paho client, and nothing outlives it."""

import logging
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connect_errors import error_sentence, refusal_sentence, taken_over_sentence
from daemon.mqtt.io_loop import Turns
from daemon.mqtt.paho_care import acknowledge_now, expiring_after, no_delay, taking_at_most
from daemon.mqtt.publication import Publication, Refusal
from rules.model.wording import say

log = logging.getLogger(__name__)

_POLL_S = 1.0  # longest sleep of the network thread; keep-alive is looked at then, messages wake it at once
_TOPICS_PER_REQUEST = 50
_LARGEST_PACKET_BYTES = 1024 * 1024  # what is larger would fill memory here: the broker keeps it to itself (MQTT 5)
_UNSUPPORTED_VERSION = 0x84
_TAKEN_OVER = 0x8E


@dataclass(frozen=True, slots=True)
class Terms:
    """How every attempt of a connection is made. will, topics, watched: as for `Connection`; tls: None without."""

    broker: BrokerAddress
    client_id: str
    will: Publication | None
    topics: tuple[str, ...]
    watched: str
    tls: ssl.SSLContext | None


@dataclass(frozen=True, slots=True)
class Callbacks:
    """Whom an attempt calls, on the network thread; as for `Connection`."""

    message: Callable[[str, bytes, bool], None]
    up: Callable[[], None]
    fault: Callable[[Refusal], None]
    delivered: Callable[[], None]


class Attempt:
    """`run` takes the network thread until the link is lost; `hand_over` is for all threads.

    accepted: whether the broker took the link; up: whether it has answered for the subscriptions too; reason: why the
    link was refused or lost, "" where nobody said; version_refused: the broker speaks no such version; renewed: left
    by ourselves, to try MQTT 5 again; refused: packet ids of publications that the broker refuses.
    """

    def __init__(self, terms: Terms, callbacks: Callbacks, turns: Turns, mqtt5: bool) -> None:
        self.mqtt5 = mqtt5
        self.client: Client | None = None
        self.accepted = False
        self.up = False
        self.reason = ""
        self.version_refused = False
        self.renewed = False
        self.lasted_s = 0.0
        self.refused: set[int] = set()
        self._terms = terms
        self._callbacks = callbacks
        self._turns = turns
        self._asked: dict[int, Sequence[str]] = {}
        self._topic_of: dict[int, str] = {}

    def run(self, closing: threading.Event, may_renew: Callable[[float], bool]) -> None:
        """Dial, and keep the link until it is lost or `closing` is set.

        may_renew: whether a link on MQTT 3.1.1 that has been up so long, s, is to be made anew.
        """
        broker = self._terms.broker
        try:
            self._keep(closing, may_renew)
        except OSError as error:
            self.reason = self.reason or error_sentence(error, broker)
        except Exception as error:
            # Whatever a broker sends, and whatever the library makes of it, must not end the thread that reconnects.
            log.exception("broker=%s the link was ended by an error", broker)
            self.reason = self.reason or say("an unforeseen error ({kind})", kind=type(error).__name__)
        self.up = False

    def hand_over(self, publication: Publication, expiry_s: float | None) -> MQTTMessageInfo | None:
        """Have a message sent; None if it could not even be handed over. Never blocks, never raises."""
        client = self.client
        if client is None or not self.up:
            return None
        properties = expiring_after(max(1, round(expiry_s))) if expiry_s is not None and self.mqtt5 else None
        topic, qos = publication.topic, publication.qos
        try:
            info = client.publish(topic, publication.payload, qos, publication.retain, properties)
            if qos:
                self._topic_of[info.mid] = topic  # where the answer was faster its topic is not named
            self._turns.wake()
            return info
        except (ValueError, OSError):
            log.exception("broker=%s topic=%s could not be published to", self._terms.broker, topic)
            return None

    def _keep(self, closing: threading.Event, may_renew: Callable[[float], bool]) -> None:
        broker, turn = self._terms.broker, self._turns.turn
        client = self.client = self._new_client()
        properties = taking_at_most(_LARGEST_PACKET_BYTES) if self.mqtt5 else None
        client.connect(broker.host, broker.port, broker.keepalive_s, properties=properties)
        up_since_s = None
        try:
            while not closing.is_set() and turn(client, _POLL_S) == MQTTErrorCode.MQTT_ERR_SUCCESS:
                if up_since_s is None and self.up:
                    up_since_s = time.monotonic()
                elif up_since_s is not None and not self.mqtt5 and may_renew(time.monotonic() - up_since_s):
                    self.renewed = True
                    client.disconnect()
            leave_by_s = time.monotonic() + _POLL_S
            while self.up and time.monotonic() < leave_by_s:
                if turn(client, _POLL_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:  # sends what is left, the farewell last
                    break
        finally:
            if up_since_s is not None:
                self.lasted_s = time.monotonic() - up_since_s

    def _new_client(self) -> Client:
        terms = self._terms
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=terms.client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if self.mqtt5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        if terms.broker.username is not None:
            client.username_pw_set(terms.broker.username, terms.broker.password)
        if terms.tls is not None:
            client.tls_set_context(terms.tls)
        if terms.will is not None:
            client.will_set(terms.will.topic, terms.will.payload, terms.will.qos, terms.will.retain)
        client.on_socket_open = no_delay
        # With this set publish() never writes itself: two threads writing to one socket could mix their packets.
        client.on_socket_register_write = lambda *_: None
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_publish = self._published
        client.on_message = self._received
        return client

    # Called by paho, on the network thread

    def _connected(
        self, client: Client, _: object, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self.version_refused = reason.value == _UNSUPPORTED_VERSION
            self.reason = refusal_sentence(reason, self._terms.broker)
            return
        self.accepted = True
        self._safely(lambda: self._subscribe(client))

    def _subscribe(self, client: Client) -> None:
        topics = self._terms.topics
        for first in range(0, len(topics), _TOPICS_PER_REQUEST):
            asked = topics[first : first + _TOPICS_PER_REQUEST]
            self._note_asked(client.subscribe([(topic, 1) for topic in asked]), asked)
        if not topics:
            self._begin()
        watched = self._terms.watched
        if watched and self.mqtt5:
            of_others = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True)
            self._note_asked(client.subscribe(watched, options=of_others), (watched,))
        elif watched:
            self._note_asked(client.subscribe(watched, 1), (watched,))

    def _note_asked(self, request: tuple[MQTTErrorCode, int | None], topics: Sequence[str]) -> None:
        result, mid = request
        if result == MQTTErrorCode.MQTT_ERR_SUCCESS and mid is not None:
            self._asked[mid] = topics

    def _disconnected(
        self, client: Client, _: object, flags: DisconnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if flags.is_disconnect_packet_from_server and reason.value == _TAKEN_OVER:
            self.reason = taken_over_sentence()
        elif flags.is_disconnect_packet_from_server:
            self.reason = say("the broker ended the link: {reason}", reason=str(reason).lower())
        elif reason.is_failure and "keep alive" in str(reason).lower():
            self.reason = say("the broker no longer answers")

    def _subscribed(
        self, client: Client, _: object, mid: int, reasons: list[ReasonCode], properties: Properties | None
    ) -> None:
        for topic, reason in zip(self._asked.pop(mid, ()), reasons, strict=False):
            if reason.is_failure:
                self._fault(Refusal("subscription", topic, str(reason).lower()))
        if not self._asked and not self.up:
            self._begin()

    def _published(
        self, client: Client, _: object, mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        acknowledge_now(client)
        topic = self._topic_of.pop(mid, "")
        if reason.is_failure:
            self.refused.add(mid)
            self._fault(Refusal("publication", topic, str(reason).lower()))
            return
        self._safely(self._callbacks.delivered)

    def _received(self, client: Client, _: object, message: MQTTMessage) -> None:
        acknowledge_now(client)
        try:
            self._callbacks.message(message.topic, bytes(message.payload), message.retain)
        except UnicodeDecodeError:
            log.debug("broker=%s a topic is not UTF-8", self._terms.broker)  # so it is none of ours
        except Exception:
            log.exception("broker=%s a callback failed", self._terms.broker)

    def _begin(self) -> None:
        self.up = True
        self._safely(self._callbacks.up)

    def _fault(self, refusal: Refusal) -> None:
        self._safely(lambda: self._callbacks.fault(refusal))

    def _safely(self, call: Callable[[], None]) -> None:
        """An exception in a paho callback would end the attempt."""
        try:
            call()
        except Exception:
            log.exception("broker=%s a callback failed", self._terms.broker)
