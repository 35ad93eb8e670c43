"""What brimful says of itself: `brimful/HOME/…`, retained JSON, and whether it is there at all."""

import json
import threading
from collections.abc import Mapping
from typing import Any, Protocol

from daemon.config.state_topics import state_base
from daemon.mqtt.publication import Publication

_QOS = 1


class Publish(Protocol):
    """How a message is handed over; says whether it could be."""

    def __call__(self, topic: str, payload: bytes, qos: int, retain: bool) -> bool: ...


class HouseState:
    """Publishes the home's state under `brimful/HOME/NAME` and says it again at every connect.

    `brimful/HOME/daemon` says whether it runs, in the words that Homie 5 has for a device: `ready` since `greet`,
    `lost` by the listening connection's last will, `disconnected` after an orderly end.
    """

    def __init__(self, home_name: str, publish: Publish) -> None:
        self.base = state_base(home_name)
        self.daemon = f"{self.base}/daemon"
        self._publish = publish
        self._said: dict[str, bytes] = {}
        self._lock = threading.Lock()  # `greet` runs on the network thread

    @property
    def will(self) -> Publication:
        """The listening connection's last will."""
        return Publication(self.daemon, b"lost", _QOS, retain=True)

    @property
    def farewell(self) -> Publication:
        """Its last word on an orderly end."""
        return Publication(self.daemon, b"disconnected", _QOS, retain=True)

    def greet(self) -> None:
        """Say `ready` and everything said before; for each connect."""
        with self._lock:
            self._publish(self.daemon, b"ready", _QOS, True)
            for topic, payload in self._said.items():
                self._publish(topic, payload, _QOS, True)

    def say(self, name: str, document: Mapping[str, Any]) -> bool:
        """Publish a part of the state, retained, if it has changed; False if it could not be handed over now.

        Raises ValueError for NaN and infinities, which JSON does not have.
        """
        topic = f"{self.base}/{name}"
        payload = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
        with self._lock:
            if self._said.get(topic) == payload:
                return True
            self._said[topic] = payload
            return self._publish(topic, payload, _QOS, True)
