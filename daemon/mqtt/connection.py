"""One connection to a broker: it keeps itself up, and never replays what was said on an earlier link.

Each attempt is a new paho client. A client that reconnects by itself sends again what the broker had not yet
acknowledged, so an old order could follow a newer one; here whoever speaks says again what holds, in `on_up`.
The network thread is this module's own, because an exception in a paho thread ends it while the client looks connected.
"""

import logging
import random
import secrets
import threading
from collections.abc import Callable, Sequence

from paho.mqtt.enums import MQTTErrorCode

from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.attempt import Attempt, Callbacks, Terms
from daemon.mqtt.backoff import Backoff
from daemon.mqtt.connect_errors import check_host, hung_up_sentence, keeps_breaking_sentence, tls_context
from daemon.mqtt.io_loop import Turns
from daemon.mqtt.paho_care import acknowledged, break_off
from daemon.mqtt.protocol_choice import ProtocolChoice
from daemon.mqtt.publication import Publication, Refusal

log = logging.getLogger(__name__)
_LOST = "the link broke"


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

    attempting = Attempt

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
        # MQTT 3.1.1 promises 23 letters and digits. The same id for all attempts: the broker then ends a half-open
        # predecessor, and publishes its will, before the new link is up and not twenty seconds after.
        letters = "".join(filter(str.isalnum, role.encode("ascii", "ignore").decode()))
        self.client_id = f"brimful{letters[:6]}{secrets.token_hex(5)}"
        tls = tls_context(broker) if broker.tls else None
        self._terms = Terms(broker, self.client_id, will, tuple(dict.fromkeys(topics)), watched, tls)
        self._callbacks = Callbacks(on_message, self._begun, on_fault, on_delivered)
        self._on_up = on_up
        self._on_down = on_down
        self._attempt: Attempt | None = None
        self._turns = Turns()
        self._up = threading.Event()
        self._closing = threading.Event()
        self._rest = rest or self._closing.wait
        self._protocol = ProtocolChoice(broker.mqtt5)
        self._backoff = Backoff(jitter)
        self._said: str | None = None
        self._thread = threading.Thread(target=self._run, name=f"mqtt-{role}", daemon=True)

    @property
    def up(self) -> bool:
        """Whether the broker has taken the link and the subscriptions. Says nothing of the life of who publishes."""
        return self._up.is_set()

    @property
    def mqtt5(self) -> bool:
        """Whether the standing link speaks MQTT 5."""
        attempt = self._attempt
        return attempt is not None and attempt.mqtt5

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
        attempt = self._attempt
        if attempt is None:
            return False
        info = attempt.hand_over(Publication(topic, payload, qos, retain), expiry_s)
        return info is not None and info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS

    def wait_written(self, timeout_s: float) -> bool:
        """Wait until the network thread has written what was published before, at most `timeout_s`.

        Whoever goes on computing would keep the interpreter from that thread, and the message waiting.
        """
        return self._turns.wait_written(timeout_s)

    def break_off(self) -> None:
        """Break the link without a farewell, so that the broker publishes the will; for when all else is stuck."""
        self._closing.set()
        attempt = self._attempt
        if attempt is not None and attempt.client is not None:
            break_off(attempt.client)

    def close(self, final: Publication | None = None, timeout_s: float = 2.0) -> bool:
        """Publish `final`, wait for its acknowledgement, and leave. Returns whether it was acknowledged in time.

        Where it was not, the link is broken off rather than closed, so that the broker publishes the will.
        """
        attempt = self._attempt
        known = False
        if final is not None and attempt is not None:
            at_least_once = Publication(final.topic, final.payload, max(1, final.qos), final.retain)
            info = attempt.hand_over(at_least_once, None)
            known = acknowledged(info, timeout_s) and info is not None and info.mid not in attempt.refused
        self._closing.set()
        attempt = self._attempt
        client = attempt.client if attempt is not None else None
        if client is not None and self.up and (known or final is None):
            client.disconnect()
            self._turns.wake()
        elif client is not None:
            break_off(client)
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return known or final is None

    # The network thread

    def _run(self) -> None:
        with self._turns:
            while not self._closing.is_set():
                attempt = self._attempt = self.attempting(
                    self._terms, self._callbacks, self._turns, self._protocol.mqtt5
                )
                attempt.run(self._closing, self._protocol.may_renew)
                self._up.clear()
                self._attempt = None
                again_at_once = self._learn(attempt)
                if again_at_once or self._closing.is_set():
                    continue
                self._say_down(self._why(attempt))
                self._rest(self._backoff.next_wait_s(attempt.lasted_s))

    def _learn(self, attempt: Attempt) -> bool:
        """What an attempt says about the next one; whether that is to be made without waiting."""
        if attempt.version_refused:
            self._protocol.refused()
        if attempt.accepted:
            self._said = None
            self._protocol.served()
        elif attempt.reason == "":
            self._protocol.hung_up()
        self._backoff.ended(attempt.accepted, attempt.lasted_s)
        falls_back = attempt.mqtt5 and not attempt.accepted and not self._protocol.mqtt5
        return attempt.renewed or falls_back

    def _why(self, attempt: Attempt) -> str:
        if attempt.reason:
            return attempt.reason
        if not attempt.accepted:
            return hung_up_sentence(self._terms.broker)
        return keeps_breaking_sentence() if self._backoff.keeps_breaking else _LOST

    def _begun(self) -> None:
        self._up.set()
        self._on_up()

    def _say_down(self, reason: str) -> None:
        if reason == self._said:
            return
        self._said = reason
        try:
            self._on_down(reason)
        except Exception:
            log.exception("broker=%s a callback failed", self._terms.broker)
